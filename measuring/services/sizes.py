"""Order sizes: computed from the readings, kept on units with every step, never changed silently."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import copy

from django.db import transaction
from django.db.models import prefetch_related_objects
from django.utils import timezone

from measuring.adapters.bays import Kept, bay_of
from measuring.adapters.evaluation import Evaluation, evaluate
from measuring.adapters.options import clean_options, offer_of, starting_options, valid_options
from measuring.models import RELEASED_OR_LATER, Group, MeasureVisit, Opening, Reading, SizeChange, Unit
from measuring.ports import ports
from measuring.rules.families import TABLE
from measuring.rules.side_by_side import Share
from measuring.rules.sizing import OrderSize
from measuring.rules.visit import state_after
from measuring.services.base import lock_opening, note, restage
from shared.codes import new_code
from shared.errors import Refused
from shared.lengths import Length
from shared.models import User

COVERED = tuple(TABLE["states"]["covered"])
SETTLED = (Unit.State.INSTALLED,)


@transaction.atomic
def size_opening(*, opening: Opening, by: User) -> list[Unit]:
    """
    Compute the opening's sizes and findings anew and keep them on its units.

    A unit that is released keeps its size; what the readings say now opens a `SizeChange`
    for the dispatcher to decide. One that is installed is left alone.

    Returns
    -------
    list[Unit]
        The opening's live units, left to right; none without a product.
    """
    return size_locked(lock_opening(opening), by)


def size_locked(opening: Opening, by: User) -> list[Unit]:
    """`size_opening` of a row that the caller has locked, and whose fields are those stored."""
    is_covered = opening.state in COVERED
    units = _units(opening, by) if is_covered else []
    beside = keep_set_backs(opening)
    if is_covered:
        _size(opening, units, by)
    for other in beside:
        size_opening(opening=other, by=by)
    return units


def size_bay(group: Group, by: User) -> None:
    """Every opening of a bay or corner anew, after it was changed itself."""
    for one in group.openings.all() if group.is_bay() else ():
        size_opening(opening=one, by=by)


def keep_set_backs(opening: Opening) -> list[Opening]:
    """The set-backs of the opening's bay as they are now; the other openings whose set-backs changed by it."""
    bay: list[tuple[Opening, Kept]] = []
    if opening.group is not None:
        opening.group.job = opening.job
        bay = bay_of(opening.group)
    if opening.pk not in [one.pk for one, _ in bay]:
        bay.append((opening, {}))
    beside = []
    for one, kept in bay:
        changes = one.bay != kept
        if changes:
            Opening.objects.filter(pk=one.pk).update(bay=kept)
        if one.pk == opening.pk:
            opening.bay = dict(kept)
        elif changes:
            beside.append(one)
    return beside


def _size(opening: Opening, units: Sequence[Unit], by: User) -> None:
    prefetch_related_objects([opening], "obstructions")
    found = evaluate(opening, options=units[0].options if units else {})
    Opening.objects.filter(pk=opening.pk).update(findings=found.findings)
    changed = False
    for position, unit in enumerate(units):
        share = found.shares[position] if position < len(found.shares) else None
        changed |= _keep(opening, unit, found, share, by)
    changed |= _restate(opening, found)
    if changed:
        restage(opening.job_id, by)


# -- units of an opening -----------------------------------------------------------


def _units(opening: Opening, by: User) -> list[Unit]:
    """The live units, made or cancelled so that there are as many as wanted."""
    units = list(opening.units.live().select_related("product").order_by("number", "pk"))
    if opening.product is None:
        for unit in units:
            _cancel_draft(opening, unit, by)
        return [unit for unit in units if unit.state != Unit.State.CANCELLED]
    for unit in units[opening.units_wanted :]:
        _cancel_draft(opening, unit, by)
    units = [unit for unit in units if unit.state != Unit.State.CANCELLED]
    for unit in units:
        if unit.state not in RELEASED_OR_LATER:
            _follow(opening, unit)
    if len(units) == opening.units_wanted:
        return units
    taken = {unit.number for unit in opening.units.all()}
    while len(units) < opening.units_wanted:
        number = next(n for n in range(1, 1000) if n not in taken)
        taken.add(number)
        pattern = units[0].options if units else starting_options(offer_of(opening.product), opening.mount)
        unit = Unit.objects.create(
            opening=opening,
            number=number,
            code=unused_code(),
            product=opening.product,
            mount=opening.mount,
            options=dict(pattern),
        )
        units.append(unit)
    return units


def unused_code() -> str:
    """A label code no unit has."""
    code = new_code()
    while Unit.objects.filter(code=code).exists():
        code = new_code()
    return code


def _cancel_draft(opening: Opening, unit: Unit, by: User) -> None:
    if unit.state in RELEASED_OR_LATER:
        return
    unit.state = Unit.State.CANCELLED
    unit.save(update_fields=["state"])
    note(by, "cancelled the unit", unit, opening)


def _follow(opening: Opening, unit: Unit) -> None:
    """A unit that is not released follows its opening's product and mount."""
    if unit.product_id != opening.product_id and opening.product is not None:
        offer = offer_of(opening.product)
        unit.options = {**starting_options(offer, opening.mount), **valid_options(offer, unit.options)}
        unit.product = opening.product
        unit.save(update_fields=["product", "options"])
    if unit.mount != opening.mount:
        unit.mount = opening.mount
        unit.save(update_fields=["mount"])


# -- keeping a size ------------------------------------------------------------------


def _keep(opening: Opening, unit: Unit, found: Evaluation, share: Share | None, by: User) -> bool:
    """Store what was computed for one unit; whether its state changed."""
    if unit.state in SETTLED:
        return False
    if found.size is None or share is None:
        return _lose_size(opening, unit, by)
    width = Length(share.ticks)
    steps = list(found.steps)
    branch_unit = opening.job.branch.unit
    if share.why:
        value = width.text(branch_unit)
        what = f"unit {unit.number} width"
        steps.append({"what": what, "from": ["order width"], "value": value, "why": share.why})
    own = OrderSize(width, found.size.height, found.size.basis, found.size.cut_height, found.size.steps)
    findings = found.findings_at(own.width, unit.options)
    if unit.state in RELEASED_OR_LATER:
        _ask_for_change(opening, unit, own, steps, findings, by)
        return False
    return _store(opening, unit, own, steps, findings, found.is_rough, by)


def _store(
    opening: Opening,
    unit: Unit,
    size: OrderSize,
    steps: Sequence[object],
    findings: Sequence[object],
    is_rough: bool,
    by: User,
) -> bool:
    before = (unit.order_width, unit.order_height, unit.longest_height)
    after = (size.width, size.height, size.cut_height)
    state = unit.state
    unit.order_width, unit.order_height, unit.longest_height = after
    unit.basis = size.basis
    unit.steps, unit.findings = list(steps), list(findings)
    unit.grade = Reading.Grade.ROUGH if is_rough else Reading.Grade.FINAL
    if before != after:
        unit.size_revision += 1
        note(
            by,
            "computed the size",
            unit,
            opening,
            {"size": [shown_size(opening, *before), shown_size(opening, *after)]},
        )
    if before != after or unit.state == Unit.State.DRAFT:
        unit.state = Unit.State.SIZED
    unit.save()
    return unit.state != state


def shown_size(opening: Opening, width: Length | None, height: Length | None, longest: Length | None) -> str | None:
    """A size as the history shows it; None where there is none."""
    if width is None or height is None:
        return None
    unit = opening.job.branch.unit
    return f"{width.text(unit)} × {height.text(unit)} {unit.value}"


def _lose_size(opening: Opening, unit: Unit, by: User) -> bool:
    """A reading was taken back: there is no size any more."""
    if unit.state in RELEASED_OR_LATER or unit.order_width is None:
        return False
    before = shown_size(opening, unit.order_width, unit.order_height, None)
    unit.order_width = unit.order_height = unit.longest_height = None
    unit.basis, unit.steps, unit.findings, unit.state = "", [], [], Unit.State.DRAFT
    unit.size_revision += 1
    unit.save()
    note(by, "lost the size", unit, opening, {"size": [before, None]})
    return True


def _restate(opening: Opening, found: Evaluation) -> bool:
    """Read once nothing is missing, measured when no visit is at it; under way again when something is."""
    complete = found.size is not None and not found.gaps
    state = state_after(
        opening.state,
        is_complete=complete,
        is_begun=found.is_begun,
        is_at_it=complete and is_being_measured(opening),
    )
    if state == opening.state:
        return False
    Opening.objects.filter(pk=opening.pk).update(state=state)
    return True


def is_being_measured(opening: Opening) -> bool:
    """Whether a visit that is not closed yet is at this opening."""
    return MeasureVisit.objects.filter(
        closed_at=None, appointment__visit_openings__opening=opening, appointment__job=opening.job_id
    ).exists()


# -- a re-measure after release --------------------------------------------------------


def _ask_for_change(
    opening: Opening, unit: Unit, size: OrderSize, steps: Sequence[object], findings: Sequence[object], by: User
) -> None:
    """Open, renew or withdraw the change of a released unit's size; one of its choices waits on."""
    waiting = unit.size_changes.filter(state=SizeChange.State.OPEN).select_related("new_product").first()
    if waiting is not None and waiting.kind != SizeChange.Kind.SIZE:
        return
    same = (unit.order_width, unit.order_height, unit.longest_height) == (size.width, size.height, size.cut_height)
    if same:
        if waiting is not None and (waiting.is_measured or read_since(opening, waiting)):
            waiting.state, waiting.decided_at = SizeChange.State.REFUSED, timezone.now()
            waiting.decision_note = "the readings came back to the released size"
            waiting.save(update_fields=["state", "decided_at", "decision_note"])
            note(by, "dropped the change of size", waiting, opening)
        return
    assert unit.order_width is not None
    assert unit.order_height is not None
    change = waiting or SizeChange(unit=unit, old_width=unit.order_width, old_height=unit.order_height, opened_by=by)
    change.unit = unit
    change.new_width, change.new_height, change.new_longest_height = size.width, size.height, size.cut_height
    change.steps, change.findings = list(steps), list(findings)
    change.effects = effects_of(change)
    change.save()
    now = shown_size(opening, size.width, size.height, size.cut_height)
    before = shown_size(opening, unit.order_width, unit.order_height, None)
    note(by, "asked for a change of size", change, opening, {"size": [before, now]})


def read_since(opening: Opening, change: SizeChange) -> bool:
    """Whether somebody measured there since a change was asked for."""
    return opening.readings.filter(taken_at__gte=change.opened_at).exists()


def as_changed(change: SizeChange) -> Unit | None:
    """The unit as it would be, not saved; None where it would not be made at all."""
    if change.kind == SizeChange.Kind.CANCEL:
        return None
    wanted = copy(change.unit)
    wanted.order_width, wanted.order_height = change.new_width, change.new_height
    wanted.longest_height = change.new_longest_height or change.new_height
    if change.new_options is not None:
        wanted.options = dict(change.new_options)
        wanted.state = Unit.State.APPROVED  # made by what is chosen now, not by what it was released with
    if change.new_product is not None:
        wanted.product, wanted.basis = change.new_product, change.new_basis or wanted.basis
    return wanted


def effects_of(change: SizeChange) -> list[str]:
    """What a change does, a line each: the difference, the approval, and what the rooms above say."""
    unit = change.unit
    branch_unit = unit.opening.job.branch.unit
    lines = []
    for word, old, now in (
        ("width", unit.order_width, change.new_width),
        ("height", unit.order_height, change.new_height),
    ):
        if old is not None and now != old:
            by_how_much = abs(now - old).text(branch_unit, symbol=True)
            lines.append(f"order {word} {'grows' if now > old else 'shrinks'} by {by_how_much}")
    longest = change.new_longest_height or change.new_height
    if change.new_height == unit.order_height and longest != unit.longest_height:
        lines.append(f"cloth is cut for {longest.text(branch_unit, symbol=True)}")
    lines.append(f"the unit is {unit.get_state_display()}")
    if unit.approvals.filter(withdrawn_at=None).exists():
        what = "old size; tell them" if change.kind == SizeChange.Kind.SIZE else "unit as it was; ask them again"
        lines.append(f"the customer approved the {what}")
    return lines + ports.effects(unit, as_changed(change))


# -- options ------------------------------------------------------------------------------


@transaction.atomic
def set_options(*, unit: Unit, options: Mapping[str, object], by: User) -> Unit:
    """
    Choose what a unit is made with beside its size; an empty value takes a choice back.

    A unit that is released and still waits in the workroom comes back with its new choice, to be
    approved and released anew.

    Raises
    ------
    Refused
        A choice the product does not have, or the unit is past waiting: batched, begun or ordered.
    """
    opening = lock_opening(unit.opening)
    unit = Unit.objects.select_for_update(of=("self",)).select_related("product").get(pk=unit.pk)
    waits = unit.state in (Unit.State.RELEASED, Unit.State.IN_WORKROOM)
    if unit.state in RELEASED_OR_LATER and not waits:
        raise Refused(f"{unit.code} is {unit.get_state_display()}: change it after its approval, on its own page")
    before = dict(unit.options)
    offer, show = offer_of(unit.product), opening.job.branch.unit
    after = {**before, **clean_options(offer, options, show, name=unit.product.name, held=before)}
    after = {key: value for key, value in after.items() if value not in ("", None)}
    if before == after:
        return unit
    if waits:
        _take_back(unit, opening, by)
    unit.options = after
    if waits or unit.state == Unit.State.APPROVED:
        unit.state = Unit.State.SIZED
    unit.save(update_fields=["options", "state", "released_at"])
    changes = {
        key: [before.get(key), after.get(key)]
        for key in sorted(before.keys() | after.keys())
        if before.get(key) != after.get(key)
    }
    note(by, "chose options", unit, opening, changes)
    size_opening(opening=opening, by=by)
    if waits:
        restage(opening.job_id, by)
    return Unit.objects.select_related("product").get(pk=unit.pk)


def _take_back(unit: Unit, opening: Opening, by: User) -> None:
    """Out of the workroom again, where it only waits; what was approved was another choice."""
    if unit.size_changes.filter(state=SizeChange.State.OPEN).exists():
        raise Refused(f"{unit.code} is on hold: decide about its change first")
    ports.taken_back(unit, by)
    unit.released_at = None
    note(by, "took it back from the workroom", unit, opening)


@transaction.atomic
def set_options_of_opening(*, opening: Opening, options: Mapping[str, object], by: User) -> list[Unit]:
    """The same options for every unit of the opening that is not released."""
    units = [unit for unit in opening.units.live() if unit.state not in RELEASED_OR_LATER]
    return [set_options(unit=unit, options=options, by=by) for unit in units]
