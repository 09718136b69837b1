"""Where a job stands, derived from what is known of its parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

STAGES: Final = (
    "booking",
    "to_measure",
    "measured",
    "released",
    "in_workroom",
    "made",
    "to_install",
    "installed",
    "closed",
)
"""A job's way in order; ``paused`` and ``cancelled`` stand beside it."""

BEFORE_RELEASE: Final = frozenset({"draft", "sized", "approved"})


@dataclass(frozen=True, slots=True)
class StageFacts:
    """
    What the stage follows from.

    A unit that replaces another (a remake) lags by nature and is counted apart, in
    `returns_owed`, so that one remake does not throw an installed job back to the workroom.
    """

    is_cancelled: bool = False
    is_held: bool = False
    measure_booked: bool = False
    install_booked: bool = False
    openings_to_measure: int = 0
    openings_measured: int = 0
    units: Mapping[str, int] = field(default_factory=dict)
    returns_owed: int = 0
    sign_offs_open: int = 0
    measures_open: int = 0
    """Parts of a measure that was split which are still to come: their openings are nowhere yet."""
    services_open: int = 0
    services_done: int = 0


def stage_of(facts: StageFacts) -> str:
    """
    The stage of a job: that of its least advanced released unit, once there are any.

    What is not released yet beside released units is a later phase and lags by nature; the job is not closed while
    an opening waits to be measured.

    Examples
    --------
    >>> stage_of(StageFacts(measure_booked=True, openings_to_measure=3))
    'to_measure'
    >>> stage_of(StageFacts(openings_measured=3, units={"sized": 3}))
    'measured'
    >>> stage_of(StageFacts(openings_measured=3, units={"sized": 3}, measures_open=1))
    'to_measure'
    >>> stage_of(StageFacts(openings_measured=3, units={"made": 2, "in_workroom": 1}))
    'in_workroom'
    >>> stage_of(StageFacts(openings_measured=1, units={"installed": 1}, returns_owed=1))
    'installed'
    >>> stage_of(StageFacts(openings_measured=1, openings_to_measure=1, units={"installed": 1}))
    'installed'
    >>> stage_of(StageFacts(install_booked=True, services_open=1)), stage_of(StageFacts(services_done=1))
    ('to_install', 'closed')
    """
    if facts.is_cancelled:
        return "cancelled"
    if facts.is_held:
        return "paused"
    counted = {state: n for state, n in facts.units.items() if n and state not in {"replaced", "cancelled"}}
    released = {state: n for state, n in counted.items() if state not in BEFORE_RELEASE}
    if not released:
        return _before_release(facts)
    return _after_release(facts, released)


def _before_release(facts: StageFacts) -> str:
    if facts.openings_measured and not facts.openings_to_measure and not facts.measures_open:
        return "measured"
    if facts.measure_booked or facts.openings_measured:
        return "to_measure"
    if facts.services_open:
        return "to_install" if facts.install_booked else "booking"
    return "closed" if facts.services_done else "booking"


def _after_release(facts: StageFacts, counted: Mapping[str, int]) -> str:
    for state in ("released", "in_workroom"):
        if state in counted:
            return state
    if {"made", "loaded", "not_installed"} & set(counted):
        return "to_install" if facts.install_booked else "made"
    if (
        facts.returns_owed
        or facts.sign_offs_open
        or facts.services_open
        or facts.openings_to_measure
        or facts.measures_open
    ):
        return "installed"
    return "closed" if "installed" in counted else "made"
