"""Cords and children, ladders, old paint, walls and mains."""

import pytest

from measuring.rules.range import starting_rows
from measuring.rules.safety import Control, Jurisdiction, Site, cord_findings, safety_findings
from shared.contracts import ContractError
from shared.lengths import parse_length
from tests.measuring.starting import starting_jurisdictions

US = starting_jurisdictions()["us"]
CANADA = starting_jurisdictions()["ca"]
CORDLESS = Control("cordless", "cordless")
CHAIN = Control("chain", "chain", cord="loop", loop=parse_length("60").ticks)
HELD = Control("chain", "chain", cord="loop", loop=parse_length("60").ticks, device=True)
PLAIN = Site(children="none", built=2001, substrate="wood")


def codes(control=CORDLESS, site=PLAIN, place=US, sold_as="custom") -> dict:
    return {found.code: found for found in safety_findings(None, [control] if control else [], site, place, sold_as)}


def limits(control, **more) -> list[str]:
    """What Canada's figures say, without the remarks beside them."""
    return [one.code for one in cord_findings(control, CANADA, **more) if one.code != "cord_note"]


def test_a_cordless_control_in_a_new_house_raises_nothing():
    assert codes() == {}
    assert codes(site=Site(children="live", built=2001, substrate="wood")) == {}


@pytest.mark.parametrize("children", ["live", "visit"])
def test_a_loose_cord_where_children_live_or_visit_stops(children):
    site = Site(children=children, built=2001, substrate="wood")

    assert codes(CHAIN, site)["corded"].severity == "stop"
    assert codes(CHAIN, site, place=None)["corded"].severity == "stop"


def test_a_held_cord_near_children_needs_a_place_that_allows_it():
    site = Site(children="live", built=2001, substrate="wood")

    assert codes(HELD, site)["corded_device"].severity == "check"
    assert "corded" in codes(HELD, site, place=CANADA)
    assert "corded" in codes(HELD, site, place=None)


def test_a_cord_asks_about_children_until_it_is_said():
    site = Site(built=2001, substrate="wood")

    assert "children_unasked" in codes(CHAIN, site)
    assert "children_unasked" not in codes(CHAIN, PLAIN)


def test_of_a_control_that_nobody_chose_only_what_holds_of_all_is_sure():
    site = Site(children="live", built=2001, substrate="wood")
    corded = {found.code for found in safety_findings(None, [CHAIN], site, CANADA)}

    both = {found.code: found for found in safety_findings(None, [CORDLESS, CHAIN], site, CANADA)}
    alike = {found.code for found in safety_findings(None, [CHAIN, CHAIN], site, CANADA)}

    assert set(both) == {"control_unchosen"}
    assert (both["control_unchosen"].severity, "chain" in both["control_unchosen"].text) == ("check", True)
    assert alike == corded


def test_a_cord_without_a_table_of_the_place_is_a_check():
    assert codes(CHAIN, PLAIN, place=None)["place_unread"].severity == "check"


FREE = Control("cord", "lift cords", cord="free", free_end=parse_length("30").ticks)


@pytest.mark.parametrize("children", ["unknown", "none", "visit", "live"])
@pytest.mark.parametrize("control", [FREE, CHAIN], ids=["free", "loose loop"])
def test_a_custom_cord_in_the_us_is_questioned_whoever_lives_there(control, children):
    found = codes(control, Site(children=children, built=2001, substrate="wood"))

    assert found["cord_kind"].severity == "check"
    assert "A100.1-2022" in found["cord_kind"].text
    assert "local code" in found["cord_kind"].todo
    assert found["cord_note"].severity == "note"
    assert "vacated" in found["cord_note"].text


def test_a_custom_loop_that_is_held_is_reminded_of_its_device_only():
    assert {code: one.severity for code, one in codes(HELD).items()} == {"cord_held": "note", "cord_note": "note"}


def test_what_is_said_of_custom_goods_is_not_said_of_stock():
    assert set(codes(FREE, sold_as="stock")) == {"cord_limit"}
    assert set(codes(CHAIN, sold_as="stock")) == {"cord_limit"}


def test_a_note_about_loops_is_said_of_loops_only():
    australia = starting_jurisdictions()["au"]

    assert "cord_note" in codes(CHAIN, place=australia)
    assert "cord_note" not in codes(FREE, place=australia)


def test_a_rule_about_kinds_that_was_not_read_may_not_say_it_was():
    us = next(row for row in starting_rows("jurisdictions") if row["key"] == "us")
    kinds = [{**us["kinds"][0], "status": "read"}]

    with pytest.raises(ContractError, match=r"kinds\[0\]\.status"):
        Jurisdiction.from_json({**us, "kinds": kinds})


def test_a_cord_whose_length_nobody_gave_is_a_check_where_a_place_limits_it():
    unknown = Control("corded", "lift cords", cord="free")

    assert limits(unknown) == ["cord_unread"]


def test_a_chain_that_grows_with_the_height_is_held_against_the_limit_at_that_height():
    growing = Control("chain", "chain", cord="loop", loop_share=(4, 3))
    short, tall = parse_length("330 mm").ticks, parse_length("331 mm").ticks

    assert limits(growing, height=short) == []  # 4/3 x 330 = 440
    assert limits(growing, height=tall) == ["cord_limit"]


@pytest.mark.parametrize(
    ("site", "code", "severity"),
    [
        (Site(children="none", built=1977, substrate="wood"), "lead", "check"),
        (Site(children="none", substrate="wood"), "age_unasked", "note"),
        (Site(children="none", built=2001, substrate="unknown"), "substrate_unknown", "check"),
        (Site(children="none", built=2001, substrate="tile"), "substrate_masonry", "check"),
        (Site(children="none", built=2001, substrate="post_tensioned_slab"), "substrate_slab", "stop"),
        (Site(children="none", built=2001, substrate="wood", reach_ticks=97 * 8128), "ladder", "check"),
    ],
)
def test_the_surroundings_raise_their_caution(site, code, severity):
    found = codes(site=site)

    assert set(found) == {code}
    assert found[code].severity == severity


def test_a_house_of_1978_and_a_head_at_eight_feet_raise_nothing():
    assert codes(site=Site(children="none", built=1978, substrate="wood", reach_ticks=96 * 8128)) == {}


def test_a_mains_motor_calls_for_an_electrician_and_for_power():
    mains = Control("mains", "mains motor", power="mains")

    assert set(codes(mains)) == {"mains", "no_power"}  # nobody looked for power
    wired = Site(children="none", built=2001, substrate="wood", power="mains")
    assert set(codes(mains, site=wired)) == {"mains"}


def test_every_limit_of_a_place_carries_source_date_and_status():
    for place in starting_jurisdictions().values():
        assert place.limits
        assert place.as_of == "2026-11-24"
        for row in place.limits:
            assert row.source
            assert row.date
            assert row.status in ("read", "second-hand", "from memory")


def test_a_site_with_a_word_nobody_knows_is_refused():
    with pytest.raises(ContractError, match="children"):
        Site.from_json({"children": "perhaps"}, "in")
    with pytest.raises(ContractError, match="unknown field"):
        Site.from_json({"colour": "red"}, "in")
    assert Site.from_json({"way_in": {"lift": "96"}, "built": 1950}, "in").way_in == {"lift": 96 * 8128}


def test_a_place_with_a_status_nobody_knows_is_refused():
    row = {"key": "x", "name": "x", "as_of": "2026", "limits": [], "notes": []}
    device = {"allowed": True, "status": "heard", "source": "s", "date": "d"}

    with pytest.raises(ContractError, match=r"device\.status"):
        Jurisdiction.from_json({**row, "device": device})
