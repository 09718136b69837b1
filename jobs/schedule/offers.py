"""
Windows for a booking on the phone: what each costs in drive and waiting, and whom it pushes.

For every crew's day and every usual window the new visit is priced at every place of that
day's order (`jobs.rules.slots`). The others keep their planned starts; those that the crew can't
reach in time begin later, within their promises. That is what booking the window does, so an
offer costs what the board says of the same crew and start.
"""

from __future__ import annotations

import datetime as dt
from collections import OrderedDict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from threading import Lock
from typing import Final

from django.conf import settings
from django.utils import timezone

from jobs.models import Appointment, CalendarRules, Crew, ImpossibleTime, PossibleWindow, UsualWindow, Wish
from jobs.rules.promises import Chance
from jobs.rules.routing import Objective
from jobs.rules.slots import Slot, StandingDay
from jobs.rules.timeline import LONG
from jobs.schedule.availability import Span, WorkDay, crew_days, local, possible_spans
from jobs.schedule.chances import chance_text, day_chances, hundredths
from jobs.schedule.dates import earliest_install
from jobs.schedule.day import (
    FIELDS,
    DaySchedule,
    Key,
    Standing,
    crew_point,
    moment,
    read_schedule,
    roads_between,
    seconds,
    site_point,
    standing_of,
    taking_time,
)  # fmt: skip
from jobs.schedule.effects import (
    Change,
    Harm,
    Push,
    chances_of,
    change_of,
    day_cost,
    fallen,
    harm_of,
    prices_of,
    standing_key,
)
from jobs.schedule.travel import Spot, road_model, travel_around
from jobs.schedule.wishes import wished_spans
from jobs.schedule.words import told_minutes
from shared.errors import Refused
from shared.formats.dates import short_day
from shared.formats.durations import minutes_text
from shared.formats.money import extra_cost
from shared.models import Branch

STARTING_WINDOWS: Final = ((dt.time(8), dt.time(10)), (dt.time(10), dt.time(12)), (dt.time(12), dt.time(14)),
                           (dt.time(14), dt.time(16)))  # fmt: skip
BEGUN: Final = (
    Appointment.State.ON_THE_WAY, Appointment.State.ARRIVED, Appointment.State.DONE, Appointment.State.CANCELLED,
)  # fmt: skip
MOST_SHOWN: Final = 12
MOST_A_DAY: Final = 3
"""Where days cost the same, so many of each are shown, so that the customer hears of several days."""
MOST_KEPT: Final = 3_000
"""Crew-days kept at once in a process, about 10 kB each."""
STEADY: Final = 95
"""Of 100: where every promise of a day has this chance, nothing is gained by looking for more slack."""
MOST_COMPARED: Final = 3
"""Crews' days, and starts of one day, that are compared for slack."""
LEAST: Final = dt.timedelta(minutes=15)
"""No shorter part of a window is offered, but a window that is itself shorter."""
NEW: Final = 0
"""Key of a visit that is not saved, among the keys of a day."""


@dataclass(frozen=True, slots=True)
class Offer:
    """
    One window on one crew's day.

    `price` is what booking it costs more, `drive_min` and `wait_min` its parts in minutes;
    `others` are the visits of that day that would begin later.
    """

    crew: Crew
    day: dt.date
    window: Span
    starts_at: dt.datetime
    price: Decimal
    drive_min: int
    wait_min: int
    others: tuple[Push, ...]
    chance: Chance | None = None
    harm: Harm | None = None
    floor: int = 0
    currency: str = "USD"
    ends_by: dt.datetime | None = None
    """When it is over, lunch in it, if it takes as long as the customer is told."""
    over_min: int = 0
    """Minutes of that after the crew's hours."""
    is_past: bool = False
    """Whether that is after the crew's overtime too."""

    @property
    def on_time(self) -> int:
        """The chance to begin within the window, of 100."""
        return hundredths(self.chance.on_time) if self.chance is not None else 0

    @property
    def is_risky(self) -> bool:
        """
        Whether it, or somebody else's appointment because of it, would be under the branch's floor.

        Or it may end when the crew has gone home.
        """
        return self.is_past or self.on_time < self.floor or (self.harm is not None and self.harm.is_risky)

    @property
    def suffers(self) -> str:
        """Of a risky one, for whom it is: ``J-1004 Ellery: 97% → 56% on time``."""
        if self.harm is not None and self.harm.is_risky:
            return self.harm.text
        return f"itself {self.on_time}% on time" if self.on_time < self.floor else self.over_text

    @property
    def over_text(self) -> str:
        """What of it is after the crew's hours, in words; empty where nothing is."""
        if not self.over_min:
            return ""
        end = "its overtime too" if self.is_past else "in overtime"
        return f"{minutes_text(self.over_min)} after the crew's hours, {end}"

    @property
    def cost_text(self) -> str:
        """What it costs the firm, in the branch's currency."""
        return extra_cost(self.price, self.currency)

    @property
    def chance_text(self) -> str:
        """The chance to begin within the window, in words and a number."""
        return chance_text(self.chance) if self.chance is not None else ""

    @property
    def value(self) -> str:
        """As a form sends it: crew, begin and end of the window."""
        return f"{self.crew.pk}|{self.window[0].isoformat()}|{self.window[1].isoformat()}"

    @property
    def key(self) -> str:
        """Its name on a page."""
        return f"offer-{self.crew.pk}-{seconds(self.window[0])}-{seconds(self.window[1])}"


@dataclass(frozen=True, slots=True)
class Offers:
    """
    The best windows first; why there are none; what to know of the driving times.

    `minutes` on site were counted for a visit that is not stored, made of `minutes_why`.
    """

    best: tuple[Offer, ...]
    why: str = ""
    word: str = ""
    minutes: int = 0
    minutes_why: tuple[str, ...] = ()
    from_on: dt.date | None = None
    days: tuple[dt.date, ...] = ()
    """From the first day that was looked at, those on which a crew works that could come."""


def usual_windows(branch: Branch) -> list[tuple[dt.time, dt.time]]:
    """The parts of a day that are promised, a branch's own or the starting ones."""
    own = [(row.starts, row.ends) for row in UsualWindow.objects.filter(branch=branch)]
    return own or list(STARTING_WINDOWS)


def read_value(user_crews: Sequence[Crew], value: str) -> tuple[Crew, Span]:
    """What `Offer.value` wrote; `Refused` when it is not that."""
    try:
        pk, begin, end = value.split("|")
        crew = next(crew for crew in user_crews if crew.pk == int(pk))
        window = dt.datetime.fromisoformat(begin), dt.datetime.fromisoformat(end)
        if any(timezone.is_naive(bound) for bound in window):
            raise ValueError
    except (ValueError, StopIteration):
        raise Refused("choose one of the windows", field="window") from None
    return crew, window


def crews_for(appointment: Appointment) -> list[Crew]:
    """Crews of the branch that drive for this purpose; the second part of a visit keeps its crew."""
    crews = Crew.objects.filter(branch=appointment.job.branch, is_active=True).prefetch_related("skills")
    fit = [crew for crew in crews if crew.drives_for(appointment.purpose)]
    leader = appointment.with_crew_of
    if leader is not None and leader.crew_id is not None:
        return [crew for crew in fit if crew.pk == leader.crew_id]
    return fit


def offers_for(
    appointment: Appointment,
    *,
    possible: Sequence[Span] = (),
    impossible: Sequence[Span] = (),
    wishes: Sequence[Wish] | None = None,
    days_ahead: int | None = None,
    from_on: dt.date | None = None,
    most: int = MOST_SHOWN,
    rules: CalendarRules | None = None,
) -> Offers:
    """
    The best windows for an appointment, saved or not.

    Parameters
    ----------
    possible
        Windows the customer can take, for a visit that is not saved.
    impossible
        Stretches the customer can't be there, beside those of a saved job.
    wishes
        When the customer can be there in any week; without, those kept with a saved job.
    days_ahead
        How many days are looked at, from the first on which all is ready and the customer can; the
        branch's rule if None.
    from_on
        No day before it is looked at.
    rules
        The branch's, where the caller has them.
    """
    crews = crews_for(appointment)
    if lacking := _lacking(appointment, crews):
        return Offers((), lacking)
    branch = appointment.job.branch
    now = timezone.now()
    today = now.astimezone(branch.tz).date()
    first, why = earliest_install(appointment)
    start = max(today, first) if first else today
    own = [*possible, *_own(appointment)]
    coming = [max(begin, now).astimezone(branch.tz).date() for begin, end in own if end > now]
    start = max(start, min(coming, default=start), from_on or start)
    rules = rules or CalendarRules.of(branch)
    days = [start + dt.timedelta(days=n) for n in range(days_ahead or rules.days_offered)]
    if wishes is None:
        wishes = list(appointment.job.wishes.all()) if appointment.job.pk else []
    search = OfferSearch(appointment, crews, days, now, possible=own, impossible=impossible, wishes=wishes, rules=rules)
    shown = search.best(most)
    reason, note = (why if first and first > today else ""), search.word or ("" if first else why)
    if not shown:
        reason, note = _no_room(appointment, search, why), ""
    return Offers(tuple(shown), reason, note, from_on=start, days=tuple(search.worked))


def _lacking(appointment: Appointment, crews: Sequence[Crew]) -> str:
    """What keeps any window from being worked out; empty where nothing does."""
    if appointment.state in BEGUN:
        return f"The appointment is {appointment.get_state_display()}: there is no other time for it."
    branch = appointment.job.branch
    if site_point(appointment) is None and branch.latitude is None:
        return (
            f"{branch.name} has no place on the map, so that no address can be placed and no drive worked out. "
            "An owner gives it one on the branch's page; until then, type the site's coordinates."
        )
    if site_point(appointment) is None:
        return "The site has no coordinates. Enter them, or pick the place on the sketch."
    if not crews:
        return f"No crew drives for {appointment.get_purpose_display()}."
    if not any(crew_point(crew, appointment.job.branch) for crew in crews):
        return "No crew has a base: the branch's address has no coordinates."
    return ""


def _no_room(appointment: Appointment, search: OfferSearch, why: str) -> str:
    bound = f" It is {why}." if why else ""
    if search.most_people and appointment.people > search.most_people:
        bound += (
            f" It needs {appointment.people} people, and no such crew has more than {search.most_people} on these "
            "days: book it for fewer people, or add people to a crew."
        )
    elif appointment.duration_min > search.longest_min > 0:
        bound += (
            f" It takes {minutes_text(appointment.duration_min)}, and no such crew has longer than "
            f"{minutes_text(search.longest_min)} a day without its lunch: send more people, or split the visit."
        )
    return f"No crew has room in the {len(search.days)} days from {short_day(search.days[0])}.{bound}"


def _own(appointment: Appointment) -> list[Span]:
    """The windows the customer can take, of a saved visit."""
    return [(w.starts_at, w.ends_at) for w in appointment.possible_windows.all()] if appointment.pk else []


def offer_in(appointment: Appointment, crew: Crew, window: Span) -> Offer | None:
    """The best place for this window on this crew's day as it stands now; None when it is gone."""
    day = window[0].astimezone(appointment.job.branch.tz).date()
    first, _ = earliest_install(appointment)
    if first is not None and day < first:
        return None
    search = OfferSearch(appointment, [crew], [day], timezone.now(), windows=[window], possible=_own(appointment))
    return next(iter(search.best(1)), None)


def rescues(appointment: Appointment, most: int = 4) -> list[Offer]:
    """Other crews that could still keep the promise of a visit, cheapest first."""
    if appointment.promised_from is None or appointment.promised_until is None:
        return []
    window = (max(appointment.promised_from, timezone.now()), appointment.promised_until)
    return takers(appointment, window)[:most]


def takers(appointment: Appointment, window: Span) -> list[Offer]:
    """Other crews that could begin a visit within a window of one day, cheapest first, each crew for itself."""
    if site_point(appointment) is None or window[0] >= window[1]:
        return []
    day = window[1].astimezone(appointment.job.branch.tz).date()
    crews = [crew for crew in crews_for(appointment) if crew.pk != appointment.crew_id]
    own = _own(appointment)
    found = (
        OfferSearch(appointment, [crew], [day], timezone.now(), windows=[window], possible=own).best(1)
        for crew in crews
    )
    return sorted((offer for offers in found for offer in offers), key=lambda one: one.price)


# -- days that something may come into ----------------------------------------------------


@dataclass(frozen=True, slots=True)
class OpenDay:
    """A crew's day and what prices one more visit on it; its crew's key is all that is asked of its crew."""

    day: DaySchedule
    gaps: StandingDay
    is_drivable: bool


class _Kept:
    """The days worked out last, as long as they stand as they are: a changed day has another key."""

    def __init__(self, most: int) -> None:
        self.most, self.days, self.lock = most, OrderedDict[Hashable, OpenDay](), Lock()

    def get(self, key: Hashable) -> OpenDay | None:
        with self.lock:
            if key in self.days:
                self.days.move_to_end(key)
            return self.days.get(key)

    def put(self, key: Hashable, day: OpenDay) -> None:
        with self.lock:
            self.days[key] = day
            while len(self.days) > self.most:
                self.days.popitem(last=False)


_kept = _Kept(MOST_KEPT)


def open_days(
    branch: Branch, crews: Sequence[Crew], days: Sequence[dt.date], *, now: dt.datetime, rules: CalendarRules,
    without: int | None = None,
) -> list[OpenDay]:  # fmt: skip
    """
    The crew-days on which somebody works, in about ten queries however many there are.

    Crews that have no base, as long as their branch has no coordinates, are left out.

    Parameters
    ----------
    now
        Visits that were to begin before stay where they are.
    without
        Key of a visit to leave out, because it is the one to be placed.
    """
    for crew in crews:
        crew.branch = branch
    work = crew_days(crews, days, rules)
    rows = taking_time().filter(crew__in=[crew.pk for crew in crews], day__range=(min(days), max(days)))
    here: dict[Key, list[Standing]] = {}
    for values in rows.values_list(*FIELDS):
        one = Standing._make(values)
        if one.pk != without:
            here.setdefault((one.crew, one.day), []).append(one)
    free = _free_spans(branch, [one for several in here.values() for one in several], days)
    model, prices, variation, found = road_model(branch, rules), prices_of(rules), rules.variation, []
    today = now.astimezone(branch.tz).date()
    for crew in crews:
        base = crew_point(crew, branch)
        for day in days if base is not None else ():
            hours = work[crew.pk, day]
            if not hours.works:
                continue
            standing = tuple(here.get((crew.pk, day), ()))
            bounds = tuple(one.starts_at < now or free.get(one.pk) for one in standing)
            runs = seconds(now) if day == today else 0
            key = (settings.TRAVEL_URL, model, prices, rules.learned_at, base, hours, standing, bounds, runs // 60)
            kept = _kept.get(key)
            if kept is None:
                roads = roads_between(branch, [base, *(one.point for one in standing)], rules)
                kept = open_day(DaySchedule(crew, hours, roads, standing, variation=variation), bounds, prices, runs)
                if not roads.travel.word:  # times that stand in for a silent server are not kept
                    _kept.put(key, kept)
            found.append(kept)
    return found


Bound = bool | tuple[Span, ...] | None
"""True for a visit that stays where it is; when else it may begin; None for any time."""


def _free_spans(branch: Branch, standing: Iterable[Standing], days: Sequence[dt.date]) -> dict[int, tuple[Span, ...]]:
    """When the visits may begin that nothing was promised of, as far as customer or building bound it."""
    free = [one for one in standing if one.promised_from is None]
    if not free:
        return {}
    possible: dict[int, list[Span]] = {}
    windows = PossibleWindow.objects.filter(appointment__in=[one.pk for one in free])
    for pk, begin, end in windows.values_list("appointment", "starts_at", "ends_at"):
        possible.setdefault(pk, []).append((begin, end))
    impossible: dict[int, list[Span]] = {}
    cant = ImpossibleTime.objects.filter(job__in={one.job for one in free})
    for job, begin, end in cant.values_list("job", "starts_at", "ends_at"):
        impossible.setdefault(job, []).append((begin, end))
    found = {}
    for one in free:
        hours, can, cannot = (one.hours_from, one.hours_until), possible.get(one.pk, ()), impossible.get(one.job, ())
        if can or cannot or any(hours):
            found[one.pk] = tuple(possible_spans(branch.tz, hours, one.minutes, can, [one.day], cannot))
    return found


def open_day(day: DaySchedule, bounds: Sequence[Bound], prices: Objective, now: int = 0) -> OpenDay:
    """A crew's day that something may come into, by when each visit there may begin; nobody sets out before `now`."""
    shifts = tuple(
        (seconds(begin), seconds(end) + day.work.overtime_after(position) * 60)
        for position, (begin, end) in enumerate(day.work.shifts)
    )
    latest = tuple(_latest(one, bound, shifts) for one, bound in zip(day.standing, bounds, strict=True))
    end = seconds(day.work.shifts[-1][1])
    gaps = StandingDay(day.timeline, latest, day.roads.travel.rows, day.base, shifts, end, day.pause, prices, now)
    return OpenDay(day, gaps, gaps.is_drivable and day.trouble is None)


def _latest(one: Standing, bound: Bound, shifts: Sequence[tuple[int, int]]) -> int:
    """The latest start of a visit that stands; its planned one where it does not give way."""
    start = seconds(one.starts_at)
    if one.is_locked or one.is_begun or bound is True:
        return start
    shut = next((until for begin, until in shifts if begin <= start <= until), start) - one.minutes * 60
    if one.promised_until is not None:
        return max(start, min(shut, seconds(one.promised_until)))
    spans = bound or () if bound is not None else ((one.starts_at, moment(max(start, shut))),)
    return max((min(shut, seconds(b)) for a, b in spans if a <= one.starts_at <= b), default=start)


# -- the search -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Found:
    """A window of a crew's day, and where the visit goes in it."""

    window: Span
    span: tuple[int, int]
    """What may be had of the window, in seconds."""
    open: OpenDay
    slot: Slot

    @property
    def rank(self) -> tuple[int, dt.date, int]:
        """Cheapest first, then soonest."""
        return self.slot.cost, self.open.day.day, self.slot.start


@dataclass(frozen=True, slots=True)
class _Draft:
    """A place with all that follows: the crew's day alone, the whole change, the chances on that day."""

    found: _Found
    one: Standing
    alone: Change
    change: Change
    chances: Mapping[int, Chance]

    @property
    def after(self) -> dict[int, int]:
        """The chances of 100."""
        return {pk: hundredths(one.on_time) for pk, one in self.chances.items()}

    @property
    def worst(self) -> int:
        return min(self.after.values())


@dataclass(slots=True)
class OfferSearch:
    """Everything that is priced for one visit."""

    appointment: Appointment
    crews: Sequence[Crew]
    days: Sequence[dt.date]
    now: dt.datetime
    windows: Sequence[Span] | None = None
    possible: Sequence[Span] = ()
    impossible: Sequence[Span] = ()
    wishes: Sequence[Wish] = ()
    rules: CalendarRules | None = None
    """The branch's, where the caller has them."""
    word: str = ""
    longest_min: int = 0
    """The longest that a visit can last on a day of a crew that could do it, in minutes; 0 where there is none."""
    most_people: int = 0
    """How many people the largest of these crews has on these days."""
    worked: list[dt.date] = field(default_factory=list)
    """The days on which a crew that could do it works."""
    known: dict[Key, Mapping[int, int]] = field(default_factory=dict)
    prices: Objective = field(init=False)
    drives: _Drives = field(init=False)

    def best(self, most: int) -> list[Offer]:
        """The cheapest crew for each window, cheapest windows first."""
        parts = self._parts()
        if not parts or site_point(self.appointment) is None:
            return []
        branch = self.appointment.job.branch
        rules = self.rules = self.rules or CalendarRules.of(branch)
        self.prices = prices_of(rules)
        crews = _able(self.crews, self.appointment)
        days = open_days(branch, crews, self.days, now=self.now, rules=rules, without=self.appointment.pk)
        able = [one.day.work for one in days if one.day.work.people >= self.appointment.people]
        self.most_people = max((one.day.work.people for one in days), default=0)
        self.longest_min = max((_longest(work) for work in able), default=0)
        self.worked = sorted({work.day for work in able})
        self.drives = _Drives(branch, days, standing_of(self.appointment), rules)
        self.word = self.drives.word or next(
            (one.day.roads.travel.word for one in days if one.day.roads.travel.word), ""
        )
        found = self._cheapest(days, parts, self.drives)
        chosen = sorted(found, key=lambda window: found[window][0].rank)
        left = self._left()
        drafts = [self._steadiest(found[window], left) for window in self._spread(chosen, found, most)]
        return self._offers(drafts)

    def _parts(self) -> list[tuple[Span, Span]]:
        """What is left of each window that could be had, with the window itself."""
        row, job = self.appointment, self.appointment.job
        tz = job.branch.tz
        days, minutes = self.days, row.duration_min
        cant = [*self.impossible, *((w.starts_at, w.ends_at) for w in (job.impossible_times.all() if job.pk else ()))]
        hours = (job.site.hours_from, job.site.hours_until)
        allowed = wished_spans(tz, hours, minutes, self.possible, days, cant, self.wishes)
        is_bound = any(wish.kind == Wish.Kind.ONLY for wish in self.wishes)
        if self.windows is not None:
            return [(part, window) for window in self.windows for part in _shared(window, allowed)]
        usual = usual_windows(job.branch)
        wanted = [(local(tz, day, a), local(tz, day, b)) for day in days for a, b in usual]
        return [
            (part, part if is_bound or self.possible else window)
            for window in wanted
            if window[0] > self.now
            for part in _shared(window, allowed)
            if part[1] - part[0] >= min(LEAST, window[1] - window[0])
        ]

    def _spread(self, chosen: Sequence[Span], found: Mapping[Span, Sequence[_Found]], most: int) -> list[Span]:
        """The cheapest, but not more than some of one day before other days had theirs."""
        counts: dict[dt.date, int] = {}
        first: list[Span] = []
        rest: list[Span] = []
        for window in chosen:
            day = found[window][0].open.day.day
            counts[day] = counts.get(day, 0) + 1
            (first if counts[day] <= MOST_A_DAY else rest).append(window)
        return (first + rest)[:most]

    def _cheapest(
        self, days: Sequence[OpenDay], parts: Sequence[tuple[Span, Span]], drives: _Drives
    ) -> dict[Span, list[_Found]]:
        """The cheapest place of each crew's day for each window, the cheapest day first, of all that can be driven."""
        best: dict[Span, list[_Found]] = {}
        by_day: dict[dt.date, list[tuple[tuple[int, int], Span]]] = {}
        service = self.appointment.duration_min * 60
        for one in days:
            if not one.is_drivable or self.appointment.people > one.day.work.people:
                continue
            day = one.day.day
            if day not in by_day:
                by_day[day] = _windows_on(self.appointment.job.branch, day, parts)
            into, out_of = drives.of(one.day) if by_day[day] else ([], [])
            for span, window in by_day[day]:
                slot = one.gaps.best(span, service, into, out_of)
                if slot is not None:
                    best.setdefault(window, []).append(_Found(window, span, one, slot))
        for several in best.values():
            several.sort(key=lambda one: one.rank)
        return best

    # -- slack ------------------------------------------------------------------

    def _steadiest(self, several: Sequence[_Found], left: DaySchedule | None) -> _Draft:
        """
        Of the crews' days that cost about as little as the cheapest, the one that leaves the promises most slack.

        Nobody else is looked at where the cheapest leaves every promise of its day `STEADY`.
        """
        cheapest = several[0]
        most = cheapest.slot.cost + self._about(cheapest)
        best = self._stabilised(cheapest, left)
        for other in several[1:MOST_COMPARED]:
            if best.worst >= STEADY or other.slot.cost > most:
                break
            draft = self._stabilised(other, left)
            if draft.worst > best.worst:
                best = draft
        return best

    def _stabilised(self, found: _Found, left: DaySchedule | None) -> _Draft:
        """The same of one crew's day: another start or order that costs about as little."""
        best = self._draft(found, left)
        if best.worst >= STEADY:
            return best
        into, out_of = self.drives.of(found.open.day)
        most = found.slot.cost + self._about(found)
        service = self.appointment.duration_min * 60
        slots = found.open.gaps.near(found.span, service, into, out_of, most)
        for slot in [slot for slot in slots if slot != found.slot][:MOST_COMPARED]:
            draft = self._draft(replace(found, slot=slot), left)
            if draft.worst > best.worst:
                best = draft
        return best

    def _about(self, found: _Found) -> int:
        """What counts as no difference: a hundredth of what the day then costs."""
        return (day_cost(self.prices, found.open.day) + found.slot.cost) // 100

    def _draft(self, found: _Found, left: DaySchedule | None) -> _Draft:
        one, there = self._placed(found), self.drives.with_stop(found.open.day)
        alone = Change([there], [there.plus(one)])
        return _Draft(found, one, alone, change_of(there, one, left), day_chances(alone.after[0], self.now))

    def _before(self, day: DaySchedule) -> Mapping[int, int]:
        """The chances on a crew's day as it stands."""
        if day.key not in self.known:
            self.known[day.key] = chances_of([day], self.now)
        return self.known[day.key]

    def _offers(self, drafts: Sequence[_Draft]) -> list[Offer]:
        """What is shown of them, priced as the board does; one query for all the visits they push or harm."""
        assert self.rules is not None
        crews, floor = {crew.pk: crew for crew in self.crews}, self.rules.chance_floor
        branch = self.appointment.job.branch
        pushed = [_pushed(draft.alone.after[0], draft.one) for draft in drafts]
        before = [self._before(draft.change.before[0]) for draft in drafts]
        fell = [fallen(was, draft.after, {draft.one.pk}, floor) for was, draft in zip(before, drafts, strict=True)]
        asked = {pk for one in pushed for pk in one} | {pk for pk in fell if pk is not None}
        rows = Appointment.objects.select_related("job__customer").in_bulk(asked)
        return [
            Offer(
                crews[draft.one.crew],
                draft.one.day,
                draft.found.window,
                draft.one.starts_at,
                draft.change.price(self.prices),
                round(draft.change.drive_s / 60),
                max(0, round(draft.alone.standing_s / 60) - draft.one.minutes),
                tuple(Push(rows[pk], rows[pk].begin(), start, 0) for pk, start in moved.items() if pk in rows),
                draft.chances[draft.one.pk],
                harm_of(was, draft.after, {draft.one.pk}, floor, rows),
                floor,
                branch.currency,
                *_ending(draft.alone.after[0], draft.one),
            )
            for draft, moved, was in zip(drafts, pushed, before, strict=True)
        ]

    def _left(self) -> DaySchedule | None:
        """The crew-day on which the visit stands by now."""
        row = self.appointment
        key = standing_key(row)
        if key is None or row.crew is None:
            return None
        return read_schedule(row.job.branch, [row.crew], [key[1]], also=[row]).days[key]

    def _placed(self, found: _Found) -> Standing:
        """The visit as it would stand, its window promised."""
        crew, day = found.open.day.key
        begin, end = found.window
        return standing_of(self.appointment)._replace(
            pk=self.appointment.pk or NEW, crew=crew, day=day, starts_at=moment(found.slot.start),
            promised_from=begin, promised_until=end,
        )  # fmt: skip


def _pushed(after: DaySchedule, new: Standing) -> dict[int, dt.datetime]:
    """The new starts of the visits that begin later."""
    stops = after.timeline.stops
    return {stop.key: moment(stop.start) for stop in stops if stop.pushed and not stop.is_fixed and stop.key != new.pk}


def _ending(after: DaySchedule, new: Standing) -> tuple[dt.datetime, int, bool]:
    """When the visit is over as the customer is told, minutes of that after hours, whether after overtime too."""
    more = told_minutes(new.minutes, new.safe_min) - new.minutes
    ends, work = moment(after.stops[new.pk].leave) + dt.timedelta(minutes=more), after.work
    shut = work.shifts[-1][1]
    return ends, max(0, round((ends - shut).total_seconds() / 60)), work.ends_at is not None and ends > work.ends_at


def _able(crews: Iterable[Crew], appointment: Appointment) -> list[Crew]:
    """The crews that drive for this purpose and have the skills for it."""
    asked = {skill.key for skill in appointment.skills.all()} if appointment.pk else set()
    drive = [crew for crew in crews if not crew.purposes or appointment.purpose in crew.purposes]
    return [crew for crew in drive if asked <= {skill.key for skill in crew.skills.all()}]


def _longest(work: WorkDay) -> int:
    """Minutes of the longest visit that fits in a day, overtime in it: about lunch, or from `LONG` on around it."""
    found = 0.0
    for position, (begin, over) in enumerate(work.shifts):
        end, lunch = over + dt.timedelta(minutes=work.overtime_after(position)), work.lunch
        lengths = [(end - begin).total_seconds() / 60]
        if lunch is not None and begin < lunch.latest and lunch.earliest < end:
            around = lengths[0] - lunch.minutes
            back = lunch.earliest + dt.timedelta(minutes=lunch.minutes)
            lengths = [(b - a).total_seconds() / 60 for a, b in ((begin, lunch.latest), (back, end))]
            lengths += [around] if around * 60 >= LONG else []
        found = max(found, *lengths)
    return round(found)


def _shared(window: Span, allowed: Sequence[Span]) -> list[Span]:
    """What is left of a window."""
    cut = [(max(window[0], a), min(window[1], b)) for a, b in allowed]
    return [(begin, end) for begin, end in cut if begin <= end]


def _windows_on(branch: Branch, day: dt.date, parts: Sequence[tuple[Span, Span]]) -> list[tuple[tuple[int, int], Span]]:
    """The parts of windows that lie on that day, in seconds, with their windows."""
    begin, end = (local(branch.tz, day + dt.timedelta(days=n), dt.time(0)) for n in (0, 1))
    return [((seconds(max(begin, a)), seconds(b)), window) for (a, b), window in parts if a < end and b >= begin]


class _Drives:
    """Driving from every place of these days to a visit, and back."""

    def __init__(self, branch: Branch, days: Sequence[OpenDay], one: Standing, rules: CalendarRules) -> None:
        places = list({place: None for day in days for place in day.day.roads.places})
        self.one, self.word = one, ""
        self.known: dict[Spot, tuple[dict[Spot, int], dict[Spot, int]]] = {}
        for spot in {spot: None for day in days if (spot := self._spot(day.day)) is not None}:
            into, out_of, word = travel_around(branch, places, spot, rules)
            self.word = self.word or word
            self.known[spot] = dict(zip(places, into, strict=True)), dict(zip(places, out_of, strict=True))

    def _spot(self, day: DaySchedule) -> Spot | None:
        """Where the visit is for that crew on that day."""
        crew, on = day.key
        return self.one._replace(crew=crew, day=on).point

    def of(self, day: DaySchedule) -> tuple[list[int], list[int]]:
        """Seconds from each place of that day's table, and back to it."""
        spot = self._spot(day)
        assert spot is not None
        into, out_of = self.known[spot]
        return [into[place] for place in day.roads.places], [out_of[place] for place in day.roads.places]

    def with_stop(self, day: DaySchedule) -> DaySchedule:
        """The day with the place in its table."""
        spot = self._spot(day)
        assert spot is not None
        return replace(day, roads=day.roads.plus(spot, *self.of(day)))
