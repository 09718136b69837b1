"""Random histories: a firm as it stands on a Monday, things that people do, then everything compared."""

from __future__ import annotations

import datetime as dt
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from random import Random
from typing import TypeVar

import time_machine
from django.db import transaction
from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from jobs.models import CalendarFeed, Crew, Job
from jobs.services.dates import tell_date
from jobs.services.feeds import open_feed
from jobs.services.planning import ask_for_plan
from tests.agreement.actions import ACTIONS, Hands
from tests.agreement.compare import Comparison, Difference, Seen
from tests.agreement.dates import see_dates
from tests.agreement.firm import NOW, TODAY, Firm, busy_week, do_runs, found_firm
from tests.agreement.memory import Memory
from tests.agreement.pages import Eyes
from tests.agreement.prices import see_prices
from tests.agreement.prints import see_print
from tests.agreement.stock import see_stock
from tests.agreement.units import see_units
from tests.agreement.visits import see_visits

T = TypeVar("T")
TOLD = 3
STEPS = 16
"""Things done in one history, at most."""


def whole_firm() -> Firm:
    """The busy firm with its crews' calendars, a plan of its first two days, and customers who were told a date."""
    firm = found_firm()
    busy_week(firm)
    by = firm.user("dispatcher")
    for pk in firm.measurers + firm.installers:
        open_feed(branch=firm.row, by=by, crew=Crew.objects.get(pk=pk))
    for job in Job.objects.filter(appointments__purpose="measure", appointments__day=TODAY).order_by("pk")[:TOLD]:
        tell_date(job=job, by=by)
    ask_for_plan(branch=firm.row, from_on=TODAY, until_on=TODAY + dt.timedelta(days=1), by=by, seconds=1)
    assert set(do_runs()) == {"done"}
    assert CalendarFeed.objects.count() == 4
    return firm


@contextmanager
def undone() -> Iterator[None]:
    """Whatever is written inside is taken back."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def see(firm: Firm, memory: Memory | None = None, *, printed: int = 0) -> list[Seen]:
    """Everything as it stands, and every second time one of the packets as it is printed."""
    eyes = Eyes(firm, memory)
    seen = [*see_visits(eyes), *see_dates(eyes), *see_prices(eyes), *see_units(eyes), *see_stock(eyes)]
    return seen if printed % 2 else [*seen, *see_print(eyes, printed // 2)]


def play(
    firm: Firm, memory: Memory, comparison: Comparison, *, histories: int, by_seed: int, shrink: bool = False
) -> None:
    """
    Plays so many random histories from the firm as it stood when the memory of it began.

    Parameters
    ----------
    by_seed
        The same seed plays the same histories again.
    shrink
        Looks for the shortest history that differs too, which takes long.
    """

    class History(RuleBasedStateMachine):
        """What is drawn follows from one number, so that any history can be played again by itself."""

        @initialize(number=st.integers(0, 2**32))
        def begin(self, number: int) -> None:
            self.undone = undone()
            self.undone.__enter__()
            self.clock = time_machine.travel(NOW, tick=False)
            self.hands = Hands(firm, Random(number).randint, self.clock.start().shift)
            self.hands.wrote(f"history {number}")
            self.number, self.broken = number, list[Difference]()

        @rule()
        def do(self) -> None:
            if not self.broken:
                self._or_broken(lambda: ACTIONS[self.hands.draw(0, len(ACTIONS) - 1)](self.hands))

        def _or_broken(self, act: Callable[[], T]) -> T | None:
            """What fails under somebody's hands or eyes is told like a difference, and the next history played."""
            try:
                return act()
            except Exception:
                said = traceback.format_exc(limit=-6)
                self.broken = [Difference("anything", "the firm", "what broke", said, "", ())]
                return None

        def teardown(self) -> None:
            try:
                seen = None if self.broken else self._or_broken(lambda: see(firm, memory, printed=self.number))
                found = self.broken or comparison.add(seen or [])
                if found:
                    comparison.stories.append((found, self.hands.journal))
                assert not (shrink and found), "\n".join([*map(str, found), *self.hands.journal])
            finally:
                self.clock.stop()
                self.undone.__exit__(None, None, None)

    phases = (Phase.generate, Phase.shrink) if shrink else (Phase.generate,)
    run_state_machine_as_test(
        seed(by_seed)(History),
        settings=settings(
            max_examples=histories, stateful_step_count=STEPS, phases=phases, deadline=None, database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )  # fmt: skip
