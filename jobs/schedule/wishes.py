"""When a customer can be there in any week: "only after 4 pm", "Tuesdays", "not Friday mornings"."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence

from jobs.models import Wish
from jobs.schedule.availability import Span, local, possible_spans


def spans_of(wishes: Iterable[Wish], kind: str, tz: dt.tzinfo, days: Sequence[dt.date]) -> list[Span]:
    """The stretches of these days that the wishes of a kind name, as instants."""
    found = []
    for wish in wishes:
        for day in days if wish.kind == kind else ():
            if wish.weekday is None or wish.weekday == day.weekday():
                end = local(tz, day, wish.ends) if wish.ends else local(tz, day + dt.timedelta(days=1), dt.time(0))
                found.append((local(tz, day, wish.starts or dt.time(0)), end))
    return found


def within(spans: Sequence[Span], only: Sequence[Span], minutes: int) -> list[Span]:
    """Starts that lie in one of `spans`, of work that is done within one of `only`."""
    done = [(begin, end - dt.timedelta(minutes=minutes)) for begin, end in only]
    cut = [(max(a, c), min(b, d)) for a, b in spans for c, d in done]
    return sorted({(begin, end) for begin, end in cut if begin <= end})


def wished_spans(
    tz: dt.tzinfo,
    hours: tuple[dt.time | None, dt.time | None],
    minutes: int,
    windows: Sequence[Span],
    days: Sequence[dt.date],
    impossible: Sequence[Span],
    wishes: Sequence[Wish],
) -> list[Span]:
    """When the work may start, as `possible_spans` of the same, so that the wishes are met too."""
    cant = [*impossible, *spans_of(wishes, Wish.Kind.NOT, tz, days)]
    allowed = possible_spans(tz, hours, minutes, windows, days, cant)
    if any(wish.kind == Wish.Kind.ONLY for wish in wishes):
        return within(allowed, spans_of(wishes, Wish.Kind.ONLY, tz, days), minutes)
    return allowed


def wishes_text(wishes: Iterable[Wish]) -> str:
    """``only Tuesdays; not Fridays until 12:00 pm``."""
    return "; ".join(map(str, wishes))


def against_wishes(wishes: Iterable[Wish], begin: dt.datetime, end: dt.datetime, tz: dt.tzinfo) -> str:
    """The wishes that work from `begin` to `end` is against, as `wishes_text`; empty when it is against none."""
    day = [begin.astimezone(tz).date()]
    only = [wish for wish in wishes if wish.kind == Wish.Kind.ONLY]
    met = not only or any(a <= begin and end <= b for a, b in spans_of(only, Wish.Kind.ONLY, tz, day))
    never = [wish for wish in wishes if any(a < end and b > begin for a, b in spans_of([wish], Wish.Kind.NOT, tz, day))]
    return wishes_text([*([] if met else only), *never])
