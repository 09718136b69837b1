"""What is asked of an opening beside its readings: each answer counts somewhere, or it is not asked."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone

from installs.adapters.evaluation import _obstructions
from installs.adapters.packet import _old_covering
from installs.rules.data import starting_rules
from installs.rules.hardware import hardware_list
from installs.rules.units import SiteFacts
from measuring.adapters.evaluation import evaluate
from measuring.adapters.options import offer_of
from measuring.forms import FactsForm
from measuring.models import Opening
from measuring.services import openings as services
from measuring.services.releases import release_problems
from measuring.services.visits import open_ends
from tests.installs.rules.units import inch, make_unit
from tests.measuring.makers import INSIDE, make_job, make_opening

pytestmark = pytest.mark.django_db

PHONE = Path(__file__).parents[2] / "measuring/static/measuring/field/visit.js"
FOR_PEOPLE = {"mark", "room", "phase", "note", "access_note"}
"""Names, and what a person reads on the sheets."""
OUTSIDE = {
    "widths.top": "72",
    "heights.left": "80",
    "cover.left": "3",
    "cover.right": "3",
    "cover.top": "4",
    "cover.bottom": "2",
}
WIDE = {"widths.top": "150", "heights.left": "60", "heights.center": "60", "heights.right": "60", "depth": "4"}
DOOR = {"is_door": True, "mount": "outside", "sill": "floor", "floor_type": "hard"}

# What is asked: the opening it is asked of, and another answer.
COUNTS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "product": ({}, {"product": "siskin"}),
    "shape": ({}, {"shape": "skylight"}),
    "mount": ({"readings": WIDE, "family": "vertical"}, {"mount": "outside"}),
    "units_wanted": ({"readings": WIDE, "family": "roller"}, {"units_wanted": "2"}),
    "split": ({"readings": WIDE, "family": "roller", "units_wanted": "2"}, {"split": "30 + 120"}),
    "mullions": ({"readings": WIDE, "family": "roller", "units_wanted": "2"}, {"mullions": "30"}),
    "unit_gap": ({"readings": WIDE, "family": "roller", "units_wanted": "2"}, {"unit_gap": "1"}),
    "lapping": ({"readings": WIDE, "family": "roller", "units_wanted": "2", "unit_gap": "2"}, {"lapping": "left"}),
    "substrate": ({}, {"substrate": "masonry"}),
    "sill": ({"readings": OUTSIDE, "mount": "outside", "family": "vertical"}, {"sill": "floor"}),
    "floor_type": ({"readings": OUTSIDE, "family": "vertical", **DOOR}, {"floor_type": "carpet"}),
    "is_door": ({"handle_projection": "2"}, {"is_door": True}),
    "door_swing": ({"readings": OUTSIDE, "family": "vertical", **DOOR}, {"door_swing": "in, left"}),
    "handle_projection": ({"is_door": True}, {"handle_projection": "2"}),
    "sill_projection": ({"readings": OUTSIDE, "mount": "outside"}, {"sill_projection": "1"}),
    "to_come": ({}, {"to_come": "casing"}),
    "reach_height": ({}, {"reach_height": "120"}),
    "goes_on": ({"readings": INSIDE | {"depth": "1/2"}}, {"goes_on": "the shop notches the jamb"}),
}


def counted(opening: Opening) -> Any:
    found = evaluate(opening)
    size = found.size and (found.size.width.ticks, found.size.height.ticks)
    ends = sorted(end.text for end in open_ends([opening]))
    return size, found.shares, sorted(str(one) for one in found.findings), sorted(gap.text for gap in found.gaps), ends


@pytest.mark.parametrize("fact", COUNTS)
def test_another_answer_changes_size_finding_or_what_is_asked(cast, fact):
    """A door's handle, its swing and a sill's projection were asked, kept, and told nobody anything."""
    given, other = COUNTS[fact]
    job = make_job(cast["dispatcher"])
    opening = make_opening(job, cast["measurer"], **{"family": "slat", **given})
    before = counted(opening)

    changed = services.change_opening(opening=opening, facts=other, by=cast["measurer"])

    assert counted(changed) != before


def test_what_it_is_fixed_to_and_power_count_in_the_hardware_and_cautions(cast):
    def lines(**unit: Any) -> Any:
        return hardware_list(make_unit(**unit), SiteFacts(year_built=2000), starting_rules()).lines

    head = {"family": "roller", "mount": "outside", "head_out": inch("1/4")}

    assert lines(fixed_to="wall", **head) != lines(fixed_to="ceiling", **head)


def test_an_old_covering_counts_in_what_the_installer_is_told(cast):
    """Nobody was asked who takes it down, and the installer found it hanging."""
    opening = make_opening(make_job(cast["dispatcher"]), cast["measurer"])
    assert _old_covering(opening) == ""

    for fact in ({"take_down": "we"}, {"disposal": "away"}):
        opening = services.change_opening(opening=opening, facts={"site_facts": fact}, by=cast["measurer"])

    assert _old_covering(opening).endswith("photograph damage and holes first, then take it down and take it away.")


def test_what_is_still_to_come_keeps_a_unit_from_the_workroom(cast):
    """Readings before casing, floor or tile were as final as any."""
    opening = make_opening(make_job(cast["dispatcher"]), cast["measurer"], to_come="casing")

    unit = opening.units.get()
    assert unit.grade == "rough"
    assert "not_final" in {one["code"] for one in unit.findings}
    assert "the casing is still to come; only final ones are cut by" in release_problems(unit, offer_of(unit.product))


def test_what_was_measured_long_ago_is_measured_again(cast):
    opening = make_opening(make_job(cast["dispatcher"]), cast["measurer"])
    old = timezone.now() - dt.timedelta(days=opening.job.branch.final_days + 1)
    opening.readings.filter(spot="depth").update(taken_at=old)

    unit = opening.units.get()
    assert "it was measured more than 365 days ago; measure it again" in release_problems(unit, offer_of(unit.product))


def test_every_fact_that_is_asked_is_walked_here():
    """On the desk and on the phone; one that feeds nothing can't be added to either list."""
    on_phone = set(re.findall(r'\b(?:box|lengthBox|select)\("(\w+)"', PHONE.read_text(encoding="utf-8")))
    proven = {*COUNTS, *FOR_PEOPLE, "fixed_to", "power", "take_down", "disposal"}

    assert {name for name in FactsForm.base_fields if name not in proven} == set()
    assert on_phone - proven == set()


def test_a_vertical_to_the_floor_is_ordered_short_of_it(cast):
    """It was ordered at the full height, and its bottom was to be widened by 2 in."""
    job = make_job(cast["dispatcher"])

    def order(**facts: Any) -> tuple[Any, list[str]]:
        opening = make_opening(job, cast["measurer"], family="vertical", readings=OUTSIDE, **{**DOOR, **facts})
        found = evaluate(opening)
        return found.size and found.size.height.text(), [one["code"] for one in found.findings]

    hard, codes = order()
    assert hard == "83 1/2"
    assert not {"cover_short", "floor_unasked"} & set(codes)
    assert order(floor_type="carpet")[0] == "83 1/4"
    assert order(floor_type="rug")[0] == "83"
    assert "floor_unasked" in order(floor_type="")[1]


def test_an_outside_mount_is_not_fixed_to_the_jamb(cast):
    """It stayed on the jamb when the mount was changed, and the installer took screws for it."""
    job = make_job(cast["dispatcher"])
    opening = make_opening(job, cast["measurer"], readings={})
    assert opening.fixed_to == "jamb"

    changed = services.change_opening(opening=opening, facts={"mount": "outside"}, by=cast["measurer"])

    assert changed.fixed_to == "wall"
    assert make_opening(job, cast["measurer"], readings={}, mount="outside").fixed_to == "wall"


def test_the_installer_clears_a_doors_handle_too(cast):
    opening = make_opening(make_job(cast["dispatcher"]), cast["measurer"], readings={}, handle_projection="2", **DOOR)

    assert [(thing.kind, thing.projection.text()) for thing in _obstructions(opening)] == [("handle", "2")]
