"""HiGHS, quiet, and never longer than we have."""

from __future__ import annotations

import atexit
from threading import Thread

import highspy

from fabrication.rules.cutting.watch import Watch

_left_running: list[tuple[Thread, Quiet]] = []

LOOK_STEPS, SIZE_STEPS = 1500, 8
"""Steps between two looks at the watch, and more for each column (a row counts as four) of the program."""

PATIENCE_S = 60.0
"""How long an ordinary exit of Python waits for solvers that were left running."""


class Quiet(highspy.Highs):
    """
    A HiGHS that never writes: the stock constructor prints a banner to standard output.

    It does so while enabling callbacks, so that step is left out.
    """

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()
        self.setOptionValue("output_flag", False)
        self.setOptionValue("threads", 1)

    def end_when_out(self, watch: Watch) -> None:
        """Has the solver of an integer program ask the watch between its own steps, which count as some each."""
        size = self.getNumCol() + 4 * self.getNumRow()

        def ask(kind: object, message: str, out: object, answer: highspy.cb.HighsCallbackInput, data: object) -> None:
            watch.spend(LOOK_STEPS + SIZE_STEPS * size)
            answer.user_interrupt = watch.out()

        self.setCallback(ask, None)
        self.startCallback(highspy.cb.HighsCallbackType.kCallbackMipInterrupt)


def run_within(highs: Quiet, watch: Watch) -> bool:
    """
    Runs the solver; False when it had to be left running.

    HiGHS looks at its clock too seldom (196 s of presolve were seen for a limit of 60 s),
    and it can't be ended from outside, so a run past its time is left to itself. A solve
    that is a process of its own ends with it; elsewhere it takes a core until it is through.
    """
    limit = max(0.01, watch.ceiling())
    highs.setOptionValue("time_limit", highs.getRunTime() + limit)
    highs.end_when_out(watch)
    runner = Thread(target=highs.run, daemon=True)
    runner.start()
    patience = Watch(limit + 0.5)
    while runner.is_alive():
        runner.join(0.02)
        if patience.out() or watch.ceiling() <= 0:
            runner.join(0.2)
            if runner.is_alive():
                _left_running[:] = [entry for entry in _left_running if entry[0].is_alive()]
                _left_running.append((runner, highs))  # the solver must outlive its thread
                return False
    return True


@atexit.register
def _wait_for_those_left() -> None:
    """Python may not end under a running solver: C++ would abort the process."""
    patience = Watch(PATIENCE_S)
    for runner, _ in _left_running:
        runner.join(patience.left())
