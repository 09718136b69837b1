"""Frozen dataclasses as JSON: read strictly with field and bound, written back equal."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Any, ClassVar

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from shared.contracts import ContractError
from shared.lengths import ZERO, Length
from shared.records import (
    Form,
    OneOf,
    Record,
    Within,
    fields_of,
    length_text,
    number_text,
    read_length,
    stored_form,
    verify,
)


@dataclass(frozen=True, kw_only=True)
class Hole(Record):
    at: Annotated[Length, Within("0", "6")]
    side: Annotated[str, OneOf("left", "right")] = "left"


@dataclass(frozen=True, kw_only=True)
class Plate(Record):
    name: str
    thick: Length = ZERO
    screws: Annotated[int, Within(1, 8)] = 2
    share: Annotated[Decimal, Within("0.1", 1)] = Decimal("0.5")
    ratio: Fraction | None = None
    is_bent: bool = False
    words: tuple[str, ...] = ()
    holes: tuple[Hole, ...] = ()
    weights: Annotated[dict[str, Decimal], Within(0)] = field(default_factory=dict)
    places: Mapping[str, Hole] = field(default_factory=dict)
    only: Hole | None = None

    def check(self) -> None:
        if self.is_bent and not self.thick:
            raise ContractError("thick", "a bent plate has a thickness", "more than 0")


class NeverLess(Record):
    FORM: ClassVar[Form] = stored_form(Within(0))


@dataclass(frozen=True)
class Cut(NeverLess):
    name: str
    length: Length
    less: Annotated[Length, Within()] = ZERO


WHOLE: dict[str, Any] = {
    "name": "angle", "thick": "-1 1/8", "screws": 3, "share": "0.42", "ratio": "2/3", "is_bent": True,
    "words": ["a", "b"], "holes": [{"at": "1 1/2", "side": "right"}], "weights": {"x": "1.50"},
    "places": {"top": {"at": "44 mm", "side": "left"}}, "only": {"at": "3 ticks", "side": "left"},
}  # fmt: skip


def test_a_record_survives_the_way_to_a_json_column_and_back():
    plate = Plate.from_json(WHOLE)

    assert json.loads(json.dumps(plate.to_json())) == WHOLE
    assert Plate.from_json(plate.to_json()) == plate


def test_what_has_a_default_may_be_left_out_or_null():
    assert Plate.from_json({"name": "flat"}) == Plate(name="flat")
    assert Plate.from_json({"name": "flat", "screws": None, "weights": None, "only": None}) == Plate(name="flat")


@pytest.mark.parametrize(
    ("change", "at", "bound"),
    [
        ({"name": None}, "name", "required"),
        ({"name": 3}, "name", "text"),
        ({"name": "x" * 601}, "name", "at most 600"),
        ({"colour": "red"}, "colour", "known here"),
        ({"screws": 9}, "screws", "1 to 8"),
        ({"screws": True}, "screws", "1 to 8"),
        ({"screws": "2"}, "screws", "1 to 8"),
        ({"share": 0.5}, "share", "0.1 to 1"),
        ({"share": "NaN"}, "share", "0.1 to 1"),
        ({"ratio": "1/0"}, "ratio", "text such as"),
        ({"ratio": "1e99"}, "ratio", "9 digits"),
        ({"thick": 1}, "thick", "such as"),
        ({"thick": "35 9/8"}, "thick", "such as"),
        ({"is_bent": "yes"}, "is_bent", "true or false"),
        ({"thick": "0"}, "thick", "more than 0"),
        ({"words": "a"}, "words", "[..]"),
        ({"words": ["a", 1]}, "words[1]", "text"),
        ({"holes": [{"at": "7"}]}, "holes[0].at", "0 to 6"),
        ({"holes": [{"at": "-1/8"}]}, "holes[0].at", "0 to 6"),
        ({"holes": [{"side": "left"}]}, "holes[0].at", "required"),
        ({"holes": [{"at": "1", "side": "up"}]}, "holes[0].side", "one of left, right"),
        ({"holes": ["left"]}, "holes[0]", "{..}"),
        ({"weights": {"x": "-1"}}, "weights.x", "at least 0"),
        ({"weights": ["x"]}, "weights", "{..}"),
        ({"places": {"top": {"at": "9"}}}, "places.top.at", "0 to 6"),
        ({"only": {"at": "9"}}, "only.at", "0 to 6"),
    ],
)
def test_what_cannot_be_read_names_its_field_and_bound(change: dict[str, Any], at: str, bound: str):
    with pytest.raises(ContractError) as refused:
        Plate.from_json({**WHOLE, **change}, "plates[4]")

    assert refused.value.field == f"plates[4].{at}"
    assert bound in refused.value.bound


def test_what_is_no_object_is_refused():
    with pytest.raises(ContractError):
        Plate.from_json([WHOLE])


def test_bounds_of_a_kind_of_record_hold_where_a_field_says_none():
    assert Cut.from_json({"name": "rail", "length": "12", "less": "-1"}).less == Length.inches(-1)
    with pytest.raises(ContractError) as refused:
        Cut.from_json({"name": "rail", "length": "-12"})
    with pytest.raises(ContractError) as no_text:
        Cut.from_json({"name": 1, "length": "12"})

    assert (refused.value.field, refused.value.bound) == ("length", "at least 0")
    assert no_text.value.bound == "text"


def test_an_object_made_in_code_is_verified_too():
    verify(Hole(at=Length.inches(6)))
    with pytest.raises(ContractError) as refused:
        verify(Hole(at=Length.inches(7)), "hole")

    assert refused.value.field == "hole.at"


def test_fields_come_in_their_order_with_their_limits():
    names = [one.name for one, _ in fields_of(Hole)]

    assert names == ["at", "side"]


@settings(max_examples=60)
@given(st.integers(-(2**40), 2**40))
def test_every_length_is_written_so_that_it_reads_back(ticks: int):
    assert read_length(length_text(Length(ticks))) == Length(ticks)


@settings(max_examples=60)
@given(st.fractions(max_denominator=1000))
@example(Fraction(10**28 + 1))  # longer than Decimal divides exactly
def test_every_fraction_is_written_so_that_it_reads_back(value: Fraction):
    assert Fraction(number_text(value)) == value
