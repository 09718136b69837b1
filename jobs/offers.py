"""
Windows for a booking on the phone: what each costs in drive and waiting, and what it moves.

For every crew's day and every usual window the new visit is priced at every place of that
day's order; promises, locks, hours, lunch, skills and people hold (`jobs.rules.routing`).
Only the windows that are shown are worked out to the minute, with their chance.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from itertools import pairwise
from typing import Final

import numpy as np
from django.utils import timezone

from jobs.chances import SEED, chance_text, sigma_of
from jobs.crewdays import Day, read_days
from jobs.dispatch import Push, crew_point, earliest_install, site_point
from jobs.models import Appointment, CalendarRules, Crew, UsualWindow
from jobs.planning import possible_spans
from jobs.rules.promises import Chance, Pause, PromisedVisit, chances
from jobs.rules.routing import Offer as Priced
from jobs.rules.routing import Problem, Route, Stop
from jobs.rules.routing.timing import build_route
from jobs.schedule.availability import Span, local
from jobs.schedule.travel import Point, travel_to_and_from
from shared.errors import Refused
from shared.models import Branch

COST_UNIT: Final = Decimal(360_000)
STARTING_WINDOWS: Final = ((dt.time(8), dt.time(10)), (dt.time(10), dt.time(12)), (dt.time(12), dt.time(14)),
                           (dt.time(14), dt.time(16)))  # fmt: skip
MOST_SHOWN: Final = 12
OFFER_DAYS: Final = 1_000
"""Sampled days behind the chance of an offer."""
MOST_A_DAY: Final = 3
"""Where days cost the same, so many of each are shown, so that the customer hears of several days."""


@dataclass(frozen=True, slots=True)
class Offer:
    """
    One window on one crew's day.

    `price` is what the crew's day costs more, `drive_min` and `wait_min` its parts in minutes;
    `others` are the stops of that day that would begin at another time.
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

    @property
    def chance_text(self) -> str:
        """The chance to begin within the window, in words and a number."""
        return chance_text(self.chance) if self.chance is not None else ""

    @property
    def value(self) -> str:
        """As a form sends it: crew, begin and end of the window."""
        return f"{self.crew.pk}|{self.window[0].isoformat()}|{self.window[1].isoformat()}"


@dataclass(frozen=True, slots=True)
class Offers:
    """The best windows first; why there are none; what to know of the driving times."""

    best: tuple[Offer, ...]
    why: str = ""
    word: str = ""


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
    """Crews of the branch that drive for this purpose and have its skills."""
    crews = Crew.objects.filter(branch=appointment.job.branch, is_active=True).prefetch_related("skills")
    fit = [crew for crew in crews if not crew.purposes or appointment.purpose in crew.purposes]
    leader = appointment.with_crew_of
    if leader is not None and leader.crew_id is not None:
        return [crew for crew in fit if crew.pk == leader.crew_id]
    return fit


def offers_for(
    appointment: Appointment,
    *,
    possible: Sequence[Span] = (),
    impossible: Sequence[Span] = (),
    days_ahead: int | None = None,
    most: int = MOST_SHOWN,
) -> Offers:
    """
    The best windows for an appointment, saved or not.

    Parameters
    ----------
    possible
        Windows the customer can take, for a visit that is not saved.
    impossible
        Stretches the customer can't be there, beside those of a saved job.
    days_ahead
        How many days are looked at, from the first on which all is ready and the customer can; the
        branch's rule if None.
    """
    if site_point(appointment) is None:
        return Offers((), "The site has no coordinates. Enter them, or pick the place on the sketch.")
    crews = crews_for(appointment)
    if not crews:
        return Offers((), f"No crew drives for {appointment.get_purpose_display()}.")
    branch = appointment.job.branch
    if not any(crew_point(crew, branch) for crew in crews):
        return Offers((), "No crew has a base: the branch's address has no coordinates.")
    now = timezone.now()
    today = now.astimezone(branch.tz).date()
    first, why = earliest_install(appointment)
    start = max(today, first) if first else today
    own = [*possible, *_own(appointment)]
    coming = [max(begin, now).astimezone(branch.tz).date() for begin, end in own if end > now]
    start = max(start, min(coming, default=start))
    ahead = days_ahead or CalendarRules.of(branch).days_offered
    days = [start + dt.timedelta(days=n) for n in range(ahead)]
    market = _Market(appointment, crews, days, impossible, now, possible=own)
    shown = market.best(most)
    if not shown:
        bound = f" It is {why}." if why else ""
        return Offers((), f"No crew has room in the {len(days)} days from {start:%a} {start.day} {start:%b}.{bound}")
    return Offers(tuple(shown), why if first and first > today else "", market.word)


def _own(appointment: Appointment) -> list[Span]:
    """The windows the customer can take, of a saved visit."""
    return [(w.starts_at, w.ends_at) for w in appointment.possible_windows.all()] if appointment.pk else []


def offer_in(appointment: Appointment, crew: Crew, window: Span) -> Offer | None:
    """The best place for this window on this crew's day as it stands now; None when it is gone."""
    day = window[0].astimezone(appointment.job.branch.tz).date()
    first, _ = earliest_install(appointment)
    if first is not None and day < first:
        return None
    market = _Market(appointment, [crew], [day], (), timezone.now(), [window], _own(appointment))
    return next(iter(market.best(1)), None)


def rescues(appointment: Appointment, most: int = 4) -> list[Offer]:
    """Other crews that could still keep the promise of a visit, cheapest first."""
    if appointment.promised_from is None or appointment.promised_until is None or site_point(appointment) is None:
        return []
    window = (max(appointment.promised_from, timezone.now()), appointment.promised_until)
    if window[0] >= window[1]:
        return []
    day = window[1].astimezone(appointment.job.branch.tz).date()
    crews = [crew for crew in crews_for(appointment) if crew.pk != appointment.crew_id]
    own = _own(appointment)
    found = [_Market(appointment, [crew], [day], (), timezone.now(), [window], own).best(1) for crew in crews]
    return sorted((offer for offers in found for offer in offers), key=lambda one: one.price)[:most]


@dataclass(slots=True)
class _Market:
    """Everything that is priced for one visit."""

    appointment: Appointment
    crews: Sequence[Crew]
    days: Sequence[dt.date]
    impossible: Sequence[Span]
    now: dt.datetime
    windows: Sequence[Span] | None = None
    possible: Sequence[Span] = ()
    word: str = ""
    stop: Stop = field(init=False)
    drives: _Drives = field(init=False)

    def best(self, most: int) -> list[Offer]:
        """The cheapest crew for each window, cheapest windows first."""
        parts = self._parts()
        point = site_point(self.appointment)
        if not parts or point is None:
            return []
        row, branch = self.appointment, self.appointment.job.branch
        days = read_days(branch, self.crews, self.days, now=self.now, without=row.pk)
        self.drives = _Drives(branch, days, point)
        self.word = self.drives.word or next((day.word for day in days if day.word), "")
        keys = [skill.key for skill in row.skills.all()] if row.pk else []
        self.stop = Stop(
            id="new", at=0, service=row.duration_min * 60, skills=frozenset([*keys, f"for {row.purpose}"]),
            people=row.people,
        )  # fmt: skip
        chosen = sorted(self._cheapest(days, parts).items(), key=lambda one: _rank(one[1]))
        found = [self._draft(span, day, priced) for span, (day, priced) in self._spread(chosen, most)]
        return self._offers([draft for draft in found if draft is not None])

    def _parts(self) -> list[tuple[Span, Span]]:
        """What is left of each window that could be had, with the window itself."""
        row, job = self.appointment, self.appointment.job
        tz = job.branch.tz
        if self.windows is not None:
            wanted = list(self.windows)
        else:
            usual = usual_windows(job.branch)
            spans = [(local(tz, day, a), local(tz, day, b)) for day in self.days for a, b in usual]
            wanted = [span for span in spans if span[0] > self.now]
        cant = [*self.impossible, *((w.starts_at, w.ends_at) for w in (job.impossible_times.all() if job.pk else ()))]
        hours = (job.site.hours_from, job.site.hours_until)
        allowed = possible_spans(tz, hours, row.duration_min, self.possible, self.days, cant)
        return [
            ((max(begin, a), min(end, b)), (begin, end))
            for begin, end in wanted
            for a, b in allowed
            if max(begin, a) <= min(end, b)
        ]

    def _spread(self, chosen: Sequence[_Place], most: int) -> list[_Place]:
        """The cheapest, but not more than some of one day before other days had theirs."""
        counts: dict[dt.date, int] = {}
        first: list[_Place] = []
        rest: list[_Place] = []
        for one in chosen:
            day = one[1][0].day
            counts[day] = counts.get(day, 0) + 1
            (first if counts[day] <= MOST_A_DAY else rest).append(one)
        return (first + rest)[:most]

    def _cheapest(
        self, days: Sequence[Day], parts: Sequence[tuple[Span, Span]]
    ) -> dict[Span, tuple[Day, Priced]]:
        """
        The cheapest crew's day for each window, of all that can be driven as they stand.

        Days are asked cheapest bound first, and none for a window that is had for less already.
        """
        best: dict[Span, tuple[Day, Priced]] = {}
        by_day: dict[dt.date, dict[tuple[int, int], Span]] = {}
        asked = []
        for day in days:
            if day.day not in by_day:
                by_day[day.day] = _windows_on(day, parts)
            if by_day[day.day]:
                into, out_of = self.drives.of(day)
                asked.append((_least(day, self.stop.service, into, out_of), day, into, out_of))
        for least, day, into, out_of in sorted(asked, key=lambda one: one[0]):
            spans = {
                span: window
                for span, window in by_day[day.day].items()
                if window not in best or best[window][1].cost >= least
            }
            for priced in day.inserter.offers(self.stop, list(spans), to=into, back=out_of) if spans else ():
                window = spans[priced.window]
                if priced.shift not in day.broken and (
                    window not in best or _rank((day, priced)) < _rank(best[window])
                ):
                    best[window] = day, priced
        return best

    def _draft(self, span: Span, day: Day, priced: Priced) -> _Draft | None:
        """The offer to the minute: start, waiting, who begins at another time, the chance."""
        small = self._small(priced, day)
        route = build_route(small, small.days[0], range(len(small.stops)))
        if route is None:
            return None
        before = day.routes.get(priced.shift)
        drive = route.travel - (before.travel if before else 0)
        paid = route.back - route.depart - (before.back - before.depart if before else 0)
        return _Draft(span, day, priced, route, drive, paid, self._chance(small, route, span, day))

    def _small(self, priced: Priced, day: Day) -> Problem:
        """One shift of the crew's day with the visit in it as a problem of its own, in order."""
        problem = day.problem
        inside = [problem.stops[number] for number in day.orders.get(priced.shift, [])]
        size = len(day.points) + 1
        table = np.zeros((size, size), dtype=np.int64)
        table[:-1, :-1] = problem.travel
        table[:-1, -1], table[-1, :-1] = self.drives.of(day)
        driver = problem.crews[0]
        driver = replace(driver, shifts=(driver.shifts[priced.shift],))
        inside.insert(priced.node, replace(self.stop, at=size - 1, windows=(priced.window,)))
        return Problem((driver,), tuple(inside), table, problem.objective)

    def _chance(self, small: Problem, route: Route, span: Span, day: Day) -> Chance:
        """That the visit begins within its window, from sampled days of that route."""
        at, visits = small.days[0].start_at, []
        for stop in small.stops:
            if stop.id == "new":
                window: tuple[dt.datetime | None, dt.datetime | None] = span
                sigma = sigma_of(self.appointment.duration_min, self.appointment.duration_safe_min)
            else:
                row = day.rows[int(stop.id)]
                window, sigma = (row.promised_from, row.promised_until), sigma_of(row.minutes, row.safe_min)
            promised = None
            if window[0] is not None and window[1] is not None:
                promised = (float(day.seconds(window[0])), float(day.seconds(window[1])))
            visits.append(PromisedVisit(small.rows[at][stop.at], stop.service, sigma, promised=promised))
            at = stop.at
        lunch = small.days[0].lunch
        pause = Pause(lunch.earliest, lunch.duration) if lunch else None
        told = chances(visits, route.depart, seed=SEED, days=OFFER_DAYS, pause=pause)
        return next(chance for chance, stop in zip(told, small.stops, strict=True) if stop.id == "new")

    def _offers(self, drafts: Sequence[_Draft]) -> list[Offer]:
        """What is shown of them; one query for all the visits they push."""
        crews = {crew.pk: crew for crew in self.crews}
        moved = [list(draft.moved()) for draft in drafts]
        rows = Appointment.objects.select_related("job").in_bulk({pk for pairs in moved for pk, _, _ in pairs})
        return [
            Offer(
                crews[draft.day.crew],
                draft.day.day,
                draft.span,
                draft.day.when(next(visit.start for visit in draft.route.visits if visit.id == "new")),
                (Decimal(draft.priced.cost) / COST_UNIT).quantize(Decimal("0.01")),
                round(draft.drive / 60),
                max(0, round((draft.paid - draft.drive - self.stop.service) / 60)),
                tuple(Push(rows[pk], was, becomes, 0) for pk, was, becomes in pairs if pk in rows),
                draft.chance,
            )
            for draft, pairs in zip(drafts, moved, strict=True)
        ]


_Place = tuple[Span, tuple[Day, Priced]]


def _rank(one: tuple[Day, Priced]) -> tuple[int, dt.date, int]:
    """Cheapest first, then soonest."""
    day, priced = one
    return priced.cost, day.day, priced.start


def _least(day: Day, service: int, into: Sequence[int], out_of: Sequence[int]) -> int:
    """
    What a visit of so many seconds costs on the day at least, wherever and whenever it goes.

    The detour is driven and paid; the service is paid but for what the crew would have waited.
    """
    o, rows, stops = day.problem.objective, day.problem.rows, day.problem.stops
    found = []
    for shift in range(len(day.problem.days)):
        if shift in day.broken:
            continue
        order, route = day.orders.get(shift, []), day.routes.get(shift)
        detour, waits = into[0] + out_of[0], 0
        if route is not None:
            places = [0, *(stops[number].at for number in order), 0]
            detour = min(into[a] + out_of[b] - rows[a][b] for a, b in pairwise(places))
            waits = route.back - route.depart - route.travel - sum(stops[number].service for number in order)
        found.append(o.drive * detour + o.paid * max(min(detour, 0), detour + service - waits))
    return min(found, default=0)


def _windows_on(day: Day, parts: Sequence[tuple[Span, Span]]) -> dict[tuple[int, int], Span]:
    """The parts of windows that lie on that day, on its axis, with their windows."""
    midnight = day.epoch + dt.timedelta(days=1)
    near = [part for part in parts if part[0][0] < midnight and part[0][1] >= day.epoch]
    return {(day.seconds(max(day.epoch, a)), day.seconds(b)): window for (a, b), window in near}


class _Drives:
    """Driving from every place of these days to one more, and back."""

    def __init__(self, branch: Branch, days: Sequence[Day], point: Point) -> None:
        places = {place: number for number, place in enumerate({one: None for day in days for one in day.points})}
        into, out_of, self.word = travel_to_and_from(branch, list(places), point)
        self.into = {place: into[number] for place, number in places.items()}
        self.out_of = {place: out_of[number] for place, number in places.items()}

    def of(self, day: Day) -> tuple[list[int], list[int]]:
        """Seconds from each place of that day's table, and back to it."""
        return [self.into[place] for place in day.points], [self.out_of[place] for place in day.points]


@dataclass(frozen=True, slots=True)
class _Draft:
    """A priced place, driven to the minute."""

    span: Span
    day: Day
    priced: Priced
    route: Route
    drive: int
    paid: int
    chance: Chance

    def moved(self) -> Iterator[tuple[int, dt.datetime, dt.datetime]]:
        """Key, old start and new start of the visits that would begin at another time."""
        for visit in self.route.visits:
            row = self.day.rows.get(visit.id)  # type: ignore[arg-type]
            if row is not None and self.day.when(visit.start) != row.starts_at:
                yield row.pk, row.starts_at, self.day.when(visit.start)
