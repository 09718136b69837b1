"""A reason why a stop is in no route: what is short, as data, and the planner's own wording of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any, Final

from shared.formats.durations import minutes_text

WORDS: Final[Mapping[str, str]] = {
    "off": "{crew} is off in shift {shift}",
    "skills": "{crew} lacks {skills}",
    "people": "it needs {needs} people, {crew} has {most}",
    "load": "its load {needs} is more than {crew} carries ({most})",
    "locked": "it is locked to {crew}, shift {shift}",
    "no_shift": "no crew has a shift",
    "locked_unfit": "{nearest}, to which it is locked",
    "no_skills": "no crew has {skills}",
    "no_people": "it needs {needs} people, the largest crew that could do it has {most}",
    "no_load": "its load {needs} is more than any crew that could do it carries (most {most})",
    "promise": "its promised {window} meets none of its own windows",
    "ready": "it is ready at {ready}, after its last window",
    "after_all": "it may not start before {ready}, after the last shift",
    "overload": "{crew}, shift {shift} would carry {most} too much",
    "undrivable": "{crew}, shift {shift} can't be driven as it stands",
    "late_start": "{crew}, shift {shift} would start {late} after its {window}",
    "late_back": "{crew}, shift {shift} would be back {late} too late",
    "late_next": "{crew}, shift {shift} would reach {stop} {late} too late",
    "late_back_window": "{crew}, shift {shift} would be back {late} too late, for its {window}",
    "late_next_window": "{crew}, shift {shift} would reach {stop} {late} too late, for its {window}",
    "empty_day": "no crew can do it even on an empty day; nearest: {nearest}",
    "full": "every crew-day it fits is full; nearest: {nearest}",
    "fits": "it would fit as the plan stands; the search was stopped before it was put in",
    "no_time": "time was out before it was put in, or told why not",
    "no_priority": "its priority is 0, and the plan costs less without it",
    "no_meeting": "no two crews are free at one time for it and {stop}",
    "no_team_after": "no team is free for it after {stop}",
    "no_team_before": "no team is free for it and for what follows it",
}
"""The planner's wording by kind; every kind of reason there is has one."""


OpenSpan = tuple[int, int | None]


@dataclass(frozen=True, slots=True)
class Reason:
    """
    What is short, by its `kind` (a key of `WORDS`); a value its kind has no use for is None.

    Parameters
    ----------
    crew, shift, stop
        Who falls short, and the stop that would be reached too late or that it hangs on.
    skills
        What is lacking.
    needs, most
        People or load: what the stop needs, what there is; of an overload, what is too much.
    window
        When the service may start, inclusive, in seconds; the end is None when nothing ends it.
    ready, late
        Seconds: when it is ready or may start, by how much it comes too late.
    nearest
        What the crew-day that comes nearest lacks.

    Examples
    --------
    >>> nearest = Reason("late_back", crew="north", shift=0, late=720)
    >>> print(Reason("full", nearest=nearest))
    every crew-day it fits is full; nearest: crew north, shift 0 would be back 12 min too late
    >>> Reason("full", nearest=nearest).to_json()["nearest"]
    {'kind': 'late_back', 'crew': 'north', 'shift': 0, 'late': 720}
    """

    kind: str
    crew: str | int | None = None
    shift: int | None = None
    stop: str | int | None = None
    skills: tuple[str, ...] | None = None
    needs: int | None = None
    most: int | None = None
    window: OpenSpan | None = None
    ready: int | None = None
    late: int | None = None
    nearest: Reason | None = None

    def message(self, words: Mapping[str, str], shown: Mapping[str, Callable[[Any], str]]) -> str:
        """
        The reason in the words given by kind, its values as `shown` has them by name.

        Kinds that have no words of their own, and values not shown, are said as the planner does.
        """
        values: dict[str, str] = {}
        for name, value in self._values():
            show = shown.get(name) or _SHOWN.get(name, str)
            values[name] = value.message(words, shown) if isinstance(value, Reason) else show(value)
        return words.get(self.kind, WORDS[self.kind]).format(**values)

    def __str__(self) -> str:
        return self.message(WORDS, _SHOWN)

    def _values(self) -> list[tuple[str, object]]:
        named = ((one.name, getattr(self, one.name)) for one in fields(self) if one.name != "kind")
        return [(name, value) for name, value in named if value is not None]

    def to_json(self) -> dict[str, object]:
        """The kind and the values it has."""
        plain = {name: list(value) if isinstance(value, tuple) else value for name, value in self._values()}
        if self.nearest is not None:
            plain["nearest"] = self.nearest.to_json()
        return {"kind": self.kind, **plain}


def minutes(seconds: int) -> str:
    """
    Seconds as people say a shortfall: whole minutes, rounded up.

    >>> minutes(61), minutes(60), minutes(9000)
    ('2 min', '1 min', '2 h 30 min')
    """
    return minutes_text(-(-seconds // 60))


def _skills(keys: tuple[str, ...]) -> str:
    return f"the skill{'s' if len(keys) > 1 else ''} {', '.join(keys)}"


def _window(window: tuple[int, int | None]) -> str:
    begin, end = window
    return f"window {begin}-{end}" if end is not None else f"window from {begin}"


_SHOWN: Final[Mapping[str, Callable[[Any], str]]] = {
    "crew": "crew {}".format,
    "stop": "stop {}".format,
    "skills": _skills,
    "window": _window,
    "late": minutes,
}
