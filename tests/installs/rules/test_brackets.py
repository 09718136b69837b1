"""How many brackets, and where. Counts: common practice, no published source."""

from __future__ import annotations

import random
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise

import pytest

from installs.rules.brackets import bracket_count, plan_brackets, unit_weight, worst_load
from installs.rules.data import starting_rules
from installs.rules.units import KeepOff
from shared.lengths import Length
from tests.installs.rules.units import inch, make_unit

RULES = starting_rules()


def at(plan) -> list[str]:
    return [place.at.text() for place in plan.places]


@pytest.mark.parametrize(
    ("family", "width", "count"),
    [
        ("slat", 48, 2),  # exactly the span of a light slat blind, a bracket at each end
        ("slat", "769/16", 3),
        ("slat", 96, 3),
        ("cellular", 46, 2),  # 46 − 2 × 3 = 40
        ("cellular", "737/16", 3),
        ("roman", 42, 2),
        ("vertical", 90, 3),
        ("sheer", 54, 2),
        ("roller", 120, 2),  # ends only, whatever the width
    ],
)
def test_the_count_is_two_and_what_the_span_needs(family, width, count):
    unit = make_unit(family=family, width=inch(width), weight_g=2000)

    plan = plan_brackets(unit, RULES)

    assert len(plan.places) == count
    assert plan.why.startswith(f"{count} brackets: 2 ends")


def test_the_count_says_how_it_was_reached():
    plan = plan_brackets(make_unit(width=inch(74)), RULES)

    assert plan.why == "3 brackets: 2 ends + 1 because 74 in is over the 48 in span"


def test_the_formula_of_the_trade_table():
    """ceil((width − 2 × end distance) / span) + 1, at least 2."""
    assert bracket_count(inch(10), inch(3), inch(40)) == 2
    assert bracket_count(inch(126), inch(3), inch(40)) == 4
    assert bracket_count(inch("2017/16"), inch(3), inch(40)) == 5


def test_a_heavy_slat_blind_has_a_shorter_span():
    light = plan_brackets(make_unit(width=inch(46), weight_g=5000), RULES)
    heavy = plan_brackets(make_unit(width=inch(46), weight_g=14000), RULES)

    assert (light.span, len(light.places)) == (inch(48), 2)
    assert (heavy.span, len(heavy.places)) == (inch(40), 3)


def test_box_brackets_sit_at_the_ends_and_clips_at_the_end_distance():
    assert at(plan_brackets(make_unit(width=inch(74)), RULES)) == ["0", "37", "74"]
    assert at(plan_brackets(make_unit(family="cellular", width=inch(74)), RULES)) == ["3", "37", "71"]


def test_a_middle_bracket_moves_off_a_ladder_by_an_inch_clear_of_its_foot():
    """Foot 1 in wide, ladder at 37: the middle goes 1 1/2 in away."""
    unit = make_unit(width=inch(74), keep_off=(KeepOff("ladder", inch(37)),))

    plan = plan_brackets(unit, RULES)

    assert at(plan) == ["0", "35 1/2", "74"]
    assert plan.places[1].why == "moved from 37 in, off the ladder at 37 in"


def test_an_end_clip_moves_off_a_cord_lock():
    unit = make_unit(family="cellular", width=inch(40), keep_off=(KeepOff("cord lock", inch(3)),))

    assert at(plan_brackets(unit, RULES)) == ["1 1/2", "37"]


def test_moving_may_not_open_a_gap_over_the_span():
    """96 wide at a span of 48: the middle has no room to move, so one more is placed."""
    unit = make_unit(width=inch(96), keep_off=(KeepOff("tilter", inch(48)),))

    plan = plan_brackets(unit, RULES)

    gaps = [second.at - first.at for first, second in pairwise(plan.places)]
    assert len(plan.places) == 4
    assert max(gaps) <= inch(48)
    assert "+ 1 so that all clear" in plan.why


def test_no_bracket_sits_in_a_mullion_seam():
    unit = make_unit(family="cellular", width=inch(86), seams=(inch(43),))

    plan = plan_brackets(unit, RULES)

    assert all(abs(place.at - inch(43)) >= inch("3/4") for place in plan.places)
    assert plan.findings == ()


def test_an_end_that_can_not_leave_a_seam_is_said():
    plan = plan_brackets(make_unit(seams=(Length(0),)), RULES)

    assert [finding.code for finding in plan.findings] == ["bracket_on_seam"]
    assert plan.findings[0].cannot


def test_coupled_tubes_have_a_bracket_at_each_joint_and_none_else():
    unit = make_unit(family="roller", width=inch(144), splits=(inch(72),))

    plan = plan_brackets(unit, RULES)

    assert [(place.role, place.at.text()) for place in plan.places] == [("end", "0"), ("joint", "72"), ("end", "144")]
    assert plan.places[1].item == "coupling-bracket"


def test_a_narrow_unit_keeps_its_clips_apart():
    plan = plan_brackets(make_unit(family="cellular", width=inch(8)), RULES)

    assert at(plan) == ["2", "6"]


def test_a_wide_roller_takes_the_larger_bracket():
    small = plan_brackets(make_unit(family="roller", width=inch(60), weight_g=3000), RULES)
    large = plan_brackets(make_unit(family="roller", width=inch(90), weight_g=3000), RULES)

    assert (small.size.end, large.size.end) == ("roller-bracket", "roller-bracket-large")


def test_an_entered_bracket_load_asks_for_more_brackets():
    rule = RULES.brackets["cellular"]
    weak = replace(rule, sizes=tuple(replace(size, most_lb=Decimal(15)) for size in rule.sizes))
    rules = replace(RULES, brackets={**RULES.brackets, "cellular": weak})
    unit = make_unit(family="cellular", width=inch(80), weight_g=15000)

    plan = plan_brackets(unit, rules)

    assert len(plan.places) > len(plan_brackets(unit, RULES).places)
    assert plan.load_lb <= 15
    assert plan.findings == ()


def test_a_tube_whose_ends_carry_too_much_can_not_be_helped_by_more():
    rule = RULES.brackets["roller"]
    weak = replace(rule, sizes=tuple(replace(size, most_lb=Decimal(5)) for size in rule.sizes))
    rules = replace(RULES, brackets={**RULES.brackets, "roller": weak})

    plan = plan_brackets(make_unit(family="roller", weight_g=15000), rules)

    assert [(finding.code, finding.cannot) for finding in plan.findings] == [("bracket_load", True)]


def test_the_middle_of_two_equal_spans_carries_five_eighths():
    """Standard mechanics: the middle reaction of a beam on three supports is 10/8 w L of one span."""
    unit = make_unit(width=inch(96), weight_g=45359)

    load, why = worst_load(unit, [Length(0), inch(48), inch(96)], Decimal(100), RULES)

    assert load == Decimal("62.50") + RULES.use_pull_lb["cordless"]
    assert "middle support" in why


def test_without_a_weight_the_familys_heavier_one_is_taken_and_said():
    """36 × 60 in slat at 1.5 lb a square foot: 22.5 lb."""
    weight, why = unit_weight(make_unit(weight_g=None), RULES)

    assert weight == Decimal("22.50")
    assert "estimated" in why


def test_an_outside_bracket_needs_flat_wall_for_its_height():
    outside = {"mount": "outside", "fixed_to": "casing"}
    tight = plan_brackets(make_unit(**outside, flat_height=inch(2)), RULES)
    enough = plan_brackets(make_unit(**outside, flat_height=inch("11/4")), RULES)

    assert [finding.code for finding in tight.findings] == ["bracket_height"]
    assert enough.findings == ()


def least_movement(plan, barred: list[tuple[int, int]], gap: int) -> int | None:
    """Every mark of the 1/8 in grid tried for every middle of a slat head; None where none fits."""
    grid = inch("1/8").ticks
    span = plan.span.ticks
    width = plan.places[-1].at.ticks
    free = [mark for mark in range(0, width + 1, grid) if not any(low < mark < high for low, high in barred)]
    chains = {0: 0}
    for place in plan.places[1:-1]:
        grown = {}
        for mark in free:
            costs = [cost for before, cost in chains.items() if before + gap <= mark <= before + span]
            if costs:
                grown[mark] = min(costs) + abs(mark - place.evenly.ticks)
        chains = grown
    return min((cost for before, cost in chains.items() if width - before <= span), default=None)


def test_brackets_move_no_more_than_a_search_of_the_whole_grid_finds():
    compared = 0
    for seed in range(120):
        pick = random.Random(seed)
        width = inch(f"{pick.randint(8 * 50, 8 * 120)}/8")
        spots = tuple(KeepOff("ladder", Length(pick.randint(0, width.ticks))) for _ in range(pick.choice((2, 4, 7))))
        plan = plan_brackets(make_unit(width=width, weight_g=3000, keep_off=spots), RULES)
        if "so that all clear" in plan.why:
            continue
        off = inch("3/2").ticks
        barred = [(spot.at.ticks - off, spot.at.ticks + off) for spot in spots]

        moved = sum(abs(place.at - place.evenly).ticks for place in plan.places)
        assert moved == least_movement(plan, barred, inch("3/2").ticks), seed
        compared += 1
    assert compared > 60
