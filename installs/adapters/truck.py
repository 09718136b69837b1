"""What is on a truck: the lines of its load. Whatever shows them reads them here and works nothing out again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from django.db.models import F

from installs.adapters.evaluation import Worked
from installs.models import Load, LoadLine
from installs.services.loads import packages_for
from jobs.models import Appointment

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


def packages_on(load: Load | None, lines: Iterable[LoadLine], worked: Iterable[Worked]) -> dict[int, list[str]]:
    """
    What each unit is carried as, by its key.

    As the list has it, and what of it stayed behind. Until the truck leaves, a unit that no list has yet goes as the
    workroom packed it.
    """
    found: dict[int, list[str]] = {}
    for line in lines:
        if line.unit_id is not None:
            found.setdefault(line.unit_id, []).append(line.package + (f", {NOT_ON}" if line.is_left_behind else ""))
    if load is None or load.is_in_the_yard():
        for one in worked:
            found.setdefault(one.unit.pk, [package.label for package in packages_for(one.unit, one.read)])
    return found


def aboard(appointments: Sequence[Appointment]) -> dict[int, list[str]]:
    """What was checked onto the truck for these visits and is not back, by the visit's key."""
    found: dict[int, list[str]] = {}
    lines = LoadLine.objects.filter(appointment__in=[row.pk for row in appointments], checked__gt=F("returned"))
    for line in lines.order_by("order"):
        found.setdefault(line.appointment_id or 0, []).append(line.text)
    return found
