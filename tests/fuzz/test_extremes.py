"""
The largest documents within the contract: an answer within the seconds asked and 2, and within 2 GiB.

The worst of them; ``./run bench fuzz`` tries the others too, with more seconds.
"""

import json

import pytest

from tests.fuzz.bounds import through_the_shell
from tests.fuzz.extremes import cuts, routes

WORST = [
    ("cut", "bar, stock runs out"),  # what fits was worked out, and nothing given, while more was looked for
    ("cut", "roll, groups on finite stock"),  # the most of the processor before a first plan
    ("route", "all meet in fifties"),  # six to the power of fifty ways to share a meeting out: 5 GiB in 5 minutes
    ("route", "all windows, lunch, price of lateness"),  # the most work before a first plan
    ("route", "previous, one route"),  # every stop was tried in a plan of its own, each of them verified
]


@pytest.mark.parametrize(("engine", "name"), WORST)
def test_the_largest_documents_are_answered_in_time_and_in_memory(engine, name):
    asked = {"cut": cuts, "route": routes}[engine]()[name]() | {"seconds": 0.5}

    took = through_the_shell(engine, asked)

    assert took.wrong == ""
    answer = json.loads(took.out)
    ids = {entry["id"] for entry in asked["pieces" if engine == "cut" else "stops"]}
    assert ids == named(answer)


def named(answer):
    """Every piece or stop that the answer says something of."""
    cut = {cut["piece"] for pattern in answer.get("patterns", ()) for cut in pattern["cuts"]}
    driven = {stop["id"] for route in answer.get("routes", ()) for stop in route["stops"]}
    return cut | driven | {entry.get("id", entry.get("piece")) for entry in answer["unplaced"]}
