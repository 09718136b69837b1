"""Sizes kept on units: how they follow the readings, and how they stop following."""

from __future__ import annotations

from typing import Any

import pytest

from measuring.adapters.evaluation import look_alikes
from measuring.models import Opening, SizeChange, Unit
from measuring.ports import ports
from measuring.services import changes, openings, releases
from measuring.services import readings as reading_services
from shared.errors import Refused
from shared.models import AuditEntry, User
from tests.measuring.makers import INSIDE, choose_all, inch, make_approved, make_job, make_opening, make_tape

pytestmark = pytest.mark.django_db


def the_unit(opening: Opening) -> Unit:
    return Unit.objects.get(opening=opening)


@pytest.mark.parametrize(
    ("family", "width", "height", "cloth"),
    [
        ("roller", "35 3/8", "60", "60 1/4"),  # top only; shortest; cloth for the longest
        ("vertical", "35 3/8", "60", "60"),  # top only; shortest
        ("slat", "35 1/4", "60 1/4", "60 1/4"),  # narrowest; longest
        ("cellular", "35 1/4", "60 1/4", "60 1/4"),
    ],
)
def test_inside_sizes_follow_the_family(measurer: User, family: str, width: str, height: str, cloth: str) -> None:
    readings = INSIDE | {
        "widths.middle": "35 1/4",
        "widths.bottom": "35 5/16",
        "heights.center": "60 1/8",
        "heights.right": "60 1/4",
    }

    unit = the_unit(make_opening(make_job(measurer), measurer, family=family, readings=readings))

    assert (unit.order_width, unit.order_height) == (inch(width), inch(height))
    assert unit.longest_height == inch(cloth)
    assert unit.basis == "opening size"
    assert unit.state == Unit.State.SIZED
    assert [step["what"] for step in unit.steps if step["what"].startswith("order")] == ["order width", "order height"]


def test_an_outside_roller_adds_covers_and_two_inches(measurer: User) -> None:
    readings = {
        "widths.top": "40",
        "heights.left": "50",
        "cover.left": "3",
        "cover.right": "3",
        "cover.top": "3 1/2",
        "cover.bottom": "2",
    }

    unit = the_unit(make_opening(make_job(measurer), measurer, family="roller", mount="outside", readings=readings))

    assert (unit.order_width, unit.order_height) == (inch("48"), inch("55 1/2"))
    assert unit.basis == "finished size"


def test_a_chosen_outside_size_is_the_order_size(measurer: User) -> None:
    readings = {"chosen.width": "52", "chosen.height": "64"}

    unit = the_unit(make_opening(make_job(measurer), measurer, mount="outside", readings=readings))

    assert (unit.order_width, unit.order_height) == (inch("52"), inch("64"))


def test_the_derivation_tells_of_the_tapes_case(measurer: User) -> None:
    opening = make_opening(make_job(measurer), measurer)
    tape = make_tape(measurer, "3")

    reading_services.record_reading(
        opening=opening, spot="widths.top", typed="32 3/8", by=measurer, tape=tape, with_case=True
    )

    step = the_unit(opening).steps[0]
    assert step["what"] == "widths.top"
    assert step["value"] == "35 3/8"
    assert "tape_case.length" in step["from"]


def test_there_is_no_size_before_the_last_reading(measurer: User) -> None:
    readings = {spot: text for spot, text in INSIDE.items() if spot != "heights.right"}

    unit = the_unit(make_opening(make_job(measurer), measurer, readings=readings))

    assert unit.state == Unit.State.DRAFT
    assert unit.order_width is None


def test_a_reading_taken_back_takes_the_size_back(measurer: User) -> None:
    opening = make_opening(make_job(measurer), measurer)

    reading_services.withdraw_reading(reading=opening.readings.get(spot="heights.left"), by=measurer)

    unit = the_unit(opening)
    assert unit.state == Unit.State.DRAFT
    assert unit.order_height is None
    opening.refresh_from_db()
    assert opening.state == Opening.State.UNDER_WAY


def test_two_units_share_the_width_and_add_up(measurer: User) -> None:
    readings = INSIDE | dict.fromkeys(("widths.top", "widths.middle", "widths.bottom"), "100 1/8")
    opening = make_opening(make_job(measurer), measurer, readings=readings)

    openings.change_opening(opening=opening, by=measurer, facts={"units_wanted": 3, "unit_gap": "0"})

    widths = [unit.order_width for unit in opening.units.live().order_by("number")]
    assert widths == [inch("33 3/8"), inch("33 3/8"), inch("33 3/8")]


def test_what_is_left_over_goes_to_the_first_units(measurer: User) -> None:
    readings = INSIDE | dict.fromkeys(("widths.top", "widths.middle", "widths.bottom"), "100 3/8")
    opening = make_opening(make_job(measurer), measurer, readings=readings)

    openings.change_opening(opening=opening, by=measurer, facts={"units_wanted": 3, "unit_gap": "1/8"})

    widths = [unit.order_width for unit in opening.units.live().order_by("number")]
    assert widths == [inch("33 3/8"), inch("33 3/8"), inch("33 3/8")]
    openings.change_opening(opening=opening, by=measurer, facts={"unit_gap": "1/4"})
    widths = [unit.order_width for unit in opening.units.live().order_by("number")]
    assert widths == [inch("33 3/8"), inch("33 1/4"), inch("33 1/4")]


def test_given_widths_must_add_up(measurer: User) -> None:
    opening = make_opening(make_job(measurer), measurer)

    openings.change_opening(opening=opening, by=measurer, facts={"units_wanted": 2, "split": "20 + 15"})

    finding = opening.units.live().first().findings[0]
    assert (finding["code"], finding["severity"]) == ("split", "stop")
    assert "35 in" in finding["text"]
    assert "35 1/4 in" in finding["text"]
    openings.change_opening(opening=opening, by=measurer, facts={"split": "20 + 15 1/4"})
    assert [unit.order_width for unit in opening.units.live().order_by("number")] == [inch("20"), inch("15 1/4")]
    assert not any(finding["code"] == "split" for unit in opening.units.live() for finding in unit.findings)


def test_fewer_units_cancel_the_last_drafts(measurer: User) -> None:
    opening = make_opening(make_job(measurer), measurer, units_wanted=3)

    openings.change_opening(opening=opening, by=measurer, facts={"units_wanted": 1})

    assert opening.units.live().count() == 1
    assert opening.units.filter(state=Unit.State.CANCELLED).count() == 2


def test_another_product_keeps_the_options_it_has_too(measurer: User) -> None:
    opening = make_opening(make_job(measurer), measurer, family="slat")
    choose_all(the_unit(opening), measurer)

    openings.change_opening(opening=opening, by=measurer, facts={"product": "siskin"})

    unit = the_unit(opening)
    assert unit.product.key == "siskin"
    assert unit.options["colour"] == "white"
    assert "tilt_side" not in unit.options


def test_a_depth_that_is_short_says_so_with_alternatives(measurer: User) -> None:
    opening = make_opening(make_job(measurer), measurer, family="roller", readings=INSIDE | {"depth": "1"})

    codes = {finding["code"] for finding in the_unit(opening).findings}

    assert "depth_short" in codes


def test_rough_readings_make_a_rough_size(measurer: User) -> None:
    opening = make_opening(make_job(measurer), measurer)

    reading_services.record_reading(opening=opening, spot="depth", typed="3", by=measurer, grade="rough")

    assert the_unit(opening).grade == "rough"


def test_a_size_that_changes_leaves_an_entry(measurer: User) -> None:
    opening = make_opening(make_job(measurer), measurer)

    reading_services.record_reading(opening=opening, spot="widths.top", typed="35", by=measurer)

    entry = AuditEntry.objects.filter(action="computed the size").first()
    assert entry is not None
    assert entry.changes == {"size": ["35 3/8 × 60 in", "35 × 60 in"]}


# -- a re-measure after release ---------------------------------------------------------


@pytest.fixture
def released(dispatcher: User) -> Unit:
    unit = make_approved(make_job(dispatcher), dispatcher)
    releases.release_to_workroom(job=unit.job, units=[unit], by=dispatcher)
    return Unit.objects.get(pk=unit.pk)


def remeasure(unit: Unit, by: User, typed: str = "35 1/4") -> SizeChange | None:
    reading_services.record_reading(opening=unit.opening, spot="widths.top", typed=typed, by=by)
    return SizeChange.objects.filter(unit=unit).first()


def test_a_released_size_never_changes_silently(released: Unit, measurer: User) -> None:
    change = remeasure(released, measurer)

    released.refresh_from_db()
    assert released.order_width == inch("35 3/8")
    assert change is not None
    assert change.state == SizeChange.State.OPEN
    assert (change.old_width, change.new_width) == (inch("35 3/8"), inch("35 1/4"))
    assert any("shrinks by 1/8 in" in line for line in change.effects)
    assert not any("cloth is cut" in line for line in change.effects)  # the longest height is what it was


def test_the_rooms_above_say_what_a_change_does(released: Unit, measurer: User, monkeypatch: Any) -> None:
    def effects(unit: Unit, wanted: Unit) -> list[str]:
        return [f"headrail of {unit.code} cut again at {wanted.order_width}"]

    monkeypatch.setattr(ports, "change_effects", [effects])

    change = remeasure(released, measurer)

    assert change is not None
    assert f"headrail of {released.code} cut again at 35 1/4 in" in change.effects


def test_an_accepted_change_sets_the_size_and_tells_the_rooms_above(
    released: Unit, measurer: User, dispatcher: User, monkeypatch: Any
) -> None:
    told: list[tuple[Unit, SizeChange]] = []
    monkeypatch.setattr(ports, "size_change_hooks", [lambda unit, change, by: told.append((unit, change))])
    change = remeasure(released, measurer)
    assert change is not None

    changes.accept_change(change=change, by=dispatcher)

    released.refresh_from_db()
    assert released.order_width == inch("35 1/4")
    assert released.size_revision == 2
    assert [unit.pk for unit, _ in told] == [released.pk]


def test_a_refused_change_leaves_size_and_readings(released: Unit, measurer: User, dispatcher: User) -> None:
    change = remeasure(released, measurer)
    assert change is not None

    changes.refuse_change(change=change, by=dispatcher, text="already installed tomorrow")

    released.refresh_from_db()
    assert released.order_width == inch("35 3/8")
    assert released.opening.readings.filter(spot="widths.top", superseded_at=None).get().value == inch("35 1/4")


def test_a_change_is_decided_once(released: Unit, measurer: User, dispatcher: User) -> None:
    change = remeasure(released, measurer)
    assert change is not None
    changes.accept_change(change=change, by=dispatcher)

    with pytest.raises(Refused, match="accepted already"):
        changes.refuse_change(change=change, by=dispatcher)


def test_a_reading_that_comes_back_drops_the_change(released: Unit, measurer: User) -> None:
    remeasure(released, measurer)

    change = remeasure(released, measurer, "35 3/8")

    assert change is not None
    assert change.state == SizeChange.State.REFUSED
    assert change.decided_by is None


def test_another_reading_renews_the_open_change(released: Unit, measurer: User) -> None:
    remeasure(released, measurer)
    remeasure(released, measurer, "35")

    change = SizeChange.objects.get(unit=released)
    assert change.new_width == inch("35")


@pytest.mark.parametrize("fact", [{"product": "siskin"}, {"mount": "outside"}, {"units_wanted": 2}])
def test_what_a_released_unit_was_ordered_by_stays(released: Unit, measurer: User, fact: dict[str, Any]) -> None:
    with pytest.raises(Refused, match="was ordered") as refusal:
        openings.change_opening(opening=released.opening, by=measurer, facts=fact)

    assert refusal.value.field == next(iter(fact))


def test_the_whole_job_is_evidence_about_readings_the_rooms_openings_first(dispatcher: User) -> None:
    job = make_job(dispatcher)
    one, far, near = (make_opening(job, dispatcher, room=room) for room in ("Den", "Hall", "Den"))
    make_opening(make_job(dispatcher), dispatcher, room="Den")  # another job
    make_opening(job, dispatcher, room="Loft", readings={})  # nothing read

    assert [other.id for other in look_alikes(one)] == [str(near.pk), str(far.pk)]
