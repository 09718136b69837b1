"""
The board: crews' days as lanes, visits as blocks to scale with the drive between.

One drawing for a day (an hour is wide) or a week (a day is a column). Blocks carry what the
page's script needs to move them; without it every block is a link to its visit.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe

from jobs.models import Appointment, Crew
from jobs.schedule.availability import WorkDay, local
from jobs.schedule.chances import Outlook, outlooks
from jobs.schedule.day import BEGUN, DaySchedule, Schedule, Stop, moment
from jobs.schedule.words import clock, promise_text, state_text, window_word
from shared.formats import dates
from shared.formats.dates import long_day, month_day

WIDE: Final = 1240
LABEL: Final = 118
DAY_LANE: Final = 66
WEEK_LANE: Final = 50
TALL: Final = 34
SNAP_MIN: Final = 15
CHAR: Final = 6.7
SMALL_CHAR: Final = 5.9
State = Appointment.State


@dataclass(frozen=True, slots=True)
class Scale:
    """A stretch of time on the sheet."""

    begin: dt.datetime
    end: dt.datetime
    left: float
    wide: float

    @property
    def px_min(self) -> float:
        return self.wide / ((self.end - self.begin).total_seconds() / 60)

    def x(self, when: dt.datetime) -> float:
        """Where an instant stands, kept on the sheet."""
        share = (when - self.begin) / (self.end - self.begin)
        return self.left + self.wide * min(1.0, max(0.0, share))


def n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def draw_board(
    schedule: Schedule, crews: Sequence[Crew], days: Sequence[dt.date], outcomes: Mapping[int, str], *,
    now: dt.datetime, words: str = "",
) -> SafeString:  # fmt: skip
    """
    The lanes of these crews on these days as SVG.

    `outcomes` says what became of visits that are done (`jobs.ports.Ports.outcomes`).
    `words` dims the blocks whose job, customer or street has none of them.
    """
    is_week = len(days) > 1
    lane = WEEK_LANE if is_week else DAY_LANE
    head = 40 if is_week else 26
    high = head + lane * len(crews) + 6
    scales = _scales(schedule, days)
    title = f"{len(crews)} crews, {month_day(days[0])}" + (f" to {month_day(days[-1])}" if is_week else "")
    parts = [
        f'<svg class="drawing board-drawing{" week" if is_week else ""}" viewBox="0 0 {WIDE} {high}" role="group" '
        f'aria-label="Board: {escape(title)}" data-head="{head}" data-lane="{lane}" data-snap="{SNAP_MIN}">'
        '<defs><pattern id="off" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<line class="hatch" x1="0" y1="0" x2="0" y2="6"/></pattern></defs>'
    ]
    parts += _head(days, scales, head, high, schedule)
    for position, crew in enumerate(crews):
        top = head + position * lane
        name = _text("crew", 4, top + lane / 2, 12, _cut(crew.name, 17))
        parts.append(f'<a class="crew-link" href="{reverse("jobs:crew", args=[crew.pk])}">{name}</a>')
        parts.append(f'<line class="pencil" x1="0" y1="{n(top)}" x2="{WIDE}" y2="{n(top)}"/>')
        for day, scale in zip(days, scales, strict=True):
            one = schedule.days[crew.pk, day]
            parts += _lane(one, outlooks(one, now), scale, top, lane, is_week, words.lower().split(), outcomes)
    for day, scale in zip(days, scales, strict=True):
        if day == now.astimezone(schedule.branch.tz).date() and scale.begin < now < scale.end:
            x = n(scale.x(now))
            parts.append(f'<line class="chalk now" x1="{x}" y1="{head - 6}" x2="{x}" y2="{high}"/>')
    parts.append("</svg>")
    return mark_safe("".join(parts))  # every word of the books was escaped


def _scales(schedule: Schedule, days: Sequence[dt.date]) -> list[Scale]:
    """One scale a day, from an hour before the first start to an hour after the last end of any."""
    tz = schedule.branch.tz
    first, last = dt.time(8), dt.time(17)
    for one in schedule.days.values():
        for begin, end in one.work.shifts:
            first, last = min(first, begin.astimezone(tz).time()), max(last, end.astimezone(tz).time())
        for visit in one.standing:
            first = min(first, visit.starts_at.astimezone(tz).time())
            last = max(last, visit.ends_at.astimezone(tz).time())
    begin_hour, end_hour = max(0, first.hour - 1), min(24, last.hour + (2 if last.minute else 1))
    wide = (WIDE - LABEL) / len(days)
    gap = 8 if len(days) > 1 else 0
    return [
        Scale(
            local(tz, day, dt.time(begin_hour)),
            local(tz, day, dt.time(end_hour)) if end_hour < 24 else local(tz, day + dt.timedelta(days=1), dt.time(0)),
            LABEL + position * wide,
            wide - gap,
        )
        for position, day in enumerate(days)
    ]


def _head(days: Sequence[dt.date], scales: Sequence[Scale], head: int, high: int, schedule: Schedule) -> Iterable[str]:
    tz = schedule.branch.tz
    for day, scale in zip(days, scales, strict=True):
        if len(days) > 1:
            yield (
                f'<text class="word" x="{n(scale.left)}" y="14" font-size="12" font-weight="600">{long_day(day)}</text>'
            )
        step = 1 if len(days) == 1 else 3
        hour = scale.begin
        while hour <= scale.end:
            x = n(scale.x(hour))
            local_hour = hour.astimezone(tz).hour
            if local_hour % step == 0 or hour in {scale.begin, scale.end}:
                yield f'<line class="hour" x1="{x}" y1="{head - 5}" x2="{x}" y2="{high}"/>'
            if local_hour % step == 0 and hour < scale.end:
                text = dates.hour(hour.astimezone(tz))
                yield f'<text class="pencil-word" x="{x}" y="{head - 8}" font-size="10">{text}</text>'
            hour += dt.timedelta(hours=1)


def _lane(
    one: DaySchedule, ahead: Mapping[int, Outlook], scale: Scale, top: float, lane: int, is_week: bool,
    words: Sequence[str], outcomes: Mapping[int, str],
) -> Iterable[str]:  # fmt: skip
    yield (
        f'<g class="lane" data-crew="{one.crew.pk}" data-name="{escape(one.crew.name)}" '
        f'data-day="{one.day.isoformat()}" data-left="{n(scale.left)}" data-wide="{n(scale.wide)}" '
        f'data-top="{n(top)}" data-begin="{scale.begin.isoformat()}" data-minutes="{n(scale.wide / scale.px_min)}">'
    )
    yield from _off(one.work, scale, top, lane)
    before: Stop | None = None
    block_top = top + lane - TALL - (6 if is_week else 8)
    for stop in one.timeline.stops:
        yield from _drive(before, stop, scale, block_top + TALL / 2, is_week)
        before = stop
    if before is not None:
        yield from _home(one, scale, block_top + TALL / 2)
    for position, row in enumerate(one.appointments):
        raised, outcome = position % 2 * 5, outcomes.get(row.pk, "")
        yield from _block(one, row, ahead.get(row.pk), scale, block_top, is_week, words, raised, outcome)
    yield "</g>"


def _off(work: WorkDay, scale: Scale, top: float, lane: int) -> Iterable[str]:
    """What is not worked, hatched; with why, when it is the whole day."""
    edges = [scale.begin, *(edge for shift in work.shifts for edge in shift), scale.end]
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        left, right = scale.x(begin), scale.x(end)
        if right > left:
            yield (
                f'<rect class="off" x="{n(left)}" y="{n(top + 1)}" width="{n(right - left)}" height="{lane - 2}" '
                'fill="url(#off)"/>'
            )
    if not work.works:
        text = _cut(work.why, int(scale.wide / CHAR))
        yield _text("pencil-word", scale.left + 6, top + 14, 11, text)
    elif work.note:
        text = _cut(work.note, int(scale.wide / CHAR))
        yield _text("pencil-word", scale.left + 6, top + 11, 9.5, text)


def _drive(before: Stop | None, stop: Stop, scale: Scale, y: float, is_week: bool) -> Iterable[str]:
    """The drive to a stop: a thin line as long as it takes, up to when the work begins."""
    if not stop.drive:
        return
    end = min(stop.arrive, stop.start)
    begin = end - stop.drive
    left, right = scale.x(moment(begin)), scale.x(moment(end))
    late = before is not None and stop.pushed > 60
    yield f'<line class="drive{" stop" if late else ""}" x1="{n(left)}" y1="{n(y)}" x2="{n(right)}" y2="{n(y)}"/>'
    if not is_week and right - left > 22:
        yield (
            f'<text class="pencil-word" x="{n((left + right) / 2)}" y="{n(y - 4)}" font-size="9" '
            f'text-anchor="middle">{round(stop.drive / 60)}</text>'
        )


def _home(one: DaySchedule, scale: Scale, y: float) -> Iterable[str]:
    left, right = scale.x(moment(one.timeline.stops[-1].leave)), scale.x(moment(one.timeline.back))
    if right - left > 1:
        yield f'<line class="drive" x1="{n(left)}" y1="{n(y)}" x2="{n(right)}" y2="{n(y)}"/>'


def problem_of(outlook: Outlook | None) -> str:
    """What goes wrong with a visit that is still to come, in three words; empty when nothing does."""
    if outlook is None:
        return ""
    if not outlook.is_manned:
        return "nobody comes"
    return "misses its promise" if outlook.is_late else ""


def look_of(row: Appointment, *, is_late: bool) -> str:
    """How a block is drawn: not begun hollow, promised heavy, under way half, done full, late crossed out in stop."""
    looks = {
        State.RESERVED: "held",
        State.PLANNED: "planned",
        State.PROMISED: "promised",
        State.ON_THE_WAY: "begun",
        State.ARRIVED: "begun",
        State.DONE: "done",
    }
    return looks[State(row.state)] + (" late" if is_late else "") + (" fixed" if row.is_locked else "")


def _block(
    one: DaySchedule,
    row: Appointment,
    outlook: Outlook | None,
    scale: Scale,
    y: float,
    is_week: bool,
    words: Sequence[str],
    raised: float,
    outcome: str,
) -> Iterable[str]:
    """One visit; `raised` lifts every second bracket, since windows of one day overlap."""
    assert row.starts_at is not None
    assert row.ends_at is not None
    tz, problem = one.crew.branch.tz, problem_of(outlook)
    left, right = scale.x(row.starts_at), scale.x(row.ends_at)
    wide = max(right - left, 6)
    text = f"{row.job.number} {row.job.customer.name} {row.job.site.street}".lower()
    dim = " dim" if words and not all(word in text for word in words) else ""
    label = (
        f"{row.job.number}, {row.job.customer.name}, {row.get_purpose_display()}, {row.job.site.street}, "
        f"{clock(row.starts_at, tz)} to {clock(row.ends_at, tz)}, {state_text(row, outcome)}"
    )
    if row.promised_from is not None and row.promised_until is not None:
        label += f", {window_word(row)} {promise_text(row)}"
        top = y - (4 if is_week else 7) - (0 if is_week else raised)
        yield from _bracket(scale.x(row.promised_from), scale.x(row.promised_until), top, dim)
    if outlook is not None and outlook.expected is not None:
        label += f", expected {clock(outlook.expected, tz)}"
    if row.is_locked:
        label += ", locked"
    if problem:
        label += f", {problem}"
    may_move = " data-locked" if row.is_locked else "" if row.state in BEGUN else " data-movable"
    yield (
        f'<a class="block {look_of(row, is_late=bool(problem))}{dim}" href="{row.get_absolute_url()}" '
        f'aria-label="{escape(label)}"'
        f' data-pk="{row.pk}" data-version="{row.version}" data-start="{row.starts_at.isoformat()}"'
        f' data-x="{n(left)}" data-y="{n(y)}" data-number="{escape(row.job.number)}"'
        f'{may_move} draggable="false"><title>{escape(label)}</title>'
        f'<rect x="{n(left)}" y="{n(y)}" width="{n(wide)}" height="{TALL}"/>'
    )
    yield from _words(row, left, wide, y)
    if row.is_locked:
        yield f'<rect class="pin" x="{n(left + wide - 8)}" y="{n(y + 3)}" width="5" height="5"/>'
    yield "</a>"


def _words(row: Appointment, left: float, wide: float, y: float) -> Iterable[str]:
    """What stands in a block: as much as is wide enough, the number upright in a narrow one."""
    room = int((wide - 6) / CHAR)
    number, name = row.job.number, row.job.customer.name
    if room < len(number):
        if wide >= 9:
            short = number.rpartition("-")[2]
            x, middle = n(left + wide / 2 + 3), n(y + TALL / 2)
            yield (
                f'<text class="word" x="{x}" y="{middle}" font-size="9" text-anchor="middle" '
                f'transform="rotate(-90 {x} {middle})">{escape(short)}</text>'
            )
        return
    small = int((wide - 6) / SMALL_CHAR)
    if room < len(number) + 6:
        yield _text("word", left + 4, y + 14, 11, number)
        yield _text("pencil-word", left + 4, y + 27, 9.5, _cut(name, small))
        return
    yield _text("word", left + 4, y + 14, 11, _cut(f"{number} {name}", room))
    what = f"{row.get_purpose_display()}, {row.job.site.street}"
    yield _text("pencil-word", left + 4, y + 27, 9.5, _cut(what, small))


def _bracket(left: float, right: float, y: float, dim: str) -> Iterable[str]:
    if right - left < 2:
        return
    yield (f'<path class="bracket{dim}" d="M{n(left)} {n(y + 4)}V{n(y)}H{n(right)}V{n(y + 4)}"/>')


def _text(look: str, x: float, y: float, size: float, words: str) -> str:
    return f'<text class="{look}" x="{n(x)}" y="{n(y)}" font-size="{size}">{escape(words)}</text>'


def _cut(text: str, room: int) -> str:
    return text if len(text) <= room else text[: max(1, room - 1)].rstrip() + "…"
