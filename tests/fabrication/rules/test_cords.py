"""Cord rules of a place, as the drop of a loop."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

import measuring
from fabrication.rules.cords import loop_rule, pull_rule
from fabrication.rules.recipes import CannotMake
from measuring.rules.safety import CordLimit, Jurisdiction
from shared.lengths import Length
from tests.fabrication.rules.shop import made

ROWS = json.loads((Path(measuring.__file__).parent / "data" / "jurisdictions.json").read_text(encoding="utf-8"))
PLACES = {row["key"]: Jurisdiction.from_json(row) for row in (ROWS if isinstance(ROWS, list) else ROWS["places"])}
HEAD = Length.mm(2400)


def test_half_of_the_loop_allowed_hangs_below_the_head():
    """Canada, SOR/2019-97 as its guidance states it: loops of 44 cm at most, stock and custom alike."""
    rule = loop_rule(PLACES["ca"], has_device=True)

    assert rule.limit == Length.mm(220)
    assert "SOR/2019-97" in rule.rule


def test_a_figure_for_stock_goods_does_not_bind_custom_ones():
    """16 CFR 1120.3(e) is about stock products."""
    assert loop_rule(PLACES["us"], has_device=False).limit is None


@pytest.mark.parametrize(
    ("has_device", "head", "limit"),
    [
        (False, HEAD, Length.mm(800)),  # 2400 to the head, the bottom 1600 over the floor
        (True, HEAD, None),  # a device settles it
        (False, Length.mm(1500), Length.mm(110)),  # below the height altogether: only a loop under 220 mm
        (False, None, None),  # nobody measured: warned of instead
    ],
)
def test_a_low_loop_is_counted_from_the_floor(has_device, head, limit):
    """Australia 2014, s. 6: no loop of 220 mm or more lower than 1600 mm over the floor."""
    rule = loop_rule(PLACES["au"], has_device=has_device, head_height=head)

    assert rule.limit == limit
    assert bool(rule.warning) == (head is None and not has_device)


def test_a_figure_not_read_at_its_source_warns_and_binds_nothing():
    rule = loop_rule(PLACES["eu"], has_device=False, head_height=HEAD)

    assert rule.limit is None
    assert "not read at its source" in rule.warning


def test_a_pull_is_held_against_what_may_hang_free():
    """Canada: 22 cm of a free cord. United States: a voluntary standard, and a rule that was vacated; both are said."""
    canada, states = pull_rule(PLACES["ca"]), pull_rule(PLACES["us"])

    assert (canada.limit, states.limit) == (Length.mm(220), None)
    assert "SOR/2019-97" in canada.rule
    assert "by the voluntary standard no operating or tilt cord of a custom covering hangs free" in states.warning
    assert "vacated" in states.warning
    assert "loop" not in states.warning


def test_a_figure_for_pulls_not_read_at_its_source_warns_and_binds_nothing():
    heard = CordLimit("free_end", Length.mm(300).ticks, "all", "second-hand", "a leaflet", "2020-01-01")

    rule = pull_rule(replace(PLACES["us"], limits=(heard,), kinds=(), notes=()))

    assert rule.limit is None
    assert "not read at its source: a pull of at most" in rule.warning


def test_a_pull_is_no_longer_than_its_share_its_most_and_the_rule():
    """Two thirds of the height, 36 at most, never past the place's limit; what is too short to work is refused."""
    short, tall = (made("stint", "36", height, options={"control": "corded"}) for height in ("36", "90"))
    bound = made("stint", "36", "90", options={"control": "corded"}, loop_limit=Length.inches(20))

    drops = [one.figure("pull_drop").number for one in (short, tall, bound)]
    assert drops == [Length.inches(inch).ticks for inch in (23, 36, 20)]
    assert tall.part("cords").length - bound.part("cords").length == Length.inches(16)
    assert made("stint", "36", "90", options={"control": "cordless"}).part("cords") is None
    with pytest.raises(CannotMake, match="too little to work it; take another control"):
        made("stint", "36", "90", options={"control": "corded"}, loop_limit=Length.mm(220))


def test_the_loop_is_shortened_and_says_by_what_rule():
    plain = made("wren", options={"control": "chain"})
    bound = made("wren", options={"control": "chain"}, loop_limit=Length.inches(15), loop_rule="rule of X (§ 6)")

    assert plain.measures["loop"] == Length.inches(80)
    assert bound.measures["loop"] == Length.inches(30)
    note = next(figure.text for figure in bound.figures if figure.name == "loop hangs")
    assert "shortened from 40 in: rule of X (§ 6)" in note


def test_a_loop_as_long_as_the_rule_lets_it_is_not_called_shortened():
    unit = made("wren", options={"control": "chain"}, loop_limit=Length.inches(40))

    assert unit.measures["loop"] == Length.inches(80)
    assert not any(remark.code == "loop_limit" for remark in unit.remarks)


def test_too_short_a_loop_is_refused_naming_the_rule():
    with pytest.raises(CannotMake, match="the cord rule of X") as error:
        made("wren", options={"control": "chain"}, loop_limit=Length.mm(220), loop_rule="the cord rule of X")

    assert error.value.field == "loop_limit"


def test_what_could_not_be_checked_is_a_remark():
    unit = made("wren", options={"control": "chain"}, loop_warning="measure floor to head")

    assert any(remark.severity == "check" and remark.text == "measure floor to head" for remark in unit.remarks)
