"""The starting materials and recipes of a firm, from the tables in ``fabrication/data``, read once."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, Final

from fabrication.rules.materials import Material, materials_from_json
from fabrication.rules.model import Recipe
from fabrication.rules.records import NEVER_NEGATIVE

DATA: Final = Path(__file__).resolve().parent.parent / "data"


def starting_rows(name: str) -> list[dict[str, Any]]:
    """The rows of ``materials`` or ``recipes`` as JSON, to load into the database."""
    rows: list[dict[str, object]] = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))[name]
    return rows


def starting_values(name: str, part: str, kind: Any) -> Any:
    """What a table has under a name, read as this kind."""
    table = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))
    return NEVER_NEGATIVE.read(kind, table[part], f"{name}.{part}")


@cache
def starting_materials() -> Mapping[str, Material]:
    """Materials by key."""
    return materials_from_json(starting_rows("materials"))


@cache
def starting_recipes() -> Mapping[str, Recipe]:
    """Recipes by product key."""
    rows = enumerate(starting_rows("recipes"))
    return {recipe.key: recipe for recipe in (Recipe.from_json(row, f"recipes[{place}]") for place, row in rows)}
