"""The comparison itself: it must be able to fail."""

from __future__ import annotations

from tests.kept.changes import Change, RowChange
from tests.kept.comparing import lost_rows, undeclared

PRICE = {"offers 1": {"offers": [{"window": "a", "price": "1.00"}, {"window": "b", "price": "2.00"}]}}
DEARER = {"offers 1": {"offers": [{"window": "a", "price": "1.00"}, {"window": "b", "price": "2.50"}]}}
ROWS = {"visit": {1: {"id": 1, "place": 3}, 2: {"id": 2, "place": 4}}}


def test_an_undeclared_difference_is_named_with_both_values() -> None:
    assert undeclared(PRICE, DEARER, []) == "offers 1 offers.b.price: '2.00' → '2.50'"


def test_a_declared_difference_passes() -> None:
    assert undeclared(PRICE, DEARER, [Change("offers * offers.*.price", "priced anew")]) == ""


def test_a_declaration_that_meets_nothing_fails() -> None:
    found = undeclared(PRICE, PRICE, [Change("offers * offers.*.price", "priced anew")])

    assert found == "declared in changes.py, but it does not differ: offers * offers.*.price"


def test_a_new_field_is_no_leave_to_change_an_old_one() -> None:
    new = Change("offers * offers.*.price", "there was none", is_new=True)

    assert "'2.00' → '2.50'" in undeclared(PRICE, DEARER, [new])


def test_another_order_of_the_same_rows_is_a_difference() -> None:
    turned = {"offers 1": {"offers": PRICE["offers 1"]["offers"][::-1]}}

    assert undeclared(PRICE, turned, []) == "offers 1 offers.order: ['a', 'b'] → ['b', 'a']"


def test_an_answer_that_is_not_given_any_more_is_a_difference() -> None:
    assert "→ nothing" in undeclared(PRICE, {}, [])


def test_a_row_that_is_gone_is_named() -> None:
    assert lost_rows(ROWS, {"visit": {1: ROWS["visit"][1]}}, []) == "visit 2: the row is gone"


def test_a_value_that_changed_is_named() -> None:
    changed = {"visit": {**ROWS["visit"], 2: {"id": 2, "place": 5}}}

    assert lost_rows(ROWS, changed, []) == "visit.place 2: 4 → 5"
    assert lost_rows(ROWS, changed, [RowChange("visit.place", "place", "counted anew")]) == ""


def test_renamed_tables_and_columns_are_followed_and_their_values_compared() -> None:
    renamed = {"stop": {1: {"id": 1, "position": 3}, 2: {"id": 2, "position": 9}}}
    changes = [RowChange("visit", "stop", "one word"), RowChange("visit.place", "position", "one word")]

    assert lost_rows(ROWS, renamed, changes) == "visit.place 2: 4 → 9"


def test_a_column_declared_gone_must_be_gone() -> None:
    gone = [RowChange("visit.place", None, "nobody read it")]

    assert lost_rows(ROWS, {"visit": {1: {"id": 1}, 2: {"id": 2}}}, gone) == ""
    assert "declared gone, but it is there" in lost_rows(ROWS, ROWS, gone)


def test_other_words_are_declared_by_the_words() -> None:
    was, now = ({"GET /stuck/": f"choose a {word} for J-1001"} for word in ("window", "time"))
    change = Change("GET /stuck/*", "The trade's word.", said=("a window for", "a time for"))
    assert undeclared(was, now, [change]) == ""
    other = {"GET /stuck/": "choose a time for J-1002"}
    assert "J-1002" in undeclared(was, other, [change])
