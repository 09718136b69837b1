"""
The end of a search: is there a cheaper plan at all?

Every pattern that a cheaper plan could use is listed, cuts thin the list, and integer
programs go over it from below: the first looks for a plan of so low a cost that few
patterns can be in it; where there is none, the next one looks further up.

References
----------
.. [1] R. Baldacci, N. Christofides, A. Mingozzi (2008). An exact algorithm for the vehicle
       routing problem based on the set partitioning formulation with additional cuts.
       Mathematical Programming 115: 351-385. (The patterns within a gap, and a program over them.)
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from fabrication.rules.cutting.columns.column import loading_cost
from fabrication.rules.cutting.columns.exact import cheapest
from fabrication.rules.cutting.columns.finish import Finished, best_of_pool
from fabrication.rules.cutting.columns.instance import Instance
from fabrication.rules.cutting.columns.pool import TooMany
from fabrication.rules.cutting.columns.sharpen import FAR, Sharpened, sharpened
from fabrication.rules.cutting.columns.state import State
from fabrication.rules.cutting.watch import Watch

MOST_PATTERNS = 120_000
"""Patterns up to which cuts over all of them are tried."""

LISTING_STEPS = 20_000
"""Steps of listing patterns, beside one for each."""

HALVINGS = 3
"""How often the way from the bound to the best plan is halved until its patterns can be counted."""

FEWEST = 300
STEP = 2.3
"""Patterns that the first integer program is over, and by what each next one is larger."""

SMALL_POOL = 2_000
LARGE_POOL = 20_000
"""Patterns up to which integer programs are tried at first, and later."""

FIRST_PROGRAM_S = 3.0
"""Seconds for an integer program at first; where there are many patterns, each turn gives it twice as many."""

QUICK_S = 1.0
"""An integer program that ended within it is run a second time at once."""


class Proof:
    """
    What is known of plans that nobody has found.

    `sharp` lists all patterns of plans that cost at most `sharp_target`; no plan out of
    them is below `floor`, of which `claim` still has to be confirmed. A cost `above` or
    `below` is where to look after a program that came to no answer; from `too_far` on
    there are too many patterns to list.
    """

    def __init__(self, instance: Instance, state: State) -> None:
        self.instance = instance
        self.state = state
        self.sharp: Sharpened | None = None
        self.sharp_target = 0
        self.floor = -FAR
        self.above, self.below = -FAR, FAR
        self.claim: tuple[Sharpened, int] | None = None
        self.too_far = FAR

    def attempt(self, turn: int) -> None:
        """Goes on from where the last turn ended, for a share of the time left."""
        state = self.state
        watch = state.watch.share(0.9 if turn else 0.6)
        going = True
        while going and not state.done and not watch.out() and self.floor < state.cost:
            sharp = self.sharpen(state.cost - state.quantum)
            if sharp is None or state.proven:
                return
            aim = self.aim(sharp)
            part = sharp.within(aim)
            if len(part.pool) > (SMALL_POOL if turn == 0 else LARGE_POOL):
                break
            state.tell("final program")
            going = self.decide(part, aim, watch, turn)
        if self.claim is not None and (turn or self.floor >= state.cost):
            self.confirm(watch)

    def aim(self, sharp: Sharpened) -> int:
        """The cost that the next program may come to."""
        size = FEWEST
        while sharp.reach(size) < max(self.floor, min(self.above, self.state.cost)):
            size = int(STEP * size)
        aim = self.sharp_target if len(sharp.pool) <= STEP * size else min(self.sharp_target, sharp.reach(size))
        aim = max(self.floor, min(aim, self.below))
        return aim - aim % self.state.quantum

    def sharpen(self, target: int) -> Sharpened | None:
        """All patterns of plans within the target or, where these are too many, within less; raises the bound."""
        state, instance = self.state, self.instance
        known = self.sharp
        if known is None or self.sharp_target < max(self.floor, state.least):
            known, target = self.enumerated(target)
            if known is None:
                return None
        elif self.sharp_target <= target:
            return known
        else:
            known = known.within(target)
        state.tell("cuts")
        watch = state.watch.share(0.3)
        sharp = replace(known, least=target + state.quantum)
        if len(known.pool):
            sharp = sharpened(
                known,
                instance.demand,
                instance.limits,
                target,
                state.quantum,
                instance.unit,
                watch,
                least_patterns=lambda use: instance.least_patterns(use, watch),
            )
        self.sharp, self.sharp_target = sharp, target
        self.emptied(min(sharp.least, target + state.quantum), "cuts")
        return sharp

    def enumerated(self, target: int) -> tuple[Sharpened | None, int]:
        """All patterns of plans within the target or some way down to the bound, and where they end."""
        state = self.state
        for _ in range(HALVINGS):
            if target < self.too_far:
                state.watch.spend(LISTING_STEPS)
                try:
                    pool = self.instance.pool(state.bound, target, MOST_PATTERNS)
                    state.watch.spend(len(pool))
                    return Sharpened.unsharpened(pool, state.least), target
                except TooMany:
                    state.watch.spend(MOST_PATTERNS)
                    self.too_far = target
            gap = (target - state.least) // 2
            if gap < 0 or state.watch.out():
                break
            target = state.least + gap - gap % state.quantum
        return None, target

    def emptied(self, least: int, phase: str) -> None:
        """Takes note that nothing here is below a cost; a bound, where these are all patterns there are."""
        self.floor = max(self.floor, least)
        if self.instance.complete:
            self.state.offer_searched(min(least, self.state.cost), phase)

    def decide(self, part: Sharpened, aim: int, watch: Watch, turn: int) -> bool:
        """An integer program for a plan that costs at most `aim`; whether it came to an answer."""
        state = self.state
        small = len(part.pool) <= 2 * SMALL_POOL
        left = watch.left()
        mine = watch.share(0.6, 1e9 if turn and small else FIRST_PROGRAM_S * 2**turn)
        done = self.solved(part, aim, mine, seed=turn, goal=state.least, heuristics=not small)
        self.above, self.below = -FAR, FAR
        if done.loading is not None:
            return self.instance.fits(done.loading) and state.offer(done.loading, "final program")
        if done.complete:
            self.claim = part, aim
            self.floor = aim + state.quantum
            if left - watch.left() < QUICK_S:
                self.confirm(watch)
        elif aim < self.sharp_target:
            self.above = aim + 1  # a plan may be found further up
        else:
            self.below = (self.floor + aim) // 2  # a part of the way may be proved
        return done.complete

    def confirm(self, watch: Watch) -> None:
        """That there is no plan counts when a second run, set otherwise, finds none either."""
        assert self.claim is not None
        part, aim = self.claim
        done = self.solved(part, aim, watch, seed=1, presolve=False, heuristics=False)
        if done.loading is not None:
            if self.instance.fits(done.loading):
                self.state.offer(done.loading, "final program")
            self.floor = self.state.least
        elif not done.complete:
            return
        else:
            self.emptied(aim + self.state.quantum, "final program")
        self.claim = None

    def solved(self, part: Sharpened, aim: int, watch: Watch, **settings: Any) -> Finished:
        """The integer program over some patterns."""
        state, instance = self.state, self.instance
        done = best_of_pool(
            part.pool,
            instance.demand,
            instance.limits,
            aim,
            instance.unit,
            watch,
            quantum=state.quantum,
            cuts=part.cuts,
            **settings,
        )
        if done.loading is not None and loading_cost(done.loading) > aim:
            # so near the best that the solver cannot tell
            return cheapest(part.pool, instance.demand, instance.limits, aim, state.bound, watch)
        return done
