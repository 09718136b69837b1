"""Hardware of a branch's units: lists that follow their inputs, pulls, shortages, the van, the rules' revisions."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

import pytest
from django.apps import apps
from django.db.models import Sum
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from fabrication.models import Material, StockItem, StockMove
from installs.adapters.evaluation import rules_of, work_out
from installs.models import HardwareRules, Pull, UnitHardware
from installs.rules.data import starting_definition
from installs.services import hardware
from installs.services import visits as visit_services
from installs.services.hardware import visit_hardware
from jobs.models import Appointment, Purpose
from jobs.ports import ports
from jobs.services import appointments as calendar
from measuring.models import Obstruction, Opening, Unit
from shared import panels
from shared.errors import Refused
from shared.lengths import Length
from shared.models import AuditEntry, Branch, User
from tests.factories import make_job
from tests.installs.makers import a_day, make_crew, make_unit, make_visit, stock_up, today

pytestmark = pytest.mark.django_db


def worked(unit: Unit):
    unit = Unit.objects.get(pk=unit.pk)
    return work_out([unit], rules_of(unit.opening.job.branch))[0]


def test_a_unit_reads_its_finished_size_not_its_order_size(branch: Branch, dispatcher: User) -> None:
    unit = make_unit(make_job(branch, by=dispatcher))
    unit.make.finished_width = Length.parse("35")
    unit.make.save()

    assert worked(unit).read.width == Length.parse("35")


def test_a_stored_list_is_worked_out_anew_when_the_opening_changes(branch: Branch, dispatcher: User) -> None:
    unit = make_unit(make_job(branch, by=dispatcher), opening={"mount": "outside", "fixed_to": "wall"})
    first = hardware.refresh_hardware(units=[unit], by=dispatcher)[0]
    same = hardware.refresh_hardware(units=[unit], by=dispatcher)[0]
    Obstruction.objects.create(opening=unit.opening, kind="handle", projection=Length.inches(2), side="right")

    after = hardware.refresh_hardware(units=[unit], by=dispatcher)[0]

    assert same.computed_at == first.computed_at
    assert after.inputs_hash != first.inputs_hash
    assert any(line["group"] == "spacer" for line in after.lines)
    assert UnitHardware.objects.get(unit=unit).inputs_hash == after.inputs_hash


def test_an_unknown_control_is_said_under_cannot(branch: Branch, dispatcher: User) -> None:
    unit = make_unit(make_job(branch, by=dispatcher), options={"control": "steam"})

    row = hardware.refresh_hardware(units=[unit], by=dispatcher)[0]

    assert "steam" in row.cannot[0]["text"]
    assert row.lines == []


def test_a_unit_whose_control_nobody_chose_may_hang_a_cord(branch: Branch, dispatcher: User) -> None:
    """It was taken as cordless: no caution, and a home care page that says nothing of cords."""
    unit = make_unit(make_job(branch, by=dispatcher), options={})

    one = worked(unit)

    assert one.hardware is not None
    assert "control_unknown" in [finding.code for finding in one.hardware.findings]
    assert "cords" in [caution.code for caution in one.hardware.cautions]
    assert one.read.may_hang_a_cord
    assert not worked(make_unit(unit.job)).read.may_hang_a_cord  # a spring


def test_the_chosen_motor_channel_is_the_one_that_is_taught(branch: Branch, dispatcher: User) -> None:
    """The channel was looked for under a name that no page writes, so a counted one stood in its place."""
    options = {"control": "battery", "motor_channel": "7"}

    assert worked(make_unit(make_job(branch, by=dispatcher), options=options)).read.motor.channel == 7


def test_planning_an_install_names_the_units_and_reserves_their_hardware(branch: Branch, dispatcher: User) -> None:
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    units = [make_unit(job), make_unit(job)]

    visit = visit_services.plan_install(job=job, by=dispatcher)

    assert set(visit.visit_units.values_list("unit", flat=True)) == {unit.pk for unit in units}
    assert visit.state == Appointment.State.UNPLACED
    assert visit.duration_min == 20 + 2 * 15  # the visit's fixed part and two rollers, by the starting table
    pulls = {pull.material.key: pull for pull in visit.pulls.all()}
    assert pulls["roller-bracket"].held == 4
    assert StockItem.objects.get(material__key="roller-bracket").reserved == 4


def test_a_visit_takes_the_minutes_of_the_units_it_is_for(branch: Branch, dispatcher: User) -> None:
    """Twenty minutes for the visit and fifteen for a roller, by the starting table."""
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    units = [make_unit(job) for _ in range(3)]
    visit = visit_services.plan_install(job=job, by=dispatcher, units=units[:2])

    def minutes_for(some: list[Unit]) -> int:
        visit_services.set_visit_units(appointment=visit, units=some, by=dispatcher)
        visit.refresh_from_db()
        return visit.duration_min

    assert (minutes_for(units), minutes_for(units[:1])) == (20 + 3 * 15, 20 + 15)


def test_a_visit_whose_minutes_nobody_knows_keeps_its_own(
    branch: Branch, dispatcher: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    units = [make_unit(job), make_unit(job)]
    visit = visit_services.plan_install(job=job, by=dispatcher, units=units[:1])
    known = (visit.duration_min, visit.duration_safe_min)
    monkeypatch.setattr(ports, "minutes_sources", {})

    visit_services.set_visit_units(appointment=visit, units=units, by=dispatcher)

    visit.refresh_from_db()
    assert (visit.duration_min, visit.duration_safe_min) == known


def test_a_visit_booked_on_the_calendar_names_the_units_too(branch: Branch, dispatcher: User) -> None:
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    unit = make_unit(job)

    visit = calendar.new_appointment(job=job, purpose=Purpose.INSTALL, by=dispatcher)

    assert [row.unit_id for row in visit.visit_units.all()] == [unit.pk]


def test_a_unit_is_in_one_visit_to_come_only(branch: Branch, dispatcher: User) -> None:
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    unit = make_unit(job)
    visit_services.plan_install(job=job, by=dispatcher)

    with pytest.raises(Refused, match="in another visit"):
        visit_services.plan_install(job=job, by=dispatcher, units=[unit])


def test_pulling_again_makes_up_the_difference_only(branch: Branch, dispatcher: User, installer: User) -> None:
    job, visit = a_day(branch, dispatcher, installer, units=1)
    hardware.pull_hardware(appointment=visit, by=dispatcher)
    make_unit(job)
    visit_services.set_visit_units(appointment=visit, units=Unit.objects.filter(opening__job=job), by=dispatcher)

    hardware.pull_hardware(appointment=visit, by=dispatcher)
    hardware.pull_hardware(appointment=visit, by=dispatcher)

    assert StockItem.objects.get(material__key="roller-bracket").reserved == 4
    assert visit.pulls.get(material__key="roller-bracket").held == 4


def test_a_shortage_shows_as_a_blocker_before_anything_is_promised(branch: Branch, dispatcher: User) -> None:
    stock_up(branch, quantity=3)
    job = make_job(branch, by=dispatcher)
    make_unit(job)
    make_unit(job)

    visit = visit_services.plan_install(job=job, by=dispatcher)

    short = visit.pulls.get(material__key="roller-bracket")
    assert (short.needed, short.held, short.short) == (4, 3, 1)
    said = [blocker for blocker in ports.blockers(job) if "short for the install" in blocker.text]
    assert any(blocker.severity == "stop" and blocker.owner == "workroom" for blocker in said)
    assert {one.item for one in hardware.shortages_of(visit)} >= {"roller-bracket"}


def test_two_visits_never_reserve_the_same_piece(branch: Branch, dispatcher: User) -> None:
    stock_up(branch, quantity=6)
    visits = []
    for _ in range(2):
        job = make_job(branch, by=dispatcher)
        make_unit(job)
        make_unit(job)
        visits.append(visit_services.plan_install(job=job, by=dispatcher))

    held = [visit.pulls.get(material__key="roller-bracket").held for visit in visits]

    assert held == [4, 2]
    item = StockItem.objects.get(material__key="roller-bracket")
    assert item.reserved == 6 == Pull.objects.filter(material=item.material).aggregate(sum=Sum("held"))["sum"]


def test_a_cancelled_visit_gives_its_hardware_back(branch: Branch, dispatcher: User) -> None:
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    make_unit(job)
    visit = visit_services.plan_install(job=job, by=dispatcher)

    calendar.cancel_appointment(appointment=visit, by=dispatcher, reason="customer away")

    assert StockItem.objects.filter(reserved__gt=0).count() == 0


def test_strips_are_reserved_as_whole_stock_lengths(branch: Branch, dispatcher: User) -> None:
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    make_unit(job, options={"control": "spring", "gap_strips": "yes"})

    visit = visit_services.plan_install(job=job, by=dispatcher)

    line = next(line for line in visit_hardware(visit).lines if line.item == "gap-strip")
    assert line.quantity == 2
    assert [str(length) for length in line.lengths] == ["60 in", "60 in"] or len(line.lengths) == 2
    assert 1 <= visit.pulls.get(material__key="gap-strip").needed <= 2


# -- rules ---------------------------------------------------------------------------------


def test_a_change_of_the_rules_is_a_new_revision_and_changes_lists(
    branch: Branch, dispatcher: User, owner: User
) -> None:
    unit = make_unit(make_job(branch, by=dispatcher), family="slat", product="dunlin_wood", width="50",
                     options={"control": "cordless"})  # fmt: skip
    before = worked(unit).hardware.brackets.why
    definition = starting_definition()
    definition["brackets"]["slat"]["spans"] = [{"span": "60"}]

    row = hardware.save_rules(branch=branch, definition=definition, by=owner, note="our heads carry further")

    assert (row.revision, row.is_current) == (2, True)
    assert before.startswith("3 brackets")
    assert worked(unit).hardware.brackets.why.startswith("2 brackets")
    assert HardwareRules.objects.filter(branch=branch, is_current=True).count() == 1
    trail = AuditEntry.objects.get(action="changed the hardware rules")
    assert trail.note == "our heads carry further"
    assert "brackets.slat.spans" in trail.changes


def edit(client: Client, part: str, **typed: str) -> HttpResponse:
    """The page of a part as it comes, sent back with what was typed otherwise (``__`` for a dot)."""
    address = f"{reverse('installs:rules_edit')}?part={part}"
    shown = client.get(address).context
    same = {row["field"].path: row["value"] for one in shown["groups"] for row in one["rows"]}
    answer = client.post(address, {**same, "seen": str(shown["seen"]), "note": "tried on site", **typed})
    assert isinstance(answer, HttpResponse)
    return answer


def test_a_part_is_edited_field_by_field(branch: Branch, owner: User, as_user: Callable[[User], Client]) -> None:
    client = as_user(owner)

    answer = edit(
        client, "brackets.slat", **{"brackets.slat.spans[1].span": "44", "brackets.slat.spans[2].span": "36",
                                    "brackets.slat.spans[1].up_to_lb_per_ft": "9"}
    )  # fmt: skip

    row = HardwareRules.objects.get(branch=branch, is_current=True)
    assert answer.status_code == 302
    assert (row.revision, row.note) == (2, "tried on site")
    assert [one["span"] for one in row.definition["brackets"]["slat"]["spans"]] == ["48", "44", "36"]
    assert edit(client, "brackets.slat", **{"remove brackets.slat.spans[0]": "yes"}).status_code == 302
    assert edit(client, "fasteners.hollow", copy="hollow-ours").status_code == 302
    assert edit(client, "fasteners.hollow-ours", remove="yes").status_code == 302
    now = HardwareRules.objects.get(branch=branch, is_current=True).definition
    assert [one["span"] for one in now["brackets"]["slat"]["spans"]] == ["44", "36"]
    assert "hollow-ours" not in now["fasteners"]


def test_what_cannot_be_stands_beside_its_field_with_what_was_typed(
    branch: Branch, owner: User, as_user: Callable[[User], Client]
) -> None:
    answer = edit(as_user(owner), "placing", **{"placing.keep_off": "9", "placing.grid": "1/32"})

    page = answer.content.decode()
    assert answer.status_code == 422
    assert "(0 to 6)" in page
    assert 'value="9"' in page
    assert 'value="1/32"' in page
    assert not HardwareRules.objects.filter(branch=branch, revision__gt=1).exists()


def test_nobody_overwrites_a_revision_they_did_not_see(
    branch: Branch, owner: User, workroom: User, as_user: Callable[[User], Client], api_as: Callable[[User], Any]
) -> None:
    sent = {"changes": {"placing.keep_off": "1 1/2"}, "seen": 1, "note": "own ladders"}
    address = reverse("api:hardware-rules-change")

    first = api_as(workroom).post(address, sent, format="json")
    late = api_as(owner).post(address, {**sent, "changes": {"placing.keep_off": "2"}}, format="json")
    none = api_as(owner).post(address, {**sent, "seen": 2}, format="json")
    wrong = api_as(owner).post(address, {"changes": {"placing.keep_off": "7"}, "seen": 2, "note": "x"}, format="json")
    page = edit(as_user(owner), "placing", **{"placing.keep_off": "2", "seen": "1"})

    assert [one.status_code for one in (first, late, none, wrong)] == [201, 409, 409, 409]
    assert first.json()["definition"]["placing"]["keep_off"] == "1 1/2"
    (lost,), (same,), (bad,) = (one.json()["errors"] for one in (late, none, wrong))
    assert (lost["field"], same["field"]) == ("revision", "changes")
    assert (bad["field"], bad["bound"]) == ("placing.keep_off", "0 to 6")
    assert "was kept meanwhile" in page.content.decode()


def test_wrong_rules_are_refused_naming_the_field(branch: Branch, owner: User) -> None:
    definition = starting_definition()
    definition["withdrawal"]["safety_factor"] = "0"

    with pytest.raises(Refused) as refusal:
        hardware.save_rules(branch=branch, definition=definition, by=owner, note="too bold")

    assert refusal.value.field == "withdrawal.safety_factor"
    assert "1" in refusal.value.bound
    assert not HardwareRules.objects.filter(branch=branch, revision__gt=1).exists()


# -- the van ---------------------------------------------------------------------------------


def test_the_van_is_topped_up_to_its_most_as_far_as_the_shelf_goes(branch: Branch, dispatcher: User) -> None:
    stock_up(branch, quantity=5)
    crew = make_crew(branch)
    rows = {row.material.key: row for row in hardware.van_rows(crew=crew)}
    clip = rows["rail-clip"]  # least 4, most 8 by the starting values
    assert clip.to_take == clip.most

    hardware.top_up_van(crew=crew, by=dispatcher)

    clip.refresh_from_db()
    assert clip.quantity == 5
    item = StockItem.objects.get(material__key="rail-clip")
    assert item.quantity == 0
    assert StockMove.objects.get(item=item).reason == StockMove.Reason.PULLED


def test_bounds_of_the_van_can_not_cross(branch: Branch, dispatcher: User) -> None:
    stock_up(branch)
    row = hardware.van_rows(crew=make_crew(branch))[0]

    with pytest.raises(Refused, match="under the least"):
        hardware.set_van_row(row=row, by=dispatcher, least=10, most=9)
    assert hardware.set_van_row(row=row, by=dispatcher, least=10, most=10).most == 10


def test_a_release_puts_new_units_into_the_visit_that_waits(branch: Branch, dispatcher: User) -> None:
    from installs.services.visits import take_in_released

    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    make_unit(job)
    visit = make_visit(job, make_crew(branch), day=today(branch))
    late = make_unit(job, state=Unit.State.RELEASED)

    take_in_released([late], dispatcher)

    assert visit.visit_units.filter(unit=late).exists()


def test_at_measuring_time_an_obstruction_is_answered(branch: Branch, dispatcher: User) -> None:
    from measuring.ports import ports as measuring_ports

    unit = make_unit(make_job(branch, by=dispatcher), opening={"mount": "outside", "fixed_to": "wall"})
    opening = Opening.objects.get(pk=unit.opening_id)
    near = Obstruction(opening=opening, kind="handle", projection=Length.inches(2))
    far = Obstruction(opening=opening, kind="pipe", projection=Length.inches(20))

    assert "at each bracket" in measuring_ports.help_past(opening, near)[0]
    assert "can't be cleared" in measuring_ports.help_past(opening, far)[0]


def test_figures_that_nothing_read_leave_the_rules_and_a_firms_own_are_said(branch: Branch, owner: User) -> None:
    migration = import_module("installs.migrations.0007_what_nobody_read_leaves_the_rules")
    definition = starting_definition()
    shipped = {**definition, "minutes": definition["minutes"] | migration.SHIPPED}
    shipped["items"] = [item | {"pack": 50} for item in definition["items"]]
    kept = HardwareRules.objects.create(branch=branch, revision=1, definition=shipped, is_current=False)
    edited = {**shipped, "minutes": shipped["minutes"] | {"measure_fixed": "20", "measure": {"roller": "6"}}}
    own = HardwareRules.objects.create(branch=branch, revision=2, definition=edited, note="slower", saved_by=owner)

    migration.take_out(apps, None)

    for row in (kept, own):
        row.refresh_from_db()
        assert row.definition == definition
        assert rules_of(branch).minutes.install_fixed == 20
    assert kept.note == ""
    assert own.note == "slower; taken out, nothing read them: minutes of measure roller 6, minutes of measure fixed 20"


def test_hardware_materials_do_not_upset_the_workroom(branch: Branch) -> None:
    """The workroom reads every material of the branch strictly."""
    from fabrication.services.making import materials_of

    stock_up(branch)

    assert len(materials_of(branch)) == Material.objects.filter(branch=branch).count()


@pytest.mark.parametrize(("purpose", "titles"), [("measure", []), ("install", ["Units and hardware"])])
def test_only_a_visit_that_installs_has_units_and_hardware(dispatcher: User, purpose: str, titles: list[str]) -> None:
    visit = Appointment(pk=1, purpose=purpose)

    assert [title for title, _ in panels.for_page("jobs:appointment", visit, dispatcher)] == titles
