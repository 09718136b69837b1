"""From released sizes to units as they are made: finished sizes, parts, weights, by the current recipe."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from functools import cache
from itertools import groupby
from math import ceil
from typing import Any

from django.db import transaction

from fabrication.models import Material, Part, RecipeRevision, Tolerance, UnitMake
from fabrication.rules import recipes as rules
from fabrication.rules.cords import LoopRule, loop_rule
from fabrication.rules.records import plain
from measuring.evaluation import fit_of, jurisdiction_of
from measuring.models import Product, SizeChange, Unit
from measuring.ports import NewSize
from shared.audit import entry, record, record_all
from shared.errors import Refused
from shared.lengths import Length
from shared.models import Branch, User

CUT = {Material.Kind.BAR, Material.Kind.STRIP, Material.Kind.CLOTH}


# -- reading what the rules need -----------------------------------------------------


@cache
def _recipe(revision_id: int) -> rules.Recipe:
    """A revision is never changed, so reading it once is enough."""
    revision = RecipeRevision.objects.get(pk=revision_id)
    return rules.Recipe.from_json(revision.definition | {"revision": revision.number})


def recipe_of(product: Product) -> RecipeRevision | None:
    return RecipeRevision.objects.filter(product=product, is_current=True).first()


def materials_of(branch: Branch) -> Mapping[str, rules.Material]:
    """The branch's materials as the rules read them."""
    return rules.materials_from_json([material_json(row) for row in Material.objects.filter(branch=branch)])


def material_json(row: Material) -> dict[str, Any]:
    lengths = {"kerf": row.kerf, "trim": row.trim, "keep": row.keep}
    shown = {name: plain(length) for name, length in lengths.items() if length is not None}
    return {"key": row.key, "name": row.name, "kind": row.kind, "facts": row.facts, **shown}


def order_of(unit: Unit, recipe: rules.Recipe, size: NewSize | None = None) -> rules.Order:
    """A unit as the recipe's order; options the recipe does not know are left out."""
    width, height, longest = (
        (size.width, size.height, size.longest_height)
        if size is not None
        else (unit.order_width, unit.order_height, unit.longest_height)
    )
    if width is None or height is None:
        raise Refused(f"{unit.code} has no order size yet", field="unit")
    known = {option.key: {choice.key for choice in option.choices} for option in recipe.options}
    loop = loop_rule_of(unit, recipe)
    return rules.Order(
        width=width,
        height=height,
        mount=unit.mount,
        basis=unit.basis,
        longest_height=max(longest or height, height),
        options={key: value for key, value in unit.options.items() if value in known.get(key, ())},
        loop_limit=loop.limit,
        loop_rule=loop.rule,
        loop_warning=loop.warning,
        code=unit.code,
    )


def loop_rule_of(unit: Unit, recipe: rules.Recipe) -> LoopRule:
    """
    How far the unit's control loop may hang by the rules of the branch's place.

    The figures of a place bind every loop there, whoever lives behind the window: children visit.
    No rule where the control is no loop, or the firm has no rules of the place loaded.
    """
    loop = getattr(recipe.trade, "loop", None)
    chosen = str(unit.options.get("control") or "")
    if loop is None or chosen not in loop.control:
        return LoopRule()
    place = jurisdiction_of(unit.opening.job)
    if place is None:
        return LoopRule()
    control = fit_of(unit.product).control(chosen) if unit.product.fit else None
    return loop_rule(
        place,
        has_device=control is not None and control.device,
        head_height=unit.opening.reach_height,
        unit=unit.product.branch.unit,
    )


# -- at the release ------------------------------------------------------------------


def release_checks(unit: Unit) -> Iterator[str]:
    """Why the workroom can't make a unit: no recipe, or a size the recipe refuses."""
    if unit.product.source == Product.Source.BOUGHT:
        return
    revision = recipe_of(unit.product)
    if revision is None:
        yield f"{unit.product.name} has no recipe yet"
        return
    recipe = _recipe(revision.pk)
    try:
        made = rules.make_unit(recipe, order_of(unit, recipe), materials_of(unit.product.branch))
    except rules.CannotMake as error:
        yield f"{unit.code} can't be made: {error.problem} ({error.bound})"
    else:
        yield from (remark.text for remark in made.remarks if remark.severity == "stop")


@transaction.atomic
def make_units(units: Sequence[Unit], by: User) -> list[UnitMake]:
    """
    The release hook: a `UnitMake` with its parts for each unit just released.

    Units of one room are worked out together, so that their cloth lies one way and a pattern
    is matched across them.
    """
    rows = sorted(units, key=lambda unit: (unit.opening.room_id, unit.opening_id, unit.number))
    made: list[UnitMake] = []
    for _, room in groupby(rows, key=lambda unit: unit.opening.room_id):
        made += _make_room(list(room))
    record_all(
        entry(by=by, deed="worked out the parts", subject=make.unit, job=make.unit.opening.job_id) for make in made
    )
    return made


def _make_room(units: Collection[Unit]) -> list[UnitMake]:
    bought = [unit for unit in units if unit.product.source == Product.Source.BOUGHT]
    ours = [(unit, recipe_of(unit.product)) for unit in units if unit not in bought]
    for unit, revision in ours:
        if revision is None:
            raise Refused(f"{unit.product.name} has no recipe yet", field="units")
    made = [_bought_in(unit) for unit in bought]
    if not ours:
        return made
    branch = ours[0][0].product.branch
    orders = [(recipe := _recipe(revision.pk), order_of(unit, recipe)) for unit, revision in ours]
    try:
        answers = rules.make_room(orders, materials_of(branch), unit=branch.unit)
    except rules.CannotMake as error:
        raise Refused(f"{error.problem}", field="units", bound=error.bound) from None
    keys = {row.key: row for row in Material.objects.filter(branch=branch)}
    for (unit, revision), answer in zip(ours, answers, strict=True):
        made.append(keep_make(unit, revision, answer, keys, tolerance_of(branch, unit)))
    return made


def _bought_in(unit: Unit) -> UnitMake:
    """A unit that comes from a supplier: its order size, no parts."""
    return UnitMake.objects.create(
        unit=unit,
        source=Product.Source.BOUGHT,
        finished_width=unit.order_width,
        finished_height=unit.order_height,
    )


def tolerance_of(branch: Branch, unit: Unit) -> dict[str, list[int]]:
    """Under and over in ticks; nothing is allowed where the branch has no row for the family."""
    row = Tolerance.objects.filter(branch=branch, family=unit.product.family).first()
    if row is None:
        return {"width": [0, 0], "height": [0, 0]}
    over = row.width_over_inside if unit.mount == "inside" else row.width_over
    return {
        "width": [row.width_under.ticks, over.ticks],
        "height": [row.height_under.ticks, row.height_over.ticks],
    }


def keep_make(
    unit: Unit,
    revision: RecipeRevision,
    made: rules.UnitMake,
    materials: Mapping[str, Material],
    tolerance: dict[str, list[int]],
) -> UnitMake:
    """Writes what the rules worked out; a unit made up before is made up anew."""
    make, _ = UnitMake.objects.update_or_create(
        unit=unit, defaults=make_columns(revision, made, unit.product.branch, tolerance)
    )
    make.parts.filter(done=0).delete()
    make.parts.update(state=Part.State.CANCELLED)  # what is cut stays in the books
    Part.objects.bulk_create(part_rows(make, made, materials))
    return make


def make_columns(
    revision: RecipeRevision, made: rules.UnitMake, branch: Branch, tolerance: dict[str, list[int]]
) -> dict[str, Any]:
    """The columns of a `UnitMake` for what the rules worked out."""
    return {
        "recipe": revision,
        "source": revision.product.source,
        "finished_width": made.finished_width,
        "finished_height": made.finished_height,
        "steps": [
            {"what": step.what, "value": step.value.text(branch.unit, symbol=True), "why": step.why}
            for step in made.steps
        ],
        "figures": {
            "tolerance": tolerance,
            "shown": [{"what": figure.name, "value": figure.text} for figure in made.figures],
            "remarks": [remark.to_json() for remark in made.remarks],
            "made": made.to_json(),
        },
        "weight_g": ceil(made.weight_g),
        "packages": [{"name": one.what, "longest": one.longest.ticks} for one in made.packages],
    }


def part_rows(make: UnitMake, made: rules.UnitMake, materials: Mapping[str, Material]) -> Iterable[Part]:
    """The rows of a unit's parts."""
    for part in made.parts:
        yield Part(
            make=make,
            name=part.name,
            kind=part.kind,
            material=materials[part.material],
            quantity=part.quantity,
            length=part.length,
            width=part.width,
            may_turn=part.may_turn,
            derivation=part.derivation,
            weight_g=ceil(part.weight_g),
            state=Part.State.TO_CUT if part.kind in CUT else Part.State.TO_PULL,
        )


# -- a change of size after the release ----------------------------------------------


def change_effects(unit: Unit, new: NewSize) -> Iterator[str]:
    """What a new size would do: which parts change, what is cut already, which batch it leaves."""
    make = UnitMake.objects.filter(unit=unit).select_related("recipe", "batch").first()
    if make is None or make.recipe is None:
        return
    recipe = _recipe(make.recipe_id)
    try:
        made = rules.make_unit(recipe, order_of(unit, recipe, new), materials_of(unit.product.branch))
    except rules.CannotMake as error:
        yield f"it can't be made at that size: {error.problem} ({error.bound})"
        return
    show = unit.product.branch.unit
    old = f"{make.finished_width.text(show)} × {make.finished_height.text(show)}"
    yield f"finished size {old} becomes {made.finished_width.text(show)} × {made.finished_height.text(show)}"
    wanted = {(part.name, part.length, part.width) for part in made.parts}
    scrap = sum(part.done for part in make.parts.all() if (part.name, part.length, part.width) not in wanted)
    if scrap:
        yield f"{scrap} pieces that are cut or pulled already do not fit any more"
    if make.batch is not None:
        yield f"it leaves {make.batch}, whose cut plans are worked out anew"
    if make.state == UnitMake.State.MADE:
        yield "it is made already and must be made again"


def remake_after_change(unit: Unit, change: SizeChange, by: User) -> None:
    """The accepted change: the unit's parts anew, out of its batch; what was cut is gone."""
    from fabrication.services.batches import leave_batch

    make = UnitMake.objects.filter(unit=unit).select_related("batch").first()
    if make is None:
        return
    if make.batch is not None:
        leave_batch(make=make, by=by)
    revision = make.recipe or recipe_of(unit.product)
    if revision is None:
        raise Refused(f"{unit.product.name} has no recipe yet")
    recipe = _recipe(revision.pk)
    branch = unit.product.branch
    try:
        made = rules.make_unit(recipe, order_of(unit, recipe), materials_of(branch))
    except rules.CannotMake as error:
        raise Refused(error.problem, field="size", bound=error.bound) from None
    keys = {row.key: row for row in Material.objects.filter(branch=branch)}
    keep_make(unit, revision, made, keys, tolerance_of(branch, unit))
    UnitMake.objects.filter(pk=make.pk).update(
        state=UnitMake.State.WAITING, batch=None, checked_width=None, checked_height=None, checked_at=None
    )
    Unit.objects.filter(pk=unit.pk).update(state=Unit.State.RELEASED, made_at=None)
    old = Length(change.old_width.ticks), Length(change.old_height.ticks)
    record(
        by=by,
        deed="worked out the parts anew",
        subject=unit,
        job=unit.opening.job_id,
        changes={"order width": [old[0], unit.order_width], "order height": [old[1], unit.order_height]},
    )
