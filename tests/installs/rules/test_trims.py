"""Gap strips, valances, shims, hold-downs, loops, wands, motors, and the cautions of a site."""

from __future__ import annotations

from decimal import Decimal

import pytest

from installs.rules.cords import CordRule
from installs.rules.data import starting_rules
from installs.rules.hardware import hardware_list, job_hardware, remote_map
from installs.rules.loading import StopLoad, day_hardware
from installs.rules.safety import drilled_sq_ft
from installs.rules.trims import cut_strips
from installs.rules.units import Loop, Motor, SiteFacts, Valance
from shared.lengths import Length, total
from tests.installs.rules.units import inch, make_unit
from tests.measuring.starting import starting_jurisdictions

RULES = starting_rules()
SITE = SiteFacts(year_built=2000)


def answer_for(site=SITE, **changes):
    return hardware_list(make_unit(**changes), site, RULES)


def site_in(place: str) -> SiteFacts:
    """A building where these cord rules hold."""
    rules = starting_jurisdictions().get(place.lower())
    return SiteFacts(2000, jurisdiction=place, cords=CordRule.of(rules) if rules is not None else None)


def codes(answer) -> list[str]:
    return [finding.code for finding in answer.findings]


def lines(answer, item):
    return [line for line in answer.lines if line.item == item]


# -- strips ----------------------------------------------------------------------


@pytest.mark.parametrize("family", ["roller", "solar", "sheer"])
def test_gap_strips_are_a_pair_as_long_as_the_unit_is_high(family):
    strips = lines(answer_for(family=family, gap_strips=True), "gap-strip")

    assert [(line.quantity, [length.text() for length in line.lengths]) for line in strips] == [(2, ["60", "60"])]


@pytest.mark.parametrize("changes", [{"family": "slat"}, {"family": "roller", "mount": "outside", "fixed_to": "wall"}])
def test_gap_strips_where_they_do_not_go_are_said_and_not_listed(changes):
    answer = answer_for(gap_strips=True, **changes)

    assert lines(answer, "gap-strip") == []
    assert "gap_strips" in codes(answer)


def test_strips_take_offcuts_before_stock_and_keep_what_is_worth_it():
    cuts, over = cut_strips(
        [inch(40), inch(40), inch(70), inch(100)], [inch(41), inch(20)], inch(96), inch("1/8"), inch(18)
    )

    assert over == (inch(100),)
    assert [(cut.source, [piece.text() for piece in cut.pieces], cut.keeps_offcut) for cut in cuts] == [
        ("offcut", ["40"], False),
        ("stock", ["70"], True),
        ("stock", ["40"], True),
    ]


def test_every_strip_is_cut_once_and_no_stock_is_overdrawn():
    lengths = [Length(number * 7919 % 700_000 + 1000) for number in range(80)]
    cuts, over = cut_strips(lengths, [inch(30), inch(50)], inch(96), inch("1/8"), inch(18))

    assert sorted([piece for cut in cuts for piece in cut.pieces] + list(over)) == sorted(lengths)
    for cut in cuts:
        assert total(cut.pieces) + inch("1/8") * (len(cut.pieces) - 1) <= cut.stock


# -- valance, shims, hold-downs ----------------------------------------------------


def test_a_valance_outside_has_clips_two_returns_and_their_corners():
    answer = answer_for(mount="outside", fixed_to="wall", valance=Valance(inch(37), inch("7/2")))

    assert answer.count("valance-clip") == 3
    assert [length.text() for line in lines(answer, "valance-return") for length in line.lengths] == ["3 1/2", "3 1/2"]
    assert answer.count("valance-corner") == 2


def test_a_valance_inside_has_no_returns():
    answer = answer_for(valance=Valance(inch(36)))

    assert answer.count("valance-clip") > 0
    assert answer.count("valance-return") == 0


def test_a_roller_head_out_by_a_quarter_is_packed_at_its_high_end():
    """Low at the right: the left bracket comes down 1/4 in, 2 shims of 1/8; the right stays."""
    answer = answer_for(family="roller", head_out=inch("1/4"), head_low="right")

    assert answer.count("shim-1_8") == 2
    assert "1/4 in at 0 in" in lines(answer, "shim-1_8")[0].why


def test_a_roller_may_be_out_by_less_than_a_sixteenth_in_36():
    """Common practice, no published source."""
    assert answer_for(family="roller", head_out=inch("1/32")).count("shim-1_16") == 0
    assert answer_for(family="roller", head_out=inch("1/16")).count("shim-1_16") == 1


def test_on_a_wall_brackets_are_set_by_the_level_instead():
    answer = answer_for(family="roller", head_out=inch("1/4"), mount="outside", fixed_to="wall")

    assert not any(line.group == "shim" for line in answer.lines)
    assert "head_out" in codes(answer)


def test_every_moving_door_has_two_hold_downs_magnetic_on_steel():
    assert answer_for(is_door=True).count("hold-down") == 2
    assert answer_for(is_door=True, facts=("steel_door",)).count("hold-down-magnetic") == 2
    assert answer_for().count("hold-down") == 0


@pytest.mark.parametrize("family", ["roller", "solar", "sheer", "roman"])
def test_cloth_on_a_door_is_held_down_only_where_it_is_ordered(family):
    """A roller's hem bar hangs loose: only one in side or cable guides can be held."""
    assert not any(line.group == "hold_down" for line in answer_for(family=family, is_door=True).lines)
    assert answer_for(family=family, is_door=True, hold_downs=True).count("hold-down") == 2


@pytest.mark.parametrize("asked", [{"is_door": True}, {"hold_downs": True}])
def test_vanes_are_never_held_down(asked):
    """A patio door's vertical came with two hold-downs, and nothing to hold."""
    assert not any(line.group == "hold_down" for line in answer_for(family="vertical", **asked).lines)


@pytest.mark.parametrize(("fixed_to", "screwed"), [("door", False), ("wall", True)])
def test_hold_downs_of_a_door_that_takes_no_screw_are_agreed_on_with_the_customer(fixed_to, screwed):
    answer = answer_for(is_door=True, mount="outside", fixed_to=fixed_to, substrate="vinyl_frame")

    assert ("hold_down_fixing" in codes(answer)) != screwed
    assert any(line.kit == "hold_down" for line in answer.lines) == screwed


def test_hold_downs_ordered_beside_a_door_take_the_walls_own_screws():
    answer = answer_for(hold_downs=True, substrate="masonry")

    assert [line.item for line in answer.lines if line.kit == "hold-down masonry"] == ["masonry-screw-3_16x1-3_4"]


# -- loops and cords ----------------------------------------------------------------


def test_every_loop_has_its_device_and_screws():
    answer = answer_for(family="roller", control="chain", loops=(Loop(inch(40)), Loop(inch(30), "cord", "left")))

    assert answer.count("chain-tension") == answer.count("cord-tension") == 1
    assert sum(line.quantity for line in answer.lines if line.kit == "tension wood") == 4
    assert [device.below_head.text() for device in answer.tension] == ["40", "30"]


def test_a_loop_not_entered_hangs_two_thirds_down_and_says_so():
    answer = answer_for(family="roller", control="chain")

    assert answer.tension[0].below_head.text() == "40"
    assert "drop not entered" in lines(answer, "chain-tension")[0].why


@pytest.mark.parametrize(
    ("place", "reach", "drop", "found"),
    [
        ("AU", 2400, 800, []),  # exactly 1600 mm above the floor
        ("AU", 2400, 801, ["loop_low"]),
        ("GB", 2400, 900, []),  # exactly 1500 mm
        ("GB", 2400, 901, ["loop_low"]),
        ("CA", 2400, 801, ["loop_size"]),
        ("US", 2400, 2000, []),
        ("XX", 2400, 800, ["cord_rule_missing"]),
    ],
)
def test_one_loop_has_a_different_answer_in_each_place(place, reach, drop, found):
    answer = answer_for(
        site_in(place), family="roller", control="chain",
        reach_height=Length.mm(reach), loops=(Loop(Length.mm(drop)),),
    )  # fmt: skip

    assert [code for code in codes(answer) if code in {"loop_low", "loop_size", "cord_rule_missing"}] == found


def test_second_hand_heights_warn_and_never_block():
    for place in starting_jurisdictions():
        answer = answer_for(
            site_in(place), family="roller", control="chain",
            reach_height=inch(80), loops=(Loop(inch(70)),),
        )  # fmt: skip
        assert all(finding.severity != "stop" for finding in answer.findings), place


def test_a_device_that_may_sit_lower_says_what_it_must_hold():
    answer = answer_for(site_in("AU"), family="roller", control="chain", reach_height=inch(80))
    screws = next(line for line in answer.lines if line.kit == "tension wood")

    assert "must hold 15.74 lb" in screws.why


def test_a_corded_unit_always_carries_the_caution_for_children():
    for children in (True, False):
        answer = answer_for(SiteFacts(2000, children=children), family="roller", control="chain")
        assert "cords" in [caution.code for caution in answer.cautions]
    assert "cords" not in [caution.code for caution in answer_for().cautions]


# -- by hand, by motor -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("reach", "wand"),
    [(None, "wand-36"), (78, "wand-24"), (84, "wand-36"), (100, "wand-48"), (138, "wand-84")],
)
def test_a_wand_comes_down_to_the_hand(reach, wand):
    answer = answer_for(control="wand", reach_height=None if reach is None else inch(reach))

    assert answer.count(wand) == 1


def test_a_wand_too_short_for_the_height_is_said():
    answer = answer_for(control="wand", reach_height=inch(150))

    assert "wand_short" in codes(answer)
    assert answer.count("wand-84") == 1


def test_a_cordless_unit_out_of_reach_has_a_pole():
    assert answer_for(reach_height=inch(130)).count("reach-pole-48") == 1
    assert answer_for(reach_height=inch(84)).lines == answer_for(reach_height=None).lines


def test_a_battery_is_charged_before_loading_and_its_channel_written_down():
    answer = answer_for(family="roller", motor=Motor("battery", "hall", 3))

    assert answer.count("battery-pack") == answer.count("motor-charger") == answer.count("remote") == 1
    assert [task.when for task in answer.to_do] == ["before loading", "on site", "on site"]
    assert "channel 3" in answer.to_do[-1].text


def test_mains_wiring_is_left_to_the_electrician():
    answer = answer_for(family="roller", motor=Motor("hard_wired", "hall", 3))

    assert "mains" in [caution.code for caution in answer.cautions]
    assert "electrician" in codes(answer)
    assert not any("wire" in tool.name and "cut" in tool.name for tool in answer.tools)


def test_a_remote_and_a_charger_count_once_a_job():
    units = [
        make_unit(code=f"A{number}", family="roller", motor=Motor("battery", remote, channel))
        for number, (remote, channel) in enumerate([("hall", 1), ("hall", 2), ("bed", 1)], start=1)
    ]
    answer = job_hardware(units, [hardware_list(unit, SITE, RULES) for unit in units], RULES)
    lines = {line.item: line for line in answer.lines}

    assert lines["motor-charger"].quantity == 1
    assert lines["remote"].quantity == 2
    assert lines["remote"].why == "1 for the remote hall, 1 for the remote bed"
    assert lines["battery-pack"].quantity == 3


def test_an_item_is_one_line_of_a_job_with_the_sum_for_each_unit():
    """Screws of the brackets and of the tension device were two lines: "2 for stop 1, 2 for stop 1" on the load."""
    units = [make_unit(code=code, family="roller", control="chain", substrate="masonry") for code in ("A1", "A2")]
    lists = [hardware_list(unit, SITE, RULES) for unit in units]
    answer = job_hardware(units, lists, RULES)
    screws = [line for line in lists[0].lines if line.group == "screw"]

    assert len(screws) == 2, "brackets and device, the same screw"
    assert len({line.item for line in screws}) == 1
    assert len({line.item for line in answer.lines}) == len(answer.lines)
    [line] = [line for line in answer.lines if line.item == screws[0].item]
    each = sum(line.quantity for line in screws)
    assert (line.quantity, line.why) == (2 * each, f"{each} for A1, {each} for A2")
    [day] = [
        line
        for line in day_hardware([StopLoad(1, "J", tuple(units), tuple(lists), ())], RULES)
        if line.item == screws[0].item
    ]
    assert (day.quantity, day.why) == (2 * each, f"{2 * each} for stop 1")


def test_the_remotes_map_says_which_channel_moves_what():
    units = [
        make_unit(code=code, family="roller", motor=Motor("plug", "hall", channel))
        for code, channel in (("A1", 2), ("A2", 1), ("A3", 2))
    ]

    entries, findings = remote_map(units)

    assert [(entry.channel, entry.units) for entry in entries] == [(1, ("A2",)), (2, ("A1", "A3"))]
    assert [finding.code for finding in findings] == ["channel_shared"]


# -- cautions --------------------------------------------------------------------------


def caution_codes(answer) -> set[str]:
    return {caution.code for caution in answer.cautions}


def test_facts_of_the_site_become_cautions_and_unknown_ones_are_kept():
    answer = answer_for(facts=("alarm_contact", "pipes_above", "bees_in_the_wall"))

    assert {"alarm_contact", "pipes_above", "bees_in_the_wall"} <= caution_codes(answer)
    assert any("bees in the wall" in caution.text for caution in answer.cautions)


@pytest.mark.parametrize(("year", "told"), [(1977, True), (None, True), (1978, False)])
def test_drilling_old_paint_carries_the_lead_caution(year, told):
    assert ("lead" in caution_codes(answer_for(SiteFacts(year)))) is told


@pytest.mark.parametrize(("year", "told"), [(1980, True), (None, True), (1981, False)])
def test_a_textured_ceiling_of_an_old_house_asks_about_asbestos(year, told):
    answer = answer_for(SiteFacts(year), facts=("textured_ceiling",), fixed_to="ceiling")

    assert ("asbestos" in caution_codes(answer)) is told


def test_masonry_brings_the_silica_caution_and_wood_does_not():
    assert "silica" in caution_codes(answer_for(substrate="masonry"))
    assert "silica" not in caution_codes(answer_for())


def test_a_wide_unit_takes_two_people_and_says_why():
    answer = answer_for(width=inch(96), reach_height=inch(80))

    assert answer.people.count == 2
    assert answer.people.why[0] == "96 in wide, 96 in or more"


def test_a_light_unit_within_reach_takes_one_person_and_no_ladder():
    answer = answer_for(reach_height=inch(70))

    assert answer.people.count == 1
    assert answer.ladder.kind == "none"
    assert caution_codes(answer) == {"drilling"}


def test_the_lifting_equation_is_not_stretched_to_ladders():
    answer = answer_for(weight_g=30_000, reach_height=inch(120))

    assert any("on a ladder it does not apply" in reason for reason in answer.people.why)


def test_a_job_shows_an_equal_caution_once_with_its_units():
    units = [
        make_unit(code=code, substrate=wall) for code, wall in (("A1", "masonry"), ("A2", "wood"), ("A3", "masonry"))
    ]
    answer = job_hardware(units, [hardware_list(unit, SITE, RULES) for unit in units], RULES)

    silica = [caution for caution in answer.cautions if caution.code == "silica"]
    assert [caution.units for caution in silica] == [("A1", "A3")]
    assert "1926.1153" in silica[0].source


def test_old_paint_is_warned_of_once_with_every_area():
    units = [make_unit(code="A1"), make_unit(code="A2", width=inch(90))]
    answer = job_hardware(units, [hardware_list(unit, SiteFacts(1950), RULES) for unit in units], RULES)

    (lead,) = (caution for caution in answer.cautions if caution.code == "lead")
    assert lead.units == ("A1", "A2")
    assert len(lead.amounts) == 2
    assert "sq ft of paint" not in lead.text


@pytest.mark.parametrize(
    ("holes", "sq_ft"),
    [(0, "0"), (1, "0.001"), (100, "0.104"), (1000, "1.044")],  # pi x (3/32 + 1/8)^2 is 0.1503 sq in a hole
)
def test_a_hole_disturbs_its_own_half_and_a_rim_all_round(holes, sq_ft):
    """Of 3/16 in, with 1/8 in of paint about it."""
    assert drilled_sq_ft(holes, starting_rules()) == Decimal(sq_ft)
