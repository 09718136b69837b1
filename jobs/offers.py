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
from typing import Final

import numpy as np
from django.utils import timezone

from jobs.availability import Span, local
from jobs.chances import SEED, chance_text, sigma_of
from jobs.dispatch import Push, earliest_install, site_point
from jobs.models import Appointment, CalendarRules, Crew, UsualWindow
from jobs.planning import Calendar, order_numbers, possible_spans, read_calendar, read_driver
from jobs.rules.promises import Chance, Pause, PromisedVisit, chances
from jobs.rules.routing import Inserter, Problem, Route, Stop
from jobs.rules.routing import Offer as Priced
from jobs.rules.routing.timing import assemble, build_route
from jobs.travel import travel_to_and_from
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
    impossible: Sequence[Span] = (),
    days_ahead: int | None = None,
    most: int = MOST_SHOWN,
) -> Offers:
    """
    The best windows for an appointment, saved or not.

    Parameters
    ----------
    impossible
        Stretches the customer can't be there, beside those of a saved job.
    days_ahead
        How many days are looked at, from the first possible one; the branch's rule if None.
    """
    if site_point(appointment) is None:
        return Offers((), "The site has no coordinates. Enter them, or pick the place on the sketch.")
    crews = crews_for(appointment)
    if not crews:
        return Offers((), f"No crew drives for {appointment.get_purpose_display()}.")
    branch = appointment.job.branch
    now = timezone.now()
    today = now.astimezone(branch.tz).date()
    first, why = earliest_install(appointment)
    start = max(today, first) if first else today
    ahead = days_ahead or CalendarRules.of(branch).days_offered
    days = [start + dt.timedelta(days=n) for n in range(ahead)]
    market = _Market(appointment, crews, days, impossible, now)
    shown = market.best(most)
    if not shown:
        bound = f" It is {why}." if why else ""
        return Offers((), f"No crew has room in the {len(days)} days from {start:%a} {start.day} {start:%b}.{bound}")
    return Offers(tuple(shown), why if first and first > today else "", market.word)


def offer_in(appointment: Appointment, crew: Crew, window: Span) -> Offer | None:
    """The best place for this window on this crew's day as it stands now; None when it is gone."""
    day = window[0].astimezone(appointment.job.branch.tz).date()
    first, _ = earliest_install(appointment)
    if first is not None and day < first:
        return None
    market = _Market(appointment, [crew], [day], (), timezone.now(), [window])
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
    found = [_Market(appointment, [crew], [day], (), timezone.now(), [window]).best(1) for crew in crews]
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
    word: str = ""
    calendar: Calendar = field(init=False)
    stop: Stop = field(init=False)
    into: list[int] = field(init=False)
    out_of: list[int] = field(init=False)
    orders: dict[int, list[int]] = field(init=False)
    built: dict[int, Route] = field(init=False)

    def best(self, most: int) -> list[Offer]:
        """The cheapest crew for each window, cheapest windows first."""
        parts = self._parts()
        point = site_point(self.appointment)
        if not parts or point is None:
            return []
        job = self.appointment.job
        self.calendar = read_calendar(job.branch, self.crews, self.days, not_before=self.now)
        self.into, self.out_of, word = travel_to_and_from(job.branch, list(self.calendar.book.places), point)
        self.word = word or self.calendar.book.travel.word
        chosen: dict[Span, Priced] = {}
        for priced in self._priced(list(parts)):
            chosen.setdefault(parts[priced.window], priced)
        found = [self._offer(span, priced) for span, priced in self._spread(chosen, most)]
        return [offer for offer in found if offer is not None]

    def _parts(self) -> dict[tuple[int, int], Span]:
        """What is left of each window that could be had, on the planner's axis, with the window itself."""
        row, job = self.appointment, self.appointment.job
        tz = job.branch.tz
        usual = [(local(tz, day, a), local(tz, day, b)) for day in self.days for a, b in usual_windows(job.branch)]
        wanted = list(self.windows) if self.windows is not None else [span for span in usual if span[0] > self.now]
        own = [(w.starts_at, w.ends_at) for w in row.possible_windows.all()] if row.pk else []
        cant = [*self.impossible, *((w.starts_at, w.ends_at) for w in (job.impossible_times.all() if job.pk else ()))]
        allowed = possible_spans(job, row.duration_min, own, self.days, cant)
        epoch = local(tz, min(self.days), dt.time(0))
        return {
            (int((max(begin, a) - epoch).total_seconds()), int((min(end, b) - epoch).total_seconds())): (begin, end)
            for begin, end in wanted
            for a, b in allowed
            if max(begin, a) <= min(end, b)
        }

    def _spread(self, chosen: dict[Span, Priced], most: int) -> list[tuple[Span, Priced]]:
        """The cheapest, but not more than some of one day before other days had theirs."""
        tz = self.appointment.job.branch.tz
        counts: dict[dt.date, int] = {}
        first: list[tuple[Span, Priced]] = []
        rest: list[tuple[Span, Priced]] = []
        for span, priced in chosen.items():
            day = span[0].astimezone(tz).date()
            counts[day] = counts.get(day, 0) + 1
            (first if counts[day] <= MOST_A_DAY else rest).append((span, priced))
        return (first + rest)[:most]

    def _priced(self, parts: list[tuple[int, int]]) -> Iterator[Priced]:
        """Prices on every crew's day that can be driven as it stands; the board shows those that can't."""
        problem, row = self.calendar.problem, self.appointment
        own = problem.stop_number.get(row.pk) if row.pk else None
        self.orders = {
            number: [stop for stop in order if stop != own] for number, order in order_numbers(self.calendar).items()
        }
        self.built, broken = {}, set()
        for number, order in self.orders.items():
            route = build_route(problem, problem.days[number], order)
            if route is None:
                broken.add(number)
            else:
                self.built[number] = route
        keys = [skill.key for skill in row.skills.all()] if row.pk else []
        self.stop = Stop(
            id="new", at=0, service=row.duration_min * 60, skills=frozenset([*keys, f"for {row.purpose}"]),
            people=row.people,
        )  # fmt: skip
        inserter = Inserter(problem, assemble(problem, self.built.values()))
        for priced in inserter.offers(self.stop, parts, to=self.into, back=self.out_of):
            if problem.day_number[priced.crew, priced.shift] not in broken:
                yield priced

    def _offer(self, span: Span, priced: Priced) -> Offer | None:
        """The offer to the minute: start, waiting, who begins at another time, the chance."""
        number = self.calendar.problem.day_number[priced.crew, priced.shift]
        small, order = self._small(priced, number)
        route = build_route(small, small.days[0], order)
        if route is None:
            return None
        before = self.built.get(number)
        drive = route.travel - (before.travel if before else 0)
        paid = route.back - route.depart - (before.back - before.depart if before and before.visits else 0)
        crew_pk, day = read_driver(str(priced.crew))
        start = next(visit.start for visit in route.visits if visit.id == "new")
        return Offer(
            self.calendar.book.days[crew_pk, day].crew,
            day,
            span,
            self.calendar.when(start),
            (Decimal(priced.cost) / COST_UNIT).quantize(Decimal("0.01")),
            round(drive / 60),
            max(0, round((paid - drive - self.stop.service) / 60)),
            tuple(self._pushes(route, crew_pk, day)),
            self._chance(small, route, span, crew_pk, day),
        )

    def _small(self, priced: Priced, number: int) -> tuple[Problem, list[int]]:
        """One crew's day with the visit in it as a problem of its own, and its order."""
        problem = self.calendar.problem
        day = problem.days[number]
        inside = [problem.stops[place] for place in self.orders.get(number, [])]
        old = [day.start_at, day.end_at, *(stop.at for stop in inside)]
        size = len(old) + 1
        table = np.zeros((size, size), dtype=np.int64)
        table[:-1, :-1] = problem.travel[np.ix_(old, old)]
        table[:-1, -1] = [self.into[place] for place in old]
        table[-1, :-1] = [self.out_of[place] for place in old]
        driver = problem.crews[day.crew]
        driver = replace(driver, start=0, end=1, shifts=(driver.shifts[day.shift],), off=frozenset())
        stops = [replace(stop, at=place, locked=None) for place, stop in enumerate(inside, 2)]
        stops.insert(priced.node, replace(self.stop, at=size - 1, windows=(priced.window,)))
        small = Problem((driver,), tuple(stops), table, problem.objective)
        return small, list(range(len(stops)))

    def _pushes(self, route: Route, crew_pk: int, day: dt.date) -> Iterator[Push]:
        rows = {row.pk: row for row in self.calendar.book.days[crew_pk, day].appointments}
        for visit in route.visits:
            row = rows.get(visit.id)  # type: ignore[arg-type]
            if row is None or row.starts_at is None:
                continue
            becomes = self.calendar.when(visit.start)
            if becomes != row.starts_at:
                yield Push(row, row.starts_at, becomes, 0)

    def _chance(self, small: Problem, route: Route, span: Span, crew_pk: int, day: dt.date) -> Chance:
        """That the visit begins within its window, from sampled days of that route."""
        rows = {row.pk: row for row in self.calendar.book.days[crew_pk, day].appointments}
        at, visits = small.days[0].start_at, []
        for stop in small.stops:
            is_new = stop.id == "new"
            row = self.appointment if is_new else rows[stop.id]  # type: ignore[index]
            window = span if is_new else (row.promised_from, row.promised_until)
            promised = None
            if window[0] is not None and window[1] is not None:
                promised = (self.calendar.seconds(window[0]), self.calendar.seconds(window[1]))
            sigma = sigma_of(row.duration_min, row.duration_safe_min)
            visits.append(PromisedVisit(small.rows[at][stop.at], stop.service, sigma, promised=promised))
            at = stop.at
        lunch = small.days[0].lunch
        pause = Pause(lunch.earliest, lunch.duration) if lunch else None
        told = chances(visits, route.depart, seed=SEED, days=OFFER_DAYS, pause=pause)
        return next(chance for chance, stop in zip(told, small.stops, strict=True) if stop.id == "new")
