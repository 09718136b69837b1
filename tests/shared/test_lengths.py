"""Lengths keep their value through sums, rounding, printing and typing."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.lengths import (
    EIGHTH,
    INCH,
    LARGEST_TICKS,
    MM,
    READING_GRID,
    SIXTEENTH,
    Length,
    LengthError,
    LengthUnit,
    parse_length,
    total,
)

sixty_fourths = st.integers(0, 64 * 2000).map(lambda count: Length(count * 127))
tenths_of_mm = st.integers(0, 10 * 50_000).map(lambda count: Length(count * 32))
lengths = st.integers(-(10**9), 10**9).map(Length)
grids = st.sampled_from([SIXTEENTH, EIGHTH, INCH, MM])


@given(sixty_fourths)
def test_what_is_printed_in_inches_reads_back_as_the_same_length(length):
    assert parse_length(length.text(LengthUnit.INCH)) == length
    assert parse_length(length.text(LengthUnit.INCH, symbol=True), LengthUnit.MM) == length


@given(tenths_of_mm)
def test_what_is_printed_in_millimetres_reads_back_as_the_same_length(length):
    assert parse_length(length.text(LengthUnit.MM), LengthUnit.MM) == length
    assert parse_length(length.text(LengthUnit.MM, symbol=True)) == length


@given(st.integers(0, 300), st.integers(0, 11), st.integers(0, 63))
def test_feet_inches_and_a_fraction_read_as_their_sum(feet, inches, part):
    fraction = f" {Fraction(part, 64)}" if part else ""

    read = parse_length(f"{feet}' {inches}{fraction}\"")

    assert read.ticks == (feet * 12 + inches) * 8128 + part * 127


@given(st.integers(0, 999), st.sampled_from("½¼¾⅛⅜⅝⅞"))
def test_a_fraction_in_one_character_reads_like_the_one_in_three(whole, vulgar):
    plain = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}[vulgar]

    assert parse_length(f"{whole}{vulgar}") == parse_length(f"{whole} {plain}") == parse_length(f"{whole}-{plain}")


@pytest.mark.parametrize("text", ["35 and 3/8", "35 And ⅜", "2' 11 and 3/8\""])
def test_a_fraction_is_said_with_and(text):
    """It was no length, though the page asks for it to be typed or said."""
    assert parse_length(text) == parse_length("35 3/8")


@pytest.mark.parametrize(
    ("said", "typed"),
    [
        ("thirty five and three eighths", "35 3/8"),
        ("Thirty-five and a half", "35 1/2"),
        ("two feet eleven and a quarter", "35 1/4"),
        ("seven sixteenths", "7/16"),
        ("six and three thirty-seconds", "6 3/32"),
        ("nine hundred four millimeters", "904 mm"),
        ("ninety point four cm", "90.4 cm"),
    ],
)
def test_a_length_is_read_as_it_is_said(said, typed):
    """Dictated words were no length, though the page asks for it to be typed or said."""
    assert parse_length(said) == parse_length(typed)


@pytest.mark.parametrize("said", ["thirty", "thirty forty", "twenty five eighths", "hundred", "a", "one meter twenty"])
def test_what_is_said_unclearly_is_refused(said):
    with pytest.raises(LengthError):
        parse_length(said)


@pytest.mark.parametrize(("text", "unit"), [("35,5", LengthUnit.MM), ("3,55 cm", LengthUnit.INCH)])
def test_a_comma_is_a_decimal_point_of_a_metric_length(text, unit):
    """A firm that measures in millimetres writes it so; of inches, or before three figures, it could be two."""
    assert parse_length(text, unit) == Length.mm("35.5")


@pytest.mark.parametrize("part", ["1/2", "3/4", "5/8", "11/16", "13/16", "31/32", "63/64"])
def test_a_fraction_alone_is_a_length(part):
    assert parse_length(part) == Length.inches(Fraction(part))


@given(lengths, grids)
def test_down_and_up_bracket_a_length_on_the_grid(length, grid):
    down, up = length.down(grid), length.up(grid)

    assert down <= length <= up
    assert not down % grid
    assert up - down == (Length(0) if down == length else grid)
    assert down <= length.nearest(grid) <= up


@given(st.lists(lengths, max_size=30))
def test_a_sum_is_the_sum_of_ticks_in_any_order(parts):
    assert total(parts) == total(reversed(parts)) == Length(sum(part.ticks for part in parts))


@given(lengths, lengths)
def test_adding_and_taking_away_again_changes_nothing(one, other):
    assert one + other - other == one
    assert (one < other) == (one.ticks < other.ticks)


@given(st.text(max_size=45))
def test_any_text_is_a_length_within_bounds_or_a_length_error(text):
    try:
        length = parse_length(text)
    except LengthError:
        return
    assert 0 <= length.ticks <= LARGEST_TICKS


@pytest.mark.parametrize(
    "text",
    [
        "",  # nothing
        "abc",
        "-3",
        "35 9/8",  # more than an inch of fraction
        "353/8",  # 35 3/8 or 353 eighths
        "35 3/7",  # no tape has sevenths
        "35.4",  # between two 64ths
        "35 3/0",
        "35,375",  # a comma may be thousands
        "35,5",  # or 35 and 5
        "1,200 mm",  # 1200 or 1.2
        "2' 13\"",  # a foot and more after feet
        "35 3/8 mm",  # millimetres have no fractions
        "904.05 mm",  # finer than a tenth
        "٣٥",  # digits of another script
        "1" * 41,
    ],
)
def test_what_is_no_length_or_could_be_two_is_refused(text):
    with pytest.raises(LengthError):
        parse_length(text)


def test_a_length_off_the_grid_names_its_neighbours():
    with pytest.raises(LengthError) as refused:
        parse_length("35 3/7")

    assert [near.text() for near in refused.value.nearest] == ["35 27/64", "35 7/16"]


def test_a_length_is_never_made_of_a_float():
    with pytest.raises(TypeError):
        Length(1.5)


def test_a_tape_is_read_to_an_eighth_or_a_millimetre():
    assert (READING_GRID[LengthUnit.INCH], READING_GRID[LengthUnit.MM]) == (EIGHTH, MM)
