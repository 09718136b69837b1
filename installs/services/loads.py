"""The truck's load: what goes on, checked piece by piece, leaving the yard, coming back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence

from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone

from fabrication.models import StockItem
from fabrication.services.own_cloth import left_of, own_text
from installs.adapters.evaluation import Worked, rules_of, visit_units_of, work_out
from installs.models import HardwareUsed, Load, LoadCheck, LoadLine, VanStock, VisitUnit
from installs.rules.cords import CordRule
from installs.rules.loading import OWN, GoesBack, LoadEntry, LoadPlan, Package, StopLoad, load_list, packages_of
from installs.rules.units import InstallUnit
from installs.services.hardware import pull_hardware, put_on_shelf, refresh_hardware, take_pulls
from jobs.models import INSTALLING, Appointment, Crew, Purpose, ServiceCall
from jobs.schedule.day import in_the_calendar
from jobs.services.stages import recompute_stage
from measuring.models import Unit
from shared import audit
from shared.codes import read_package_code
from shared.errors import Refused
from shared.lengths import Length
from shared.models import User

HARDWARE_SECTIONS = ("hardware", "spares")


def goes_up(visit: Appointment) -> bool:
    """Whether a visit of the calendar takes something off the truck; reservations that nobody promised do not."""
    return visit.purpose in INSTALLING and visit.state != Appointment.State.RESERVED


def visits_of_day(crew: Crew, day: dt.date) -> list[Appointment]:
    """The crew's install visits of a day in driving order."""
    return [row for row in in_the_calendar().filter(crew=crew, day=day) if goes_up(row)]


def plan_load(crew: Crew, visits: Sequence[Appointment]) -> tuple[LoadPlan, dict[int, list[Worked]]]:
    """The load by the rules, and each visit's units with their hardware; nothing is written."""
    rules = rules_of(crew.branch)
    by_visit = visit_units_of(visits)
    cords: dict[int, CordRule | None] = {}
    worked = {
        visit.pk: work_out(
            [row.unit for row in by_visit.get(visit.pk, []) if row.outcome == VisitUnit.Outcome.TO_DO], rules, cords
        )
        for visit in visits
    }
    left = left_of({visit.job_id for visit in visits})
    elsewhere: dict[int, list[LoadLine]] = {}
    for line in on_other_vans(visits):
        elsewhere.setdefault(line.appointment_id or 0, []).append(line)
    own = [visit for visit in visits if visit.purpose == Purpose.SERVICE]
    calls = ServiceCall.objects.filter(appointment__in=own) if own else ()
    parts = {call.appointment_id: call.parts for call in calls}
    stops = [
        _stop_load(
            number,
            visit,
            worked[visit.pk],
            left.get(visit.job_id, []),
            elsewhere.get(visit.pk, []),
            parts.get(visit.pk, ""),
        )
        for number, visit in enumerate(visits, 1)
    ]
    return load_list(stops, rules, crew.truck_longest), worked


def on_other_vans(visits: Iterable[Appointment]) -> list[LoadLine]:
    """What left the yard with another crew for these visits of its day, and is not back: it is not in the yard."""
    lines = LoadLine.objects.filter(
        appointment__in=[visit.pk for visit in visits],
        load__state=Load.State.LEFT,
        load__day=F("appointment__day"),
        checked__gt=F("returned"),
    ).exclude(load__crew=F("appointment__crew"))
    waiting = lines.filter(Q(unit=None) | Q(unit__state=Unit.State.LOADED))
    return list(waiting.select_related("load__crew", "unit").order_by("load", "order"))


def _stop_load(
    number: int, visit: Appointment, worked: Sequence[Worked], left: Sequence[StockItem],
    elsewhere: Sequence[LoadLine], parts: str,
) -> StopLoad:  # fmt: skip
    """What a stop needs from the yard; the hardware of a unit is where its packages are."""
    units, keys = {line.unit_id for line in elsewhere}, {line.key for line in elsewhere}
    known = [
        (one.read, one.hardware)
        for one in worked
        if one.read is not None and one.hardware is not None and one.unit.pk not in units
    ]
    packages = [package for one in worked for package in packages_for(one.unit, one.read)]
    return StopLoad(
        number,
        visit.job.number,
        tuple(read for read, _ in known),
        tuple(hardware for _, hardware in known),
        tuple(one for one in packages if _package_key(one.unit, one.label) not in keys),
        tuple(GoesBack(item.code, own_text(item)) for item in left if f"{OWN}{item.code}"[:90] not in keys),
        parts,
    )


def packages_for(unit: Unit, read: InstallUnit | None) -> tuple[Package, ...]:
    """As the workroom packed it (with the longest side of each), else by the family's table."""
    make = getattr(unit, "make", None)
    packed = make.packages if make is not None else []
    if make is not None and packed:
        return tuple(
            Package(
                unit.code,
                number,
                len(packed),
                str(entry.get("name") or "package"),
                Length(int(entry.get("longest") or 0)),
                make.weight_g if number == 1 else 0,
            )
            for number, entry in enumerate(packed, 1)
        )
    if read is None:
        return ()
    rules = rules_of(unit.opening.job.branch)
    return packages_of(read, make.weight_g if make is not None else 0, rules)


# -- the list ------------------------------------------------------------------------------


def customers_own_is_along(appointment: Appointment) -> bool:
    """Whether what remains of the customer's own material was put on the truck for this visit."""
    return LoadLine.objects.filter(appointment=appointment, key__startswith=OWN, checked__gt=0).exists()


@transaction.atomic
def refresh_load(*, crew: Crew, day: dt.date, by: User) -> Load:
    """
    The load of a crew-day, made or brought up to date; what is checked stays checked.

    Once the truck has left, the list stays as it left. Where nothing changed, nothing is written.
    """
    load, _ = Load.objects.get_or_create(crew=crew, day=day)
    load = Load.objects.select_for_update(of=("self",)).select_related("crew__branch").get(pk=load.pk)
    if not load.is_in_the_yard():
        return load
    visits = visits_of_day(load.crew, day)
    plan, worked = plan_load(load.crew, visits)
    refresh_hardware(units=[one.unit for several in worked.values() for one in several], by=by)
    lines = _write_lines(
        load, plan, visits, {one.unit.code: one.unit for several in worked.values() for one in several}
    )
    now = {
        "findings": [finding.to_json() for finding in plan.findings],
        "weight_g": plan.weight_g,
        "state": _state(lines),
    }
    if now != {name: getattr(load, name) for name in now}:
        for name, value in now.items():
            setattr(load, name, value)
        load.save(update_fields=list(now))
    return load


def line_key(entry: LoadEntry) -> str:
    """What an entry is, whatever its place in the list."""
    if entry.item.startswith(OWN):
        return entry.item[:90]
    return _package_key(entry.unit, entry.package) if entry.unit else f"{entry.section}:{entry.item}"[:90]


def _package_key(unit: str, package: str) -> str:
    return f"unit:{unit}:{package}"[:90]


def line_rows(
    load: Load, plan: LoadPlan, visits: Sequence[Appointment], units: dict[str, Unit], materials: dict[str, int]
) -> list[LoadLine]:
    """The rows of a plan, not saved."""
    return [
        LoadLine(
            load=load,
            key=line_key(entry),
            order=entry.order,
            appointment=visits[entry.stop - 1] if entry.stop else None,
            section=entry.section[:30],
            unit=units.get(entry.unit),
            package=entry.package[:40],
            material_id=materials.get(entry.item) if entry.section in HARDWARE_SECTIONS else None,
            text=entry.text[:160],
            why=entry.why,
            quantity=entry.quantity,
        )
        for entry in plan.entries
    ]


LINE = ("order", "appointment_id", "section", "unit_id", "package", "material_id", "text", "why", "quantity", "checked")


def _write_lines(load: Load, plan: LoadPlan, visits: Sequence[Appointment], units: dict[str, Unit]) -> list[LoadLine]:
    """The rows as the plan has them; those that say so already are left alone."""
    from fabrication.models import Material

    keys = {entry.item for entry in plan.entries if entry.item}
    materials = dict(Material.objects.filter(branch=load.crew.branch, key__in=keys).values_list("key", "pk"))
    there = {line.key: line for line in load.lines.all()}
    lines = line_rows(load, plan, visits, units, materials)
    fresh, changed = [], []
    for line in lines:
        kept = there.pop(line.key, None)
        if kept is None:
            fresh.append(line)
            continue
        line.pk, line.checked = kept.pk, min(kept.checked, line.quantity)
        if any(getattr(line, name) != getattr(kept, name) for name in LINE):
            changed.append(line)
    LoadLine.objects.filter(pk__in=[line.pk for line in there.values()]).delete()
    LoadLine.objects.bulk_create(fresh)
    LoadLine.objects.bulk_update(changed, [name.removesuffix("_id") for name in LINE], batch_size=200)
    return lines


def _state(lines: Collection[LoadLine]) -> str:
    return Load.State.CHECKED if lines and not any(line.missing for line in lines) else Load.State.OPEN


# -- checking --------------------------------------------------------------------------------


def _locked(load: Load) -> Load:
    return Load.objects.select_for_update(of=("self",)).select_related("crew__branch").get(pk=load.pk)


@transaction.atomic
def check_lines(*, load: Load, lines: Iterable[LoadLine], by: User, count: int | None = None) -> LoadCheck | None:
    """
    Ticks lines off as on the truck: all of each, or `count` pieces of a single one.

    Done twice it changes nothing; each change can be taken back with `undo_check`.
    """
    return _tick(load, {line.pk: count for line in lines}, by)


def _tick(load: Load, counts: Mapping[int, int | None], by: User) -> LoadCheck | None:
    """So many of each line on the truck; all of it where no count is said."""
    load = _locked(load)
    if not load.is_in_the_yard():
        raise Refused(f"the truck {load.get_state_display()} already", field="load")
    rows = list(load.lines.select_for_update(of=("self",)).filter(pk__in=list(counts)))
    before = {}
    for row in rows:
        counted = counts[row.pk]
        wanted = row.quantity if counted is None else counted
        if not 0 <= wanted <= row.quantity:
            raise Refused(f"{wanted} of {row.quantity}", field="count", bound=f"0 to {row.quantity}")
        if wanted != row.checked:
            before[str(row.pk)] = row.checked
            row.checked = wanted
    if not before:
        return None
    LoadLine.objects.bulk_update(rows, ["checked"])
    done = LoadCheck.objects.create(load=load, text=_words(rows), before=before, by=by)
    load.state, load.checked_by = _state(load.lines.all()), by
    load.save(update_fields=["state", "checked_by"])
    return done


@transaction.atomic
def check_counts(*, load: Load, counts: Mapping[int, int], by: User) -> LoadCheck | None:
    """
    Ticks as a phone kept them: so many of each line, by its key.

    The list may have changed since the phone saw it: lines that are gone are passed over, and of a
    line that became fewer no more than all are on. Refused where none of the lines is there any more.
    """
    there = dict(load.lines.filter(pk__in=list(counts)).values_list("pk", "quantity"))
    if not there:
        raise Refused("the list changed at the office and what was checked is not on it any more", field="counts")
    return _tick(load, {pk: min(counts[pk], quantity) for pk, quantity in there.items()}, by)


def _words(rows: Sequence[LoadLine]) -> str:
    if len(rows) == 1:
        return f"{rows[0].text}"[:160]
    return f"{len(rows)} lines, {rows[0].text} and on"[:160]


@transaction.atomic
def check_code(*, load: Load, typed: str, by: User, bundle: bool = False) -> LoadLine:
    """
    Ticks off by the code on a label: that package, the next one of a unit's code, or all of them as a bundle.

    `typed` may be the address in a label's QR. Refused, saying why, for a code that was mistyped,
    that is not on this truck, or whose packages are all on it.
    """
    read = read_package_code(typed.strip().rstrip("/").rpartition("/")[2])
    if read is None:
        raise Refused(f"{typed[:20]}: a letter or figure is wrong, read the label again", field="code")
    code, number = read
    lines = list(load.lines.filter(unit__code=code).order_by("order"))
    if number is not None and not bundle:
        lines = [line for line in lines if line.package.startswith(f"{number} of ")]
        code = f"{code}-{number}"
    if not lines:
        raise Refused(f"{code} does not go on this truck today", field="code")
    open_lines = [line for line in lines if line.missing]
    if not open_lines:
        raise Refused(f"{code} is on the truck already, all {len(lines)} of it", field="code")
    check_lines(load=load, lines=open_lines if bundle else open_lines[:1], by=by)
    return open_lines[0]


def check_room(*, load: Load, appointment: Appointment, room: int | None, by: User) -> LoadCheck | None:
    """Ticks off every package of one room, or of a whole stop."""
    lines = load.lines.filter(appointment=appointment, unit__isnull=False)
    if room is not None:
        lines = lines.filter(unit__opening__room=room)
    return check_lines(load=load, lines=lines, by=by)


@transaction.atomic
def undo_check(*, load: Load, by: User, lines: Collection[int] | None = None) -> LoadCheck:
    """
    Takes the last tick back.

    `lines` are those the person saw as the last tick: Refused where somebody ticked others meanwhile.
    """
    load = _locked(load)
    if not load.is_in_the_yard():
        raise Refused(f"the truck {load.get_state_display()} already", field="load")
    last = load.checks.filter(undone_at=None).first()
    if last is None:
        raise Refused("there is nothing to take back", field="load")
    if lines is not None and {str(pk) for pk in lines} != set(last.before):
        raise Refused(f"somebody checked {last.text} meanwhile; nothing was taken back", field="lines")
    for row in load.lines.filter(pk__in=list(last.before)):
        row.checked = min(last.before[str(row.pk)], row.quantity)
        row.save(update_fields=["checked"])
    last.undone_at = timezone.now()
    last.save(update_fields=["undone_at"])
    load.state = _state(load.lines.all())
    load.save(update_fields=["state"])
    return last


# -- the yard ----------------------------------------------------------------------------------


@transaction.atomic
def leave_yard(*, load: Load, by: User, reason: str = "", at: dt.datetime | None = None) -> Load:
    """
    The truck leaves: stock goes off the shelf, units are loaded.

    Raises
    ------
    Refused
        When something is missing and no reason says why it leaves all the same (field ``reason``).
    """
    load = _locked(load)
    if load.state == Load.State.LEFT:
        return load
    if load.state == Load.State.BACK:
        raise Refused("this truck is back already", field="load")
    lines = list(load.lines.select_related("unit"))
    if not lines:
        raise Refused("nothing is on the list; there are no visits to install on this day", field="load")
    gaps = [line for line in lines if line.missing]
    if gaps and not reason.strip():
        first = ", ".join(f"{line.missing} × {line.text}" for line in gaps[:3])
        more = f" and {len(gaps) - 3} more" if len(gaps) > 3 else ""
        raise Refused(f"not on the truck: {first}{more}. Say why it leaves without", field="reason")
    visits = visits_of_day(load.crew, load.day)
    for visit in visits:
        pull_hardware(appointment=visit, by=by)
    take_pulls(appointments=visits, by=by)
    _spares_out(load, lines)
    whole = {line.unit_id for line in lines if line.unit_id} - {line.unit_id for line in gaps}
    Unit.objects.filter(pk__in=whole, state=Unit.State.MADE).update(state=Unit.State.LOADED)
    load.state, load.left_at, load.checked_by = Load.State.LEFT, at or timezone.now(), by
    load.gap_reason = reason.strip()[:240] if gaps else ""
    load.save(update_fields=["state", "left_at", "checked_by", "gap_reason"])
    missing = {f"{line.text}"[:80]: [line.quantity, line.checked] for line in gaps[:20]}
    audit.record(by=by, action="left the yard", subject=load, changes=missing, note=load.gap_reason)
    for job in sorted({visit.job_id for visit in visits}):
        audit.record(by=by, action="loaded the truck", subject=load, job=job, note=load.gap_reason)
        recompute_stage(job=job, by=by)
    return load


def _spares_out(load: Load, lines: Sequence[LoadLine]) -> None:
    """Spares come out of the van's own stock, as far as it has them."""
    for line in lines:
        if line.section == "spares" and line.material_id and line.checked:
            row = VanStock.objects.select_for_update().filter(crew=load.crew, material=line.material_id).first()
            if row is not None:
                row.quantity = max(0, row.quantity - line.checked)
                row.save(update_fields=["quantity"])


@transaction.atomic
def put_back(*, load: Load, line: LoadLine, count: int, by: User) -> LoadLine:
    """
    What came back on one line: a package to its rack, hardware to the shelf, spares to the van.

    `count` is how many came back in all; done again it only books the difference.
    """
    load = _locked(load)
    if load.state not in {Load.State.LEFT, Load.State.BACK}:
        raise Refused("the truck has not left yet", field="load")
    row = load.lines.select_for_update(of=("self",)).select_related("material", "unit").get(pk=line.pk)
    if not 0 <= count <= row.checked:
        raise Refused(f"{count} of the {row.checked} that left", field="count", bound=f"0 to {row.checked}")
    change = count - row.returned
    if not change:
        return row
    if row.material is not None:
        if row.section == "spares":
            VanStock.objects.filter(crew=load.crew, material=row.material).update(quantity=F("quantity") + change)
        elif change > 0:
            put_on_shelf(material=row.material, quantity=change, by=by, note=f"came back with {load}")
        else:
            raise Refused("what was put back on the shelf is counted there; correct it in the stock", field="count")
    if row.unit is not None:
        state, other = (Unit.State.MADE, Unit.State.LOADED) if change > 0 else (Unit.State.LOADED, Unit.State.MADE)
        Unit.objects.filter(pk=row.unit.pk, state=other).update(state=state)
    row.returned = count
    row.save(update_fields=["returned"])
    audit.record(
        by=by,
        action="put back",
        subject=load,
        job=row.appointment.job_id if row.appointment is not None else None,
        changes={row.text[:80]: [row.returned - change, row.returned]},
    )
    return row


@transaction.atomic
def come_back(*, load: Load, by: User, at: dt.datetime | None = None) -> Load:
    """
    The truck is back: what did not go up is put back in one go.

    Packages of units that were not installed go to their rack; hardware that crews noted as not
    used goes to the shelf; spares go to the van.
    """
    load = _locked(load)
    if load.state == Load.State.BACK:
        return load
    if load.state != Load.State.LEFT:
        raise Refused("the truck has not left yet", field="load")
    installed = set(
        VisitUnit.objects.filter(
            unit__load_lines__load=load, appointment__day=load.day, outcome=VisitUnit.Outcome.INSTALLED
        ).values_list("unit", flat=True)
    )  # by another crew too, which fetched it from this van
    unused = _unused(load)
    for line in load.lines.select_related("unit", "material"):
        is_ours = line.section == "spares" or (line.unit_id and line.unit_id not in installed)
        if is_ours and line.checked > line.returned:
            put_back(load=load, line=line, count=line.checked, by=by)
        elif line.section == "hardware" and line.material_id in unused:
            count = min(line.checked, line.returned + unused[line.material_id])
            put_back(load=load, line=line, count=count, by=by)
    load.state, load.back_at = Load.State.BACK, at or timezone.now()
    load.save(update_fields=["state", "back_at"])
    audit.record(by=by, action="came back to the yard", subject=load)
    return load


def _unused(load: Load) -> dict[int, int]:
    """Pieces of each material that the day's crews used fewer than listed, and those of units not put up."""
    used = HardwareUsed.objects.filter(
        appointment__crew=load.crew, appointment__day=load.day, undone_at=None, material__isnull=False, change__lt=0
    )
    found: dict[int, int] = {}
    for key_of, change in used.values_list("material", "change"):
        found[key_of] = found.get(key_of, 0) - change
    down = VisitUnit.objects.filter(
        appointment__crew=load.crew, appointment__day=load.day, outcome=VisitUnit.Outcome.NOT_INSTALLED
    ).select_related("unit__hardware")
    keys: dict[str, int] = {}
    for row in down:
        hardware = getattr(row.unit, "hardware", None)
        for line in hardware.lines if hardware else ():
            if not line.get("shared") and not line.get("lengths"):
                keys[line["item"]] = keys.get(line["item"], 0) + line["quantity"]
    materials = load.lines.filter(material__key__in=list(keys), section="hardware")
    for key, pk in materials.values_list("material__key", "material"):
        found[pk] = found.get(pk, 0) + keys[key]
    return found


__all__ = [
    "LoadPlan",
    "check_code",
    "check_counts",
    "check_lines",
    "check_room",
    "come_back",
    "leave_yard",
    "on_other_vans",
    "packages_for",
    "plan_load",
    "put_back",
    "refresh_load",
    "undo_check",
    "visits_of_day",
]
