"""The contract's limits, and the largest documents within them."""

import json
import time

import pytest

from jobs.rules.routing.command import answer
from jobs.rules.routing.documents import read_request
from jobs.rules.routing.timing import assemble
from jobs.rules.routing.why import explain
from shared.contracts import ContractError


def document(stops=1, crews=1, shifts=4, **stop):
    return {
        "crews": [{"id": n, "start": 0, "end": 0, "shifts": [[0, 30_000]] * shifts} for n in range(crews)],
        "stops": [{"id": n, "at": n % 3, "service": 600, **stop} for n in range(stops)],
        "travel": {"matrix": [[0, 60, 90], [60, 0, 40], [90, 40, 0]]},
        "seconds": 0.1,
    }


def linked(name, count):
    """Stops that hang together, each on the one before it."""
    made = document(stops=count, crews=count)
    for number, stop in enumerate(made["stops"][1:]):
        stop[name] = number
    return made


@pytest.mark.parametrize(
    ("asked", "field", "bound"),
    [
        (document(stops=2_501), "stops", "0 to 2500 entries"),
        (document(crews=500, shifts=5), "crews", "at most 2000"),
        (document(crews=501), "crews", "0 to 500 entries"),
        (document(windows=[[0, 9]] * 61), "stops[0].windows", "at most 60"),
        (linked("meets", 51), "stops[1].meets", "at most 50"),
        (linked("follows", 51), "stops[1].follows", "at most 50"),
    ],
)
def test_what_is_beyond_the_contract_is_refused_by_field_and_bound(asked, field, bound):
    with pytest.raises(ContractError) as caught:
        answer(json.dumps(asked))

    assert (caught.value.field, caught.value.bound) == (field, bound)


def test_ids_of_linked_stops_may_be_numbers_or_text():
    asked = document(stops=2, crews=2, meets=0)
    asked["stops"][0] |= {"id": "a", "meets": 1}
    asked["stops"][1] |= {"meets": "a"}

    out = answer(json.dumps(asked))

    assert {stop["id"] for route in out["routes"] for stop in route["stops"]} == {"a", 1}


def test_the_largest_document_is_answered_in_time_with_what_could_be_placed(timed):
    """2500 stops on 2000 crew-days took regret alone far longer than the tenth of a second asked for."""
    began = time.process_time()
    out = answer(json.dumps(document(stops=2_500, crews=500)))
    took = time.process_time() - began

    placed = sum(len(route["stops"]) for route in out["routes"])
    assert took < 2.1  # of the processor, so that a busy machine does not count
    assert placed + len(out["unplaced"]) == 2_500
    assert all(entry["why"] for entry in out["unplaced"])


@pytest.mark.parametrize("name", ["meets", "follows"])
def test_ten_that_hang_together_are_all_placed(name):
    """The ways to share a meeting of ten crews out were all made first, 6 to the power of 10, none for all ten."""
    out = answer(json.dumps(linked(name, 10) | {"seconds": 1}))

    assert sum(len(route["stops"]) for route in out["routes"]) == 10


def test_a_shift_at_the_end_of_time_has_a_reason():
    """Hostile document 6425: a start later than a window that nothing bounds had no words."""
    asked = document()
    asked["crews"][0]["shifts"] = [[10**9, 10**9]]
    asked["stops"][0]["at"] = 1
    problem = read_request(json.dumps(asked)).problem

    (left,) = explain(problem, assemble(problem, ())).unplaced

    assert left.why.endswith("would start 1 min after its window 0-1000000000")
