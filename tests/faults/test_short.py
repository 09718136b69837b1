"""A short part of `./run bench faults`: two presses killed at each place where they write."""

from __future__ import annotations

import pytest

from tests.faults.scenarios import kills


@pytest.mark.slow
def test_what_was_killed_in_mid_write_is_neither_half_nor_lost_nor_doubled() -> None:
    """Killed after it had written and before its answer was kept, a press was done again by the next."""
    told = kills(20, "press: an absence", "API: a visit is placed")

    assert [one["case"] for one in told] == ["press: an absence", "API: a visit is placed"]
    assert sum(one["killed"] for one in told) == 20
    assert [line for one in told for line in one["wrong"]] == []
