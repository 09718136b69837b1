"""The first day on which a visit may stand."""

from __future__ import annotations

import datetime as dt

from jobs.models import Appointment, CalendarRules, Purpose
from jobs.ports import ports
from jobs.schedule.availability import add_working_days
from shared.formats.dates import short_day


def earliest_install(appointment: Appointment) -> tuple[dt.date | None, str]:
    """
    The first day an appointment may stand on, and why; None when nothing bounds it.

    None with a why: its parts are not known yet, so that no day can be named.
    """
    if appointment.purpose == Purpose.RETURN and (unknown := ports.parts_unknown(appointment)):
        return appointment.earliest_on, unknown
    days: list[tuple[dt.date, str]] = []
    if appointment.earliest_on:
        days.append((appointment.earliest_on, f"not before {short_day(appointment.earliest_on)}, as booked"))
    if appointment.purpose in {Purpose.INSTALL, Purpose.DELIVERY, Purpose.RETURN}:
        ready = ports.ready_on(appointment.job)
        if ready is not None:
            rules = CalendarRules.of(appointment.job.branch)
            first = add_working_days(appointment.job.branch, ready, rules.pack_days)
            plural = "" if rules.pack_days == 1 else "s"
            days.append(
                (
                    first,
                    f"made on {short_day(ready)}, and {rules.pack_days} working day{plural} to check, pack and load: "
                    f"{short_day(first)} at the earliest",
                )
            )
    return max(days) if days else (None, "")
