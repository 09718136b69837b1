"""The materials, recipes and tolerances a firm starts from, as rows it then edits."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Annotated

from fabrication.models import AssemblyStep, LabelSize, Material, RecipeRevision, Tolerance, WorkPlace
from fabrication.rules.starting import starting_materials, starting_recipes, starting_rows, starting_values
from measuring.models import Product
from shared.lengths import Length
from shared.models import Branch
from shared.records import OneOf


@dataclass(frozen=True)
class Off:
    """How far a finished unit may be off."""

    width: Length
    height: Length


@dataclass(frozen=True)
class Place:
    """A place of work, and the minutes a unit of each family takes there."""

    name: str
    day_min: int
    minutes: Mapping[str, int]


@dataclass(frozen=True)
class Sheet:
    """What labels are printed on."""

    kind: Annotated[str, OneOf(*LabelSize.Kind.values)]
    width: Length
    height: Length
    columns: int
    rows: int
    left: Length
    top: Length
    across: Length
    down: Length


def load_for_range(branch: Branch) -> None:
    """All that making a branch's products needs; what it has already stays."""
    load_materials(branch)
    load_recipes(branch)
    load_tolerances(branch)
    load_work_places(branch)
    load_steps(branch)


def load_materials(branch: Branch, only: Collection[str] | None = None) -> list[Material]:
    """The starting materials, or some of them by key; those the branch has already are left as they are."""
    there = set(Material.objects.filter(branch=branch).values_list("key", flat=True))
    facts = {row["key"]: row["facts"] for row in starting_rows("materials")}
    Material.objects.bulk_create(
        Material(
            branch=branch,
            key=one.key,
            name=one.name,
            kind=one.kind,
            facts=facts[one.key],
            kerf=one.kerf,
            trim=one.trim,
            keep=one.keep,
        )
        for one in starting_materials().values()
        if one.key not in there and (only is None or one.key in only)
    )
    return list(Material.objects.filter(branch=branch))


def load_recipes(branch: Branch) -> list[RecipeRevision]:
    """A first recipe for every product of the branch that has none and that we have one for."""
    recipes = starting_recipes()
    products = Product.objects.filter(branch=branch, key__in=recipes).exclude(recipe_revisions__is_current=True)
    return RecipeRevision.objects.bulk_create(
        RecipeRevision(product=product, number=1, definition=recipes[product.key].to_json(), note="starting data")
        for product in products
    )


def load_tolerances(branch: Branch) -> None:
    """How far finished units may be off, by family."""
    table = starting_values("tolerances", "families", Mapping[str, Off])
    there = set(Tolerance.objects.filter(branch=branch).values_list("family", flat=True))
    Tolerance.objects.bulk_create(
        Tolerance(
            branch=branch,
            family=family,
            width_under=off.width,
            width_over=off.width,
            height_under=off.height,
            height_over=off.height,
        )
        for family, off in table.items()
        if family not in there
    )


def load_work_places(branch: Branch) -> None:
    """Where work is done and how long a unit takes there, for a branch that has no places yet."""
    if WorkPlace.objects.filter(branch=branch).exists():
        return
    table = starting_values("work_places", "places", tuple[Place, ...])
    WorkPlace.objects.bulk_create(
        WorkPlace(branch=branch, order=order, **asdict(row)) for order, row in enumerate(table)
    )


def load_steps(branch: Branch) -> None:
    """The starting steps of assembly, for families the branch has none of yet."""
    table = starting_values("steps", "families", Mapping[str, tuple[str, ...]])
    there = set(AssemblyStep.objects.filter(branch=branch).values_list("family", flat=True))
    AssemblyStep.objects.bulk_create(
        AssemblyStep(branch=branch, family=family, order=order, text=text)
        for family, texts in table.items()
        if family not in there
        for order, text in enumerate(texts)
    )


def starting_label_size(branch: Branch) -> LabelSize:
    """What labels are printed on where the branch has not said; not saved."""
    sheet = starting_values("label_size", "sheet", Sheet)
    return LabelSize(branch=branch, **{one.name: getattr(sheet, one.name) for one in fields(sheet)})
