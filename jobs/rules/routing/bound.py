"""
What no plan can cost less than: a lower bound by assignment, good where windows are narrow.

In any plan each stop is left once, for another stop or the base, and arrived at once. Give
up that the legs make whole routes, and the cheapest legs are an assignment, whose dual any
prices u, v with ``u[i] + v[j] <= leg[i, j]`` bound from below by their sum [1]_. The prices
are sought by smoothed coordinate ascent and then cut down until every leg holds, in whole
seconds, so the bound holds however well or badly they were sought.

References
----------
.. [1] H. W. Kuhn (1955). The Hungarian method for the assignment problem. Naval Research
       Logistics Quarterly 2: 83-97. https://doi.org/10.1002/nav.3800020109
"""

from __future__ import annotations

from typing import Final

import numpy as np

from jobs.rules.routing.arrays import FAR, Arrays, arrays_of
from jobs.rules.routing.model import Problem

ROUNDS: Final = 60
SECONDS_EACH: Final = 3e-6
"""What it takes, about, per pair of stops."""


def cost_bound(problem: Problem, arrays: Arrays | None = None) -> int:
    """
    No plan that places every stop costs less.

    It counts driving and, where time is paid, the work itself; waiting, lunch, overtime,
    lateness and moves may be nothing. A plan that leaves a stop out may cost less.

    Examples
    --------
    >>> from jobs.rules.routing import Crew, Stop, plan_of
    >>> street = 60 * np.abs(np.arange(11)[:, None] - np.arange(11)[None, :])
    >>> crew = Crew("north", 0, 0, ((0, 7200),))
    >>> problem = Problem((crew,), (Stop("a", 4, 600, ((0, 900),)), Stop("b", 10, 600, ((0, 900),))), street)
    >>> cost_bound(problem), plan_of(problem, {0: [0]}).cost
    (1680, 480)
    """
    o = problem.objective
    work = sum(stop.service for stop in problem.stops)
    return (o.drive + o.paid) * travel_bound(arrays or arrays_of(problem)) + o.paid * work


def travel_bound(arrays: Arrays) -> int:
    """Seconds of driving without which the stops can't all be driven to."""
    if not len(arrays.service):
        return 0
    legs, leaving, coming = _legs(arrays)
    v = np.zeros(len(legs))
    typical = float(np.median(np.minimum(legs.min(axis=1), leaving))) + 1.0
    for smooth in np.geomspace(typical, typical / 50, ROUNDS):
        u = _soft_least(legs - v[None, :], leaving, smooth)
        v = _soft_least((legs - u[:, None]).T, coming, smooth)
    low = np.minimum(np.floor(v).astype(np.int64), coming)
    out = np.minimum((legs - low[None, :]).min(axis=1), leaving)
    low = np.minimum((legs - out[:, None]).min(axis=0), coming)
    return max(0, int(out.sum() + low.sum()))


def _soft_least(rows: np.ndarray, last: np.ndarray, smooth: float) -> np.ndarray:
    """The least of each row and its last entry, smoothed."""
    least = np.minimum(rows.min(axis=1), last)
    spread = np.exp(-(rows - least[:, None]) / smooth).sum(axis=1) + np.exp(-(last - least) / smooth)
    return np.asarray(least - smooth * np.log(spread))


def _legs(arrays: Arrays) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Driving from stop to stop (FAR where no crew-day can do both so), to the end and from the start."""
    count, never, travel = len(arrays.service), int(FAR), arrays.travel
    legs = np.full((count, count), never, dtype=np.int64)
    leaving, coming = np.full(count, never, dtype=np.int64), np.full(count, never, dtype=np.int64)
    for day in _unlike(arrays):
        here = np.flatnonzero(arrays.allowed[:, day])
        opens, shuts = arrays.open_lo[here], arrays.open_hi[here]
        meets = (shuts >= arrays.begin[day]) & (opens <= arrays.limit[day])
        first = np.where(meets, np.maximum(opens, arrays.begin[day]), never).min(axis=1)
        last = np.where(meets, np.minimum(shuts, arrays.limit[day]), -1).max(axis=1)
        drive = travel[np.ix_(here, here)]
        can = (first + arrays.service[here])[:, None] + drive <= last[None, :]
        both = np.ix_(here, here)
        legs[both] = np.where(can, drive, legs[both])
        leaving[here] = np.minimum(leaving[here], travel[here, arrays.end_at[day]])
        coming[here] = np.minimum(coming[here], travel[arrays.start_at[day], here])
    np.fill_diagonal(legs, never)
    return legs, leaving, coming


def _unlike(arrays: Arrays) -> list[int]:
    """One crew-day of each kind that takes the same stops."""
    seen: dict[tuple[int, bytes], int] = {}
    for day, kind in enumerate(arrays.kind.tolist()):
        seen.setdefault((kind, arrays.allowed[:, day].tobytes()), day)
    return list(seen.values())
