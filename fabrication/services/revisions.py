"""Units that wait, made up by an older revision of their recipe: what the new one would change, and the move."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from django.db import transaction

from fabrication.models import Material, OwnCloth, RecipeRevision, UnitMake
from fabrication.rules import recipes as rules
from fabrication.services.making import (
    cloths_of,
    head_of,
    keep_make,
    materials_of,
    recipe_of,
    tolerance_of,
    with_own,
    worked_out,
)
from jobs.services.stages import lock_job
from measuring.adapters.changes import in_question
from measuring.models import Product
from shared.audit import record
from shared.errors import Refused
from shared.lengths import Length, LengthUnit
from shared.models import User

MOST_SHOWN = 200
"""Units that one page works out anew."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A unit that waits: what the revision in use would change of it, or why it can't be made by it."""

    make: UnitMake
    lines: tuple[str, ...]
    problem: str = ""


def waiting_makes(product: Product) -> list[UnitMake]:
    """Units of a product that wait for a batch, nothing of them begun, by a revision that is not in use any more."""
    makes = (
        UnitMake.objects.filter(unit__product=product, state=UnitMake.State.WAITING, batch=None)
        .filter(recipe__isnull=False, recipe__is_current=False)
        .exclude(parts__done__gt=0)
        .select_related("unit__product__branch", "unit__opening__room", "unit__opening__job__branch", "recipe")
        .order_by("unit__due_on", "pk")
    )
    return list(makes)


def waiting_units(product: Product) -> list[Waiting]:
    """The same, each worked out by the revision in use: the first `MOST_SHOWN`."""
    current = recipe_of(product)
    if current is None:
        return []
    makes = waiting_makes(product)[:MOST_SHOWN]
    held = in_question(make.unit_id for make in makes)
    own = cloths_of(makes)
    return [_waiting(make, current, own.get(make.pk, {}), is_held=make.unit_id in held) for make in makes]


def _waiting(make: UnitMake, current: RecipeRevision, own: Mapping[str, OwnCloth], *, is_held: bool) -> Waiting:
    branch = make.unit.product.branch
    materials = with_own(materials_of(branch), own)
    if is_held:
        return Waiting(make, (), "it is on hold: decide about its change first")
    try:
        made = worked_out(make.unit, current, materials)
    except rules.CannotMake as error:
        return Waiting(make, (), f"it can't be made by it: {error.problem} ({error.bound})")
    before = rules.UnitMake.from_json(make.figures["made"])
    return Waiting(make, tuple(_changes(before, made, materials, branch.unit)))


def _changes(
    before: rules.UnitMake, made: rules.UnitMake, materials: Mapping[str, rules.Material], unit: LengthUnit
) -> Iterator[str]:
    """Finished size, then each kind of part that changes; a material is named where it is another one."""
    sizes = [_size(one.finished_width, one.finished_height, unit) for one in (before, made)]
    if sizes[0] != sizes[1]:
        yield f"finished size {sizes[0]} becomes {sizes[1]}"
    was, now = (Counter(_part(part, unit) for part in one.parts) for one in (before, made))
    gone, comes = was - now, now - was
    for name in sorted({part.name for part in [*gone, *comes]}):
        sides = [[part for part in side.elements() if part.name == name] for side in (gone, comes)]
        shows = {part.material for part in sides[0]} != {part.material for part in sides[1]}
        words = [", ".join(_said(part, materials, shows=shows) for part in side) or "none" for side in sides]
        yield f"{name}: {words[0]} becomes {words[1]}"


class _Part(NamedTuple):
    name: str
    quantity: int
    size: str
    material: str


def _part(part: rules.Part, unit: LengthUnit) -> _Part:
    return _Part(part.name, part.quantity, _size(part.width, part.length, unit), part.material)


def _said(part: _Part, materials: Mapping[str, rules.Material], *, shows: bool) -> str:
    of = materials[part.material].name if shows and part.material in materials else ""
    count = f"{part.quantity} ×" if part.quantity > 1 or not part.size else ""
    return " ".join(filter(None, (count, part.size, of)))


def _size(width: Length | None, height: Length | None, unit: LengthUnit) -> str:
    return " × ".join(one.text(unit) for one in (width, height) if one is not None)


@transaction.atomic
def move_waiting(*, product: Product, makes: Collection[int], by: User) -> list[UnitMake]:
    """
    Makes up these units that wait (keys of `UnitMake`) by the revision in use, with what shares their head.

    Raises
    ------
    Refused
        None is named, one waits no more or is on hold, or can't be made by it; nothing is moved then.
    """
    current = recipe_of(product)
    there = {make.pk: make for make in waiting_makes(product)}
    if current is None or not makes or not set(makes) <= there.keys():
        raise Refused("choose units that still wait", field="makes")
    wanted = set(makes)
    for pk in makes:
        heads = {unit.pk for unit in head_of(there[pk].unit)}
        wanted |= {make.pk for make in there.values() if make.unit_id in heads}
    for job in sorted({there[pk].unit.opening.job_id for pk in wanted}):
        lock_job(job)
    branch = product.branch
    materials = materials_of(branch)
    keys = {row.key: row for row in Material.objects.filter(branch=branch)}
    own = cloths_of(there.values())
    held = in_question(there[pk].unit_id for pk in wanted)
    moved = []
    for pk in sorted(wanted):
        make = there[pk]
        if make.unit_id in held:
            raise Refused(f"{make.unit.code} is on hold: decide about its change first", field="makes")
        try:
            made = worked_out(make.unit, current, with_own(materials, own.get(make.pk, {})))
        except rules.CannotMake as error:
            raise Refused(f"{make.unit.code}: {error.problem}", field="makes", bound=error.bound) from None
        changes = {"recipe": [f"revision {make.recipe.number}" if make.recipe else None, f"revision {current.number}"]}
        moved.append(keep_make(make.unit, current, made, keys, tolerance_of(branch, make.unit)))
        record(by=by, action="made up anew", subject=make.unit, job=make.unit.opening.job_id, changes=changes)
    return moved
