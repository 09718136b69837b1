"""Units of the product range and the recipes that are shipped, read by the firm's table."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from installs.rules.choices import install_unit
from installs.rules.data import starting_rules
from installs.rules.hardware import hardware_list
from installs.rules.units import SiteFacts
from shared.contracts import ContractError
from tests.installs.completeness import incomplete
from tests.installs.rules.units import inch

RULES = starting_rules()
SITE = SiteFacts(year_built=2000)
PRODUCTS = Path(__file__).resolve().parents[3] / "measuring" / "data" / "products.json"


def make(**changes):
    facts = {
        "code": "A1", "product": "dunlin_wood", "family": "slat", "mount": "inside", "fixed_to": "jamb",
        "substrate": "wood", "width": inch(40), "height": inch(60), "options": {"control": "cordless"}, "rules": RULES,
    }  # fmt: skip
    return install_unit(**{**facts, **changes})


def shipped_choices():
    for product in json.loads(PRODUCTS.read_text(encoding="utf-8")):
        for control in product["fit"].get("controls", []):
            yield product["key"], product["family"], control["key"]


@pytest.mark.parametrize(("product", "family", "control"), list(shipped_choices()))
def test_every_control_of_the_shipped_range_is_known(product, family, control):
    unit = make(product=product, family=family, options={"control": control, "hold_downs": "yes"})

    answer = hardware_list(unit, SITE, RULES)

    assert incomplete(answer, unit, RULES) == []
    assert (unit.control == "motor") is (control in {"battery", "mains"})
    assert (len(answer.tension) > 0) is (control == "chain")


def test_a_box_product_takes_its_own_bracket_rule():
    assert hardware_list(make(product="wren_box", family="roller"), SITE, RULES).count("cassette-clip") == 2


def test_ladders_of_the_recipe_keep_brackets_off():
    unit = make(width=inch(74), places={"ladders": (inch(6), inch(37), inch(68)), "slats": (inch(1),)})

    assert [spot.what for spot in unit.keep_off] == ["ladder"] * 3
    assert hardware_list(unit, SITE, RULES).brackets_at[1] == inch("71/2")


def test_what_the_workroom_packs_is_not_listed_twice():
    loose = make(options={"control": "wand", "valance": "plain", "hold_downs": "yes"})
    packed = make(
        options={"control": "wand", "valance": "plain", "hold_downs": "yes"},
        parts=("wand", "valance clips", "hold-down pins", "slats"),
    )

    groups = [{line.group for line in hardware_list(unit, SITE, RULES).lines} for unit in (loose, packed)]
    assert {"control", "clip", "hold_down"} <= groups[0]
    assert not {"control", "clip", "hold_down"} & groups[1]


def test_an_unknown_control_is_refused_with_those_there_are():
    with pytest.raises(ContractError) as caught:
        make(options={"control": "levitation"})

    assert caught.value.field == "options.control"
    assert "chain" in caught.value.bound
