"""
Recipes: how a product becomes parts. What pages and services import is here.

    made = make_unit(recipe, order, materials)

See `fabrication.rules.model` for the dataclasses and their JSON, `trade` for the figures of each
family's engineering.
"""

from __future__ import annotations

from fabrication.rules.checking import (
    Change,
    Example,
    Problem,
    check_recipe,
    condition_text,
    count_text,
    difference,
    materials_named,
    measure_text,
    middling_order,
    worked_example,
)
from fabrication.rules.making import equal_widths, make_on_one_head, make_room, make_unit, shared_widths
from fabrication.rules.materials import Facts, Material, StockSize, materials_from_json
from fabrication.rules.model import (
    FINISHED_SIZE,
    OPENING_SIZE,
    CannotMake,
    Cutout,
    Figure,
    Option,
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
    "Change",
    "Cutout",
    "Example",
    "Facts",
    "Figure",
    "Material",
    "Option",
    "Order",
    "Part",
    "Problem",
    "Recipe",
    "Remark",
    "Step",
    "StockSize",
    "UnitMake",
    "check_recipe",
    "condition_text",
    "count_text",
    "difference",
    "equal_widths",
    "make_on_one_head",
    "make_room",
    "make_unit",
    "materials_from_json",
    "materials_named",
    "measure_text",
    "middling_order",
    "shared_widths",
    "starting_materials",
    "starting_recipes",
    "starting_rows",
    "worked_example",
]
