"""
The install day against published figures. Beside each check: its source and how it is known.

R: read in a stored copy of the source. R2: read second-hand. M: from memory, not seen.
C: arithmetic redone here.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from installs.rules.cords import CordRule
from installs.rules.data import LiftRule, starting_rules
from installs.rules.fixings import withdrawal_lb_per_inch
from installs.rules.ladders import duty_rating
from installs.rules.lifting import FREQUENCY, Lift, frequency_multiplier, weight_limit
from installs.rules.safety import lead_answer, silica_controls
from installs.rules.units import SiteFacts
from shared.contracts import ContractError
from shared.lengths import Length
from tests.measuring.starting import starting_jurisdictions

RULES = starting_rules()
NDS = Decimal(2850)


# -- fasteners: NDS 12.2.2 (R), printed example of an engineering page (R) -------------------


def test_a_number_10_screw_in_wood_of_045_holds_the_printed_109_lb_an_inch():
    """W = 2850 × .45² × .190 = 109.65; the page prints 109 lb/in (R, C)."""
    per_inch = withdrawal_lb_per_inch(Decimal("0.45"), Decimal("0.190"), NDS)

    assert int(per_inch) == 109
    assert float(per_inch) == pytest.approx(109.65, abs=0.005)


def test_a_number_6_screw_in_spruce_pine_fir_holds_69_lb_an_inch():
    """No. 6 (.138 in, App. L: M) in SPF (.42, Table 12.3.3A: M): 69.4 lb/in (C)."""
    assert float(withdrawal_lb_per_inch(Decimal("0.42"), Decimal("0.138"), NDS)) == pytest.approx(69.4, abs=0.05)


def test_the_shipped_figures_are_those_of_the_standard():
    """Factor 2850 (R); diameters .138 .164 .190 .216 of App. L (M); G of spruce-pine-fir .42 (M)."""
    rule = RULES.withdrawal

    assert rule.factor == NDS
    assert rule.diameters == {
        "6": Decimal("0.138"), "8": Decimal("0.164"), "10": Decimal("0.190"), "12": Decimal("0.216"),
    }  # fmt: skip
    assert rule.gravity == Decimal("0.42")
    assert rule.gravity_status.startswith("M")


def test_load_duration_scales_the_withdrawal_value():
    """W' = W C_D; C_D 0.9 is permanent load (NDS, R2)."""
    whole = withdrawal_lb_per_inch(Decimal("0.45"), Decimal("0.190"), NDS)

    assert withdrawal_lb_per_inch(Decimal("0.45"), Decimal("0.190"), NDS, Decimal("0.9")) == whole * Decimal("0.9")


# -- ladders: 29 CFR 1926.1053 ---------------------------------------------------------------


def test_a_215_lb_installer_with_45_lb_needs_an_extra_heavy_ladder():
    """ANSI A14 duty ratings 200, 225, 250, 300, 375 lb (M): 260 lb needs IA."""
    assert duty_rating(Decimal(215 + 45)) == "IA"


@pytest.mark.parametrize(
    ("load", "rating"),
    [(200, "III"), (201, "II"), (225, "II"), (250, "I"), (300, "IA"), (375, "IAA"), (376, "")],
)
def test_each_duty_rating_carries_up_to_its_own_figure(load, rating):
    """ANSI A14 series (M)."""
    assert duty_rating(Decimal(load)) == rating


# -- lifting: DHHS (NIOSH) 94-110, rev. 9/2021, through a public copy (R2) -------------


def test_package_inspection_at_the_origin():
    """Ex. 4, p. 46: H 10, V 22, D 37, 3 a minute, up to 1 h, fair: prints 34.9 lb; exactly 34.8 (R2, C)."""
    limit = weight_limit(Lift(10, 22, 37, per_minute=3, coupling="fair"))

    assert limit.pounds == pytest.approx(34.8, abs=0.05)
    assert limit.pounds == pytest.approx(34.9, rel=0.02)
    assert {name: round(value, 2) for name, value in limit.multipliers.items()} == {
        "HM": 1.0, "VM": 0.94, "DM": 0.87, "AM": 1.0, "FM": 0.88, "CM": 0.95,
    }  # fmt: skip


def test_package_inspection_at_the_destination_governs():
    """Same example: H 20, V 59: prints 15.2 lb; exactly 15.3."""
    limit = weight_limit(Lift(20, 59, 37, per_minute=3, coupling="fair"))

    assert limit.pounds == pytest.approx(15.3, abs=0.05)
    assert limit.pounds == pytest.approx(15.2, rel=0.02)


@pytest.mark.parametrize(
    ("name", "printed", "lift"),
    [
        ("HM", 0.46, Lift(22, 30, 20)),  # formula .45
        ("HM", 0.44, Lift(23, 30, 20)),  # formula .43
        ("DM", 0.86, Lift(10, 30, 130 / 2.54)),  # 130 cm: .85 by the metric formula, .855 by the inch one
    ],
)
def test_rows_of_the_printed_tables_that_differ_stay_within_their_2_percent(name, printed, lift):
    """The manual's own tables are up to about 2 % off its formulas in these rows (R2): worksheets show the table's."""
    computed = weight_limit(lift).multipliers[name]

    assert computed < printed
    assert computed == pytest.approx(printed, rel=0.025)


FM_TABLE = """
.2: 1.00 1.00 .95 .95 .85 .85 | .5: .97 .97 .92 .92 .81 .81 | 1: .94 .94 .88 .88 .75 .75
| 2: .91 .91 .84 .84 .65 .65 | 3: .88 .88 .79 .79 .55 .55 | 4: .84 .84 .72 .72 .45 .45
| 5: .80 .80 .60 .60 .35 .35 | 6: .75 .75 .50 .50 .27 .27 | 7: .70 .70 .42 .42 .22 .22
| 8: .60 .60 .35 .35 .18 .18 | 9: .52 .52 .30 .30 0 .15 | 10: .45 .45 .26 .26 0 .13
| 11: .41 .41 0 .23 0 0 | 12: .37 .37 0 .21 0 0 | 13: 0 .34 0 0 0 0 | 14: 0 .31 0 0 0 0 | 15: 0 .28 0 0 0 0
"""


def test_the_whole_frequency_table_is_the_manuals():
    """Table 5 (R2), typed apart from the one in the module; columns: up to 1, 2, 8 h, below and from 30 in."""
    rows = [row.partition(":") for row in FM_TABLE.split("|")]

    for per_minute, _, values in rows:
        found = [
            frequency_multiplier(float(per_minute), hours, vertical) for hours in (1, 2, 8) for vertical in (29, 30)
        ]
        assert found == [float(value) for value in values.split()], per_minute
    assert len(rows) == len(FREQUENCY) == 17
    assert frequency_multiplier(15.1, 1, 30) == 0


@pytest.mark.parametrize(
    ("lift", "limit"),
    [
        (Lift(5, 30, 20), Lift(10, 30, 20)),  # H below 10 counts as 10
        (Lift(10, 30, 4), Lift(10, 30, 10)),  # D below 10 counts as 10
        (Lift(10, 30, 20, per_minute=0.0), Lift(10, 30, 20, per_minute=0.2)),  # F below .2 counts as .2
    ],
)
def test_small_values_count_as_the_methods_least(lift, limit):
    """Limits of the equation (R2)."""
    assert weight_limit(lift).pounds == weight_limit(limit).pounds


@pytest.mark.parametrize(
    ("field", "most"),
    [("horizontal_in", "25"), ("vertical_in", "70"), ("distance_in", "70"), ("asymmetry_deg", "135"),
     ("per_minute", "15"), ("hours", "8")],
)  # fmt: skip
def test_a_firms_rules_hold_no_lift_beyond_the_methods_limits(field, most):
    """H 25, V 70, D 70 in, A 135 degrees, F 15 a minute, 8 h (R2): the rules page takes the limit and no more."""
    usual = RULES.people.lift.to_json()

    assert LiftRule.from_json(usual | {field: most})
    with pytest.raises(ContractError, match=field):
        LiftRule.from_json(usual | {field: f"{most}.1"})


def test_the_ideal_lift_is_the_load_constant():
    """51 lb with every multiplier 1 (R2)."""
    assert weight_limit(Lift(10, 30, 10, coupling="good")).pounds == pytest.approx(51)


# -- silica, lead: US rules -------------------------------------------------------------------


@pytest.mark.parametrize("substrate", ["masonry", "concrete", "tile", "post_tensioned_slab", "unknown"])
def test_drilling_hard_walls_brings_shroud_and_vacuum_and_no_respirator(substrate):
    """29 CFR 1926.1153(c) Table 1 (vii) (R2)."""
    caution, tools = silica_controls(substrate, RULES)

    assert caution is not None
    assert "1926.1153" in caution.source
    assert "no respirator" in caution.text
    assert {tool.key for tool in tools} == {"drill-shroud", "hepa-vacuum"}


OLD = SiteFacts(year_built=1977)


@pytest.mark.parametrize(
    ("site", "area", "minor"),
    [
        (OLD, "6", True),  # 6 sq ft per room inside is still minor
        (OLD, "6.01", False),
        (SiteFacts(year_built=None), "7", False),  # an unknown year counts as old
    ],
)
def test_minor_repair_ends_where_the_lead_rule_says(site, area, minor):
    """40 CFR 745.83 (R): 6 sq ft a room inside."""
    assert lead_answer(site, Decimal(area), RULES).is_minor is minor


@pytest.mark.parametrize(("year", "said"), [(1950, "built 1950: "), (None, "year not known, taken as old: ")])
def test_the_lead_answer_says_of_what_year_it_speaks(year, said):
    assert lead_answer(SiteFacts(year_built=year), Decimal(1), RULES).text.startswith(said)


def test_the_lead_rule_leaves_out_houses_of_1978():
    """40 CFR 745.82: target housing was built before 1978 (R)."""
    answer = lead_answer(SiteFacts(year_built=1978), Decimal(100), RULES)

    assert not answer.applies


# -- cords: heights of tension devices by place -------------------------------------------------


@pytest.mark.parametrize(
    ("place", "height_mm", "loop_mm", "status"),
    [
        ("au", 1600, None, "R"),  # safety standard 2014 s. 6
        ("ca", None, 440, "R"),  # SOR/2019-97
        ("gb", 1500, None, "R2"),  # EN 13120 at second hand
        ("eu", 1500, None, "R2"),
        ("ie", 1600, None, "R2"),  # advice of 2009
        ("us", None, None, "M"),  # voluntary standard, not read
    ],
)
def test_heights_of_loops_are_as_published(place, height_mm, loop_mm, status):
    rule = CordRule.of(starting_jurisdictions()[place])

    assert rule.height == (None if height_mm is None else Length.mm(height_mm))
    assert rule.largest_loop == (None if loop_mm is None else Length.mm(loop_mm))
    assert rule.status == status
    assert rule.source


def test_a_guide_must_hold_70_newtons_where_australia_lets_it_sit_lower():
    """70 N for 10 s in any direction (R); 1 lbf = 4.4482 N."""
    hold = CordRule.of(starting_jurisdictions()["au"]).hold_lb

    assert hold is not None
    assert float(hold) * 4.4482216 == pytest.approx(70, abs=0.05)
