"""What is on the van of a crew that is out, for whoever drives there first: where, when, how long, what."""

from __future__ import annotations

from collections.abc import Sequence

from jobs.models import Appointment
from jobs.ports import ports
from jobs.schedule.day import DaySchedule, State, read_day, standing_of
from jobs.schedule.travel import Via
from jobs.schedule.words import clock


def handover_text(day: DaySchedule, row: Appointment) -> str:
    """``Crew A's van, 4 Plover Close, about 9:40 am``; empty where nothing is to be fetched."""
    meeting = day.meeting(row.pk)
    if meeting is None:
        return ""
    assert row.handover is not None
    return f"{row.handover.where}, about {clock(meeting.begins, day.crew.branch.tz)}"


def fetched(rows: Sequence[Appointment]) -> dict[int, list[str]]:
    """For each visit whose goods another crew has: where its crew goes first, and what it takes over there."""
    asked = [row for row in rows if row.state != State.DONE and isinstance(standing_of(row).point, Via)]
    aboard, days, found = ports.aboard(asked), dict[tuple[int, object], DaySchedule](), dict[int, list[str]]()
    for row in asked:
        assert row.crew is not None
        assert row.day is not None
        key = row.crew.pk, row.day
        if key not in days:
            days[key] = read_day(row.crew, row.day)
        what = "; ".join(aboard[row.pk]) or "what is for this visit"
        found[row.pk] = [f"first to {handover_text(days[key], row)}: {what}"]
    return found
