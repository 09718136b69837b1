"""The first day on which a visit may stand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence

from jobs.models import Appointment, CalendarRules, Purpose
from jobs.ports import ports
from jobs.schedule.availability import WorkingDays
from shared.formats.dates import short_day
from shared.models import Branch

BRINGS: frozenset[str] = frozenset({Purpose.INSTALL, Purpose.DELIVERY, Purpose.RETURN})
"""Purposes of visits that something has to be made for."""
First = tuple[dt.date | None, str]


def earliest_install(appointment: Appointment) -> First:
    """
    The first day an appointment may stand on, and why; None when nothing bounds it.

    None with a why: its parts are not known yet, so that no day can be named.
    """
    return earliest_installs([appointment])[0]


def earliest_installs(appointments: Sequence[Appointment]) -> list[First]:
    """The same for several, in their order and in a few queries; their job and its branch had better be fetched."""
    reasons = iter(ports.parts_unknown([row for row in appointments if row.purpose == Purpose.RETURN]))
    unknown = [next(reasons) if row.purpose == Purpose.RETURN else "" for row in appointments]
    waiting = [row for row, why in zip(appointments, unknown, strict=True) if row.purpose in BRINGS and not why]
    made = ports.ready_on([row.job for row in waiting])
    packed = _packed({row.job.branch_id: row.job.branch for row in waiting}, waiting, made)
    return [_first(row, why, packed.get(row.job_id)) for row, why in zip(appointments, unknown, strict=True)]


def _packed(
    branches: Mapping[int, Branch], rows: Sequence[Appointment], made: Mapping[int, dt.date]
) -> dict[int, tuple[dt.date, str]]:
    """By job, the first day after all is made, checked, packed and loaded, and why."""
    found = {}
    for pk, branch in branches.items():
        ready = {row.job_id: made[row.job_id] for row in rows if row.job.branch_id == pk and row.job_id in made}
        if not ready:
            continue
        rules = CalendarRules.of(branch)
        days = WorkingDays(branch, min(ready.values()), max(ready.values()), rules)
        plural = "" if rules.pack_days == 1 else "s"
        for job, day in ready.items():
            first = days.after(day, rules.pack_days)
            found[job] = (
                first,
                f"made on {short_day(day)}, and {rules.pack_days} working day{plural} to check, pack and load: "
                f"{short_day(first)} at the earliest",
            )
    return found


def _first(row: Appointment, unknown: str, packed: tuple[dt.date, str] | None) -> First:
    if unknown:
        return row.earliest_on, unknown
    days = [packed] if packed is not None and row.purpose in BRINGS else []
    if row.earliest_on:
        days.append((row.earliest_on, f"not before {short_day(row.earliest_on)}, as booked"))
    return max(days) if days else (None, "")
