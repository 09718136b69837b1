"""The search common to bars and rolls: linear program, dives, neighbourhoods, proof."""

from __future__ import annotations

from random import Random

from fabrication.rules.cutting.columns.chosen import chosen, thinned
from fabrication.rules.cutting.columns.dive import dive
from fabrication.rules.cutting.columns.generation import Relaxed, relax
from fabrication.rules.cutting.columns.improve import improve
from fabrication.rules.cutting.columns.instance import Instance, Pricing
from fabrication.rules.cutting.columns.master import Master
from fabrication.rules.cutting.columns.proof import Proof
from fabrication.rules.cutting.columns.state import State

PACES = (0.1, 0.0, 0.05, 0.2)
"""Shares of the bars fixed at once, by turns, in dives."""

FIRST_DIVES = 5
"""Dives before anything else: they cost hundredths of a second where they are many."""

NEIGHBOURHOODS = 60
CHOOSING_NODES = 500
"""Neighbourhoods planned anew, and nodes of the program over the patterns, in a first turn; each adds as many."""

SLACK = 4.0
"""How many times as long as on a quiet machine a turn's steps may take before the clock ends them."""

FEW_PATTERNS = 70
"""Different patterns in a plan up to which an integer program over those priced so far is quick and good."""


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

    def __init__(
        self, instance: Instance, state: State, master: Master, pricing: Pricing, relaxed: Relaxed, chance: Random
    ) -> None:
        self.instance, self.state, self.master = instance, state, master
        self.pricing, self.relaxed, self.chance = pricing, relaxed, chance
        self.dives = 0
        self.proof = Proof(instance, state)

    def run(self) -> None:
        """Until proven or out of time."""
        state = self.state
        turn = 0
        while not state.done:
            self.dive(FIRST_DIVES if turn == 0 else 3)
            if not state.done and len(state.best) <= FEW_PATTERNS:
                self.choose(turn)
            if not state.done and state.quantum < 0.2 * self.instance.unit:
                watch = state.watch.share(0.25, SLACK * (0.5 + turn))
                improve(self.instance, state, self.relaxed, self.chance, NEIGHBOURHOODS * (1 + turn), watch)
            if not state.done:
                self.proof.attempt(turn)
            turn += 1

    def dive(self, times: int) -> None:
        """Some dives, each for a cheaper plan than the best."""
        state, instance = self.state, self.instance
        for _ in range(times):
            if state.done:
                return
            chance = self.chance if self.dives else None
            loading = dive(
                self.master,
                self.pricing,
                instance.demand,
                instance.limits,
                self.relaxed,
                state.cost - state.quantum,
                state.watch,
                chance,
                pace=PACES[self.dives % len(PACES)],
            )
            self.dives += 1
            if loading is not None and instance.fits(loading):
                state.offer(instance.tidied(loading), "dive")
            state.tell("dive")

    def choose(self, turn: int) -> None:
        """The best plan out of the patterns priced so far."""
        state, instance = self.state, self.instance
        watch = state.watch.share(0.15, SLACK * (1.0 + turn))
        self.master.add(state.best)
        nodes = CHOOSING_NODES * (1 + turn)
        found = chosen(self.master.columns, instance.demand, instance.limits, instance.unit, watch, turn, nodes)
        loading = thinned(found, instance.demand, instance.without)
        if loading is not None and instance.fits(loading):
            state.offer(instance.tidied(loading), "best of the patterns")
