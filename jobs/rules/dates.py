"""
The one date of a job: by when everything hangs, and how sure that is.

A job passes from the measure to its approval, its release, its goods, the workroom, and the crew. How many working
days each takes is a spread, learned from the firm's past jobs; what is known already (a day that is past, the work
that stands in the workroom, a supplier's closed weeks, days without room on a crew) bounds it. The steps are drawn
together, each spread cut into equal shares that are paired at random once and for all [1]_, so that the same job on
the same day always has the same date.

References
----------
.. [1] M. D. McKay, R. J. Beckman, W. J. Conover (1979). A comparison of three methods for selecting values of input
       variables in the analysis of output from a computer code. Technometrics 21(2): 239-245.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from decimal import Decimal
from functools import lru_cache
from typing import Any, Final

import numpy as np

from jobs.rules.variation import NORMAL, PRIOR, SHARES, Quantiles, pooled, spread

DRAWS: Final = 1_000
RECALL_DAYS: Final = 8.0
"""Working days after which the work that stands in the workroom today says little more about what will stand there;
chosen, as the next is, no published source."""
RECALL_STOCK_DAYS: Final = 20.0
"""The same of what is on hand today."""
STEPS: Final = {
    "measure": "the measure",
    "approval": "the customer's approval",
    "release": "the release",
    "goods": "materials",
    "workroom": "the workroom",
    "crew": "the crews",
}
"""What can decide about the date, in the order of the job."""
NEARLY_ALL: Final = 0.95
ENOUGH: Final = 20
"""Jobs installed from which a firm's own waits count as learned."""
Span = tuple[dt.date, dt.date]


def _waiting(mean: float) -> Quantiles:
    """A wait as likely to end on any day, by its mean in working days."""
    return tuple(-mean * math.log1p(-share) for share in SHARES)


@dataclass(frozen=True, slots=True)
class Waits:
    """
    How many working days the steps of a job take.

    Parameters
    ----------
    measure
        From the day the measure is promised for to the day it is done.
    approval, release
        From the measure to the approval (and the deposit), from there to the release.
    making
        By family, in the workroom beyond the whole days that the work standing there and the units' own make at the
        firm's pace; may be negative; "" of all together.
    pace
        Days of work over those the minutes say: what stands there waits for goods, too, and minutes are a table's.
    crew
        From packed to installed.
    ahead
        By work place, days of work that stood there when something came in; "" of any other.
    goods
        By family, from the release until everything for it is there; "" of any other.
    supply
        By supplier, days from order to door over those stated; "" of any other.
    jobs
        How many installed jobs stand behind it.
    """

    measure: Quantiles
    approval: Quantiles
    release: Quantiles
    making: Mapping[str, Quantiles]
    crew: Quantiles
    ahead: Mapping[str, Quantiles]
    goods: Mapping[str, Quantiles]
    supply: Mapping[str, Quantiles]
    pace: float = 1.0
    jobs: int = 0

    @property
    def is_learned(self) -> bool:
        return self.jobs >= ENOUGH

    def as_json(self) -> dict[str, Any]:
        """As it is stored."""
        return asdict(self)

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Waits:
        """And back."""
        values: dict[str, Any] = {}
        for name, one in stored.items():
            if isinstance(one, Mapping):
                values[name] = {key: tuple(row) for key, row in one.items()}
            else:
                values[name] = tuple(one) if isinstance(one, list) else one
        return cls(**values)


CAREFUL: Final = Waits(
    measure=tuple(200 * max(0.0, share - 0.95) for share in SHARES),
    approval=_waiting(3.0),
    release=_waiting(1.0),
    making={"": _waiting(2.0)},
    crew=_waiting(4.0),
    ahead={"": _waiting(2.0)},
    goods={"": _waiting(5.0)},
    supply={"": tuple(math.exp(0.05 + 0.25 * z) for z in NORMAL)},
)
"""Common practice, no published source; until a firm has learned its own."""


@dataclass(frozen=True, slots=True)
class Goods:
    """
    Something that has to come from a supplier.

    Parameters
    ----------
    lead
        Working days from the order to the door as stated; None: as learned for `family`.
    short
        Without a lead: the share of the family's units for which something would have to be ordered today; None where
        nobody looked.
    ordered_on
        None while it is not ordered; it is then ordered at the release.
    due_on
        The day the supplier acknowledged for it; its spread is then that of a delivery, not of the whole lead.
    missed
        Share of the working day that is after the supplier's last hour for orders.
    closed
        The supplier's closed days, first and last of each stretch.
    """

    name: str
    supplier: str = ""
    lead: int | None = None
    family: str = ""
    short: float | None = None
    ordered_on: dt.date | None = None
    due_on: dt.date | None = None
    missed: float = 0.0
    closed: tuple[Span, ...] = ()


@dataclass(frozen=True, slots=True)
class Place:
    """A work place: minutes that stand there before the job's own, and minutes it works a day."""

    name: str
    ahead_min: float
    own_min: float
    day_min: float

    @property
    def days(self) -> float:
        return (self.ahead_min + self.own_min) / self.day_min


@dataclass(frozen=True, slots=True)
class Course:
    """What is known of a job on one day; a day in the past is done, `measure_on` from today on is planned."""

    today: dt.date
    measure_on: dt.date
    family: str = ""
    """Of most of its units."""
    approved_on: dt.date | None = None
    released_on: dt.date | None = None
    made_on: dt.date | None = None
    goods: tuple[Goods, ...] = ()
    places: tuple[Place, ...] = ()
    """Where it is made; without any it is bought in."""
    pack_days: int = 1
    install_on: dt.date | None = None
    """Of an install visit that has its day."""
    no_room: frozenset[dt.date] = frozenset()
    """Days from today on when no crew has time at the address, or the customer can't be there."""


class Days:
    """
    Days in a row, and which of them are worked.

    >>> week = Days(dt.date(2026, 11, 30), [True] * 5 + [False] * 2 + [True] * 5)
    >>> week.after(np.array([0, 4, 5]), np.array([0, 1, 1])).tolist()
    [0, 7, 7]
    """

    def __init__(self, first: dt.date, worked: Sequence[bool] | np.ndarray) -> None:
        self.first = first
        self.worked = np.asarray(worked, dtype=bool)
        self._count = np.cumsum(self.worked)
        self._at = np.flatnonzero(self.worked)

    def spot(self, day: dt.date) -> int:
        """The day's position; one that lies outside counts as the nearest inside."""
        return min(max(0, (day - self.first).days), len(self.worked) - 1)

    def day(self, spot: float) -> dt.date:
        return self.first + dt.timedelta(days=int(spot))

    def after(self, spots: np.ndarray, count: np.ndarray) -> np.ndarray:
        """The day so many working days after each; itself for 0. Beyond the last there is, that."""
        want = np.minimum(self._count[spots] + count, len(self._at)) - 1
        return np.where(count > 0, self._at[np.maximum(want, 0)], spots)

    def between(self, begin: np.ndarray, end: np.ndarray) -> np.ndarray:
        """Working days after `begin` up to `end`; 0 where it is not later."""
        return np.asarray(np.maximum(0, self._count[end] - self._count[begin]))

    def without(self, closed: Sequence[Span]) -> Days:
        """The same without those stretches."""
        left = self.worked.copy()
        for begin, end in closed:
            first, last = (begin - self.first).days, (end - self.first).days
            left[max(0, first) : max(0, last + 1)] = False
        return Days(self.first, left) if left.any() else self

    def open_from(self, spots: np.ndarray, shut: frozenset[dt.date]) -> np.ndarray:
        """The first worked day from each on that is none of those."""
        is_open = self.worked.copy()
        for day in shut:
            if 0 <= (position := (day - self.first).days) < len(is_open):
                is_open[position] = False
        at = np.flatnonzero(is_open)
        if not len(at):
            return spots
        return np.asarray(at[np.minimum(np.searchsorted(at, spots), len(at) - 1)])


@dataclass(frozen=True)
class Forecast:
    """
    When a job is installed: days that are equally likely, ascending.

    `marks` is the likely day (the middle one) of each step's end; `decides` the step without whose wait the date of
    `share` would come forward most, by `gained` days.
    """

    days: Days
    installed: np.ndarray
    marks: Mapping[str, dt.date]

    def by(self, share: float) -> dt.date:
        """The first day by which it is installed with that chance."""
        return self.days.day(self.installed[min(len(self.installed) - 1, math.ceil(share * len(self.installed)) - 1)])

    def chance(self, day: dt.date) -> float:
        """The chance that it is installed by the end of that day."""
        return float(np.searchsorted(self.installed, (day - self.days.first).days, side="right")) / len(self.installed)


@lru_cache(maxsize=32)
def _order(number: int) -> np.ndarray:
    """An order of the draws, another for each number; always the same."""
    return np.random.default_rng(number).permutation(DRAWS)


class _Drawn:
    """One job's draws, step by step; `without` is a step that takes no time."""

    def __init__(self, course: Course, waits: Waits, days: Days, without: str) -> None:
        self.course, self.waits, self.days, self.without = course, waits, days, without
        self.today = days.spot(course.today)
        self.number = 0

    def wait(self, quantiles: Quantiles, least: np.ndarray | float = 0.0) -> np.ndarray:
        """
        Whole working days of a step; `least` have passed already and it is not over.

        One that has lasted longer than nearly all takes as long again as any.
        """
        self.number += 1
        share = (_order(self.number) + 0.5) / DRAWS
        fresh = np.rint(np.interp(share, SHARES, quantiles))
        if not np.any(least):
            return fresh
        passed = np.interp(np.asarray(least) - 0.5, quantiles, SHARES, left=0.0)
        known = np.rint(np.interp(passed + share * (1 - passed), SHARES, quantiles))
        return np.where(passed < NEARLY_ALL, np.maximum(known, least), least + fresh)

    def measured(self) -> np.ndarray:
        """When it is measured: as planned, or some days after; before today it is done."""
        course = self.course
        slip = self.wait(self.waits.measure).astype(int)
        planned = np.full(DRAWS, self.days.spot(course.measure_on))
        if course.measure_on < course.today or course.approved_on is not None:
            return planned
        return np.full(DRAWS, self.today) if self.without == "measure" else self.days.after(planned, slip)

    def passed(self, start: np.ndarray, over_on: dt.date | None, quantiles: Quantiles, step: str) -> np.ndarray:
        """The end of a step that begins at `start`, or is over."""
        if over_on is not None:
            self.number += 1
            return np.full(DRAWS, self.days.spot(over_on))
        gone = self.days.between(start, np.full(DRAWS, self.today))
        found = self.wait(quantiles, gone)
        end = np.maximum(self.today, start) if step == self.without else self.days.after(start, found.astype(int))
        return np.asarray(np.maximum(end, self.today))

    def there(self, released: np.ndarray) -> np.ndarray:
        """When everything that has to come is there."""
        found = released
        for one in self.course.goods:
            found = np.maximum(found, self._comes(one, released))
        return found

    def _comes(self, one: Goods, released: np.ndarray) -> np.ndarray:
        days = self.days.without(one.closed)
        ordered = released
        if one.ordered_on is not None:
            ordered = np.full(DRAWS, self.days.spot(one.ordered_on))
        else:
            self.number += 1
            is_late = (_order(self.number) + 0.5) / DRAWS < one.missed
            ordered = np.maximum(self.days.after(ordered, is_late.astype(int)), ordered)
        gone = days.between(ordered, np.full(DRAWS, self.today))
        lead = self._lead(one)
        found = self._usually(lead, one.short, released) if one.lead is None else self.wait(lead, gone)
        found = found.astype(int)
        if self.without == "goods":
            return released
        return np.asarray(np.maximum(days.after(ordered, np.maximum(found, 0)), np.minimum(released, self.today)))

    def _usually(self, waits: Quantiles, short: float | None, released: np.ndarray) -> np.ndarray:
        """
        The wait for a family's goods: none where they are on hand at the release.

        What is on hand, or out, today is so for a while; then as often as in the past.
        """
        self.number += 1
        share = (_order(self.number) + 0.5) / DRAWS
        usual = 1 - float(np.interp(0.5, waits, SHARES, left=0.0, right=1.0))
        if short is None or not usual:
            return np.rint(np.interp(share, SHARES, waits))
        away = self.days.between(np.full(DRAWS, self.today), np.maximum(released, self.today))
        recall = np.exp(-away / RECALL_STOCK_DAYS)
        out = recall * short + (1 - recall) * usual
        within = np.interp(1 - usual * (1 - share / np.maximum(out, 1e-9)), SHARES, waits)
        return np.where(share < out, np.maximum(1, np.rint(within)), 0)

    def _lead(self, one: Goods) -> Quantiles:
        """Working days from its order to the door."""
        ratio = self.waits.supply.get(one.supplier) or self.waits.supply[""]
        if one.due_on is not None and one.ordered_on is not None:
            begin, end = (np.array([self.days.spot(day)]) for day in (one.ordered_on, one.due_on))
            stated = float(self.days.without(one.closed).between(begin, end)[0])
            middle = ratio[len(ratio) // 2]
            return tuple(stated + min(1.0, stated / 4) * (value - middle) * 2 for value in ratio)
        if one.lead is not None:
            return tuple(one.lead * value for value in ratio)
        return self.waits.goods.get(one.family) or self.waits.goods[""]

    def made(self, there: np.ndarray) -> np.ndarray:
        """When the workroom is done."""
        course = self.course
        if course.made_on is not None:
            self.number += 1
            return np.full(DRAWS, self.days.spot(course.made_on))
        begin = np.asarray(np.maximum(there, self.today))
        recall = np.exp(-self.days.between(np.full(DRAWS, self.today), begin) / RECALL_DAYS)
        work = np.zeros(DRAWS)
        self.number += 1
        spot = _order(self.number)
        for place in course.places:
            usual = self.waits.ahead.get(place.name) or self.waits.ahead[""]
            standing = recall * place.ahead_min / place.day_min + (1 - recall) * spread(usual, DRAWS)[spot]
            work = np.maximum(work, standing + place.own_min / place.day_min)
        more = self.wait(self.waits.making.get(course.family) or self.waits.making[""])
        if self.without == "workroom" or not course.places:
            return begin
        days = np.maximum(0, np.floor(self.waits.pace * work) + more).astype(int)
        return np.asarray(self.days.after(begin, days))

    def installed(self, made: np.ndarray) -> np.ndarray:
        """When it hangs."""
        ready = self.days.after(made, np.full(DRAWS, self.course.pack_days))
        wait = self.wait(self.waits.crew).astype(int)
        if self.without == "crew":
            return ready
        free = self.days.open_from(self.days.after(np.maximum(ready, self.today), wait), self.course.no_room)
        if self.course.install_on is None:
            return free
        planned = self.days.spot(self.course.install_on)
        return np.where(ready <= planned, planned, free)


def forecast(course: Course, waits: Waits, days: Days, without: str = "") -> Forecast:
    """
    When a job is installed.

    Parameters
    ----------
    days
        From before the first day the course names to long after its end; worked are those of the branch.
    without
        A step of `STEPS` that is taken to need no time.

    Examples
    --------
    >>> at_once, a_day, two = ((float(days),) * len(SHARES) for days in range(3))
    >>> sure = replace(CAREFUL, measure=at_once, approval=two, release=at_once, making={"": a_day}, crew=a_day)
    >>> monday = dt.date(2026, 11, 30)
    >>> week = [True] * 5 + [False] * 2
    >>> found = forecast(Course(monday, monday), sure, Days(monday, week * 8))
    >>> str(found.by(0.9)), found.chance(monday + dt.timedelta(days=3)), found.chance(monday + dt.timedelta(days=4))
    ('2026-12-04', 0.0, 1.0)
    """
    drawn = _Drawn(course, waits, days, without)
    start = drawn.measured()
    approved = drawn.passed(start, course.approved_on, waits.approval, "approval")
    released = drawn.passed(approved, course.released_on, waits.release, "release")
    there = drawn.there(released) if course.made_on is None else released
    made = drawn.made(there)
    installed = drawn.installed(made)
    ends = {"measure": start, "approval": approved, "release": released, "goods": there, "workroom": made}
    marks = {name: days.day(np.median(one)) for name, one in (ends | {"crew": installed}).items()}
    return Forecast(days, np.sort(installed), marks)


def deciding(course: Course, waits: Waits, days: Days, share: float) -> str:
    """The step without whose wait the date of that chance would come forward most; empty where none would."""
    base = forecast(course, waits, days).by(share)
    gained = {name: (base - forecast(course, waits, days, without=name).by(share)).days for name in STEPS}
    best = max(gained, key=lambda name: gained[name])
    return best if gained[best] > 0 else ""


@dataclass(frozen=True, slots=True)
class Way:
    """
    What would bring a job forward: the day it is then installed by, the chance in 100 of the day told, its price.

    A price of None is not known.

    >>> way = Way("rush batch", dt.date(2026, 12, 18), 91, Decimal(0))
    >>> Way.from_json(way.as_json()) == way
    True
    """

    text: str
    by: dt.date
    chance: int
    price: Decimal | None
    url: str = ""

    def as_json(self) -> dict[str, object]:
        """As it is stored."""
        return {**asdict(self), "by": self.by.isoformat(), "price": None if self.price is None else str(self.price)}

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Way:
        """And back."""
        price = stored["price"]
        known = None if price is None else Decimal(price)
        return cls(stored["text"], dt.date.fromisoformat(stored["by"]), stored["chance"], known, stored["url"])


# -- from past jobs ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Past:
    """
    A job of which something is over, by the days on which its steps were; `planned_on` is what its measure was first
    promised for.

    Parameters
    ----------
    there_on
        When everything for it was there; None where nobody knows.
    ahead
        By work place, days of work that stood there when it was released.
    load
        Days of work, its own among them, at the place that had most when its goods were there.
    closed
        When the suppliers of its family were closed.
    """

    family: str = ""
    planned_on: dt.date | None = None
    measured_on: dt.date | None = None
    approved_on: dt.date | None = None
    released_on: dt.date | None = None
    there_on: dt.date | None = None
    made_on: dt.date | None = None
    installed_on: dt.date | None = None
    ahead: Mapping[str, float] = field(default_factory=dict)
    load: float = 0.0
    closed: tuple[Span, ...] = ()


@dataclass(frozen=True, slots=True)
class Supplied:
    """A delivery: working days stated from the order to the door, and the days of both; `closed` as of `Goods`."""

    supplier: str
    stated: float
    ordered_on: dt.date
    came_on: dt.date
    closed: tuple[Span, ...] = ()


def learned(past: Sequence[Past], supplied: Sequence[Supplied], days: Days, pack_days: int) -> Waits:
    """
    What past jobs teach; each spread has the careful one among its values.

    Examples
    --------
    >>> learned([], [], Days(dt.date(2026, 11, 30), [True]), 1) == CAREFUL
    True
    """
    if not past and not supplied:
        return CAREFUL

    worked = [one for one in past if one.load > 0 and one.there_on is not None and one.made_on is not None]
    taken = _waited(worked, days, "there_on", "made_on")
    pace = (sum(taken) + PRIOR) / (sum(one.load for one in worked) + PRIOR)
    more: dict[str, list[float]] = {}
    for one, days_taken in zip(worked, taken, strict=True):
        more.setdefault(one.family, []).append(days_taken - math.floor(pace * one.load))
    together = pooled([wait for waits in more.values() for wait in waits], CAREFUL.making[""])
    names = {name for one in past for name in one.ahead}
    ahead = {name: [one.ahead[name] for one in past if name in one.ahead] for name in names}
    families = {
        name: _for_goods([one for one in past if one.family == name], days) for name in {one.family for one in past}
    }
    goods = pooled(_for_goods([one for one in past if one.load > 0], days), CAREFUL.goods[""])
    ratios: dict[str, list[float]] = {}
    for delivery in supplied:
        if delivery.stated > 0:
            lead = _between(days.without(delivery.closed), delivery.ordered_on, delivery.came_on)
            ratios.setdefault(delivery.supplier, []).append(lead / delivery.stated)
    crew = [max(0.0, wait - pack_days) for wait in _waited(past, days, "made_on", "installed_on")]
    return replace(
        CAREFUL,
        measure=pooled(_waited(past, days, "planned_on", "measured_on"), CAREFUL.measure),
        approval=pooled(_waited(past, days, "measured_on", "approved_on"), CAREFUL.approval),
        release=pooled(_waited(past, days, "approved_on", "released_on"), CAREFUL.release),
        making={"": together, **{name: pooled(values, together) for name, values in more.items()}},
        crew=pooled(crew, CAREFUL.crew),
        ahead={**CAREFUL.ahead, **{name: pooled(values, CAREFUL.ahead[""]) for name, values in ahead.items()}},
        goods={"": goods, **{name: pooled(values, goods) for name, values in families.items()}},
        supply={**CAREFUL.supply, **{name: pooled(values, CAREFUL.supply[""]) for name, values in ratios.items()}},
        pace=pace,
        jobs=sum(one.installed_on is not None for one in past),
    )


def _waited(past: Sequence[Past], days: Days, begin: str, end: str) -> list[float]:
    """Working days between two of their days, of those that have both."""
    pairs = [(getattr(one, begin), getattr(one, end)) for one in past]
    return [_between(days, *pair) for pair in pairs if None not in pair]


def _for_goods(past: Sequence[Past], days: Days) -> list[float]:
    """From the release until all was there, in working days on which the suppliers were open."""
    stretches = {one.closed: days.without(one.closed) for one in past}
    pairs = [(stretches[one.closed], one.released_on, one.there_on) for one in past]
    return [_between(opened, begin, end) for opened, begin, end in pairs if begin is not None and end is not None]


def _between(days: Days, begin: dt.date, end: dt.date) -> float:
    return float(days.between(np.array([days.spot(begin)]), np.array([days.spot(end)]))[0])
