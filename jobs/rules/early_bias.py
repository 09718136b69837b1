"""A plan that comes early into promised windows, because lateness within them has a price."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from jobs.rules.routing.model import LARGEST_WEIGHT, Problem, Stop, open_spans

EARLY_S: Final = 3600
"""How long before its end a promise begins to cost."""
LATE_PRICE: Final = 5
"""What a second of that costs, in seconds of driving; chosen on generated branches, no published source."""


def early_biased(problem: Problem) -> Problem:
    """
    The problem with every second of a promise's last hour at a price, its bounds as they were.

    A promise may not be missed in it either: the engine's grace after a promise is spent
    inside the window, and a window shorter than an hour keeps its begin as the earliest start.

    Examples
    --------
    >>> import numpy as np
    >>> from jobs.rules.routing import Crew, Problem, Stop
    >>> stop = Stop(1, 1, 600, promised=(36_000, 43_200))
    >>> there = np.array([[0, 60], [60, 0]])
    >>> priced = early_biased(Problem((Crew("A", 0, 0, ((28_800, 61_200),)),), (stop,), there))
    >>> priced.stops[0].promised, priced.windows
    ((36000, 39600), (((36000, 43200),),))
    """
    o = problem.objective
    late = min(LARGEST_WEIGHT, LATE_PRICE * max(1, o.drive or o.paid))
    return problem.with_stops(map(_early_biased, problem.stops), objective=replace(o, late=late, grace=EARLY_S))


def _early_biased(stop: Stop) -> Stop:
    if stop.promised is None:
        return stop
    begin, end = stop.promised
    due = end - EARLY_S
    if stop.windows or due < 0:  # grace counts whatever the other windows: this one stays as it is, and hard
        spans = open_spans(stop)
        return replace(stop, windows=spans or ((0, 0),), earliest=stop.earliest if spans else 1, promised=None)
    return replace(stop, promised=(min(begin, due), due), earliest=max(stop.earliest, begin))
