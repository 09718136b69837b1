"""The materials, recipes and tolerances a firm starts from, as rows it then edits."""

from __future__ import annotations

import json

from fabrication.models import AssemblyStep, LabelSize, Material, RecipeRevision, Tolerance, WorkPlace
from fabrication.rules.starting import DATA, starting_recipes, starting_rows
from measuring.models import Product
from shared.lengths import Length
from shared.models import Branch


def load_materials(branch: Branch) -> list[Material]:
    """The starting materials; those the branch has already are left as they are."""
    there = set(Material.objects.filter(branch=branch).values_list("key", flat=True))
    Material.objects.bulk_create(
        Material(
            branch=branch,
            key=row["key"],
            name=row["name"],
            kind=row["kind"],
            facts=row["facts"],
            kerf=_length(row.get("kerf")),
            trim=_length(row.get("trim")),
            keep=_length(row.get("keep")),
        )
        for row in starting_rows("materials")
        if row["key"] not in there
    )
    return list(Material.objects.filter(branch=branch))


def _length(text: str | None) -> Length | None:
    return Length.parse(text) if text else None


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
    table = json.loads((DATA / "tolerances.json").read_text(encoding="utf-8"))["families"]
    there = set(Tolerance.objects.filter(branch=branch).values_list("family", flat=True))
    Tolerance.objects.bulk_create(
        Tolerance(
            branch=branch,
            family=family,
            width_under=Length.parse(row["width"]),
            width_over=Length.parse(row["width"]),
            height_under=Length.parse(row["height"]),
            height_over=Length.parse(row["height"]),
        )
        for family, row in table.items()
        if family not in there
    )


def load_work_places(branch: Branch) -> None:
    """Where work is done and how long a unit takes there, for a branch that has no places yet."""
    if WorkPlace.objects.filter(branch=branch).exists():
        return
    table = json.loads((DATA / "work_places.json").read_text(encoding="utf-8"))["places"]
    WorkPlace.objects.bulk_create(WorkPlace(branch=branch, order=order, **row) for order, row in enumerate(table))


def load_steps(branch: Branch) -> None:
    """The starting steps of assembly, for families the branch has none of yet."""
    table = json.loads((DATA / "steps.json").read_text(encoding="utf-8"))["families"]
    there = set(AssemblyStep.objects.filter(branch=branch).values_list("family", flat=True))
    AssemblyStep.objects.bulk_create(
        AssemblyStep(branch=branch, family=family, order=order, text=text)
        for family, texts in table.items()
        if family not in there
        for order, text in enumerate(texts)
    )


def starting_label_size(branch: Branch) -> LabelSize:
    """What labels are printed on where the branch has not said; not saved."""
    row = json.loads((DATA / "label_size.json").read_text(encoding="utf-8"))
    lengths = {name: Length.parse(row[name]) for name in ("width", "height", "left", "top", "across", "down")}
    return LabelSize(branch=branch, kind=row["kind"], columns=row["columns"], rows=row["rows"], **lengths)
