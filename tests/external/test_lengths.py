"""Lengths against published values; each source stands beside its check."""

from fractions import Fraction

import pytest

from shared.lengths import EIGHTH, Length, LengthUnit, parse_length


@pytest.mark.parametrize(("typed", "millimetres"), [("1", "25.4 mm"), ("1'", "304.8 mm"), ("3'", "914.4 mm")])
def test_inch_and_foot_are_exactly_their_millimetres(typed, millimetres):
    """NIST SP 811 (2008) App. B and Handbook 44 App. C: 1 in = 25.4 mm exactly (from memory, certain)."""
    assert parse_length(typed) == parse_length(millimetres)


@pytest.mark.parametrize(
    ("inches", "millimetres"),
    [
        ("36 3/16", Fraction("919.1625")),
        ("1/16", Fraction("1.5875")),
        ("1/32", Fraction("0.79375")),
        ("1/64", Fraction("0.396875")),
    ],
)
def test_fractions_of_an_inch_are_exactly_their_millimetres(inches, millimetres):
    """Arithmetic on 25.4 mm (NIST SP 811 App. B), redone by hand."""
    assert parse_length(inches).ticks == millimetres * 320


@pytest.mark.parametrize("sixteenth", range(1, 16))
def test_sixteenths_are_finite_decimals_that_go_to_and_fro(sixteenth):
    """1/16 = .0625 .. 15/16 = .9375: arithmetic."""
    decimal = f"35.{sixteenth * 625:04d}"

    assert parse_length(decimal) == parse_length(f"35 {Fraction(sixteenth, 16)}")


def test_midway_between_two_marks_goes_to_the_even_one():
    """NIST Handbook 44 App. A 10.3 (second-hand): in eighths 36 3/16 lies midway, and 290/8 is even."""
    assert parse_length("36 3/16").nearest(EIGHTH).text() == "36 1/4"


def test_a_converted_limit_goes_inwards():
    """NIST SP 811 App. B.7.2 (from memory): a converted maximum goes down, a minimum up."""
    largest, least = parse_length("36"), parse_length("2")

    assert largest.down(Length.mm(1)).text(LengthUnit.MM) == "914"  # 914.4
    assert least.up(Length.mm(1)).text(LengthUnit.MM) == "51"  # 50.8
