"""Hardware: the rules of a branch, each unit's list, what is reserved for a visit, what the van carries."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from django.db import transaction
from django.db.models import F, Max, Sum
from django.utils import timezone

from fabrication.models import Material, StockItem, StockMove
from fabrication.services.stock import fresh_code, move_stock
from installs.adapters.evaluation import (
    Worked,
    inputs_hash,
    rules_at,
    rules_of,
    rules_row,
    summed_of,
    visit_units,
    with_needs,
    work_out,
)
from installs.models import HardwareRules, Pull, UnitHardware, VanStock
from installs.rules import editing
from installs.rules.data import HardwareRules as Rules
from installs.rules.spares import Shortage, shortages
from installs.rules.trims import Line
from installs.services.starting_data import load_hardware, load_rules
from jobs.models import INSTALLING, Appointment, Crew
from measuring.models import Unit
from shared import audit
from shared.contracts import ContractError
from shared.errors import Refused
from shared.models import Branch, User

# -- rules -------------------------------------------------------------------------------


@transaction.atomic
def save_rules(
    *, branch: Branch, definition: dict[str, object], by: User, note: str = "", seen: int | None = None
) -> HardwareRules:
    """
    A new revision of the branch's hardware rules; the ones before it stay readable.

    `seen` is the revision the definition was made from.

    Raises
    ------
    Refused
        Naming the field of the rules that can't be, its problem and its bound; or where somebody
        kept another revision since the one seen (field ``revision``).
    """
    Branch.objects.select_for_update().get(pk=branch.pk)
    before = load_rules(branch)
    if seen is not None and seen != before.revision:
        who = f" by {before.saved_by}" if before.saved_by else ""
        raise Refused(f"revision {before.revision} was kept meanwhile{who}; look at it first", field="revision")
    highest = HardwareRules.objects.filter(branch=branch).aggregate(most=Max("revision"))["most"] or 0
    try:
        rules = Rules.from_json({**definition, "revision": highest + 1})
    except ContractError as error:
        raise Refused(error.problem, field=error.field, bound=error.bound) from None
    HardwareRules.objects.filter(branch=branch, is_current=True).update(is_current=False)
    row = HardwareRules.objects.create(
        branch=branch, revision=highest + 1, definition=rules.to_json(), note=note.strip()[:240], saved_by=by
    )
    load_hardware(branch, rules)
    audit.record(
        by=by,
        action="changed the hardware rules",
        subject=row,
        changes={
            "revision": [before.revision, row.revision],
            **_differences(rules_at(before).to_json(), row.definition),
        },
        note=note,
    )
    return row


@transaction.atomic
def change_rules(
    *,
    branch: Branch,
    changes: Mapping[str, str],
    by: User,
    note: str,
    seen: int,
    remove: Collection[str] = (),
    copy: tuple[str, str] | None = None,
) -> HardwareRules:
    """
    A new revision with single fields changed, by their paths as `installs.rules.editing` names them.

    `remove` takes rows and entries out; `copy` puts an entry beside itself under another key first.

    Raises
    ------
    Refused
        As `save_rules`; where nothing changes (field ``changes``); without a note (field ``note``).
    """
    if not note.strip():
        raise Refused("say why they change", field="note")
    now = load_rules(branch).definition
    try:
        made = editing.copied(now, *copy) if copy else now
        made = editing.changed(made, changes, remove=remove)
        if rules_equal(made, now):
            raise Refused("nothing was changed", field="changes")
    except ContractError as error:
        raise Refused(error.problem, field=error.field, bound=error.bound) from None
    return save_rules(branch=branch, definition=made, by=by, note=note, seen=seen)


def rules_equal(left: Mapping[str, object], right: Mapping[str, object]) -> bool:
    """Whether two definitions say the same, however they write it; raises `ContractError` for one that can't be."""
    return Rules.from_json(dict(left)) == Rules.from_json(dict(right))


def _differences(before: object, after: object, path: str = "", most: int = 20) -> dict[str, list[object]]:
    """Fields that differ, by their path; long lists as a whole."""
    if isinstance(before, dict) and isinstance(after, dict):
        found: dict[str, list[object]] = {}
        for key in sorted({*before, *after}):
            if len(found) >= most:
                break
            if key == "revision" or before.get(key) == after.get(key):
                continue
            name = f"{path}.{key}" if path else key
            found |= _differences(before.get(key), after.get(key), name, most - len(found))
        return found
    return {path: [_short_text(value) for value in (before, after)]}


def _short_text(value: object) -> object:
    if isinstance(value, str | int | float | bool | None):
        return value
    text = json.dumps(value)
    return text if len(text) <= 160 else f"{text[:159]}…"


# -- lists -------------------------------------------------------------------------------


@transaction.atomic
def refresh_hardware(*, units: Iterable[Unit], by: User | None = None) -> list[UnitHardware]:
    """
    The stored hardware of these units, worked out anew where what it rests on has changed.

    What a unit needs follows from its finished size, weight, options, opening and site and from
    the rules' revision; a hash of all that is kept with the list.
    """
    rows = list(with_needs(Unit.objects.filter(pk__in=[unit.pk for unit in units])))
    stored = {row.unit_id: row for row in UnitHardware.objects.filter(unit__in=rows)}
    out: list[UnitHardware] = []
    for branch_id in {unit.opening.job.branch_id for unit in rows}:
        mine = [unit for unit in rows if unit.opening.job.branch_id == branch_id]
        out += _refresh_branch(mine[0].opening.job.branch, mine, stored)
    return out


def _refresh_branch(branch: Branch, units: Sequence[Unit], stored: dict[int, UnitHardware]) -> list[UnitHardware]:
    row = load_rules(branch)
    out = []
    for worked in work_out(units, rules_of(branch)):
        kept = stored.get(worked.unit.pk)
        made = hardware_row(worked, row)
        if kept is not None and kept.inputs_hash == made.inputs_hash and kept.rules_id == row.pk:
            out.append(kept)
            continue
        if kept is not None:
            made.pk = kept.pk
        made.save()
        out.append(made)
    return out


def hardware_row(worked: Worked, rules: HardwareRules) -> UnitHardware:
    """The row of one unit, not saved; what can't be read says so under `cannot`."""
    made = UnitHardware(unit=worked.unit, rules=rules, computed_at=timezone.now())
    if worked.hardware is None or worked.read is None or worked.site is None:
        made.inputs_hash = f"unreadable {rules.revision}"
        made.cannot = [{"code": "unreadable", "text": worked.problem, "severity": "stop", "field": "", "cannot": True}]
        return made
    made.inputs_hash = inputs_hash(worked.read, worked.site, rules.revision)
    for name, value in worked.hardware.as_columns().items():
        setattr(made, name, value)
    return made


# -- what a visit needs, and what is reserved for it -------------------------------------------


@dataclass(frozen=True, slots=True)
class VisitHardware:
    """All the hardware of one visit, as things stand."""

    lines: tuple[Line, ...]
    worked: tuple[Worked, ...]
    rules: Rules


def visit_hardware(appointment: Appointment) -> VisitHardware:
    """Units of the visit that are not up yet, with their hardware summed."""
    rules = rules_of(appointment.job.branch)
    off = {Unit.State.INSTALLED, Unit.State.CANCELLED, Unit.State.REPLACED}
    units = [row.unit for row in visit_units(appointment) if row.unit.state not in off]
    worked = work_out(units, rules)
    summed = summed_of(worked, rules)
    return VisitHardware(summed.lines, tuple(worked), rules)


def shelf(branch: Branch, keys: Iterable[str]) -> dict[str, int]:
    """Pieces nobody reserved, by the item's key."""
    rows = (
        StockItem.objects.filter(material__branch=branch, material__key__in=list(keys), is_offcut=False)
        .values("material__key")
        .annotate(left=Sum(F("quantity") - F("reserved")))
    )
    return {row["material__key"]: row["left"] or 0 for row in rows}


def shortages_of(appointment: Appointment) -> list[Shortage]:
    """What the shelf lacks for a visit, over and above what is reserved for it already."""
    found = visit_hardware(appointment)
    held = dict(appointment.pulls.exclude(state=Pull.State.DROPPED).values_list("material__key", "held"))
    free = shelf(appointment.job.branch, {line.item for line in found.lines})
    together = {key: free.get(key, 0) + held.get(key, 0) for key in {*free, *held}}
    return list(shortages(found.lines, together, found.rules))


@transaction.atomic
def pull_hardware(*, appointment: Appointment, by: User | None) -> list[Pull]:
    """
    Reserves in stock what a visit needs, as far as it is there; done again it only makes up the difference.

    What is missing stays on the pull as its shortage, and shows as a blocker of the job until
    stock comes in and this is done again.
    """
    row = Appointment.objects.select_for_update(of=("self",)).select_related("job__branch").get(pk=appointment.pk)
    if row.purpose not in INSTALLING:
        raise Refused("hardware is pulled for installs and returns", field="appointment")
    found = visit_hardware(row)
    materials = load_hardware(row.job.branch, found.rules)
    wanted = _wanted(found)
    pulls = {pull.material.key: pull for pull in row.pulls.select_for_update(of=("self",)).select_related("material")}
    if any(pull.state == Pull.State.TAKEN for pull in pulls.values()):
        return list(pulls.values())
    changes: dict[str, list[object]] = {}
    out = []
    for key, (needed, why) in wanted.items():
        pull = pulls.get(key) or Pull(appointment=row, material=materials[key], needed=0)
        before = pull.held if pull.state == Pull.State.RESERVED else 0
        _reserve(pull, needed, why)
        if pull.held != before:
            changes[pull.material.name] = [before, pull.held]
        out.append(pull)
    for key, pull in pulls.items():
        if key not in wanted and pull.state == Pull.State.RESERVED:
            changes[pull.material.name] = [pull.held, 0]
            _give_back(pull)
    if changes:
        audit.record(by=by, action="pulled the hardware", subject=row, job=row.job_id, changes=changes)
    return out


def _wanted(found: VisitHardware) -> dict[str, tuple[int, str]]:
    """Pieces of each item, or whole stock lengths where it is cut, with why."""
    nothing: dict[str, int] = {}
    return {entry.item: (entry.needed, entry.why) for entry in shortages(found.lines, nothing, found.rules)}


def _reserve(pull: Pull, needed: int, why: str) -> None:
    if pull.state != Pull.State.RESERVED:
        pull.held, pull.items, pull.state = 0, [], Pull.State.RESERVED
    if needed < pull.held:
        _give_back_some(pull, pull.held - needed)
    pull.needed, pull.why = needed, why
    missing = needed - pull.held
    items = StockItem.objects.select_for_update().filter(material=pull.material_id, is_offcut=False)
    for item in items.filter(quantity__gt=F("reserved")).order_by("pk") if missing else ():
        take = min(missing, item.free)
        item.reserved += take
        item.save(update_fields=["reserved"])
        pull.items = [*pull.items, [item.pk, take]]
        pull.held += take
        missing -= take
        if not missing:
            break
    pull.save()


def _give_back_some(pull: Pull, count: int) -> None:
    left = []
    for item_pk, quantity in reversed(pull.items):
        back = min(count, quantity)
        if back:
            StockItem.objects.select_for_update().filter(pk=item_pk).update(reserved=F("reserved") - back)
            count -= back
        if quantity - back:
            left.append([item_pk, quantity - back])
    pull.items = left[::-1]
    pull.held = sum(quantity for _, quantity in pull.items)


def _give_back(pull: Pull) -> None:
    _give_back_some(pull, pull.held)
    pull.needed, pull.state = 0, Pull.State.DROPPED
    pull.save()


@transaction.atomic
def drop_pulls(*, appointment: Appointment, by: User | None) -> None:
    """Gives back what is reserved for a visit that does not happen."""
    for pull in appointment.pulls.select_for_update(of=("self",)).filter(state=Pull.State.RESERVED):
        _give_back(pull)


def take_pulls(*, appointments: Iterable[Appointment], by: User) -> None:
    """The truck leaves: what was reserved for these visits goes off the shelf."""
    pulls = Pull.objects.select_for_update(of=("self",)).filter(
        appointment__in=[row.pk for row in appointments], state=Pull.State.RESERVED
    )
    for pull in pulls.select_related("appointment__job"):
        for item_pk, quantity in pull.items:
            item = StockItem.objects.select_for_update().get(pk=item_pk)
            item.reserved -= quantity
            item.save(update_fields=["reserved"])
            move_stock(
                item=item,
                change=-quantity,
                reason=StockMove.Reason.PULLED,
                by=by,
                note=f"on the truck for {pull.appointment.job.number}",
            )
        pull.state = Pull.State.TAKEN
        pull.save(update_fields=["state"])


def put_on_shelf(*, material: Material, quantity: int, by: User, note: str) -> None:
    """Pieces that came back go to the first place of their material."""
    item = StockItem.objects.filter(material=material, is_offcut=False).order_by("pk").first()
    if item is None:
        item = StockItem.objects.create(material=material, code=fresh_code(), quantity=0, shelf="came back")
    move_stock(item=item, change=quantity, reason=StockMove.Reason.RETURNED, by=by, note=note)


# -- the van -------------------------------------------------------------------------------


@transaction.atomic
def van_rows(*, crew: Crew, by: User | None = None) -> list[VanStock]:
    """What the crew's van carries, a row an item, made with the rules' least and most where missing."""
    rules = rules_of(crew.branch)
    materials = load_hardware(crew.branch, rules)
    there = set(VanStock.objects.filter(crew=crew).values_list("material__key", flat=True))
    VanStock.objects.bulk_create(
        VanStock(crew=crew, material=materials[item.key], least=item.van_least, most=item.van_most)
        for item in rules.items
        if item.van_most and item.key not in there
    )
    return list(VanStock.objects.filter(crew=crew).select_related("material", "crew__branch"))


@transaction.atomic
def set_van_row(
    *, row: VanStock, by: User, quantity: int | None = None, least: int | None = None, most: int | None = None
) -> VanStock:
    """Counts one item in the van, or changes its bounds."""
    held = VanStock.objects.select_for_update(of=("self",)).select_related("material", "crew").get(pk=row.pk)
    for name, value in (("quantity", quantity), ("least", least), ("most", most)):
        if value is not None:
            if not 0 <= value <= 100_000:
                raise Refused(f"{value} pieces", field=name, bound="0 to 100000")
            setattr(held, name, value)
    if held.most < held.least:
        raise Refused(f"the most, {held.most}, is under the least", field="most", bound=f"at least {held.least}")
    changes = audit.changed(held, ["quantity", "least", "most"])
    held.save(update_fields=["quantity", "least", "most"])
    if changes:
        audit.record(by=by, action="counted the van", subject=held, changes=changes)
    return held


@transaction.atomic
def top_up_van(*, crew: Crew, by: User) -> list[tuple[VanStock, int, int]]:
    """
    Fills the van from the shelf: every item under its least, up to its most, as far as it is there.

    Returns
    -------
    list
        For each item under its least: the row, what was taken, what the shelf lacked.
    """
    van_rows(crew=crew, by=by)
    out = []
    rows = VanStock.objects.select_for_update(of=("self",)).filter(crew=crew).select_related("material", "crew")
    for row in rows.order_by("pk"):
        missing = row.to_take
        if not missing:
            continue
        taken = 0
        items = StockItem.objects.select_for_update().filter(material=row.material_id, is_offcut=False)
        for item in items.filter(quantity__gt=F("reserved")).order_by("pk"):
            take = min(missing - taken, item.free)
            if take:
                move_stock(item=item, change=-take, reason=StockMove.Reason.PULLED, by=by, note=f"van of {crew}")
                taken += take
        row.quantity += taken
        row.save(update_fields=["quantity"])
        out.append((row, taken, missing - taken))
    if any(taken for _, taken, _ in out):
        audit.record(
            by=by,
            action="topped up the van",
            subject=crew,
            changes={row.material.name: [row.quantity - taken, row.quantity] for row, taken, _ in out if taken},
        )
    return out


__all__ = [
    "drop_pulls",
    "pull_hardware",
    "put_on_shelf",
    "refresh_hardware",
    "rules_row",
    "save_rules",
    "set_van_row",
    "shortages_of",
    "take_pulls",
    "top_up_van",
    "van_rows",
    "visit_hardware",
]
