"""Cloth a customer brings: expected, received, checked; the job waits for it meanwhile."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from math import ceil

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from fabrication.models import Batch, CutPlan, KeptEnd, Material, OwnCloth, Part, StockItem, StockMove, UnitMake
from fabrication.rules import recipes as rules
from fabrication.rules.own_cloth import judge, length_taken
from fabrication.rules.receiving import run_text
from fabrication.services.making import (
    head_of,
    materials_of,
    order_of,
    own_material_key,
    products_cloth,
    recipe_from,
    with_own,
    worked_out,
)
from fabrication.services.planning import drop_plan, plan_material
from fabrication.services.stock import fresh_code, move_stock
from jobs.models import Job
from jobs.services.booking import hold, unhold
from jobs.services.stages import lock_job
from shared.audit import record
from shared.errors import Refused
from shared.lengths import ZERO, Length
from shared.models import Run, User
from shared.records import length_text


@transaction.atomic
def expect_cloth(
    *,
    job: Job,
    name: str,
    width_needed: Length,
    length_needed: Length,
    by: User,
    units: str = "",
    repeat_expected: Length | None = None,
    expected_on: dt.date | None = None,
) -> OwnCloth:
    """The customer will bring cloth; the job is held for it unless it is held for something else already."""
    for field, value in (("width_needed", width_needed), ("length_needed", length_needed)):
        if value <= ZERO:
            raise Refused("say how much is needed", field=field, bound="above 0")
    held = lock_job(job)
    cloth = OwnCloth.objects.create(
        job=held,
        name=name,
        units=units,
        width_needed=width_needed,
        length_needed=length_needed,
        repeat_expected=repeat_expected,
        expected_on=expected_on,
        created_by=by,
    )
    if not held.is_held():
        hold(job=held, reason=Job.Hold.CLOTH, by=by, note=name)
    record(by=by, action="expects the customer's cloth", subject=cloth, job=held.pk)
    return cloth


@transaction.atomic
def receive_cloth(*, cloth: OwnCloth, by: User, shelf: str = "") -> OwnCloth:
    """It came; somebody must measure it before anything is cut."""
    cloth = _held(cloth, OwnCloth.State.EXPECTED)
    cloth.state, cloth.received_at, cloth.shelf = OwnCloth.State.RECEIVED, timezone.now(), shelf
    cloth.save(update_fields=["state", "received_at", "shelf"])
    record(by=by, action="received the customer's cloth", subject=cloth, job=cloth.job_id)
    return cloth


@transaction.atomic
def check_cloth(
    *,
    cloth: OwnCloth,
    width: Length,
    length: Length,
    by: User,
    repeat: Length | None = None,
    flaws: Sequence[tuple[Length, Length]] = (),
    anyway: str = "",
) -> OwnCloth:
    """
    Width, clean length and repeat as measured; good cloth goes on the rack and the job goes on.

    Parameters
    ----------
    anyway
        Why cloth that falls short is taken all the same, as agreed with the customer.
    """
    lock_job(cloth.job_id)
    cloth = _held(cloth, OwnCloth.State.RECEIVED)
    _refuse_impossible(width, length, flaws)
    verdict = judge(
        width=width,
        length=length,
        width_needed=cloth.width_needed,
        length_needed=cloth.length_needed,
        repeat=repeat,
        repeat_expected=cloth.repeat_expected,
        flaws=flaws,
        unit=cloth.job.branch.unit,
    )
    cloth.width, cloth.length, cloth.repeat = width, length, repeat
    cloth.flaws = [[start.ticks, end.ticks] for start, end in sorted(flaws)]
    is_taken = verdict.is_good or bool(anyway.strip())
    words = [*verdict.problems, *verdict.notes, f"taken anyway: {anyway.strip()}" if anyway.strip() else ""]
    cloth.verdict = "; ".join(word for word in words if word)[:240] or "as needed"
    cloth.state = OwnCloth.State.ACCEPTED if is_taken else OwnCloth.State.REFUSED
    cloth.checked_by, cloth.checked_at = by, timezone.now()
    if is_taken:
        cloth.item = _on_the_rack(cloth, by)
    cloth.save()
    action = "accepted the customer's cloth" if is_taken else "refused the customer's cloth"
    record(by=by, action=action, subject=cloth, job=cloth.job_id, note=cloth.verdict)
    if is_taken:
        _let_the_job_go_on(cloth, by)
    return cloth


@transaction.atomic
def expect_again(*, cloth: OwnCloth, by: User, expected_on: dt.date | None = None) -> OwnCloth:
    """After a refusal the customer brings other cloth."""
    cloth = _held(cloth, OwnCloth.State.REFUSED)
    cloth.state, cloth.expected_on = OwnCloth.State.EXPECTED, expected_on
    cloth.save(update_fields=["state", "expected_on"])
    record(by=by, action="expects the customer's cloth again", subject=cloth, job=cloth.job_id)
    return cloth


def cloth_parts(cloth: OwnCloth) -> QuerySet[Part]:
    """What of its job is of cloth, live: what might be cut from it, and what is."""
    parts = Part.objects.filter(make__unit__opening__job=cloth.job_id, material__kind=Material.Kind.CLOTH)
    parts = parts.exclude(state=Part.State.CANCELLED).select_related(
        "material__branch", "make__recipe", "make__unit__opening__room", "make__unit__opening__group",
        "make__unit__opening__job__branch", "make__unit__product__branch",
    )  # fmt: skip
    return parts.order_by("make__unit__opening__room__order", "make__unit__opening__order", "make", "pk")


@transaction.atomic
def cut_from_cloth(*, cloth: OwnCloth, parts: Collection[int], by: User, sure: bool = False) -> list[Run]:
    """
    Says which parts of its job are cut from the customer's cloth; the others go back to the product's.

    Their lengths are worked out anew: up to this cloth's repeat, matched across each room, whose first piece takes
    one repeat more to find the pattern's start. Cut plans these parts stood in are made anew, and the cloth gets
    one of its own in each batch.

    Parameters
    ----------
    parts
        Keys of all of them, of which none may be cut from other cloth already.
    sure
        Somebody said to plan them although the cloth seems too short.

    Returns
    -------
    list of runs
        One for each plan asked for.

    Raises
    ------
    Refused
        A piece that is cut, or too wide for this cloth; at the field ``sure`` how much the cloth is short.
    """
    lock_job(cloth.job_id)
    cloth = _held(cloth, OwnCloth.State.ACCEPTED)
    assert cloth.item is not None  # accepted cloth is on the rack
    own, wanted = cloth.item.material, set(parts)
    rows = {part.pk: part for part in cloth_parts(cloth)}
    if not wanted <= set(rows):
        raise Refused("not a piece of cloth of this job", field="parts")
    moved = [part for part in rows.values() if (part.pk in wanted) != (part.material_id == own.pk)]
    held = {part.make.batch_id for part in moved if part.make.batch_id}
    batches = list(Batch.objects.select_for_update().filter(pk__in=held).order_by("pk"))
    moved = list(cloth_parts(cloth).filter(pk__in=[part.pk for part in moved]).select_for_update(of=("self",)))
    for part in moved:
        if part.done:
            raise Refused(f"{part} is cut already, from {part.material.name}", field="parts")
    stay = [part for pk, part in rows.items() if pk in wanted and not part.done and part not in moved]
    goes_back = [part for part in moved if part.pk not in wanted]
    comes = [*stay, *(part for part in moved if part.pk in wanted)]
    back, made_back = _cut_anew(goes_back, None)
    own_cut, made_own = _cut_anew(comes, cloth)
    cut_anew = back | own_cut
    if not sure:
        _refuse_short(cloth, comes, cut_anew)
    stood_in = {part.material_id for part in moved} | {own.pk}
    planned = list(
        CutPlan.objects.filter(batch__in=batches, material__in=stood_in).exclude(state=CutPlan.State.REPLACED)
    )
    for plan in planned:
        drop_plan(plan=plan)
    for part in moved:
        part.material, part.may_turn, part.state = _cloth_for(part, own, part.pk in wanted)
    for part in [*stay, *moved]:
        if part.pk in cut_anew:
            one = cut_anew[part.pk]
            part.quantity, part.length, part.width = one.quantity, one.length, one.width
            part.derivation, part.weight_g = one.derivation, ceil(one.weight_g)
        part.save()
    makes = {part.make_id: part.make for part in [*stay, *moved]}
    for pk, made in (made_back | made_own).items():
        makes[pk].figures = {**makes[pk].figures, "made": made.to_json()}
        makes[pk].save(update_fields=["figures"])
    record(by=by, action="chose what is cut from it", subject=cloth, job=cloth.job_id, note=f"{len(wanted)} pieces")
    return _plan_anew(planned, stood_in | {part.material_id for part in moved}, by)


def _cut_anew(parts: Sequence[Part], cloth: OwnCloth | None) -> tuple[dict[int, rules.Part], dict[int, rules.UnitMake]]:
    """Parts, and by make the units, as the rules cut them from this cloth, by room; None: from the product's own."""
    rooms: dict[int, dict[int, UnitMake]] = defaultdict(dict)
    for part in parts:
        rooms[part.make.unit.opening.room_id][part.make_id] = part.make
    made: dict[int, rules.UnitMake] = {}
    for room in rooms.values():
        made |= _room_made(list(room.values()), parts, cloth)
    found = {}
    for part in parts:
        whole = made.get(part.make_id)
        alike = [one for one in whole.parts if (one.name, one.kind) == (part.name, part.kind)] if whole else []
        if alike:
            found[part.pk] = alike[0]
    return found, made


def _room_made(makes: Sequence[UnitMake], parts: Sequence[Part], cloth: OwnCloth | None) -> dict[int, rules.UnitMake]:
    """The units of one room together, so that a pattern is matched across them; by make."""
    known = [make for make in makes if make.recipe is not None and make.figures.get("made")]
    if not known:
        return {}  # made up by hand, without a recipe: its lengths stay
    materials = materials_of(known[0].unit.product.branch)
    if cloth is not None:
        keys = {products_cloth(part)[0].key for part in parts if part.make_id in {make.pk for make in known}}
        materials = with_own(materials, dict.fromkeys(keys, cloth))
    alone = [make for make in known if len(head_of(make.unit)) < 2]
    orders = []
    for make in alone:
        assert make.recipe is not None
        recipe = recipe_from(make.recipe)
        orders.append((recipe, order_of(make.unit, recipe)))
    show = known[0].unit.product.branch.unit
    try:
        found = {make.pk: one for make, one in zip(alone, rules.make_room(orders, materials, unit=show), strict=True)}
        for make in known:
            if make.pk not in found and make.recipe is not None:
                found[make.pk] = worked_out(make.unit, make.recipe, materials)
    except rules.CannotMake as error:
        raise Refused(error.problem, field="parts", bound=error.bound) from None
    return found


def _refuse_short(cloth: OwnCloth, parts: Sequence[Part], cut_anew: Mapping[int, rules.Part]) -> None:
    """Says before anything is cut that the cloth is too short, and by how much."""
    assert cloth.item is not None  # accepted cloth is on the rack
    assert cloth.width is not None
    pieces = []
    for part in parts:
        one: rules.Part | Part = cut_anew.get(part.pk, part)
        if one.length is not None:
            pieces.append((one.width or cloth.width, one.length, one.quantity))
    item, unit = cloth.item, cloth.job.branch.unit
    wide = max((width for width, _, _ in pieces), default=ZERO)
    if wide > cloth.width:
        raise Refused(
            f"{cloth.name} is {cloth.width.text(unit, symbol=True)} wide, a piece {wide.text(unit, symbol=True)}",
            field="parts",
        )
    taken = length_taken(pieces, cloth.width)
    flawed = sum((Length(end - start) for start, end in item.flaws), ZERO)
    there = (item.length or ZERO) - flawed
    if taken > there:
        raise Refused(
            f"{cloth.name} is short by {run_text(taken - there, unit)}: these pieces take {run_text(taken, unit)}, "
            f"{run_text(there, unit)} is there. Choose fewer, or ask the customer for more.",
            field="sure",
        )


def _cloth_for(part: Part, own: Material, is_own: bool) -> tuple[Material, bool, str]:
    """Its material, whether it may be turned on it, its state: own cloth lies as it came."""
    if is_own:
        if own.keep is None:  # slit and kept like the cloth it stands in for
            own.kerf, own.trim, own.keep = part.material.kerf, part.material.trim, part.material.keep
            own.save(update_fields=["kerf", "trim", "keep"])
        return own, False, Part.State.TO_CUT
    return *products_cloth(part), Part.State.TO_CUT


def _plan_anew(planned: Sequence[CutPlan], materials: Collection[int], by: User) -> list[Run]:
    """What these batches have left of these materials, where they were planned before."""
    runs: list[Run] = []
    for batch in Batch.objects.filter(pk__in={plan.batch_id for plan in planned}).order_by("pk"):
        left = Part.objects.filter(make__batch=batch, state=Part.State.TO_CUT, material__in=materials)
        found = Material.objects.filter(pk__in=left.values("material")).order_by("pk")
        runs += [plan_material(batch=batch, material=material, by=by) for material in found]
    return runs


def _held(cloth: OwnCloth, state: str) -> OwnCloth:
    held = OwnCloth.objects.select_for_update(of=("self",)).select_related("job__branch").get(pk=cloth.pk)
    if held.state != state:
        raise Refused(f"{held} is {held.get_state_display()}, not {OwnCloth.State(state).label}")
    return held


def _refuse_impossible(width: Length, length: Length, flaws: Sequence[tuple[Length, Length]]) -> None:
    for field, value in (("width", width), ("length", length)):
        if value <= ZERO:
            raise Refused("measure it", field=field, bound="above 0")
    for start, end in flaws:
        if not ZERO <= start < end <= length:
            raise Refused(f"a flaw lies within the cloth, 0 to {length}", field="flaw_to", bound=str(length))


def _on_the_rack(cloth: OwnCloth, by: User) -> StockItem:
    """A material of its own, so that no other job's plan can take it."""
    facts = {"repeat": length_text(cloth.repeat)} if cloth.repeat else {}
    material, _ = Material.objects.get_or_create(
        branch=cloth.job.branch,
        key=own_material_key(cloth),
        defaults={
            "name": f"{cloth.name} ({cloth.job.number}, customer's own)"[:80],
            "kind": Material.Kind.CLOTH,
            "facts": facts,
            "is_active": False,
        },
    )
    item = StockItem.objects.create(
        material=material, code=fresh_code(), length=cloth.length, width=cloth.width, lot="own",
        shelf=cloth.shelf, flaws=cloth.flaws, quantity=0,
    )  # fmt: skip
    if cloth.length is not None:
        KeptEnd.objects.create(item=item, job=cloth.job, length=cloth.length)
    return move_stock(item=item, change=1, reason=StockMove.Reason.RECEIVED, by=by, note=str(cloth)[:160])


def _let_the_job_go_on(cloth: OwnCloth, by: User) -> None:
    waiting = cloth.job.own_cloths.exclude(state=OwnCloth.State.ACCEPTED)
    job = Job.objects.get(pk=cloth.job_id)
    if job.hold == Job.Hold.CLOTH and not waiting.exists():
        unhold(job=job, by=by, note=f"{cloth.name} is here and good")


# -- what remains --------------------------------------------------------------------------


def left_of(jobs: Collection[int]) -> dict[int, list[StockItem]]:
    """By job: what remains of its customers' own cloth, once nothing is left to cut from it."""
    cloths = OwnCloth.objects.filter(job__in=jobs, state=OwnCloth.State.ACCEPTED, item__isnull=False)
    by_material = dict(cloths.values_list("item__material", "job"))
    if not by_material:
        return {}
    waiting = set(
        Part.objects.filter(material__in=by_material, state__in=[Part.State.TO_CUT, Part.State.PLANNED])
        .order_by()
        .values_list("material", flat=True)
    )
    found: dict[int, list[StockItem]] = defaultdict(list)
    items = StockItem.objects.filter(material__in=set(by_material) - waiting, quantity__gt=0)
    for item in items.select_related("material__branch").order_by("pk"):
        found[by_material[item.material_id]].append(item)
    return found


@transaction.atomic
def give_back(*, job: Job, by: User) -> list[StockItem]:
    """What remains of the customer's cloth leaves the rack: it is theirs."""
    lock_job(job.pk)
    items = left_of([job.pk]).get(job.pk, [])
    for item in items:
        move_stock(
            item=item,
            change=-item.quantity,
            reason=StockMove.Reason.GIVEN,
            by=by,
            note=f"{job.number}: to the customer",
        )
    if items:
        note = ", ".join(f"{item.code} {own_text(item)}" for item in items)
        record(by=by, action="gave the customer's material back", subject=job, job=job.pk, note=note[:240])
    return items


def given_back(job: Job) -> list[StockItem]:
    """What the customer has back of their own cloth."""
    items = StockItem.objects.filter(material__stock__own_cloth__job=job, moves__reason=StockMove.Reason.GIVEN)
    return list(items.select_related("material__branch").distinct().order_by("pk"))


def own_text(item: StockItem) -> str:
    """A piece of a customer's own cloth as they know it, such as ``blue linen, 54 in × 66 in``."""
    unit, name = item.material.branch.unit, item.material.name
    sizes = [size.text(unit, symbol=True) for size in (item.width, item.length) if size is not None]
    return f"{name.rpartition(' (')[0] or name}, {' × '.join(sizes)}"
