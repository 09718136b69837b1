"""The rules as data: read strictly, written back the same, complete."""

from __future__ import annotations

import ast
import copy
import json
import typing
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest

from installs.rules.data import HardwareRules, starting_definition, starting_rules
from installs.rules.hardware import HardwareList, hardware_list
from installs.rules.units import InstallUnit
from shared.contracts import ContractError
from shared.lengths import Length
from shared.records import PRACTICE, Record, fields_of, length_text, read_length
from tests.installs.rules.units import inch, make_unit, random_site, random_unit
from tests.test_layers import ROOT

RULES = starting_rules()


def test_rules_survive_the_way_to_a_json_column_and_back():
    stored = json.loads(json.dumps(RULES.to_json()))

    assert HardwareRules.from_json(stored) == RULES


def test_starting_rules_say_that_they_are_common_practice_and_not_confirmed():
    definition = starting_definition()

    assert RULES.basis == PRACTICE
    assert not RULES.confirmed
    assert all(rule.basis == PRACTICE for rule in RULES.brackets.values())
    assert definition["revision"] == 1


def records_in(kind: Any) -> Iterator[tuple[str, str]]:
    """Record and field of everything under a type, as often as it stands there."""
    if isinstance(kind, type) and issubclass(kind, Record):
        for one, inner in fields_of(kind):
            yield kind.__name__, one.name
            yield from records_in(inner)
    for inner in typing.get_args(kind):
        yield from records_in(inner)


def test_whatever_a_firm_edits_is_read_somewhere() -> None:
    trees = [ast.parse(path.read_text()) for path in (ROOT / "installs").rglob("*.py")]
    read = {node.attr for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Attribute)}

    assert {one for one in records_in(HardwareRules) if one[1] not in read | {"basis", "gravity_status"}} == set()


def test_values_of_the_trade_alone_never_stop_before_a_firm_confirms_them():
    assert RULES.severity() == "check"


def test_units_and_lists_survive_json_too():
    for seed in range(200):
        unit = random_unit(seed)
        answer = hardware_list(unit, random_site(seed), RULES)

        assert InstallUnit.from_json(json.loads(json.dumps(unit.to_json()))) == unit
        assert HardwareList.from_json(json.loads(json.dumps(answer.to_json()))) == answer


@pytest.mark.parametrize("text", ["1 3/4", "904 mm", "1 ticks", "-5 ticks", "44.5 mm"])
def test_lengths_in_data_keep_their_own_grid(text):
    assert length_text(read_length(text)) == text


@pytest.mark.parametrize(
    ("path", "value", "field", "bound"),
    [
        (("placing", "keep_off"), "9", "placing.keep_off", "0 to 6"),
        (("placing", "keep_off"), 1.5, "placing.keep_off", "0 to 6"),
        (("placing", "grid"), "an inch", "placing.grid", "1/64 to 1"),
        (("withdrawal", "gravity"), "1.5", "withdrawal.gravity", "0.2 to 1"),
        (("withdrawal", "gravity"), 0.42, "withdrawal.gravity", "0.2 to 1"),
        (("brackets", "slat", "sizes"), [], "brackets.slat.sizes", "at least 1"),
        (("brackets", "slat", "spans"), [], "brackets.slat.spans", "one of them"),
        (("brackets", "slat", "sizes", 0, "screws"), 0, "brackets.slat.sizes[0].screws", "1 to 8"),
        (("brackets", "slat", "sizes", 0, "end"), "nothing", "brackets.slat.sizes[0].end", "a key of items"),
        (("substrates", "wood", "kits"), ["glue"], "substrates.wood.kits", "a key of fasteners"),
        (("fasteners", "hollow", "otherwise"), "hope", "fasteners.hollow.otherwise", "a key of fasteners"),
        (("spares", "percent"), "101", "spares.percent", "0 to 100"),
        (("revision",), 0, "revision", "1 to 1000000"),
        (("confirmed",), "yes", "confirmed", "true or false"),
        (("colour",), "red", "colour", "known here"),
        (("strips", "item"), "end-cap", "strips.item", "more than 0"),
    ],
)
def test_a_wrong_value_is_refused_with_its_field_and_bound(path, value, field, bound):
    definition = copy.deepcopy(starting_definition())
    inner = definition
    for name in path[:-1]:
        inner = inner[name]
    inner[path[-1]] = value

    with pytest.raises(ContractError) as caught:
        HardwareRules.from_json(definition)

    assert caught.value.field == field
    assert bound in caught.value.bound


@pytest.mark.parametrize(
    ("part", "key"), [("substrates", "tile"), ("weights", "roman"), ("use_pull_lb", "wand"), ("brackets", "sheer")]
)
def test_every_family_wall_and_control_must_be_covered(part, key):
    definition = copy.deepcopy(starting_definition())
    del definition[part][key]

    with pytest.raises(ContractError) as caught:
        HardwareRules.from_json(definition)

    assert caught.value.field == f"{part}.{key}"
    assert caught.value.problem == "missing"


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"width": inch(3)}, "width"),
        ({"family": "curtain"}, "family"),
        ({"substrate": "straw"}, "substrate"),
        ({"weight_g": 0}, "weight_g"),
        ({"reach_height": inch(700)}, "reach_height"),
    ],
)
def test_a_unit_out_of_bounds_is_refused_however_it_is_made(changes, field):
    with pytest.raises(ContractError) as caught:
        make_unit(**changes)

    assert caught.value.field == field
    assert caught.value.bound


@pytest.mark.parametrize(
    "changes",
    [{"splits": ["36"]}, {"seams": ["40"]}, {"control": "motor"}, {"motor": {"power": "battery"}}],
)
def test_a_unit_that_contradicts_itself_is_refused(changes):
    with pytest.raises(ContractError):
        InstallUnit.from_json({**make_unit().to_json(), **changes})


def test_items_of_a_range_have_one_name_each_and_a_van_stock_that_makes_sense():
    names = [item.name for item in RULES.items]

    assert len(set(names)) == len(names)
    assert all(item.van_least <= item.van_most for item in RULES.items)
    assert {item.kind for item in RULES.items} == {"piece", "strip"}


def test_weights_of_the_trade_table_are_taken_at_their_heavier_end():
    """Table 6: slat composite 1.2-1.5 lb a square foot (common practice, no published source)."""
    assert RULES.weights["slat"].lb_per_sq_ft == Decimal("1.5")


def test_a_length_can_be_given_in_millimetres_anywhere():
    definition = copy.deepcopy(starting_definition())
    definition["brackets"]["slat"]["spans"][0]["span"] = "1200 mm"

    assert HardwareRules.from_json(definition).brackets["slat"].spans[0].span == Length.mm(1200)
