"""
When a crew works: usual hours, what differs on a day, absences, holidays.

`crew_days` is the one truth about it; the board, the offers, the clashes and the planner
all ask here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from jobs.models import Absence, CalendarRules, Crew, CrewDay, CrewMember, Holiday, WorkingHours
from shared.formats.dates import weekday
from shared.models import Branch

Span = tuple[dt.datetime, dt.datetime]
LONGEST_WAIT_DAYS: Final = 60
"""How far ahead a next working day is looked for."""


@dataclass(frozen=True, slots=True)
class LunchTime:
    """A pause of `minutes` that begins between `earliest` and `latest`."""

    earliest: dt.datetime
    latest: dt.datetime
    minutes: int


@dataclass(frozen=True, slots=True)
class WorkDay:
    """
    One crew on one day.

    `shifts` are aware and in UTC, () when the crew does not work, and then `why` says so.
    `people` are those who are there all day; `overtime_min` may be worked after the last shift;
    `note` is what is worth knowing on the board.
    """

    crew_id: int
    day: dt.date
    shifts: tuple[Span, ...] = ()
    lunch: LunchTime | None = None
    people: int = 0
    overtime_min: int = 0
    why: str = ""
    note: str = ""

    @property
    def works(self) -> bool:
        return bool(self.shifts)

    def shift_at(self, when: dt.datetime) -> int | None:
        """Position of the shift (overtime included) in which `when` lies."""
        for position, (begin, end) in enumerate(self.shifts):
            if begin <= when <= end + dt.timedelta(minutes=self.overtime_after(position)):
                return position
        return None

    @property
    def ends_at(self) -> dt.datetime | None:
        """When the crew stops at the latest, overtime in it; None where it does not work."""
        if not self.shifts:
            return None
        return self.shifts[-1][1] + dt.timedelta(minutes=self.overtime_after(len(self.shifts) - 1))

    def overtime_after(self, place: int) -> int:
        """Minutes the crew may work on after a shift; none but after the last of the day."""
        return self.overtime_min if place == len(self.shifts) - 1 else 0


def crew_day(crew: Crew, day: dt.date) -> WorkDay:
    """One crew on one day; for several use `crew_days`."""
    return crew_days([crew], [day])[crew.pk, day]


def crew_days(
    crews: Sequence[Crew], days: Sequence[dt.date], rules: CalendarRules | None = None
) -> dict[tuple[int, dt.date], WorkDay]:
    """
    Every one of these crews (of one branch) on every one of these days.

    Six queries at most, however many there are; one less with the branch's `rules`. A member's
    absence takes one from the crew's people for the whole day; when nobody is left, and for
    absences of the whole crew, the time itself is taken out of the shift.
    """
    if not crews or not days:
        return {}
    book = _CrewHours(crews, sorted(days), rules)
    return {(crew.pk, day): book.work_day(crew, day) for crew in crews for day in days}


class _CrewHours:
    """The rows that decide about some crews and days, fetched once."""

    def __init__(self, crews: Sequence[Crew], days: Sequence[dt.date], rules: CalendarRules | None) -> None:
        branch = crews[0].branch
        self.tz = branch.tz
        first, last = local(self.tz, days[0], dt.time(0)), local(self.tz, days[-1] + dt.timedelta(days=1), dt.time(0))
        pks = [crew.pk for crew in crews]
        self.holidays = holidays_between(branch, days[0], days[-1], rules)
        self.hours = {(row.crew_id, row.weekday): row for row in WorkingHours.objects.filter(crew__in=pks)}
        self.special = {
            (row.crew_id, row.day): row for row in CrewDay.objects.filter(crew__in=pks, day__range=(days[0], days[-1]))
        }
        self.absences: dict[int, list[Absence]] = {}
        rows = Absence.objects.filter(crew__in=pks, ends_at__gt=first, starts_at__lt=last).select_related("user")
        for absence in rows:
            self.absences.setdefault(absence.crew_id, []).append(absence)
        self.members: dict[int, list[CrewMember]] = {}
        alone = {pk for pk, several in self.absences.items() if any(one.user_id is not None for one in several)}
        for member in CrewMember.objects.filter(crew__in=alone):
            self.members.setdefault(member.crew_id, []).append(member)

    def work_day(self, crew: Crew, day: dt.date) -> WorkDay:
        special = self.special.get((crew.pk, day))
        usual = self.hours.get((crew.pk, day.weekday()))
        off = self._why_off(crew, day, special, usual)
        if off:
            return WorkDay(crew.pk, day, why=off)
        starts = special.starts if special and special.starts else usual and usual.starts
        ends = special.ends if special and special.ends else usual and usual.ends
        if not starts or not ends or ends <= starts:
            return WorkDay(crew.pk, day, why=f"{crew.name} has no hours on {weekday(day)}s")
        whole = (local(self.tz, day, starts), local(self.tz, day, ends))
        people, gone, names = self._absent(crew, day, special, whole)
        shifts = tuple(without(whole, gone))
        if not shifts:
            more = [name for name in names if name != f"{crew.name} away"]
            return WorkDay(crew.pk, day, why=": ".join([f"{crew.name} is away", *([", ".join(more)] if more else [])]))
        return WorkDay(
            crew.pk,
            day,
            shifts,
            self._lunch(day, usual, whole),
            people,
            _overtime(crew, shifts[-1][1], gone),
            note="; ".join([*names, *([special.note] if special and special.note else [])]),
        )

    def _why_off(self, crew: Crew, day: dt.date, special: CrewDay | None, usual: WorkingHours | None) -> str:
        if not crew.is_active:
            return f"{crew.name} does not drive any more"
        if special is not None and special.is_off:
            return f"{crew.name} is off{': ' + special.note if special.note else ''}"
        if special is not None and special.starts and special.ends:
            return ""  # hours of its own for the day outrank weekday and holiday
        if day in self.holidays:
            return f"{self.holidays[day]} is a holiday"
        return "" if usual is not None else f"{crew.name} has no hours on {weekday(day)}s"

    def _absent(
        self, crew: Crew, day: dt.date, special: CrewDay | None, whole: Span
    ) -> tuple[int, list[Span], list[str]]:
        """People left, stretches when nobody of the crew is there, and the words for it."""
        people = special.people if special and special.people is not None else crew.people
        absences = self.absences.get(crew.pk, [])
        away = [a for a in absences if a.starts_at < whole[1] and a.ends_at > whole[0]]
        gone = [(a.starts_at, a.ends_at) for a in absences if a.user_id is None]
        one_by_one = self._of_members(crew, day, away)
        missing = len({a.user_id for a in one_by_one})
        if missing and people - missing < 1:
            gone += [(a.starts_at, a.ends_at) for a in one_by_one]
            missing = people - 1
        names = [f"{a.user or crew.name} away{' (' + a.reason + ')' if a.reason else ''}" for a in away]
        return people - missing, gone, names

    def _of_members(self, crew: Crew, day: dt.date, away: list[Absence]) -> list[Absence]:
        """Of these absences those of single people of the crew; of anybody where nobody is its member."""
        here = {m.user_id for m in self.members.get(crew.pk, []) if _is_member(m, day)}
        return [a for a in away if a.user_id is not None and (a.user_id in here or not here)]

    def _lunch(self, day: dt.date, usual: WorkingHours | None, whole: Span) -> LunchTime | None:
        if usual is None or not usual.lunch_min or usual.lunch_from is None or usual.lunch_until is None:
            return None
        earliest = local(self.tz, day, usual.lunch_from)
        latest = local(self.tz, day, usual.lunch_until) - dt.timedelta(minutes=usual.lunch_min)
        if latest < earliest or earliest >= whole[1] or latest <= whole[0]:
            return None
        return LunchTime(earliest, latest, usual.lunch_min)


def _overtime(crew: Crew, end: dt.datetime, gone: Sequence[Span]) -> int:
    """Minutes after the last shift's end, as far as no absence begins in them."""
    free = [int((begin - end).total_seconds() // 60) for begin, until in gone if until > end]
    return max(0, min([crew.overtime_min, *free]))


def _is_member(member: CrewMember, day: dt.date) -> bool:
    return member.from_on <= day and (member.until_on is None or day <= member.until_on)


def local(tz: dt.tzinfo, day: dt.date, time: dt.time) -> dt.datetime:
    """
    A wall-clock time of a zone as an instant in UTC.

    A time that the clocks skip counts as one hour on; one that comes twice is the first.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> local(ZoneInfo("America/Chicago"), dt.date(2026, 3, 8), dt.time(8)).isoformat()
    '2026-03-08T13:00:00+00:00'
    """
    return dt.datetime.combine(day, time, tzinfo=tz).astimezone(dt.UTC)


def clock_problem(tz: dt.tzinfo, day: dt.date, time: dt.time) -> str:
    """
    Why a time that somebody typed is no one time of that day; empty when it is.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> clock_problem(ZoneInfo("America/Chicago"), dt.date(2026, 3, 8), dt.time(2, 30))
    'The clocks skip this time on that day. Give one before 02:00 or from 03:00 on.'
    >>> clock_problem(ZoneInfo("America/Chicago"), dt.date(2026, 11, 1), dt.time(1, 30))
    'This time comes twice on that day. Give one before 01:00 or from 02:00 on.'
    """
    before, after = (dt.datetime.combine(day, time, tzinfo=tz).replace(fold=fold) for fold in (0, 1))
    if before.utcoffset() == after.utcoffset():
        return ""
    is_skipped = before.astimezone(dt.UTC).astimezone(tz).time() != time
    what = "The clocks skip this time" if is_skipped else "This time comes twice"
    begin, end = _change(tz, day)
    return f"{what} on that day. Give one before {begin:%H:%M} or from {end:%H:%M} on."


def _change(tz: dt.tzinfo, day: dt.date) -> tuple[dt.time, dt.time]:
    """The first time of the day that is none, or two, and the first after those."""
    minutes = [dt.time(minute // 60, minute % 60) for minute in range(24 * 60)]
    odd = [
        position for position, time in enumerate(minutes)
        if len({dt.datetime.combine(day, time, tzinfo=tz).replace(fold=fold).utcoffset() for fold in (0, 1)}) == 2
    ]  # fmt: skip
    return minutes[odd[0]], minutes[(odd[-1] + 1) % len(minutes)]


def without(whole: Span, gone: Iterable[Span]) -> list[Span]:
    """
    What is left of a span when others are taken out, in order.

    Examples
    --------
    >>> day = [dt.datetime(2026, 3, 2, hour) for hour in range(24)]
    >>> [(a.hour, b.hour) for a, b in without((day[8], day[17]), [(day[12], day[13]), (day[6], day[9])])]
    [(9, 12), (13, 17)]
    """
    left = [whole]
    for begin, end in gone:
        left = [(a, b) for low, high in left for a, b in ((low, min(high, begin)), (max(low, end), high)) if a < b]
    return sorted(left)


def possible_spans(
    tz: dt.tzinfo,
    hours: tuple[dt.time | None, dt.time | None],
    minutes: int,
    windows: Sequence[Span],
    days: Sequence[dt.date],
    impossible: Sequence[Span],
) -> list[Span]:
    """
    When the work may start: the customer's windows, within the building's hours, not when they can't.

    Empty means never; when nothing bounds it the days' whole length comes back.
    """
    opens, shuts = hours
    whole: list[Span] = []
    for day in days:
        begin = local(tz, day, opens or dt.time(0))
        if shuts:
            end = local(tz, day, shuts) - dt.timedelta(minutes=minutes)
        else:
            end = local(tz, day + dt.timedelta(days=1), dt.time(0)) - dt.timedelta(seconds=1)
        if begin <= end:
            whole.append((begin, end))
    if windows:
        whole = [(max(a, c), min(b, d)) for a, b in whole for c, d in windows if max(a, c) <= min(b, d)]
    gone = [(begin - dt.timedelta(minutes=minutes), end) for begin, end in impossible]
    return sorted(piece for span in whole for piece in without(span, gone)) if gone else sorted(whole)


# -- holidays and working days ------------------------------------------------------


@lru_cache(maxsize=64)
def _public(country: str, region: str, year: int) -> dict[dt.date, str]:
    import holidays

    try:
        return dict(holidays.country_holidays(country, subdiv=region or None, years=year))
    except NotImplementedError:
        return {}


def knows_holidays(country: str, region: str) -> bool:
    """Whether public holidays of this country and region are known."""
    import holidays

    try:
        holidays.country_holidays(country, subdiv=region or None, years=2026)
    except NotImplementedError:
        return False
    return True


def holidays_between(
    branch: Branch, first: dt.date, last: dt.date, rules: CalendarRules | None = None
) -> dict[dt.date, str]:
    """Days on which the branch does not work: public holidays and its own, less those it works on."""
    rules = rules or CalendarRules.of(branch)
    found: dict[dt.date, str] = {}
    if rules.holiday_country:
        for year in range(first.year, last.year + 1):
            public = _public(rules.holiday_country, rules.holiday_region, year)
            found |= {day: name for day, name in public.items() if first <= day <= last}
    for own in Holiday.objects.filter(branch=branch, day__range=(first, last)):
        if own.is_worked:
            found.pop(own.day, None)
        else:
            found[own.day] = own.name
    return found


class WorkingDays:
    """A branch's working days, read once: those on which some crew has hours, holidays left out."""

    def __init__(self, branch: Branch, first: dt.date, last: dt.date, rules: CalendarRules | None = None) -> None:
        """To be counted on from any day of `first` to `last`."""
        hours = WorkingHours.objects.filter(crew__branch=branch, crew__is_active=True)
        self.weekdays = set(hours.values_list("weekday", flat=True)) or set(range(5))
        self.closed = holidays_between(branch, first, last + dt.timedelta(days=LONGEST_WAIT_DAYS), rules)

    def has(self, day: dt.date) -> bool:
        """Whether it is one."""
        return day.weekday() in self.weekdays and day not in self.closed

    def after(self, day: dt.date, count: int) -> dt.date:
        """The day `count` working days after `day`."""
        for _ in range(LONGEST_WAIT_DAYS):
            if count <= 0:
                break
            day += dt.timedelta(days=1)
            if self.has(day):
                count -= 1
        return day


def add_working_days(branch: Branch, day: dt.date, count: int) -> dt.date:
    """The day `count` working days after `day`; for several use `WorkingDays`."""
    return WorkingDays(branch, day, day).after(day, count)
