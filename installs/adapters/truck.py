"""What is on a truck: the lines of its load. Whatever shows them reads them here and works nothing out again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from django.db.models import F

from installs.adapters.evaluation import Worked
from installs.models import Load, LoadLine
from installs.services.loads import on_other_vans, packages_for, visits_of_day
from jobs.models import Appointment
from jobs.schedule.day import read_day
from jobs.schedule.handovers import handover_text
from measuring.models import Unit

NOT_ON: Final = "not on the truck"


def left_behind(lines: Iterable[LoadLine]) -> list[str]:
    """What a truck left without, in words; nothing while it is in the yard."""
    return [f"{line.missing} × {line.text}" for line in lines if line.is_left_behind]


def list_at(visit: Appointment) -> tuple[Load | None, list[LoadLine]]:
    """The load of the crew-day a visit stands on, with its list; None while nothing is on one."""
    if visit.crew_id is None or visit.day is None:
        return None, []
    lines = LoadLine.objects.filter(load__crew=visit.crew_id, load__day=visit.day).select_related("load")
    found = list(lines.order_by("order"))
    return (found[0].load if found else None), found


def lines_of(load: Load) -> list[LoadLine]:
    """The list as it goes on the truck, with what pages and documents show beside each line."""
    needs = ("unit__opening__room", "unit__product", "appointment__job__site", "material")
    return list(load.lines.select_related(*needs).order_by("order"))


def packages_on(
    load: Load | None, lines: Iterable[LoadLine], worked: Iterable[Worked], visits: Iterable[Appointment]
) -> dict[int, list[str]]:
    """
    What each unit of these visits is carried as, by its key.

    As the list has it, and what of it stayed behind or is on another crew's van. Until the truck leaves, a unit that
    no list has yet goes as the workroom packed it.
    """
    found: dict[int, list[str]] = {}
    worked = list(worked)
    is_out = any(one.unit.state == Unit.State.LOADED for one in worked)
    for other in on_other_vans(visits) if is_out else ():
        if other.unit_id is not None:
            found.setdefault(other.unit_id, []).append(f"{other.package}, on {other.load.crew}'s van")
    for line in lines:
        if line.unit_id is not None:
            found.setdefault(line.unit_id, []).append(line.package + (f", {NOT_ON}" if line.is_left_behind else ""))
    if load is None or load.is_in_the_yard():
        for one in worked:
            found.setdefault(one.unit.pk, [package.label for package in packages_for(one.unit, one.read)])
    return found


def to_take_over(load: Load) -> list[tuple[str, list[LoadLine]]]:
    """What a crew gets from others' vans on its day: where and when as its day goes, with the lines; [] for most."""
    visits = {visit.pk: visit for visit in visits_of_day(load.crew, load.day)}
    found: dict[int, list[LoadLine]] = {}
    for line in on_other_vans(visits.values()):
        found.setdefault(line.appointment_id or 0, []).append(line)
    day = read_day(load.crew, load.day) if found else None
    return [
        ((day and handover_text(day, day.rows[pk])) or f"{lines[0].load.crew}'s van", lines)
        for pk, lines in found.items()
    ]


def aboard(appointments: Sequence[Appointment]) -> dict[int, list[str]]:
    """What was checked onto the truck for these visits and is not back, by the visit's key."""
    found: dict[int, list[str]] = {}
    lines = LoadLine.objects.filter(appointment__in=[row.pk for row in appointments], checked__gt=F("returned"))
    for line in lines.order_by("order"):
        found.setdefault(line.appointment_id or 0, []).append(line.text)
    return found
