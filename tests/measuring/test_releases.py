"""The customer's yes and the release: what must stand before anything is cut."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from jobs.models import Job
from measuring.adapters.options import offer_of
from measuring.models import Approval, Opening, Unit
from measuring.ports import ports
from measuring.services import openings, releases, sizes, visits
from measuring.services import readings as reading_services
from shared.errors import Refused
from shared.models import AuditEntry, User
from tests.measuring.makers import INSIDE, choose_all, make_appointment, make_approved, make_job, make_opening

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(dispatcher: User) -> Job:
    return make_job(dispatcher)


def fresh(unit: Unit) -> Unit:
    return Unit.objects.select_related("opening__job__branch", "opening__job__site", "opening__room", "product").get(
        pk=unit.pk
    )


def release(unit: Unit, by: User) -> list[Unit]:
    return releases.release_to_workroom(job=unit.job, units=[unit], by=by)


def test_an_approved_unit_is_released(job: Job, dispatcher: User) -> None:
    unit = make_approved(job, dispatcher)

    released = releases.release_to_workroom(job=job, units=[unit], due_on=dt.date(2030, 5, 6), by=dispatcher)

    assert [one.state for one in released] == [Unit.State.RELEASED]
    assert fresh(unit).due_on == dt.date(2030, 5, 6)
    assert Job.objects.get(pk=job.pk).stage == Job.Stage.RELEASED


def test_the_rooms_above_get_the_units_in_the_same_transaction(job: Job, dispatcher: User, monkeypatch: Any) -> None:
    def refuse(units: Any, by: User) -> None:
        raise Refused("no recipe")

    monkeypatch.setattr(ports, "release_hooks", [refuse])
    unit = make_approved(job, dispatcher)

    with pytest.raises(Refused, match="no recipe"):
        release(unit, dispatcher)

    assert fresh(unit).state == Unit.State.APPROVED


def test_a_reason_of_the_rooms_above_holds_it(job: Job, dispatcher: User, monkeypatch: Any) -> None:
    monkeypatch.setattr(ports, "release_checks", [lambda unit: ["no cloth of that width"]])
    unit = make_approved(job, dispatcher)

    with pytest.raises(Refused, match="no cloth of that width"):
        release(unit, dispatcher)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        ("hold", "the job is held: deposit"),
        ("rough", "rough"),
        ("conflict", "side by side"),
        ("changed", "changed since the customer approved"),
        ("option", "changed since the customer approved"),
        ("withdrawn", "has not approved"),
        ("facts", "two devices said different things"),
        ("stop", "add up to"),
        ("visit", "close out the visit"),
    ],
)
def test_what_is_not_ready_is_not_released(job: Job, dispatcher: User, measurer: User, spoil: str, words: str) -> None:
    unit = make_approved(job, dispatcher)
    opening = unit.opening
    if spoil == "hold":
        Job.objects.filter(pk=job.pk).update(hold="deposit")
    elif spoil == "rough":
        reading_services.record_reading(opening=opening, spot="depth", typed="3 1/2", by=measurer, grade="rough")
    elif spoil == "conflict":
        reading_services.record_reading(opening=opening, spot="depth", typed="2", by=measurer, seen=None)
    elif spoil == "changed":
        reading_services.record_reading(opening=opening, spot="widths.top", typed="35", by=measurer)
    elif spoil == "option":
        sizes.set_options(unit=unit, options={"colour": "oak"}, by=measurer)
    elif spoil == "withdrawn":
        releases.withdraw_approval(approval=job.approvals.get(), by=dispatcher)
    elif spoil == "facts":
        openings.change_opening(opening=opening, by=measurer, facts={"note": "b"}, seen={"note": "a"})
        openings.change_opening(opening=opening, by=measurer, facts={"note": "c"}, seen={"note": "a"})
    elif spoil == "stop":
        openings.change_opening(opening=opening, by=measurer, facts={"units_wanted": 2, "split": "10 + 10"})
        unit = opening.units.live().order_by("number").first() or unit
        choose_all(unit, dispatcher)
        releases.approve_sizes(job=job, units=[unit], approved_by="Ida", by=dispatcher)
    elif spoil == "visit":
        visit = visits.open_visit(appointment=make_appointment(job, dispatcher, measurer), by=measurer)
        visit.appointment.visit_openings.create(opening=opening)
        Opening.objects.filter(pk=opening.pk).update(state="under_way")

    with pytest.raises(Refused, match=words) as refusal:
        release(unit, dispatcher)

    assert refusal.value.field == "units"
    assert fresh(unit).state != Unit.State.RELEASED


def test_an_option_that_went_and_came_back_is_still_approved(job: Job, dispatcher: User) -> None:
    unit = make_approved(job, dispatcher)
    sizes.set_options(unit=unit, options={"colour": "oak"}, by=dispatcher)
    sizes.set_options(unit=unit, options={"colour": "white"}, by=dispatcher)

    assert releases.release_problems(fresh(unit), offer_of(unit.product)) == []


def test_what_is_not_read_is_named_where_it_holds_the_release(job: Job, dispatcher: User) -> None:
    readings = {spot: typed for spot, typed in INSIDE.items() if spot not in ("heights.right", "depth")}
    unsized = make_opening(job, dispatcher, readings=readings).units.get()
    sized = make_opening(job, dispatcher, room="Den", readings={**readings, "heights.right": "60"}).units.get()

    said = releases.release_problems(fresh(unsized), offer_of(unsized.product))

    assert said == ["it is not sized", "height, right: not read", "depth: not read"]
    assert "depth: not read" in releases.release_problems(fresh(sized), offer_of(sized.product))


def test_all_of_the_units_named_are_released_or_none(job: Job, dispatcher: User) -> None:
    ready = make_approved(job, dispatcher)
    waiting = make_opening(job, dispatcher, room="Den").units.get()

    with pytest.raises(Refused, match="Den A"):
        releases.release_to_workroom(job=job, units=[ready, waiting], by=dispatcher)

    assert fresh(ready).state == Unit.State.APPROVED


def test_a_unit_of_another_job_is_not_released_here(job: Job, dispatcher: User) -> None:
    other = make_approved(make_job(dispatcher), dispatcher)

    with pytest.raises(Refused, match="choose what is released"):
        releases.release_to_workroom(job=job, units=[other], by=dispatcher)


def test_an_approval_names_who_said_yes(job: Job, dispatcher: User) -> None:
    unit = choose_all(make_opening(job, dispatcher).units.get(), dispatcher)

    with pytest.raises(Refused, match="who said yes") as refusal:
        releases.approve_sizes(job=job, units=[unit], approved_by=" ", by=dispatcher)

    assert refusal.value.field == "approved_by"


def test_an_approval_keeps_sizes_and_options_as_they_were(job: Job, dispatcher: User) -> None:
    unit = make_approved(job, dispatcher)
    reading_services.record_reading(opening=unit.opening, spot="widths.top", typed="35", by=dispatcher)

    row = Approval.objects.get().snapshot["units"][0]

    assert row["width"] == 35 * 8128 + 3 * 1016
    assert row["options"]["colour"] == "white"
    assert fresh(unit).state == Unit.State.SIZED


def test_lacking_options_hold_the_approval(job: Job, dispatcher: User) -> None:
    unit = make_opening(job, dispatcher).units.get()

    with pytest.raises(Refused, match="tilt side"):
        releases.approve_sizes(job=job, units=[unit], approved_by="Ida", by=dispatcher)


@pytest.mark.parametrize(
    ("options", "field"),
    [({"tilt_side": "up"}, "tilt_side"), ({"wheels": "4"}, "wheels"), ({"colour": "x" * 121}, "colour")],
)
def test_an_option_there_is_not_is_refused(job: Job, dispatcher: User, options: dict[str, str], field: str) -> None:
    unit = make_opening(job, dispatcher).units.get()

    with pytest.raises(Refused) as refusal:
        sizes.set_options(unit=unit, options=options, by=dispatcher)

    assert refusal.value.field == field


def test_options_of_a_made_unit_stay(job: Job, dispatcher: User) -> None:
    unit = make_approved(job, dispatcher)
    release(unit, dispatcher)
    Unit.objects.filter(pk=unit.pk).update(state=Unit.State.MADE)

    with pytest.raises(Refused, match="after its approval"):
        sizes.set_options(unit=unit, options={"colour": "oak"}, by=dispatcher)


def test_a_second_phase_lags_while_the_first_goes_on(job: Job, dispatcher: User) -> None:
    first = make_approved(job, dispatcher)
    release(first, dispatcher)
    make_opening(job, dispatcher, room="Attic", phase="2", readings={})

    assert Job.objects.get(pk=job.pk).stage == Job.Stage.RELEASED


def test_a_cancelled_unit_says_why(job: Job, dispatcher: User) -> None:
    unit = make_approved(job, dispatcher)

    with pytest.raises(Refused, match="say why"):
        releases.cancel_unit(unit=unit, by=dispatcher, reason="")
    releases.cancel_unit(unit=unit, by=dispatcher, reason="customer keeps the old one")

    entry = AuditEntry.objects.filter(action="cancelled the unit").get()
    assert entry.note == "customer keeps the old one"
    assert fresh(unit).state == Unit.State.CANCELLED


def test_the_release_is_in_the_trail_with_sizes(job: Job, dispatcher: User) -> None:
    unit = make_approved(job, dispatcher, readings=INSIDE)
    release(unit, dispatcher)

    entry = AuditEntry.objects.filter(action="released 1 unit to the workroom").get()
    assert entry.changes == {unit.code: [None, "35 3/8 × 60 in"]}
