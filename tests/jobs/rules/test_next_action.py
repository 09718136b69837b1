"""What comes next at a visit: one table for the office's pages and the phone's."""

from __future__ import annotations

import pytest

from jobs.models import Appointment
from jobs.rules.next_action import TABLE, NextAction, Way, next_step

STATES = Appointment.State


@pytest.mark.parametrize(
    ("state", "here", "left", "step"),
    [
        ("promised", False, False, "leave"),
        ("planned", True, True, "leave"),  # the visit's own page asks for nothing else than the day does
        ("on_the_way", False, False, "arrive"),
        ("on_the_way", True, True, "arrive"),
        ("arrived", False, True, "open"),  # the day never ends a visit
        ("arrived", False, False, "open"),
        ("arrived", True, True, "work"),
        ("arrived", True, False, "close"),
        ("done", True, False, "next"),
        ("cancelled", True, True, ""),
        ("held", False, False, ""),  # a reserved window
    ],
)
def test_one_step_comes_next(state: str, here: bool, left: bool, step: str) -> None:
    assert next_step(state=state, here=here, left=left) == step


def test_every_state_has_its_step_and_the_words_are_the_calendars() -> None:
    for state in STATES.values:
        assert next_step(state=state) in {"", "next", "leave", "arrive", "open"}
    assert {state: STATES(state).label for state in TABLE["states"]} == TABLE["states"]
    assert set(TABLE["leads_to"].values()) == set(TABLE["order"]) == set(TABLE["states"])


def test_an_action_shows_the_way_of_its_step() -> None:
    action = NextAction(
        7, "arrived", (Way("work", "All 2 installed", "/up/"), Way("close", "Sign off", "#")), here=True
    )

    assert action.step == "close"
