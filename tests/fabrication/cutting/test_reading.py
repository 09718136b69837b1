"""Documents in and answers out, as the contract has them."""

from __future__ import annotations

import json
from random import Random
from time import process_time

import pytest

from fabrication.rules.cutting import document_json, plan_json, read_answer, read_request, solve
from shared.contracts import ContractError
from tests.fuzz.documents import document as fuzzed


def document(**changes):
    base = {
        "kind": "bar",
        "unit": "in",
        "kerf": "1/8",
        "stock": [{"id": "s1", "length": "192"}],
        "pieces": [{"id": "p1", "length": "35 1/4", "quantity": 3}],
    }
    return {**base, **changes}


def roll(**changes):
    base = {
        "kind": "roll",
        "unit": "1",
        "stock": [{"id": "r", "width": "100"}],
        "pieces": [{"id": "p", "width": "40", "length": "70"}],
    }
    return {**base, **changes}


def answer(asked):
    request = read_request(json.dumps(asked))
    return plan_json(request.problem, solve(request.problem, 5))


def test_the_example_of_the_contract_comes_out_as_it_says():
    out = answer(document())

    assert len(out["patterns"]) == 1
    assert out["patterns"][0]["times"] == 1
    assert out["patterns"][0]["left"] == "85 7/8"
    assert out["material"] == "192"
    assert out["proven"] is True
    assert out["used"] == {"s1": 1}


def test_every_length_has_its_ticks_beside_it():
    pattern = answer(document())["patterns"][0]

    assert pattern["ticks"] == {"left": (85 * 8 + 7) * 1016}
    assert [cut["ticks"] for cut in pattern["cuts"]] == [0, 287528, 575056]
    assert [cut["at"] for cut in pattern["cuts"]] == ["0", "35 3/8", "70 3/4"]


def test_places_on_a_bar_are_measured_from_its_end_trim_included():
    out = answer(document(trim="1/2"))

    assert out["patterns"][0]["cuts"][0]["at"] == "1/2"


def test_a_lay_says_its_length_and_which_panels_are_turned():
    out = answer(roll(pieces=[{"id": "p", "width": "120", "length": "70", "turn": True}]))

    assert out["patterns"] == [
        {
            "stock": "r",
            "times": 1,
            "length": "120",
            "cuts": [{"piece": "p", "at": "0", "ticks": 0, "turned": True}],
            "left": "30",
            "ticks": {"left": 30, "length": 120},
        }
    ]
    assert out["material"] == "120"
    assert out["used"] == {"r": 1}


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"kind": "sheet"}, "kind"),  # no such kind
        ({"unit": "cm"}, "unit"),  # no such unit of documents
        ({"kerf": 0.125}, "kerf"),  # a number where a length belongs
        ({"kerf": "-1/8"}, "kerf"),  # negative
        ({"colour": "red"}, "colour"),  # unknown field
        ({"pieces": [{"id": "a", "length": "35", "qty": 1}]}, "pieces[0].qty"),  # unknown field within
        ({"pieces": [{"id": "a"}]}, "pieces[0].length"),  # missing
        ({"pieces": [{"id": "a", "length": "0"}]}, "pieces[0].length"),  # no length at all
        ({"pieces": [{"id": "a", "length": "35", "quantity": -1}]}, "pieces[0].quantity"),
        ({"pieces": [{"id": "a", "length": "35", "quantity": 1.5}]}, "pieces[0].quantity"),
        ({"pieces": [{"id": "a", "length": "35", "quantity": True}]}, "pieces[0].quantity"),
        ({"pieces": [{"id": "a", "length": "35"}, {"id": "a", "length": "36"}]}, "pieces[1].id"),  # twice
        ({"stock": {}}, "stock"),  # no list
        ({"stock": [{"id": "s", "length": "192", "price": "5"}]}, "stock[0].price"),
        ({"stock": [{"id": "s", "length": "192", "price": -5}]}, "stock[0].price"),
        ({"seconds": -1}, "seconds"),
        ({"seed": "x"}, "seed"),
    ],
)
def test_what_can_not_be_used_is_refused_by_its_field(changes, field):
    with pytest.raises(ContractError) as caught:
        read_request(json.dumps(document(**changes)))

    assert caught.value.field == field
    assert caught.value.problem
    assert caught.value.bound


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"keep": "10"}, "keep"),  # nothing of a roll is valued as kept
        ({"stock": [{"id": "r", "width": "100", "flaws": [{"start": "1", "end": "2"}]}]}, "stock[0].flaws[0].start"),
        (
            {"stock": [{"id": "r", "width": "9", "length": "90", "flaws": [{"start": "80", "end": "91"}]}]},
            "stock[0].flaws[0].end",  # beyond the roll
        ),
        ({"trim": "1"}, "trim"),  # rolls have none
    ],
)
def test_what_makes_no_sense_of_rolls_is_refused(changes, field):
    with pytest.raises(ContractError) as caught:
        read_request(json.dumps(roll(**changes)))

    assert caught.value.field == field


@pytest.mark.parametrize("text", ["", "[]", "null", "{", '{"a":1,"a":2}', '{"a":NaN}', "[" * 100_000, "\x00"])
def test_what_is_no_document_is_refused(text):
    with pytest.raises(ContractError):
        read_request(text)


def test_an_offcut_is_kept_from_one_tick_on():
    bars, parts = [{"id": "s", "length": "110"}], [{"id": "p", "length": "50"}]

    asked = document(unit="1", kerf="0", keep="1", stock=bars, pieces=parts)

    assert read_request(json.dumps(asked)).problem.keep.ticks == 1


def test_plain_integers_are_their_own_ticks():
    out = answer(
        document(
            unit="1",
            kerf="0",
            stock=[{"id": "s", "length": "110"}],
            pieces=[{"id": "p", "length": "50", "quantity": 3}],
        )
    )

    assert out["material"] == "220"
    assert out["ticks"] == {"material": 220, "cost": 220, "bound": 220}


FAR = "1000000000"


@pytest.mark.parametrize(
    ("asked", "field", "bound"),
    [
        (document(unit="1", kerf="0", stock=[{"id": "s", "length": FAR}]), "stock[0].length", "at most 32512000"),
        (document(unit="mm", kerf="101601"), "kerf", "at most 101600"),
        (document(trim="4001"), "trim", "at most 4000"),
        (document(pieces=[{"id": "p", "length": "4001"}]), "pieces[0].length", "at most 4000"),
        (document(pieces=[{"id": "p", "length": "9", "quantity": 100_000}]), "pieces[0].quantity", "1 to 20000"),
        (
            document(pieces=[{"id": f"p{n}", "length": "9", "quantity": 9_000} for n in range(3)]),
            "pieces", "at most 20000",
        ),
        (document(pieces=[{"id": str(n), "length": "9"} for n in range(3_001)]), "pieces", "0 to 3000 entries"),
        (document(stock=[{"id": str(n), "length": "9"} for n in range(201)]), "stock", "0 to 200 entries"),
        (document(stock=[{"id": "s", "length": "9", "price": 0.00001}]), "stock[0].price", "at most 4 decimals"),
        (document(stock=[{"id": "s", "length": "9", "price": 10**9}]), "stock[0].price", "0 to 1e+06"),
        (roll(stock=[{"id": "r", "width": FAR}]), "stock[0].width", "at most 32512000"),
        (
            roll(stock=[{"id": "r", "width": "9", "length": "90", "quantity": 5_000}] * 1
                 + [{"id": f"r{n}", "width": "9", "length": "90"} for n in range(5)],
                 pieces=[{"id": "p", "width": "4", "length": "7", "quantity": 5_000}]),
            "stock", "at most 20000",
        ),
        (
            roll(pieces=[{"id": str(n), "width": "4", "length": "7", "group": str(n)} for n in range(201)]),
            "pieces", "at most 200",
        ),
    ],
)  # fmt: skip
def test_what_is_beyond_the_contract_is_refused_by_field_and_bound(asked, field, bound):
    with pytest.raises(ContractError) as caught:
        read_request(json.dumps(asked))

    assert (caught.value.field, caught.value.bound) == (field, bound)


def test_the_largest_documents_are_answered_in_time_and_with_a_bound(timed):
    """Tables over all lengths would take gigabytes; first fit and a bound by weight, or area, do without."""
    random = Random(1)
    size = lambda: str(random.randint(1, 10**6))  # noqa: E731
    pieces = [{"id": f"p{n}", "length": size(), "quantity": 6} for n in range(3_000)]
    panels = [{**piece, "width": size(), "turn": True} for piece in pieces]
    stock = [{"id": f"s{n}", "length": str(random.randint(10**6, 32_512_000))} for n in range(200)]
    rolls = [{"id": f"s{n}", "width": str(random.randint(10**6, 32_512_000))} for n in range(200)]
    for asked in (
        document(unit="1", kerf="7", stock=stock, pieces=pieces, seconds=0),
        roll(kerf="7", stock=rolls, pieces=panels, seconds=0),
    ):
        began = process_time()
        request = read_request(json.dumps(asked))
        out = plan_json(request.problem, solve(request.problem, request.seconds))
        assert process_time() - began < 2  # of the processor, so that a busy machine does not count
        assert 0 < out["bound"] <= out["cost"] < 1.05 * out["bound"]


def test_stock_of_which_there_is_none_does_not_break_the_bound():
    none = {"id": "none", "length": "192", "quantity": 0, "price": 0}
    out = answer(document(stock=[none, {"id": "s", "length": "192"}]))

    assert (out["used"], out["proven"]) == ({"s": 1}, True)


def test_a_roll_too_short_for_any_panel_does_not_make_the_bounds_check_a_rough_one():
    """Hostile document 1452: a check by area, for a wide roll no panel fits, refused a bound that holds."""
    text = fuzzed("cut", 1452)
    request = read_request(text)

    plan = solve(request.problem, 0)

    assert plan.bound <= plan.cost


def test_a_roll_far_dearer_by_area_than_the_others_does_not_overflow_the_bound():
    """Hostile document 7081: panels priced at that roll's rate earned more on a wide one than 64 bits hold."""
    wide = {"id": "wide", "width": "46003", "length": "1836420", "quantity": 1}
    narrow = {"id": "narrow", "width": "9", "length": "4786531", "price": 3.3333}
    large = {"id": "large", "width": "25806", "length": "1300000"}
    thin = {"id": "thin", "width": "3", "length": "4848", "quantity": 5}

    out = answer(roll(unit="1", kerf="0", stock=[wide, narrow], pieces=[large, thin]))

    assert (out["material"], out["unplaced"], out["proven"]) == ("1300000", [], True)


@pytest.mark.parametrize(
    "asked",
    [
        document(unit="1", kerf="0", stock=[{"id": "s", "length": "100", "quantity": 2}],
                 pieces=[{"id": "a", "length": "60"}, {"id": "b", "length": "70"}, {"id": "c", "length": "80"}]),
        roll(unit="1", kerf="0", stock=[{"id": "r", "width": "9", "length": "100", "quantity": 1}],
             pieces=[{"id": "p", "width": "6", "length": "60", "quantity": 2}]),
    ],
)  # fmt: skip
def test_a_plan_of_what_fits_is_there_before_one_for_all_is_searched(asked):
    """From a shell nothing went out while that search went on past its time."""
    request = read_request(json.dumps(asked))
    told = []

    plan = solve(request.problem, 0.2, on_plan=told.append)

    assert [entry.quantity for entry in told[0].unplaced] == [entry.quantity for entry in plan.unplaced] == [1]
    assert told[0].patterns


PATTERN = {"stock": "s", "times": 1, "left": "0", "cuts": []}
FLAWED = [{"id": "r", "width": "9", "length": "100", "quantity": 1, "flaws": [{"start": "3", "end": "5"}]}]


@pytest.mark.parametrize(
    "asked",
    [
        document(unit="1", kerf="3", trim="2", keep="40", seconds=0.37, seed=7,
                 stock=[{"id": "s", "length": "192", "quantity": 2, "offcut": True, "price": 1.25}],
                 pieces=[{"id": "p", "length": "35", "quantity": 3}, {"id": "q", "length": "500"}]),
        roll(stock=FLAWED, pieces=[{"id": "p", "width": "6", "length": "60", "turn": True, "group": "room 1"}]),
    ],
)  # fmt: skip
def test_what_planner_and_solver_exchange_goes_through_json_and_back(asked):
    problem = read_request(json.dumps(asked)).problem
    plan = solve(problem, 1)

    again = read_request(json.dumps(document_json(problem))).problem
    read = read_answer(json.loads(json.dumps(plan_json(problem, plan))))

    assert again == problem
    assert (read.patterns, read.unplaced, read.material) == (plan.patterns, plan.unplaced, plan.material)
    assert (float(read.cost), float(read.bound), read.proven) == (float(plan.cost), float(plan.bound), plan.proven)


def test_what_is_kept_of_an_answer_is_what_the_solver_said():
    asked = document(
        unit="1", kerf="1", keep="5", stock=[{"id": "s", "length": "192"}], pieces=[{"id": "p", "length": "35"}]
    )
    sent = answer(asked)

    kept = read_answer(sent).to_json()

    assert kept == {name: value for name, value in sent.items() if name not in {"patterns", "unplaced"}}
    assert kept["cost"] != round(kept["cost"])


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"patterns": [PATTERN | {"cuts": [{"piece": "p", "at": "a"}]}]}, "patterns[0].cuts[0].at"),
        ({"patterns": [PATTERN | {"times": "1"}]}, "patterns[0].times"),
        ({"unplaced": [{"piece": "p", "why": "no stock"}]}, "unplaced[0].quantity"),
        ({"cost": "12"}, "cost"),
        ({"proven": 1}, "proven"),
    ],
)  # fmt: skip
def test_an_answer_that_is_none_is_refused_by_its_field(change, field):
    with pytest.raises(ContractError) as caught:
        read_answer({"patterns": [PATTERN], "cost": 0.5} | change)

    assert caught.value.field == field
