"""
Recipes: how a product becomes parts. What pages and services import is here.

    made = make_unit(recipe, order, materials)

See `fabrication.rules.model` for the dataclasses and their JSON, `trade` for the figures of each
family's engineering.
"""

from __future__ import annotations

from fabrication.rules.making import equal_widths, make_on_one_head, make_room, make_unit
from fabrication.rules.materials import Facts, Material, StockSize, materials_from_json
from fabrication.rules.model import (
    FINISHED_SIZE,
    OPENING_SIZE,
    CannotMake,
    Cutout,
    Figure,
    Order,
    Part,
    Recipe,
    Remark,
    Step,
    UnitMake,
)
from fabrication.rules.starting import starting_materials, starting_recipes, starting_rows

__all__ = [
    "FINISHED_SIZE",
    "OPENING_SIZE",
    "CannotMake",
    "Cutout",
    "Facts",
    "Figure",
    "Material",
    "Order",
    "Part",
    "Recipe",
    "Remark",
    "Step",
    "StockSize",
    "UnitMake",
    "equal_widths",
    "make_on_one_head",
    "make_room",
    "make_unit",
    "materials_from_json",
    "starting_materials",
    "starting_recipes",
    "starting_rows",
]
