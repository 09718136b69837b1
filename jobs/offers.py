"""
Windows for a booking on the phone: what each costs in drive and waiting, and what it moves.

For every crew's day and every usual window the new visit is tried at every place of that
day's order; promises, locks, hours, lunch, skills and people hold (`jobs.rules.routing`).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from django.utils import timezone

from jobs.availability import Span, local
from jobs.dispatch import Push, earliest_install, site_point
from jobs.models import Appointment, CalendarRules, Crew, UsualWindow
from jobs.planning import ANYWHERE, Calendar, needs, order_numbers, possible_spans, read_calendar, read_driver
from jobs.rules.routing import Route, Stop
from jobs.rules.routing.slack import Slack
from jobs.rules.routing.timing import NEVER, build_route, next_start, route_cost
from shared.errors import Refused
from shared.models import Branch

COST_UNIT: Final = Decimal(360_000)
STARTING_WINDOWS: Final = ((dt.time(8), dt.time(10)), (dt.time(10), dt.time(12)), (dt.time(12), dt.time(14)),
                           (dt.time(14), dt.time(16)))  # fmt: skip
MOST_SHOWN: Final = 12


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
    chance: float | None = None

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
    rules = CalendarRules.of(branch)
    now = timezone.now()
    today = now.astimezone(branch.tz).date()
    first, why = earliest_install(appointment)
    start = max(today, first) if first else today
    days = [start + dt.timedelta(days=n) for n in range(days_ahead or rules.days_offered)]
    found = list(_tried(appointment, crews, days, impossible, now))
    calendar_word = found[0][1].book.travel.word if found else ""
    offers = [offer for offer, _ in found]
    best: dict[Span, Offer] = {}
    for offer in sorted(offers, key=lambda one: (one.price, one.starts_at, one.crew.pk)):
        best.setdefault(offer.window, offer)
    shown = sorted(best.values(), key=lambda one: (one.price, one.starts_at))[:most]
    if not shown:
        bound = f" It is {why}." if why else ""
        return Offers((), f"No crew has room in the {len(days)} days from {start:%a %d %b}.{bound}")
    return Offers(tuple(shown), why if first and first > today else "", calendar_word)


def offer_in(appointment: Appointment, crew: Crew, window: Span) -> Offer | None:
    """The best place for this window on this crew's day as it stands now; None when it is gone."""
    day = window[0].astimezone(appointment.job.branch.tz).date()
    first, _ = earliest_install(appointment)
    if first is not None and day < first:
        return None
    found = [offer for offer, _ in _tried(appointment, [crew], [day], (), timezone.now(), windows=[window])]
    return min(found, key=lambda one: one.price, default=None)


def _tried(
    appointment: Appointment,
    crews: Sequence[Crew],
    days: Sequence[dt.date],
    impossible: Sequence[Span],
    now: dt.datetime,
    windows: Sequence[Span] | None = None,
) -> Iterator[tuple[Offer, Calendar]]:
    """Every window that can be had, with the price of its best place on each crew's day."""
    job = appointment.job
    tz = job.branch.tz
    wanted = windows or [(local(tz, day, a), local(tz, day, b)) for day in days for a, b in usual_windows(job.branch)]
    wanted = [(begin, end) for begin, end in wanted if begin > now or windows]
    own = [(w.starts_at, w.ends_at) for w in appointment.possible_windows.all()] if appointment.pk else []
    cant = [*impossible, *((w.starts_at, w.ends_at) for w in (job.impossible_times.all() if job.pk else ()))]
    allowed = possible_spans(job, appointment.duration_min, own, days, cant)
    epoch = local(tz, min(days), dt.time(0))
    variants, spans = [], {}
    for number, (begin, end) in enumerate(wanted):
        parts = [(max(begin, a), min(end, b)) for a, b in allowed if max(begin, a) <= min(end, b)]
        if not parts:
            continue
        key = f"window {number}"
        spans[key] = (begin, end)
        variants.append(
            Stop(
                id=key,
                at=ANYWHERE,
                service=appointment.duration_min * 60,
                windows=tuple((int((a - epoch).total_seconds()), int((b - epoch).total_seconds())) for a, b in parts),
                skills=needs(appointment) if appointment.pk else frozenset({f"for {appointment.purpose}"}),
                people=appointment.people,
            )
        )
    if not variants:
        return
    calendar = read_calendar(job.branch, crews, days, also=[appointment], variants=variants, not_before=now)
    yield from ((offer, calendar) for offer in _priced(calendar, appointment, spans))


def _priced(calendar: Calendar, appointment: Appointment, spans: dict[str, Span]) -> Iterator[Offer]:
    problem = calendar.problem
    orders = order_numbers(calendar)
    own = problem.stop_number.get(appointment.pk) if appointment.pk else None
    crews = {one.crew.pk: one.crew for one in calendar.book.days.values()}
    rows = {row.pk: row for one in calendar.book.days.values() for row in one.appointments}
    for number, day in enumerate(problem.days):
        order = [stop for stop in orders.get(number, []) if stop != own]
        before = build_route(problem, day, order)
        if before is None:
            continue  # this day can't be driven as it stands: the board says so, and nothing is sold on it
        slack = Slack(problem, day, order)
        price_before = route_cost(problem, day, before)
        crew_pk, date = read_driver(str(problem.crews[day.crew].id))
        for key, span in spans.items():
            stop = problem.stop_number[key]
            if number not in problem.allowed[stop] or not _meets(problem.windows[stop], day.begin, day.limit):
                continue
            best = _best_place(calendar, number, order, stop, slack)
            if best is None:
                continue
            route, cost = best
            drive = route.travel - before.travel
            paid = (route.back - route.depart) - ((before.back - before.depart) if before.visits else 0)
            start = next(visit.start for visit in route.visits if visit.id == key)
            yield Offer(
                crews[crew_pk],
                date,
                span,
                calendar.when(start),
                (Decimal(cost - price_before) / COST_UNIT).quantize(Decimal("0.01")),
                round(drive / 60),
                max(0, round((paid - drive - problem.stops[stop].service) / 60)),
                tuple(_pushes(calendar, route, rows)),
            )


def _meets(windows: Sequence[tuple[int, int]], begin: int, limit: int) -> bool:
    return any(a <= limit and b >= begin for a, b in windows)


def _best_place(
    calendar: Calendar, number: int, order: list[int], stop: int, slack: Slack
) -> tuple[Route, int] | None:
    """The cheapest place in the order, or None; places without room are skipped by slack alone."""
    problem, day = calendar.problem, calendar.problem.days[number]
    best: tuple[Route, int] | None = None
    for place in range(len(order) + 1):
        if not _has_room(calendar, slack, place, stop):
            continue
        route = build_route(problem, day, [*order[:place], stop, *order[place:]])
        if route is None:
            continue
        cost = route_cost(problem, day, route)
        if best is None or cost < best[1]:
            best = route, cost
    return best


def _has_room(calendar: Calendar, slack: Slack, place: int, stop: int) -> bool:
    """Whether the stop could be reached in its window and the next one after it; lunch is left to the timing."""
    rows, problem = calendar.problem.rows, calendar.problem
    at = problem.stops[stop].at
    leave = min(slack.leave0[place], slack.leave1[place])
    start = next_start(problem.windows[stop], leave + rows[slack.places[place]][at])
    if start == NEVER:
        return False
    arrive = start + problem.stops[stop].service + rows[at][slack.places[place + 1]]
    return arrive <= max(slack.late0[place + 1], slack.late1[place + 1])


def _pushes(calendar: Calendar, route: Route, rows: dict[int, Appointment]) -> Iterator[Push]:
    for visit in route.visits:
        row = rows.get(visit.id) if isinstance(visit.id, int) else None
        if row is None or row.starts_at is None:
            continue
        becomes = calendar.when(visit.start)
        if becomes != row.starts_at:
            yield Push(row, row.starts_at, becomes, 0)
