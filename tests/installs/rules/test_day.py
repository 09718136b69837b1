"""The day as a whole: loads, spares, the van, ladders, causes and minutes."""

from __future__ import annotations

from decimal import Decimal

import pytest

from installs.rules.causes import CAUSES, cause, kinds_of, needs_return, top_causes, top_of
from installs.rules.data import starting_rules
from installs.rules.durations import (
    install_minutes,
    install_visit_minutes,
)
from installs.rules.hardware import hardware_list
from installs.rules.ladders import plan_ladder
from installs.rules.loading import HARDWARE, LONG_RACK, SPARES, StopLoad, load_list, packages_of
from installs.rules.spares import day_spares, shortages, top_up
from installs.rules.trims import line
from installs.rules.units import Motor, SiteFacts, Valance
from tests.installs.rules.units import inch, make_unit

RULES = starting_rules()
SITE = SiteFacts(year_built=2000)


def make_stop(number: int, *units):
    lists = tuple(hardware_list(unit, SITE, RULES) for unit in units)
    packages = tuple(package for unit in units for package in packages_of(unit, unit.weight_g or 0, RULES))
    return StopLoad(number, f"J{number}", units, lists, packages)


# -- loads -----------------------------------------------------------------------------


def test_a_vertical_travels_as_head_and_vanes():
    unit = make_unit(family="vertical", width=inch(80), height=inch(84), valance=Valance(inch(81)))

    packages = packages_of(unit, 9000, RULES)

    assert [package.label for package in packages] == ["1 of 3: head", "2 of 3: vanes", "3 of 3: valance"]
    assert [package.length.text() for package in packages] == ["80", "84", "81"]


def test_long_pieces_go_on_the_rack_and_the_rest_last_stop_first():
    stops = [
        make_stop(1, make_unit(code="A1"), make_unit(code="A2", width=inch(100))),
        make_stop(2, make_unit(code="B1", width=inch(120))),
        make_stop(3, make_unit(code="C1")),
    ]

    plan = load_list(stops, RULES, inch(144))

    assert [(entry.section, entry.unit) for entry in plan.entries if entry.unit] == [
        (LONG_RACK, "B1"), (LONG_RACK, "A2"), ("stop 3", "C1"), ("stop 1", "A1"),
    ]  # fmt: skip
    assert [entry.order for entry in plan.entries] == list(range(1, len(plan.entries) + 1))
    assert plan.findings == ()
    assert plan.weight_g == 4 * 5000


def test_a_piece_of_exactly_96_inches_is_on_the_rack_and_there_alone():
    plan = load_list([make_stop(1, make_unit(code="A1", width=inch(96)))], RULES)

    assert [entry.section for entry in plan.entries if entry.unit] == [LONG_RACK]


def test_hardware_of_the_day_is_the_sum_over_its_stops_with_spares_beside():
    stops = [make_stop(1, make_unit(code="A1"), make_unit(code="A2")), make_stop(2, make_unit(code="B1"))]

    entries = load_list(stops, RULES).entries

    brackets = {entry.section: entry for entry in entries if entry.item == "box-bracket"}
    assert brackets[HARDWARE].quantity == 6
    assert brackets[HARDWARE].why == "4 for stop 1, 2 for stop 2"
    assert brackets[SPARES].quantity == 2


def test_each_item_stands_on_one_line_of_the_hardware():
    units = [
        make_unit(code=f"A{n}", substrate=wall, family="roller", control="chain")
        for n, wall in enumerate(("wood", "unknown", "masonry", "drywall_wood_stud"))
    ]

    entries = [entry for entry in load_list([make_stop(1, *units)], RULES).entries if entry.section == HARDWARE]

    assert len({entry.item for entry in entries}) == len(entries)


def test_a_package_longer_than_the_truck_takes_is_said():
    plan = load_list([make_stop(1, make_unit(width=inch(150)))], RULES, inch(120))

    assert [(finding.code, finding.cannot) for finding in plan.findings] == [("too_long_for_truck", True)]


def test_a_chargers_day_takes_one_charger_a_job():
    units = [make_unit(code=f"A{n}", family="roller", motor=Motor("battery", "hall", n)) for n in (1, 2)]

    entries = load_list([make_stop(1, *units), make_stop(2, *units)], RULES).entries

    assert next(entry.quantity for entry in entries if entry.item == "motor-charger") == 2


# -- spares and the van ------------------------------------------------------------------


@pytest.mark.parametrize(("total", "spare"), [(1, 2), (40, 2), (41, 3), (200, 10)])
def test_spares_are_five_percent_and_two_at_least(total, spare):
    """Common practice, no published source."""
    found = day_spares([line(RULES, "rail-clip", total, "")], [], RULES)

    assert [(entry.item, entry.quantity) for entry in found] == [("rail-clip", spare)]


def test_a_day_with_verticals_and_chains_takes_one_vane_and_one_joiner():
    units = [make_unit(family="vertical", control="chain"), make_unit(family="vertical")]

    assert [entry.item for entry in day_spares([], units, RULES)] == ["spare-vane", "chain-joiner"]


def test_the_van_is_topped_up_only_below_its_least():
    item = RULES.item("wood-screw-8x1-1_2")
    full = {entry.key: entry.van_most for entry in RULES.items}

    assert top_up(full, RULES) == ()
    assert top_up({**full, item.key: item.van_least}, RULES) == ()
    short = top_up({**full, item.key: item.van_least - 1}, RULES)
    assert [entry.quantity for entry in short] == [item.van_most - item.van_least + 1]


def test_strips_are_short_by_whole_stock_lengths():
    """Two of 60 in and one of 30 come out of two strips of 96 in."""
    asked = line(RULES, "gap-strip", 3, "", lengths=(inch(60), inch(60), inch(30)))

    assert shortages([asked], {"gap-strip": 2}, RULES) == ()
    assert [entry.short for entry in shortages([asked], {"gap-strip": 1}, RULES)] == [1]


def test_an_item_over_several_lines_is_counted_once():
    lines = [line(RULES, "wood-screw-8x2", 40, ""), line(RULES, "wood-screw-8x2", 70, "")]

    assert shortages(lines, {"wood-screw-8x2": 110}, RULES) == ()
    assert [entry.short for entry in shortages(lines, {"wood-screw-8x2": 100}, RULES)] == [10]


# -- ladders -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reach", "kind", "size"),
    [
        (84, "none", None),
        (85, "stepladder", 48),  # stand at 13
        (96, "stepladder", 48),  # stand at 24: a 4 ft ladder without its top two steps
        (97, "stepladder", 72),
        (192, "stepladder", 144),  # stand at 120
        (193, "higher", None),
        (None, "stepladder", None),
    ],
)
def test_the_ladder_is_the_next_size_without_its_top_two_steps(reach, kind, size):
    plan = plan_ladder(None if reach is None else inch(reach), Decimal(10), RULES)

    assert (plan.kind, plan.size) == (kind, None if size is None else inch(size))


# -- causes --------------------------------------------------------------------------------


def test_every_kind_hangs_on_a_cause_and_keys_are_unique():
    keys = [entry.key for entry in CAUSES]

    assert len(set(keys)) == len(keys)
    assert all(entry.parent in keys for entry in CAUSES if entry.parent)
    assert all(len(key) <= 30 for key in keys)


def test_the_causes_of_the_day_are_all_there():
    assert {entry.key for entry in top_causes()} == {
        "size", "make", "damage", "missing_part", "trimmed", "wall_moved", "site_not_ready", "nobody_there",
        "customer_change", "out_of_time",
    }  # fmt: skip


def test_a_moved_wall_is_measured_again_and_a_missing_part_is_not_made_again():
    assert cause("wall_moved.settled").remeasure == "yes"
    assert cause("missing_part.hardware").remake == "no"
    assert cause("size.too_short").remake == "yes"
    assert top_of("size.too_short").key == "size"
    assert kinds_of("nobody_there") == ()


def test_only_our_own_causes_cost_us():
    assert not cause("nobody_there").is_ours
    assert cause("make.cloth_flaw").is_ours


def test_what_stays_as_it_is_owes_no_return():
    assert not needs_return("trimmed.stays")
    assert needs_return("missing_part.package")


# -- minutes ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "minutes"),
    [
        ({}, 15),
        ({"width": inch(61)}, 25),
        ({"family": "roller", "control": "chain"}, 15),
        ({"family": "roller", "motor": Motor("battery")}, 25 + 6),
        ({"family": "solar", "motor": Motor("hard_wired")}, 30 + 6),
        ({"family": "roller", "width": inch(97)}, 40),
        ({"family": "vertical", "is_door": True}, 30),
        ({"family": "cellular", "two_way": True}, 18),
        ({"family": "roman", "substrate": "concrete"}, 20 + 8),
        (
            {"family": "sheer", "substrate": "drywall_wood_stud", "fixed_to": "ceiling", "take_down": True},
            20 + 3 + 6 + 5,
        ),
        ({"family": "roller", "width": inch(90), "splits": (inch(45),)}, 15 + 10),
    ],
)
def test_install_minutes_are_those_of_the_trade_table(changes, minutes):
    """Table 8: common practice, no published source."""
    assert install_minutes(make_unit(**changes), RULES).minutes == minutes


def test_a_visit_adds_its_fixed_part_each_remote_once_and_trips_by_lift():
    units = [make_unit(code=f"A{n}", family="roller", motor=Motor("battery", "hall", n)) for n in (1, 2)]

    answer = install_visit_minutes(units, RULES, lift_trips=2)

    assert answer.whole == 20 + 31 + 31 + 15 + 20
    assert sum(step.minutes for step in answer.steps) == answer.minutes


def test_two_people_are_faster_but_do_not_halve_a_visit():
    """0.6 of the units' minutes side by side: common practice, no published source."""
    units = [make_unit(code=f"A{n}", family="slat", width=inch(36)) for n in range(4)]

    one, two, three = (install_visit_minutes(units, RULES, people=people) for people in (1, 2, 3))

    saved = sum(install_minutes(unit, RULES).minutes for unit in units) * 6 / 10 / 2
    assert one.minutes - two.minutes == saved
    assert two.minutes > one.minutes / 2
    assert three == two
    assert sum(step.minutes for step in two.steps) == two.minutes


@pytest.mark.parametrize(
    "widths",
    [
        (36,),  # one unit: nothing to work on beside it
        (96, 100),  # so wide that two hold each of them anyway
    ],
)
def test_a_second_person_saves_nothing_where_there_is_nothing_to_do_beside(widths):
    units = [make_unit(code=f"A{n}", family="cellular", width=inch(width)) for n, width in enumerate(widths)]

    assert install_visit_minutes(units, RULES, people=2) == install_visit_minutes(units, RULES, people=1)


def test_a_van_that_has_none_of_an_item_takes_all_it_holds():
    taken = {entry.item: (entry.held, entry.quantity) for entry in top_up({}, RULES)}

    assert taken == {item.key: (0, item.van_most) for item in RULES.items if item.van_least}
