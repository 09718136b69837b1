"""Texts in the unit of the branch."""

from __future__ import annotations

import re

import pytest

from installs.rules.data import starting_rules
from installs.rules.hardware import hardware_list
from installs.rules.readable import readable
from installs.rules.units import SiteFacts
from shared.lengths import Length, LengthUnit
from tests.installs.rules.units import make_unit, random_site, random_unit

RULES = starting_rules()


@pytest.mark.parametrize(
    ("text", "inches", "millimetres"),
    [
        ("35 3/8 in", "35 3/8 in", "about 899 mm"),
        ("127/4064 in", "1/32 in", "about 1 mm"),
        ("32 1/127 in", "about 32 in", "813 mm"),
        ("3 at 1/2 in each", "3 at 1/2 in each", "3 at about 13 mm each"),
        ("1.50 in of thread", "1.50 in of thread", "1.50 in of thread"),
        ("least 1600 mm", "least 1600 mm", "least 1600 mm"),
        ("10 in", "10 in", "254 mm"),
    ],
)  # fmt: skip
def test_lengths_are_put_to_the_grid_people_read(text, inches, millimetres):
    assert readable(text, LengthUnit.INCH) == inches
    assert readable(text, LengthUnit.MM) == millimetres


def test_no_list_shows_a_fraction_that_no_tape_has():
    for seed in range(300):
        answer = hardware_list(random_unit(seed), random_site(seed), RULES)
        for line in answer.lines:
            bottoms = [int(bottom) for bottom in re.findall(r"/(\d+) in", line.why)]
            assert all(bottom <= 64 for bottom in bottoms), line.why


def test_a_metric_branch_reads_millimetres_and_gets_the_same_hardware():
    unit = make_unit(width=Length.mm(1900))
    inches = hardware_list(unit, SiteFacts(2000), RULES)
    metric = hardware_list(unit, SiteFacts(2000), RULES, LengthUnit.MM)

    assert metric.brackets.why == "3 brackets: 2 ends + 1 because 1900 mm is over the about 1219 mm span"
    assert metric.brackets_at == inches.brackets_at
    assert [(line.item, line.quantity) for line in metric.lines] == [
        (line.item, line.quantity) for line in inches.lines
    ]
