"""
The board: crews' days as lanes, visits as blocks to scale with the drive between.

Two layouts, each drawn for the width it is shown at, so that no word is under 11 px: a day (an hour
is wide, words stand in the blocks) and a week (a day is a column, a visit has a row of its own with
its words beside it). What measures is a tape with ticks, what installs stands at a hatched wall.
Blocks carry what the page's script needs to move them; without it every block is a link to its visit.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass
from html import escape
from typing import Final

from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe

from jobs.models import MEASURING, Appointment, Crew, Purpose
from jobs.schedule.availability import WorkDay, local
from jobs.schedule.chances import Outlook, outlooks
from jobs.schedule.day import BEGUN, DaySchedule, Meeting, Schedule, Stop, moment, seconds
from jobs.schedule.fill import fill_of
from jobs.schedule.handovers import handover_text
from jobs.schedule.words import clock, promise_text, state_text, window_word
from shared.formats import dates
from shared.formats.dates import month_day, short_day, weekday_day

WIDE: Final = 980
LABEL: Final = 124
LEFT_OUT: Final = 52
"""Width of a day of a week on which nobody works and nothing stands."""
GAP: Final = 8
TALL: Final = 38
DAY_LANE: Final = 70
ABOVE: Final = 24
"""Over a block of a day: its promised window with the time it is expected."""
CHOICE_TALL: Final = 24
"""A time that is offered, under its lane."""
ROW: Final = 22
ROW_TALL: Final = 13
SNAP_MIN: Final = 15
CHAR: Final = 6.7
"""Width of a letter of 11 px; of a digit or a bold one a little more."""
SIZE: Final = 11
HANDS: Final = 5
"""Letters of a time beside a bracket."""
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

    @property
    def right(self) -> float:
        return self.left + self.wide

    def x(self, when: dt.datetime) -> float:
        """Where an instant stands, kept on the sheet."""
        share = (when - self.begin) / (self.end - self.begin)
        return self.left + self.wide * min(1.0, max(0.0, share))


@dataclass(frozen=True, slots=True)
class Lane:
    """One crew's day on the sheet: its stretch, its upper edge and its height."""

    one: DaySchedule
    scale: Scale
    top: float
    high: float


@dataclass(frozen=True, slots=True)
class Ghost:
    """
    Where a plan or an offer would have a visit; `said` is what is known of it there, such as its chance.

    `href` is where a press on it leads, the visit's own page without one. `choice` is, of an offer that is not
    chosen, its chance in short: it is drawn under its lane, and nothing gives way for it yet.
    """

    row: Appointment
    crew: int
    day: dt.date
    starts_at: dt.datetime
    said: str = ""
    href: str = ""
    choice: str = ""
    is_risky: bool = False


@dataclass(frozen=True, slots=True)
class Board:
    """
    What every lane is drawn with.

    `outcomes` says what became of visits that are done (`jobs.ports.Ports.outcomes`). `words` dims the
    blocks whose job, customer or street has none of them. `ghosts` are where a plan or an offer would have
    visits; those of `leaving`, by their keys, are drawn as what leaves where they stand.
    """

    now: dt.datetime
    outcomes: Mapping[int, str]
    words: Sequence[str]
    is_week: bool
    ghosts: Sequence[Ghost]
    leaving: frozenset[int]


def n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def draw_board(
    schedule: Schedule, crews: Sequence[Crew], days: Sequence[dt.date], outcomes: Mapping[int, str], *,
    now: dt.datetime, words: str = "", ghosts: Iterable[Ghost] = (),
) -> SafeString:  # fmt: skip
    """The lanes of these crews on these days as SVG, as a `Board` of these outcomes, words and ghosts."""
    ghosts = sorted(ghosts, key=lambda ghost: ghost.starts_at)
    leaving = frozenset(ghost.row.pk for ghost in ghosts if not ghost.choice)
    board = Board(now, outcomes, words.lower().split(), len(days) > 1, ghosts, leaving)
    head = 60 if board.is_week else 34
    scales = _scales(schedule, days)
    lanes = _lanes(schedule, crews, days, scales, head, board)
    high = max((lane.top + lane.high for lane in lanes), default=head) + 6
    title = f"{len(crews)} crews, {month_day(days[0])}" + (f" to {month_day(days[-1])}" if board.is_week else "")
    parts = [
        f'<svg class="drawing board-drawing{" week" if board.is_week else ""}" viewBox="0 0 {WIDE} {n(high)}" '
        f'role="group" aria-label="Board: {escape(title)}" data-snap="{SNAP_MIN}"><defs>',
        *map(_hatch, ("off", "wall", "back"), (6, 5, 5), (45, 45, -45)),
        "</defs>",
        *_head(schedule, days, scales, head, high, board),
    ]
    for crew in crews:
        own = [lane for lane in lanes if lane.one.crew.pk == crew.pk]
        parts += _label(own, board)
        for lane in own:
            parts += _lane(lane, board)
    parts += [*_now(lanes, head, high, board), "</svg>"]
    return mark_safe("".join(parts))  # every word of the books was escaped


def _hatch(name: str, step: int, turn: int) -> str:
    return (
        f'<pattern id="{name}" width="{step}" height="{step}" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate({turn})"><line class="hatch {name}" x1="0" y1="0" x2="0" y2="{step}"/></pattern>'
    )


def _lanes(
    schedule: Schedule, crews: Sequence[Crew], days: Sequence[dt.date], scales: Sequence[Scale], head: float,
    board: Board,
) -> list[Lane]:  # fmt: skip
    found, top = [], float(head)
    for crew in crews:
        ones = [schedule.days[crew.pk, day] for day in days]
        rows = max(2, *(len(one.standing) + len(_ghosts_on(one, board)) for one in ones))
        high = float(DAY_LANE if len(days) == 1 else rows * ROW + 10)
        if any(ghost.choice for one in ones for ghost in _ghosts_on(one, board)):
            high += CHOICE_TALL + 4
        found += [Lane(one, scale, top, high) for one, scale in zip(ones, scales, strict=True)]
        top += high
    return found


def _ghosts_on(one: DaySchedule, board: Board) -> list[Ghost]:
    return [ghost for ghost in board.ghosts if (ghost.crew, ghost.day) == one.key]


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
    found, left = [], float(LABEL)
    for day, wide in zip(days, _widths(schedule, days), strict=True):
        begin = local(tz, day, dt.time(begin_hour))
        after = day + dt.timedelta(days=end_hour // 24)
        end = local(tz, after, dt.time(end_hour % 24))
        found.append(Scale(begin, end, left, wide - (GAP if len(days) > 1 else 0)))
        left += wide
    return found


def _widths(schedule: Schedule, days: Sequence[dt.date]) -> list[float]:
    """What every day gets of the sheet; little, in a week, where nobody works and nothing stands."""
    used = {one.day for one in schedule.days.values() if one.work.works or one.standing} or set(days)
    rest = WIDE - LABEL - LEFT_OUT * sum(day not in used for day in days)
    return [rest / sum(one in used for one in days) if day in used else LEFT_OUT for day in days]


def _head(
    schedule: Schedule, days: Sequence[dt.date], scales: Sequence[Scale], head: float, high: float, board: Board
) -> Iterator[str]:
    tz = schedule.branch.tz
    for day, scale in zip(days, scales, strict=True):
        if board.is_week:
            yield from _day_head(schedule, day, scale, board)
        step = next((one for one in (1, 2, 3, 4, 6) if one * 60 * scale.px_min > 40), 0)
        hour = scale.begin
        while step and hour <= scale.end:
            x, at = n(scale.x(hour)), hour.astimezone(tz)
            if at.hour % step == 0 or hour in {scale.begin, scale.end}:
                yield f'<line class="hour" x1="{x}" y1="{n(head - 5)}" x2="{x}" y2="{n(high)}"/>'
            if at.hour % step == 0 and scale.right - scale.x(hour) > 30:
                yield _text("pencil-word", scale.x(hour), head - 8, dates.hour(at))
            hour += dt.timedelta(hours=1)


def _day_head(schedule: Schedule, day: dt.date, scale: Scale, board: Board) -> Iterator[str]:
    """A day of a week: its name, which leads to the day's own board, and how full it is."""
    is_today = day == board.now.astimezone(schedule.branch.tz).date()
    name = short_day(day) if scale.wide > 90 else weekday_day(day)
    yield f'<a class="day-link" href="{reverse("jobs:calendar")}?day={day.isoformat()}">'
    yield _text("chalk-word" if is_today else "day-name", scale.left, 15, name, 12)
    yield "</a>"
    fill = fill_of(one for (_, on), one in schedule.days.items() if on == day)
    if fill.open_min or fill.taken_min:
        yield from _gauge(scale.left, 21, min(scale.wide, 90), fill.share)
        yield _text("pencil-word", scale.left, 40, _cut(fill.text, int(scale.wide / CHAR)))


def _gauge(left: float, top: float, wide: float, share: float) -> Iterator[str]:
    """How full something is, drawn: a bar, filled from the left."""
    yield f'<path class="gauge" d="{_box(left, top, wide, 6)}"/>'
    yield f'<path class="gauge-taken" d="{_box(left, top, wide * min(1.0, share), 6)}"/>'


def _label(lanes: Sequence[Lane], board: Board) -> Iterator[str]:
    """A crew's name at the left of its lanes; on a day's board how full that is."""
    lane = lanes[0]
    crew, top = lane.one.crew, lane.top
    yield f'<line class="pencil" x1="0" y1="{n(top)}" x2="{WIDE}" y2="{n(top)}"/>'
    yield f'<a class="crew-link" href="{reverse("jobs:crew", args=[crew.pk])}">'
    yield _text("crew", 4, top + 20, _cut(crew.name, 16), 12) + "</a>"
    if not board.is_week and lane.one.work.works:
        fill = fill_of([lane.one])
        yield from _gauge(4, top + 28, 90, fill.share)
        yield _text("pencil-word", 4, top + 47, fill.text)
        if lane.one.day >= board.now.astimezone(crew.branch.tz).date() and not board.ghosts:
            out = f"{reverse('jobs:crew_out', args=[crew.pk])}?day={lane.one.day.isoformat()}"
            label = f"{escape(crew.name)} is out from a time on"
            yield f'<a href="{out}" aria-label="{label}">' + _text("chalk-word", 4, top + 62, "Out from…") + "</a>"


def _now(lanes: Sequence[Lane], head: float, high: float, board: Board) -> Iterator[str]:
    """The line of now, with its time on a day's board."""
    for lane in lanes[:1] if not board.is_week else lanes:
        if lane.top == head and lane.scale.begin < board.now < lane.scale.end:
            x = lane.scale.x(board.now)
            yield f'<line class="chalk now" x1="{n(x)}" y1="{n(head - 6)}" x2="{n(x)}" y2="{n(high)}"/>'
            if not board.is_week:
                yield _text("chalk-word", x + 3, 11, clock(board.now, lane.one.crew.branch.tz))


# -- a lane -----------------------------------------------------------------------------------


def _lane(lane: Lane, board: Board) -> Iterator[str]:
    one, scale = lane.one, lane.scale
    opens = one.work.shifts[0][0] if one.work.shifts else scale.begin
    yield (
        f'<g class="lane" data-crew="{one.crew.pk}" data-name="{escape(one.crew.name)}" '
        f'data-day="{one.day.isoformat()}" data-left="{n(scale.left)}" data-wide="{n(scale.wide)}" '
        f'data-top="{n(lane.top)}" data-high="{n(lane.high)}" data-begin="{scale.begin.isoformat()}" '
        f'data-minutes="{n(scale.wide / scale.px_min)}" '
        f'data-opens="{n(max(0.0, (opens - scale.begin).total_seconds() / 60))}">'
    )
    yield from _off(one.work, lane)
    ahead = outlooks(one, board.now)
    if not board.is_week:
        yield from _drives(lane)
    for position, row in enumerate(one.appointments):
        top = lane.top + (8 + position * ROW if board.is_week else ABOVE)
        yield from _block(Block(lane, row, ahead.get(row.pk), top, position), board)
    taken = [ghost for ghost in _ghosts_on(one, board) if not ghost.choice]
    for position, ghost in enumerate(taken, start=len(one.standing)):
        yield from _ghost(lane, ghost, lane.top + (8 + position * ROW if board.is_week else ABOVE), board)
    yield from _choices(lane, [ghost for ghost in _ghosts_on(one, board) if ghost.choice])
    yield "</g>"


def _off(work: WorkDay, lane: Lane) -> Iterator[str]:
    """What is not worked, hatched; with why, when it is the whole day."""
    scale = lane.scale
    edges = [scale.begin, *(edge for shift in work.shifts for edge in shift), scale.end]
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        left, right = scale.x(begin), scale.x(end)
        if right > left:
            yield (
                f'<rect class="off" x="{n(left)}" y="{n(lane.top + 1)}" width="{n(right - left)}" '
                f'height="{n(lane.high - 2)}" fill="url(#off)"/>'
            )
    if (text := work.note if work.works else work.why) and scale.wide > LEFT_OUT:
        left, right = _widest(lane)
        if (room := int((right - left - 8) / CHAR)) > 3:
            yield _text("pencil-word", left + 4, lane.top + (13 if work.works else lane.high / 2 + 4), _cut(text, room))


def _widest(lane: Lane) -> tuple[float, float]:
    """The widest stretch of a lane without a visit or its window, where words are read."""
    scale, at, found = lane.scale, lane.scale.left, (lane.scale.left, lane.scale.left)
    taken = []
    for one in lane.one.standing:
        edges = [one.starts_at, one.ends_at, *(edge for edge in (one.promised_from, one.promised_until) if edge)]
        taken.append((scale.x(min(edges)), scale.x(max(edges)) + HANDS * CHAR))
    for left, right in [*sorted(taken), (scale.right, scale.right)]:
        if left - at > found[1] - found[0]:
            found = (at, left)
        at = max(at, right)
    return found


def _drives(lane: Lane) -> Iterator[str]:
    """The drive to every stop, a thin line as long as it takes up to when the work begins; and the way home."""
    y = lane.top + ABOVE + TALL / 2
    before: Stop | None = None
    for stop in lane.one.timeline.stops:
        if stop.drive:
            end = min(stop.arrive, stop.start)
            left, right = lane.scale.x(moment(end - stop.drive)), lane.scale.x(moment(end))
            late = before is not None and stop.pushed > 60
            yield _level("drive stop" if late else "drive", left, right, y)
            meeting = lane.one.meeting(stop.key)
            if meeting is not None:
                yield from _meeting(lane, meeting, lane.one.rows[stop.key])
            elif right - left > 15:
                yield _text("pencil-word", (left + right) / 2, y - 4, str(round(stop.driving / 60)), anchor="middle")
        before = stop
    if before is not None:
        left, right = lane.scale.x(moment(before.leave)), lane.scale.x(moment(lane.one.timeline.back))
        if right - left > 1:
            yield _level("drive", left, right, y)


def _meeting(lane: Lane, meeting: Meeting, row: Appointment) -> Iterator[str]:
    """A stop at the van of a crew that is out, on the way to the visit it is for."""
    left, right, top = lane.scale.x(meeting.begins), lane.scale.x(meeting.leaves), lane.top + ABOVE + TALL / 2 - 7
    said = escape(f"For {row.job.number} first to {handover_text(lane.one, row)}")
    yield f'<g class="meeting" role="img" aria-label="{said}"><title>{said}</title>'
    yield f'<path class="area" d="{_box(left, top, max(6.0, right - left), 14)}"/>'
    yield _text("pencil-word", left, top - 4, "van") + "</g>"


def problem_of(outlook: Outlook | None) -> str:
    """What goes wrong with a visit that is still to come, in three words; empty when nothing does."""
    if outlook is None:
        return ""
    if not outlook.is_manned:
        return "nobody comes"
    return "misses its promise" if outlook.is_late else ""


def kind_of(purpose: str) -> str:
    """How a visit's block is shaped and hatched: a tape, a wall, or a wall hatched the other way."""
    if purpose in MEASURING:
        return "measures"
    return "installs" if purpose == Purpose.INSTALL else "other"


def look_of(row: Appointment, *, is_late: bool) -> str:
    """How a block is drawn: not begun hollow, promised heavy, begun filled as far as it got, late crossed in stop."""
    looks = {
        State.RESERVED: "held",
        State.PLANNED: "planned",
        State.PROMISED: "promised",
        State.ON_THE_WAY: "begun",
        State.ARRIVED: "begun",
        State.DONE: "done",
    }
    return (
        f"{looks[State(row.state)]} {kind_of(row.purpose)}"
        + (" late" if is_late else "")
        + (" fixed" if row.is_locked else "")
    )


# -- a block ----------------------------------------------------------------------------------


def end_of(one: DaySchedule, row: Appointment, begin: dt.datetime) -> dt.datetime:
    """When a visit that begins then ends on that crew's day, the crew's lunch in it; it may be only proposed."""
    lasts = row.duration_min * 60
    stop = one.stops.get(row.pk)
    if stop is not None and one.by_pk[row.pk].starts_at == begin:
        lunch = stop.lunch
    else:
        lunch = 0 if one.pause is None else one.pause.within(seconds(begin), lasts)
    return begin + dt.timedelta(seconds=lasts + lunch)


@dataclass(frozen=True, slots=True)
class Block:
    """One visit on its lane; `position` is its place in the crew's day."""

    lane: Lane
    row: Appointment
    outlook: Outlook | None
    top: float
    position: int

    @property
    def begin(self) -> dt.datetime:
        return self.row.begin()

    @property
    def end(self) -> dt.datetime:
        return end_of(self.lane.one, self.row, self.begin)

    @property
    def left(self) -> float:
        return self.lane.scale.x(self.begin)

    @property
    def wide(self) -> float:
        return max(self.lane.scale.x(self.end) - self.left, 6)

    @property
    def is_given_up(self) -> bool:
        """Whether nobody comes to it on this day: there is no time to expect."""
        return self.outlook is not None and (not self.outlook.is_manned or self.outlook.is_off_today)

    @property
    def expected(self) -> dt.datetime:
        """When it will probably begin."""
        seen = self.outlook.expected if self.outlook is not None else None
        return seen or self.begin

    @property
    def free(self) -> float:
        """How much of the sheet is free after it."""
        visits = self.lane.one.standing
        after = visits[self.position + 1].starts_at if self.position + 1 < len(visits) else self.lane.scale.end
        return self.lane.scale.x(after) - self.left - self.wide

    def done_share(self, now: dt.datetime) -> float:
        """How much of its minutes is over."""
        if self.row.state == State.DONE:
            return 1.0
        if self.row.state != State.ARRIVED or self.row.arrived_at is None:
            return 0.0
        return min(1.0, max(0.0, (now - self.row.arrived_at) / (self.end - self.begin)))


def _block(block: Block, board: Board) -> Iterator[str]:
    """A visit, its bracket before it."""
    row, left, wide = block.row, block.left, block.wide
    text = f"{row.job.number} {row.job.customer.name} {row.job.site.street}".lower()
    dim = " dim" if board.words and not all(word in text for word in board.words) else ""
    dim = " leaving" if row.pk in board.leaving else dim
    yield from _bracket(block, board, dim)
    label, tall = _said(block, board), ROW_TALL if board.is_week else TALL
    may_move = " data-locked" if row.is_locked else "" if row.state in BEGUN else " data-movable"
    yield (
        f'<a class="block {look_of(row, is_late=bool(problem_of(block.outlook)))}{dim}" '
        f'href="{row.get_absolute_url()}" aria-label="{escape(label)}"'
        f' data-pk="{row.pk}" data-version="{row.version}" data-start="{block.begin.isoformat()}"'
        f' data-x="{n(left)}" data-y="{n(block.top)}" data-number="{escape(row.job.number)}"'
        f'{may_move} draggable="false"><title>{escape(label)}</title>'
        f'<rect class="area" x="{n(left)}" y="{n(block.top)}" width="{n(wide)}" height="{tall}"/>'
    )
    done = block.done_share(board.now)
    if done:
        yield f'<path class="progress" d="{_box(left, block.top, wide * done, tall)}"/>'
    yield from _shape(block, wide, tall)
    yield from _words_beside(block) if board.is_week else _words_in(block)
    if row.is_locked:
        yield f'<path class="pin" d="{_box(left + wide - 8, block.top + 3, 5, 5)}"/>'
    yield "</a>"


def _ghost(lane: Lane, ghost: Ghost, top: float, board: Board) -> Iterator[str]:
    """Where a plan would have a visit: a block in chalk, with a word of its own for reading aloud."""
    proposed = copy(ghost.row)
    proposed.starts_at = ghost.starts_at
    block, tall = Block(lane, proposed, None, top, len(lane.one.standing)), ROW_TALL if board.is_week else TALL
    yield f'<a class="proposed {kind_of(proposed.purpose)}{_risky(ghost)}" {_leads(lane, ghost, proposed)}'
    yield from _area(ghost, _box(block.left, top, block.wide, tall))
    yield from _shape(block, block.wide, tall)
    yield from _words_beside(block) if board.is_week else _words_in(block)
    yield "</a>"


def _choices(lane: Lane, ghosts: Sequence[Ghost]) -> Iterator[str]:
    """Offers that may be chosen: under their lane, each from when it would begin, with its time and chance."""
    free, top = lane.scale.left, lane.top + DAY_LANE
    for ghost in ghosts:
        said = f"{dates.hands(ghost.starts_at.astimezone(lane.one.crew.branch.tz))} {ghost.choice}"
        left, wide = max(free, lane.scale.x(ghost.starts_at)), len(said) * CHAR + 8
        free, box = left + wide + 3, _box(left, top, wide, CHOICE_TALL)
        yield f'<a class="proposed choice{_risky(ghost)}" {_leads(lane, ghost, ghost.row)}'
        yield from _area(ghost, box)
        yield f'<path class="outline" d="{box}"/>' + _text("word", left + 4, top + 16, said) + "</a>"


def _area(ghost: Ghost, box: str) -> Iterator[str]:
    """What is under a ghost's words: the sheet, hatched where it is risky."""
    yield f'<path class="area" d="{box}"/>'
    if ghost.is_risky:
        yield f'<path d="{box}" fill="url(#off)"/>'


def _risky(ghost: Ghost) -> str:
    return " risky" if ghost.is_risky else ""


def _leads(lane: Lane, ghost: Ghost, proposed: Appointment) -> str:
    """Where a press on a ghost leads, and what it is for reading aloud: the rest of its tag."""
    tz, end = lane.one.crew.branch.tz, end_of(lane.one, proposed, ghost.starts_at)
    parts = ["Offered" if ghost.choice else f"Proposed: {proposed.job.number}", proposed.job.customer.name]
    parts += [proposed.get_purpose_display(), f"{clock(ghost.starts_at, tz)} to {clock(end, tz)}", ghost.said]
    label = escape(", ".join(part for part in parts if part))
    href = escape(ghost.href or proposed.get_absolute_url())
    return f'href="{href}" aria-label="{label}"><title>{label}</title>'


def _said(block: Block, board: Board) -> str:
    """A block for reading aloud."""
    row, tz, problem = block.row, block.lane.one.crew.branch.tz, problem_of(block.outlook)
    label = (
        f"{row.job.number}, {row.job.customer.name}, {row.get_purpose_display()}, {row.job.site.street}, "
        f"{clock(block.begin, tz)} to {clock(block.end, tz)}, {state_text(row, board.outcomes.get(row.pk, ''))}"
    )
    if row.promised_from is not None and row.promised_until is not None:
        label += f", {window_word(row)} {promise_text(row)}"
    if block.outlook is not None and block.outlook.expected is not None and not block.is_given_up:
        label += f", expected {clock(block.outlook.expected, tz)}"
    if row.is_locked:
        label += ", locked"
    return f"{label}, {problem}" if problem else label


def _box(left: float, top: float, wide: float, tall: float) -> str:
    return f"M{n(left)} {n(top)}h{n(wide)}v{n(tall)}h{n(-wide)}z"


def _shape(block: Block, wide: float, tall: float) -> Iterator[str]:
    """Its outline: a tape's cut end with ticks for what measures, a hatched wall at the left for the rest."""
    left, top = block.left, block.top
    if kind_of(block.row.purpose) == "measures":
        cut = min(8, tall / 3, wide / 2)
        around = f"h{n(wide - cut)}l{n(cut)} {n(cut)}v{n(tall - cut)}h{n(-wide)}z"
        yield f'<path class="outline" d="M{n(left)} {n(top)}{around}"/>'
        ticks = "".join(f"M{n(left + x)} {n(top + tall)}v-3" for x in range(6, int(wide), 6))
        if ticks:
            yield f'<path class="ticks" d="{ticks}"/>'
        return
    hatch = "wall" if block.row.purpose == Purpose.INSTALL else "back"
    yield f'<path class="wall" d="{_box(left, top, min(7, wide), tall)}" fill="url(#{hatch})"/>'
    yield f'<path class="outline" d="{_box(left, top, wide, tall)}"/>'


def _words_in(block: Block) -> Iterator[str]:
    """What stands in a block of a day: two lines, as much as is wide enough; a narrow one's number follows it."""
    row, inset = block.row, 4 if block.row.purpose in MEASURING else 11
    number, name = row.job.number, row.job.customer.name
    room = int((block.wide - inset - 2) / CHAR)
    x, y = block.left + inset, block.top
    short = number.rpartition("-")[2]
    if room < len(short):
        if block.free > len(short) * CHAR + 6:
            yield _text("word after", block.left + block.wide + 3, y + TALL - 2, short)
        return
    if room < len(number):
        yield _text("word", x, y + 15, short)
        yield _text("pencil-word", x, y + 29, _cut(name, room))
        return
    if room < len(number) + 6:
        yield _text("word", x, y + 15, number)
        yield _text("pencil-word", x, y + 29, _cut(name, room))
        return
    yield _text("word", x, y + 15, _cut(f"{number} {name}", room))
    yield _text("pencil-word", x, y + 29, _cut(f"{row.get_purpose_display()}, {row.job.site.street}", room))


def _words_beside(block: Block) -> Iterator[str]:
    """What stands beside a block of a week, on the side where there is more room."""
    scale, row = block.lane.scale, block.row
    text, y = f"{row.job.number} {row.job.customer.name}", block.top + 11
    after, before = scale.right - block.left - block.wide, block.left - scale.left
    room = int((max(after, before) - 4) / CHAR)
    if room < 4:
        return
    if after >= before:
        yield _text("word", block.left + block.wide + 4, y, _cut(text, room))
    else:
        yield _text("word", block.left - 4, y, _cut(text, room), anchor="end")


def _bracket(block: Block, board: Board, dim: str) -> Iterator[str]:
    """
    The promised window over the block, with the time it is expected inside, or past its edge.

    On a day every second one is lifted, since windows of one day overlap.
    """
    row, scale = block.row, block.lane.scale
    if row.promised_from is None or row.promised_until is None:
        return
    left, right = scale.x(row.promised_from), scale.x(row.promised_until)
    if right - left < 2:
        return
    top = block.top - (3 if board.is_week else ABOVE - 5 - block.position % 2 * 4)
    legs = 3 if board.is_week else 12
    yield f'<path class="bracket{dim}" d="M{n(left)} {n(top + legs)}V{n(top)}H{n(right)}V{n(top + legs)}"/>'
    if board.is_week or row.state in BEGUN or row.state == State.RESERVED or block.is_given_up:
        return
    x, is_out = scale.x(block.expected), not row.promised_from <= block.expected <= row.promised_until
    look = " stop" if is_out else ""
    if is_out:
        yield _level(f"past-edge{dim}", left if x < left else right, x, top)
    yield f'<path class="expected{look}{dim}" d="M{n(x)} {n(top)}v14"/>'
    said = dates.hands(block.expected.astimezone(block.lane.one.crew.branch.tz))
    is_last = x + 3 + HANDS * CHAR > scale.right
    at, anchor = (x - 3, "end") if is_last else (x + 3, "")
    yield _text(f"{'stop-word' if is_out else 'pencil-word'}{dim}", at, block.top - 6, said, anchor=anchor)


def _level(look: str, left: float, right: float, y: float) -> str:
    return f'<line class="{look}" x1="{n(left)}" y1="{n(y)}" x2="{n(right)}" y2="{n(y)}"/>'


def _text(look: str, x: float, y: float, words: str, size: float = SIZE, anchor: str = "") -> str:
    where = f' text-anchor="{anchor}"' if anchor else ""
    return f'<text class="{look}" x="{n(x)}" y="{n(y)}" font-size="{size}"{where}>{escape(words)}</text>'


def _cut(text: str, room: int) -> str:
    return text if len(text) <= room else text[: max(1, room - 1)].rstrip() + "…"
