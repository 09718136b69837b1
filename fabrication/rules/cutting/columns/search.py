"""The search common to bars and rolls: linear program, dives, neighbourhoods, proof."""

from __future__ import annotations

from random import Random

from fabrication.rules.cutting.columns.dive import dive
from fabrication.rules.cutting.columns.finish import Finished, best_of_pool
from fabrication.rules.cutting.columns.generation import Relaxed, relax
from fabrication.rules.cutting.columns.improve import improve
from fabrication.rules.cutting.columns.instance import Instance
from fabrication.rules.cutting.columns.master import Master
from fabrication.rules.cutting.columns.pool import TooMany
from fabrication.rules.cutting.columns.state import State

PACES = (0.1, 0.0, 0.05, 0.2)
"""Shares of the bars fixed at once, by turns, in dives."""

POOLS = (2_000, 6_000, 15_000, 30_000)
"""Most patterns of the final integer program, attempt by attempt."""


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
        self.tried_pool: tuple[int, int] | None = None

    def run(self) -> None:
        """Until proven or out of time."""
        state = self.state
        turn = 0
        while not state.done:
            self.dive(1 if turn == 0 else 3)
            if state.done:
                break
            self.finish(turn)
            if not state.done and state.quantum < 0.2 * self.instance.unit:
                watch = state.watch.share(0.25, 1.0 + turn)
                improve(self.instance, state, self.relaxed, self.chance, 10**6, watch)
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

    def finish(self, turn: int) -> None:
        """The final integer program, where few enough patterns are left."""
        state, instance = self.state, self.instance
        target = state.cost - state.quantum
        most = POOLS[min(turn, len(POOLS) - 1)]
        if self.tried_pool == (target, most) and turn % 4:
            return
        self.tried_pool = (target, most)
        try:
            pool = instance.pool(state.bound, target, most)
        except TooMany:
            return
        state.tell("final program")
        watch = state.watch.share(0.5, 1e9 if len(pool) <= POOLS[0] else 2.0 * 2**turn)
        done = best_of_pool(
            pool, instance.demand, instance.limits, target, instance.unit, watch,
            quantum=state.quantum, seed=turn,
        )
        if done.loading is not None:
            if not instance.fits(done.loading):
                return
            state.offer(done.loading, "final program")
        if done.complete:
            self.confirm(pool, done)

    def confirm(self, pool, done: Finished) -> None:  # type: ignore[no-untyped-def]
        """A complete search counts when a second run, set otherwise, finds nothing cheaper either."""
        state, instance = self.state, self.instance
        if state.proven:
            return
        again = best_of_pool(
            pool, instance.demand, instance.limits, state.cost - state.quantum, instance.unit, state.watch,
            quantum=state.quantum, presolve=False, seed=1,
        )
        if again.loading is not None:
            if instance.fits(again.loading):
                state.offer(again.loading, "final program")
        elif again.complete:
            state.searched = state.cost
            state.tell("final program")
