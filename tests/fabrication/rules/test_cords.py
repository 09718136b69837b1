"""Cord rules of a place, as the drop of a loop."""

import json
from pathlib import Path

import pytest

import measuring
from fabrication.rules.cords import loop_rule
from fabrication.rules.recipes import CannotMake
from measuring.rules.safety import Jurisdiction
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
