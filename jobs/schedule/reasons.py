"""The planner's reasons as a dispatcher says them: crews, days, jobs and times by name."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from jobs.models import Purpose
from jobs.rules.routing import Reason
from jobs.schedule.words import clock
from shared.formats.dates import short_day

if TYPE_CHECKING:
    from jobs.schedule.plan import PlanProblem

WORDS: Final[Mapping[str, str]] = {
    "off": "{crew} is off",
    "skills": "{crew} cannot {skills}",
    "locked": "it is locked to {crew}",
    "no_skills": "no crew can {skills}",
    "overload": "{crew} would carry {most} too much",
    "undrivable": "{crew} can't drive the day as it stands",
    "after_all": "it may not start before {ready}, after the days planned",
    "late_start": "{crew} would start {late} after its {window}",
    "late_back": "{crew} would be back {late} too late",
    "late_next": "{crew} would reach {stop} {late} too late",
    "late_back_window": "{crew} would be back {late} too late, for its {window}",
    "late_next_window": "{crew} would reach {stop} {late} too late, for its {window}",
    "no_team_after": "no crew is free for it after the part before it",
    "no_priority": "its priority is 0, and the plan costs less without it",
    "no_time": "there was no time left to place it; plan again with more time",
    "no_team_before": "no crew is free for it and for the next part",
}


def plain_why(calendar: PlanProblem, reason: Reason | None, numbers: Mapping[int, str]) -> str:
    """Why a visit is left out, in the dispatcher's words; `numbers` are job numbers by appointment key."""
    if reason is None:
        return ""
    tz = calendar.branch.tz
    crews = {one.crew.pk: one.crew.name for one in calendar.schedule.days.values()}

    def crew(key: str | int) -> str:
        pk, _, day = str(key).partition("/")
        return f"{crews.get(int(pk), 'a crew')} on {short_day(dt.date.fromisoformat(day))}"

    def moment(seconds: int) -> str:
        when = calendar.when(seconds).astimezone(tz)
        return f"{short_day(when.date())} {clock(when, tz)}" if when.time() != dt.time(0) else short_day(when.date())

    def window(span: tuple[int, int | None]) -> str:
        begin, end = span
        if end is None:
            return f"window from {moment(begin)} on"
        first, last = (calendar.when(one).astimezone(tz) for one in (begin, end))
        return f"window {moment(begin)} to {clock(last, tz) if first.date() == last.date() else moment(end)}"

    def stop(key: str | int) -> str:
        return numbers.get(int(key), "another visit")

    def skills(keys: tuple[str, ...]) -> str:
        return " and ".join(_skill(key, crews) for key in keys)

    shown: dict[str, Callable[[Any], str]] = {
        "crew": crew, "stop": stop, "skills": skills, "window": window, "ready": moment,
    }  # fmt: skip
    return reason.message(WORDS, shown)


def _skill(key: str, crews: Mapping[int, str]) -> str:
    kind, _, rest = key.partition(" ")
    if kind == "for" and rest in Purpose.values:
        return f"drive for {Purpose(rest).label}"
    if kind == "crew" and rest.isdigit():
        return f"be {crews.get(int(rest), 'the crew of the first part')}"
    return f"do {key}"
