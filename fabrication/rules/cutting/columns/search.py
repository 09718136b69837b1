"""The search common to bars and rolls: linear program, dives, neighbourhoods, proof."""

from __future__ import annotations

from random import Random

from fabrication.rules.cutting.columns.chosen import chosen, thinned
from fabrication.rules.cutting.columns.column import loading_cost
from fabrication.rules.cutting.columns.dive import dive
from fabrication.rules.cutting.columns.exact import cheapest
from fabrication.rules.cutting.columns.finish import best_of_pool
from fabrication.rules.cutting.columns.generation import Relaxed, relax
from fabrication.rules.cutting.columns.improve import improve
from fabrication.rules.cutting.columns.instance import Instance
from fabrication.rules.cutting.columns.master import Master
from fabrication.rules.cutting.columns.pool import TooMany
from fabrication.rules.cutting.columns.sharpen import Sharpened, sharpened
from fabrication.rules.cutting.columns.state import State
from fabrication.rules.cutting.watch import Watch

PACES = (0.1, 0.0, 0.05, 0.2)
"""Shares of the bars fixed at once, by turns, in dives."""

FIRST_DIVES = 5
"""Dives before anything else: they cost hundredths of a second where they are many."""

MOST_PATTERNS = 120_000
"""Patterns up to which cuts over all of them are tried."""

FEW_PATTERNS = 70
"""Different patterns in a plan up to which an integer program over those priced so far is quick and good."""

SMALL_POOL = 2_000
LARGE_POOL = 20_000
"""Patterns up to which the final integer program is tried at first, and later."""


def search(instance: Instance, state: State, seed: int) -> None:
    """Improves the state's plan and bound until it is proven or time is out."""
    chance = Random(seed)
    master = Master(instance.demand, instance.limits, instance.unit)
    master.add(state.best)
    pricing = instance.pricing()
    relaxed = relax(master, pricing, state.watch)
    if relaxed is None:
        return
    state.offer_bound(instance.certified(relaxed.prices.tolist()), "linear program")
    state.tell("linear program")
    if not relaxed.converged:
        return
    Search(instance, state, master, pricing, relaxed, chance).run()


class Search:
    """The turns of dives, neighbourhoods and final programs after the linear program."""

    def __init__(self, instance, state, master, pricing, relaxed, chance) -> None:  # type: ignore[no-untyped-def]
        self.instance: Instance = instance
        self.state: State = state
        self.master: Master = master
        self.pricing = pricing
        self.relaxed: Relaxed = relaxed
        self.chance: Random = chance
        self.dives = 0
        self.sharp: Sharpened | None = None
        self.sharp_target = 0

    def run(self) -> None:
        """Until proven or out of time."""
        state = self.state
        turn = 0
        while not state.done:
            self.dive(FIRST_DIVES if turn == 0 else 3)
            if not state.done and len(state.best) <= FEW_PATTERNS:
                self.choose(turn)
            if not state.done and state.quantum < 0.2 * self.instance.unit:
                watch = state.watch.share(0.25, 0.5 + turn)
                improve(self.instance, state, self.relaxed, self.chance, 10**6, watch)
            if not state.done:
                self.finish(turn)
            turn += 1

    def dive(self, times: int) -> None:
        """Some dives, each for a cheaper plan than the best."""
        state, instance = self.state, self.instance
        for _ in range(times):
            if state.done:
                return
            chance = self.chance if self.dives else None
            loading = dive(
                self.master, self.pricing, instance.demand, instance.limits, self.relaxed,
                state.cost - state.quantum, state.watch, chance, pace=PACES[self.dives % len(PACES)],
            )
            self.dives += 1
            if loading is not None and instance.fits(loading):
                state.offer(instance.tidied(loading), "dive")
            state.tell("dive")

    def choose(self, turn: int) -> None:
        """The best plan out of the patterns priced so far."""
        state, instance = self.state, self.instance
        watch = state.watch.share(0.15, 1.0 + turn)
        self.master.add(state.best)
        found = chosen(self.master.columns, instance.demand, instance.limits, instance.unit, watch, turn)
        loading = thinned(found, instance.demand, instance.without)
        if loading is not None and instance.fits(loading):
            state.offer(instance.tidied(loading), "best of the patterns")

    def finish(self, turn: int) -> None:
        """The end: every pattern a cheaper plan could use, cuts over these, and an integer program."""
        state = self.state
        target = state.cost - state.quantum
        sharp = self.sharp if self.sharp is not None and self.sharp_target == target else self.sharpen(target)
        if sharp is None or state.proven:
            return
        if len(sharp.pool) > (SMALL_POOL if turn == 0 else LARGE_POOL):
            return
        state.tell("final program")
        quick = len(sharp.pool) <= SMALL_POOL
        most = 1e9 if quick and turn else 3.0 * 2**turn
        self.decide(sharp, target, state.watch.share(0.9 if quick and turn > 1 else 0.6, most), turn)

    def sharpen(self, target: int) -> Sharpened | None:
        """All patterns of plans within the target, thinned by cuts; raises the state's bound."""
        state, instance = self.state, self.instance
        try:
            pool = instance.pool(state.bound, target, MOST_PATTERNS)
        except TooMany:
            return None
        state.tell("cuts")
        watch = state.watch.share(0.3)
        sharp = Sharpened(pool, state.least)
        if len(pool):
            sharp = sharpened(
                pool, instance.demand, instance.limits, target, state.quantum, instance.unit, watch,
                least_patterns=lambda use: instance.least_patterns(use, watch),
            )
        else:
            sharp.least = state.cost
        self.sharp, self.sharp_target = sharp, target
        if instance.complete:
            state.offer_searched(min(sharp.least, state.cost), "cuts")
        return sharp

    def decide(self, sharp: Sharpened, target: int, watch: Watch, turn: int) -> None:
        """The integer program over what is left; complete, it is a proof."""
        state, instance = self.state, self.instance
        done = best_of_pool(
            sharp.pool, instance.demand, instance.limits, target, instance.unit, watch,
            quantum=state.quantum, seed=turn, cuts=sharp.cuts, goal=state.least,
        )
        if done.loading is not None:
            if not instance.fits(done.loading):
                return
            state.offer(done.loading, "final program")
            if len(sharp.pool) > SMALL_POOL // 2:
                return  # fewer patterns are left below the new cost: the proof is quicker over these
        if done.complete and instance.complete and not state.proven:
            self.confirm(sharp)

    def confirm(self, sharp: Sharpened) -> None:
        """A complete search counts when a second run, set otherwise, finds nothing cheaper either."""
        state, instance = self.state, self.instance
        again = best_of_pool(
            sharp.pool, instance.demand, instance.limits, state.cost - state.quantum, instance.unit, state.watch,
            quantum=state.quantum, presolve=False, seed=1, cuts=sharp.cuts,
        )
        if again.loading is not None and loading_cost(again.loading) >= state.cost:
            # so near the best that the solver cannot tell
            again = cheapest(
                sharp.pool, instance.demand, instance.limits, state.cost - state.quantum, state.bound, state.watch
            )
        if again.loading is not None:
            if instance.fits(again.loading):
                state.offer(again.loading, "final program")
        elif again.complete:
            state.offer_searched(state.cost, "final program")
