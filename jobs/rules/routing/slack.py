"""
What one route can still take: earliest departures and latest arrivals along it.

With these a stop is priced at any place of the route in constant time. Each node has
two states, lunch still to come (0) and lunch over or none (1).
"""

from __future__ import annotations

from collections.abc import Sequence

from jobs.rules.routing.model import CrewDay, Problem, Span, Stop
from jobs.rules.routing.timing import NEVER, last_start, next_start

LONG_AGO = -(1 << 60)


class Slack:
    """
    Slack along `order` on `day`.

    Node 0 is the start, 1..n the stops, n + 1 the end. `leave0[k]`, `leave1[k]` are the
    earliest departures from node k, NEVER where there is none; `late0[k]`, `late1[k]` the
    latest arrivals at node k, LONG_AGO where there is none. Lunch is [lunch_lo, lunch_hi],
    `lunch_len` long, and has length 0 where the day has none (state 0 is then never).
    """

    __slots__ = (
        "day",
        "late0",
        "late1",
        "leave0",
        "leave1",
        "load",
        "lunch_hi",
        "lunch_len",
        "lunch_lo",
        "order",
        "places",
    )

    def __init__(self, problem: Problem, day: CrewDay, order: Sequence[int]) -> None:
        self.day = day
        self.order = list(order)
        lunch = day.lunch
        self.lunch_lo, self.lunch_hi, self.lunch_len = (
            (0, LONG_AGO, 0) if lunch is None else (lunch.earliest, lunch.latest, lunch.duration)
        )
        self.places = [day.start_at, *(problem.stops[number].at for number in order), day.end_at]
        self.load = sum(problem.stops[number].load for number in order)
        self._forward(problem)
        self._backward(problem)

    @property
    def is_possible(self) -> bool:
        """Whether the route can be driven as it is."""
        leg = self.late0[0], self.late1[0]
        return self.leave0[0] <= leg[0] or self.leave1[0] <= leg[1]

    def after_drive(self, leave0: int, leave1: int, drive: int) -> tuple[int, int]:
        """When work could start after a drive, with lunch to come and with lunch over."""
        ready = leave1 + drive
        if self.lunch_len and leave0 < NEVER:
            if max(leave0, self.lunch_lo) <= self.lunch_hi:
                ready = min(ready, max(leave0, self.lunch_lo) + self.lunch_len + drive)
            if max(leave0 + drive, self.lunch_lo) <= self.lunch_hi:
                ready = min(ready, max(leave0 + drive, self.lunch_lo) + self.lunch_len)
        return leave0 + drive, ready

    def eats_within(self, start: int, service: int) -> bool:
        """Whether lunch can be taken within a stop that begins then."""
        return self.lunch_len > 0 and start <= self.lunch_hi and start + service >= self.lunch_lo

    def _forward(self, problem: Problem) -> None:
        rows, places, day = problem.rows, self.places, self.day
        if self.lunch_len:
            leave0, leave1 = day.begin, max(day.begin, self.lunch_lo + self.lunch_len)
        else:
            leave0, leave1 = NEVER, day.begin
        self.leave0, self.leave1 = [leave0], [leave1]
        for place, number in enumerate(self.order):
            ready0, ready1 = self.after_drive(leave0, leave1, rows[places[place]][places[place + 1]])
            stop, windows = problem.stops[number], problem.windows[number]
            start0 = next_start(windows, ready0)
            leave0 = min(start0 + stop.service, NEVER)
            leave1 = min(next_start(windows, ready1) + stop.service, NEVER)
            if stop.eats and self.eats_within(start0, stop.service):
                leave1 = min(leave1, leave0 + self.lunch_len)
            self.leave0.append(leave0)
            self.leave1.append(leave1)

    def _backward(self, problem: Problem) -> None:
        """`late*[0]` are the latest departures from the start, the rest latest arrivals."""
        rows, places, day = problem.rows, self.places, self.day
        count = len(self.order)
        self.late1 = [LONG_AGO] * (count + 2)
        self.late0 = [LONG_AGO] * (count + 2)
        self.late1[-1] = day.limit
        self.late0[-1] = min(day.limit, self.lunch_hi) if self.lunch_len else LONG_AGO
        for node in range(count, -1, -1):
            drive = rows[places[node]][places[node + 1]] if count else 0
            leave1 = self.late1[node + 1] - drive
            leave0 = self.late0[node + 1] - drive
            if self.lunch_len:
                eat = min(leave1 - self.lunch_len, self.lunch_hi)
                if eat >= self.lunch_lo:
                    leave0 = max(leave0, eat)
            if node == 0:
                self.late0[0], self.late1[0] = leave0, leave1
                break
            number = self.order[node - 1]
            service, windows = problem.stops[number].service, problem.windows[number]
            start1, start0 = last_start(windows, leave1 - service), last_start(windows, leave0 - service)
            start1 = LONG_AGO if start1 < 0 else start1
            start0 = LONG_AGO if start0 < 0 else start0
            if self.lunch_len:
                eat = min(start1 - self.lunch_len, self.lunch_hi)
                if eat >= self.lunch_lo:
                    start0 = max(start0, eat)
                if problem.stops[number].eats:
                    within = last_start(windows, min(leave1 - self.lunch_len - service, self.lunch_hi))
                    if within >= 0 and self.eats_within(within, service):
                        start0 = max(start0, within)
            self.late0[node], self.late1[node] = start0, start1


def start_in(slack: Slack, node: int, into: list[int], out_of: list[int], span: Span, stop: Stop) -> int | None:
    """When service would begin in that gap and window; None where it does not fit."""
    service = stop.service
    there, onward = into[slack.places[node]], out_of[slack.places[node + 1]]
    ready0, ready1 = slack.after_drive(slack.leave0[node], slack.leave1[node], there)
    late0, late1 = slack.late0[node + 1], slack.late1[node + 1]
    start = next_start((span,), ready1)
    if start < NEVER and start + service + onward <= late1:
        return start
    if not slack.lunch_len:
        return None
    start = next_start((span,), ready0)
    if start >= NEVER:
        return None
    leave = start + service
    if leave + onward <= late0:
        return start
    if stop.eats and slack.eats_within(start, service) and leave + slack.lunch_len + onward <= late1:
        return start
    eat = max(leave, slack.lunch_lo)
    return start if eat <= slack.lunch_hi and eat + slack.lunch_len + onward <= late1 else None
