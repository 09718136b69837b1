"""The stop: outcomes with causes, undo, sign-off, returns and remakes, and where the job then stands."""

from __future__ import annotations

import base64
import datetime as dt
import re
import uuid
from collections.abc import Callable
from io import BytesIO
from typing import Any
from urllib.parse import quote

import pytest
from django.core import mail
from django.urls import reverse
from django.utils import timezone
from PIL import Image
from pypdf import PdfReader

from fabrication.models import UnitMake
from fabrication.services.starting_data import load_materials, load_recipes
from installs.adapters.minutes import install_minutes, learned
from installs.models import HardwareUsed, ReturnOwed, Stop, StopPhoto, VisitUnit
from installs.services import returns, stops
from jobs.models import Appointment, CalendarRules, Customer, Job, Message, Project, Purpose, Site
from jobs.ports import ports
from jobs.services import appointments as calendar
from measuring.models import Opening, Unit
from measuring.services.starting_data import load_products
from shared.devices import receiver
from shared.documents import kind_of, render
from shared.errors import Refused
from shared.models import AuditEntry, Branch, User
from tests.installs.makers import a_day, make_crew, make_unit, make_visit, stock_up

pytestmark = pytest.mark.django_db
STROKES = [[[100, 600], [400, 300], [800, 650]]]


def units_of(visit: Appointment) -> list[Unit]:
    return list(Unit.objects.filter(visit_units__appointment=visit).order_by("pk"))


def close_with_one_missing(visit: Appointment, by: User, cause: str) -> tuple[Unit, Unit]:
    up, down = units_of(visit)
    stops.mark_installed(appointment=visit, units=[up], by=by)
    stops.mark_not_installed(appointment=visit, unit=down, cause=cause, by=by, note="seen on site")
    stops.close_stop(appointment=visit, by=by)
    return up, down


def test_all_installed_in_one_tap_closes_the_job(branch: Branch, dispatcher: User, installer: User) -> None:
    job, visit = a_day(branch, dispatcher, installer)

    stops.mark_all_installed(appointment=visit, by=installer)
    stops.sign(appointment=visit, by=installer, name="Ada Ashdown", strokes=STROKES)
    stops.close_stop(appointment=visit, by=installer)

    job.refresh_from_db()
    visit.refresh_from_db()
    assert job.stage == Job.Stage.CLOSED
    assert visit.state == Appointment.State.DONE
    assert set(Unit.objects.values_list("state", flat=True)) == {Unit.State.INSTALLED}


def test_the_first_tap_means_the_crew_arrived(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)

    stops.mark_installed(appointment=visit, units=units_of(visit)[:1], by=installer)

    visit.refresh_from_db()
    assert visit.arrived_at is not None


def test_done_at_a_stop_names_the_next_of_the_day(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[..., Any]
) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    stops.mark_all_installed(appointment=visit, by=installer)
    assert visit.starts_at is not None
    later = Appointment.objects.create(
        job=visit.job, purpose=Purpose.INSTALL, state=Appointment.State.PLANNED, crew=visit.crew, day=visit.day,
        starts_at=visit.starts_at + dt.timedelta(hours=3), duration_min=60, created_by=dispatcher,
    )  # fmt: skip
    screen = as_user(installer)

    page = screen.get(reverse("installs:stop", args=[visit.pk])).content.decode()
    answer = screen.post(reverse("installs:done", args=[visit.pk]), follow=True)

    assert reverse("installs:stop", args=[later.pk]) in page
    assert f"is done. Next: {later.job.site.address}." in answer.content.decode()


def test_the_stop_says_what_cords_mean_for_the_children_there_and_keeps_its_checks(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[..., Any]
) -> None:
    """Its cautions were units without a word; that cords are held was ticked on paper alone."""
    job, visit = a_day(branch, dispatcher, installer)
    job.site.children = True
    job.site.save()
    unit = units_of(visit)[0]
    unit.options = {**unit.options, "control": "chain"}
    unit.save()
    screen, address = as_user(installer), reverse("installs:stop", args=[visit.pk])

    page = screen.get(address).content.decode()
    stops.mark_all_installed(appointment=visit, by=installer)
    screen.post(reverse("installs:done", args=[visit.pk]), {"checked": ["cords", "clean", "a word of theirs"]})
    closed = screen.get(address).content.decode()

    assert "Children live or visit here" in page
    assert "data-children" in page
    assert Stop.objects.get().checked == "clean cords"
    assert "cords held, tension devices tried: yes" in closed
    assert "shown how it works: <strong>not ticked</strong>" in closed


def test_directions_lead_to_the_point_by_the_phone_s_map_and_the_branch_s_own(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[..., Any]
) -> None:
    job, visit = a_day(branch, dispatcher, installer)
    screen, address = as_user(installer), reverse("installs:stop", args=[visit.pk])
    where = quote(job.site.address, safe="")

    def ways(map_address: str, point: tuple[str, str] | None) -> list[str]:
        latitude, longitude = point or (None, None)
        Site.objects.filter(pk=job.site_id).update(latitude=latitude, longitude=longitude)
        Branch.objects.filter(pk=branch.pk).update(map_address=map_address)
        page = screen.get(address).content.decode()
        return re.findall(r'href="((?:geo:|https://map)[^"]*)"', page)

    both, words = "https://map.example/{latitude},{longitude}", "https://map.example/?q={address}"
    at = ("44.510000", "-93.280000")
    geo = f"geo:44.51,-93.28?q={quote(job.site.address)}"

    assert ways("", at) == [geo]
    assert ways(both, at) == [geo, "https://map.example/44.51,-93.28"]
    assert ways(both, None) == [f"geo:0,0?q={quote(job.site.address)}"]  # its map wants a point that nobody said
    assert ways(words, None)[1:] == [f"https://map.example/?q={where}"]


def test_a_check_of_the_whole_stop_names_the_units_it_does_not_hold_for(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[..., Any]
) -> None:
    """It was ticked for all or for none: one device that would not hold made every other look loose."""
    job, visit = a_day(branch, dispatcher, installer)
    held, loose = units_of(visit)
    device = receiver.register_device(user=installer)[0]
    screen, address = as_user(installer), reverse("installs:stop", args=[visit.pk])
    assert f'name="not-cords" value="{loose.pk}"' in " ".join(screen.get(address).content.decode().split())
    stops.mark_all_installed(appointment=visit, by=installer)
    body = {"appointment": visit.pk, "checked": ["cords"]}

    no_such = send(device, 1, "installs.done", body | {"excepted": {"clean": [loose.pk]}}, timezone.now())
    send(device, 2, "installs.done", body | {"excepted": {"cords": [loose.pk], "shown": [held.pk]}}, timezone.now())

    assert (no_such["status"], no_such["reply"]["field"]) == (400, "excepted.clean")
    assert Stop.objects.get().excepted == {"cords": [loose.code]}  # what was not ticked has no exceptions
    said = f"cords held, tension devices tried: yes, <strong>but not {loose.code}</strong>"
    assert said in screen.get(address).content.decode()
    checks = kind_of("installs.completion").gather(job)["checks"]
    assert ["cords held, tension devices tried", True, loose.code] in checks
    stops.reopen_stop(appointment=visit, by=installer)
    screen.post(reverse("installs:done", args=[visit.pk]), {"checked": ["cords"], "not-cords": [str(held.pk)]})
    assert Stop.objects.get().excepted == {"cords": [held.code]}


def test_the_completion_record_says_what_was_checked_and_trimmed(
    branch: Branch, dispatcher: User, installer: User
) -> None:
    """The ticks stood on the stop's page alone, and what was trimmed named no unit."""
    job, visit = a_day(branch, dispatcher, installer)
    unit, other = units_of(visit)
    device = receiver.register_device(user=installer)[0]
    trimmed = {"appointment": visit.pk, "note": "hem bar cut 1/8", "unit": unit.pk}
    assert send(device, 1, "installs.hardware", trimmed, timezone.now())["status"] == 200
    stops.mark_installed(appointment=visit, units=[unit], by=installer)
    stops.mark_not_installed(appointment=visit, unit=other, cause="damage.on_arrival", by=installer)
    stops.close_stop(appointment=visit, by=installer, checked=["cords"])
    kind = kind_of("installs.completion")

    pdf, _ = render(kind, job, kind.content(job), revision=1, by=None)

    text = " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())
    assert "Cords held, tension devices tried: yes" in text
    assert "Site left clean: not ticked" in text
    assert f"{unit.code}, hem bar cut 1/8" in text
    assert "damaged: damaged when unpacked" in text


def test_until_the_stop_is_closed_the_job_is_installed_not_closed(
    branch: Branch, dispatcher: User, installer: User
) -> None:
    job, visit = a_day(branch, dispatcher, installer)

    stops.mark_all_installed(appointment=visit, by=installer)

    job.refresh_from_db()
    assert job.stage == Job.Stage.INSTALLED


def test_a_unit_without_a_word_keeps_the_stop_open(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    up, other = units_of(visit)
    stops.mark_installed(appointment=visit, units=[up], by=installer)

    with pytest.raises(Refused, match=f"1 with no outcome yet.*{other.code}"):
        stops.close_stop(appointment=visit, by=installer)


def test_not_installed_needs_a_cause_of_the_tree(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)

    with pytest.raises(Refused) as refusal:
        stops.mark_not_installed(appointment=visit, unit=units_of(visit)[0], cause="bad mood", by=installer)

    assert refusal.value.field == "cause"


def test_a_tap_is_taken_back(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    unit = units_of(visit)[0]
    stops.mark_installed(appointment=visit, units=[unit], by=installer)

    stops.undo_outcome(appointment=visit, unit=unit, by=installer)

    unit.refresh_from_db()
    assert (unit.state, unit.installed_at) == (Unit.State.MADE, None)
    assert visit.visit_units.get(unit=unit).outcome == VisitUnit.Outcome.TO_DO


def test_a_signature_is_never_forced(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    stops.mark_all_installed(appointment=visit, by=installer)

    stop = stops.close_stop(appointment=visit, by=installer)

    assert stop.is_closed()
    assert (stop.signed_name, stop.left_with) == ("", "")


def test_nobody_home_says_with_whom_it_was_left(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)

    stop = stops.sign(appointment=visit, by=installer, left_with="the neighbour, no. 7")

    assert (stop.left_with, stop.signed_name, stop.signature) == ("the neighbour, no. 7", "", [])


@pytest.mark.parametrize(
    ("strokes", "problem"),
    [
        ([], "nothing was drawn"),
        ([[[0, 1001]]], "leaves the pad"),
        ([[["a", "b"]]], "can't be read"),
        ([[[1, 1]] * 7000], "too long"),
    ],
)
def test_a_drawing_that_can_not_be_is_refused(
    branch: Branch, dispatcher: User, installer: User, strokes: list, problem: str
) -> None:
    _, visit = a_day(branch, dispatcher, installer, units=1)

    with pytest.raises(Refused, match=problem):
        stops.sign(appointment=visit, by=installer, name="Ada", strokes=strokes)


# -- returns ----------------------------------------------------------------------------------


def test_a_unit_not_installed_becomes_a_return_visible_in_dispatch(
    branch: Branch, dispatcher: User, installer: User
) -> None:
    job, visit = a_day(branch, dispatcher, installer)

    _, down = close_with_one_missing(visit, installer, "missing_part.hardware")

    owed = ReturnOwed.objects.get()
    back = Appointment.objects.get(job=job, purpose=Purpose.RETURN)
    assert (owed.unit, owed.cause, owed.note) == (down, "missing_part.hardware", "seen on site")
    assert owed.happened_at == visit
    assert owed.appointment == back
    assert back in Appointment.objects.visible_to(dispatcher).unplaced()
    assert [row.unit for row in back.visit_units.all()] == [down]
    assert any("return owed" in blocker.text for blocker in ports.blockers(job))


def test_the_customer_gets_the_completion_record_and_word_of_the_return(
    branch: Branch, dispatcher: User, installer: User, settings: Any, do_runs: Callable[[], list[str]]
) -> None:
    settings.EMAIL_URL = "smtp://mail.example.org"
    CalendarRules.objects.create(branch=branch, quiet_from=dt.time(0), quiet_until=dt.time(0))
    job, visit = a_day(branch, dispatcher, installer)
    Customer.objects.filter(pk=job.customer_id).update(email="ada@example.org")

    close_with_one_missing(visit, installer, "missing_part.hardware")
    do_runs()

    sent = {message.kind: message for message in Message.objects.filter(job=job, state="sent")}
    assert set(sent) == {"done", "return_trip"}
    files = {one.subject: [name for name, _, _ in one.attachments] for one in mail.outbox}
    assert files == {sent["done"].subject: [f"{job.number}.pdf"], sent["return_trip"].subject: []}


def test_a_return_waits_for_its_parts(branch: Branch, dispatcher: User, installer: User, workroom: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    close_with_one_missing(visit, installer, "missing_part.hardware")
    owed = ReturnOwed.objects.get()
    ready = timezone.localdate() + dt.timedelta(days=9)

    returns.set_parts_ready(owed=owed, ready_on=ready, by=workroom)

    owed.appointment.refresh_from_db()
    assert owed.appointment.earliest_on == ready


def test_a_cause_that_ends_it_owes_nothing(branch: Branch, dispatcher: User, installer: User) -> None:
    _job, visit = a_day(branch, dispatcher, installer)

    close_with_one_missing(visit, installer, "customer_change.not_wanted")

    assert not ReturnOwed.objects.exists()
    assert not Appointment.objects.filter(purpose=Purpose.RETURN).exists()


def test_closing_twice_owes_once(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    close_with_one_missing(visit, installer, "damage.on_arrival")

    stops.close_stop(appointment=visit, by=installer)

    assert ReturnOwed.objects.count() == 1


@pytest.fixture
def real_day(branch: Branch, dispatcher: User, installer: User) -> Appointment:
    """Two units of a product with a recipe, so that a remake has parts."""
    load_products(branch)
    load_materials(branch)
    load_recipes(branch)
    stock_up(branch)
    from tests.factories import make_job

    job = make_job(branch, by=dispatcher)
    options = {"control": "spring", "control_side": "left", "roll": "standard", "hem_bar": "sealed in",
               "colour": "Brant white"}  # fmt: skip
    for _ in range(2):
        make_unit(job, options=options)
    return make_visit(job, make_crew(branch, installer))


def test_a_remake_is_a_new_unit_in_the_workroom_tied_to_the_old(
    real_day: Appointment, dispatcher: User, installer: User
) -> None:
    _, down = close_with_one_missing(real_day, installer, "size.not_as_ordered")
    owed = ReturnOwed.objects.get()

    returns.decide_return(owed=owed, by=dispatcher, remake=True)

    owed.refresh_from_db()
    fresh = owed.remake
    down.refresh_from_db()
    assert fresh.replaces == down
    assert (down.state, fresh.state) == (Unit.State.REPLACED, Unit.State.RELEASED)
    assert (fresh.order_width, fresh.options) == (down.order_width, down.options)
    assert UnitMake.objects.get(unit=fresh).parts.exists()
    assert [row.unit for row in owed.appointment.visit_units.all()] == [fresh]
    assert owed.appointment.earliest_on == fresh.due_on
    owed.job.refresh_from_db()
    assert owed.job.stage == Job.Stage.INSTALLED  # one remake does not throw the job back


def test_a_remake_measured_again_first_waits_for_its_check_measure(
    real_day: Appointment, dispatcher: User, installer: User
) -> None:
    close_with_one_missing(real_day, installer, "size.too_wide")
    owed = ReturnOwed.objects.get()

    returns.decide_return(owed=owed, by=dispatcher, remake=True, remeasure=True)

    owed.refresh_from_db()
    check = Appointment.objects.get(purpose=Purpose.CHECK)
    assert owed.remake.state == Unit.State.DRAFT
    assert [row.opening_id for row in check.visit_openings.all()] == [owed.unit.opening_id]
    assert owed.unit.opening.__class__.objects.get(pk=owed.unit.opening_id).state == Opening.State.TO_MEASURE


def test_a_cause_that_needs_no_remake_allows_none(real_day: Appointment, dispatcher: User, installer: User) -> None:
    close_with_one_missing(real_day, installer, "missing_part.hardware")

    with pytest.raises(Refused, match="nothing is made again"):
        returns.decide_return(owed=ReturnOwed.objects.get(), by=dispatcher, remake=True)


def test_the_return_visit_settles_what_was_owed_and_closes_the_job(
    real_day: Appointment, dispatcher: User, installer: User
) -> None:
    close_with_one_missing(real_day, installer, "missing_part.hardware")
    owed = ReturnOwed.objects.get()
    back = owed.appointment
    calendar.place(
        appointment=back,
        crew=real_day.crew,
        starts_at=real_day.starts_at + dt.timedelta(days=7, hours=3),
        by=dispatcher,
        anyway=True,
    )
    owed.refresh_from_db()
    booked = owed.state

    stops.mark_all_installed(appointment=back, by=installer, at=back.starts_at)
    stops.close_stop(appointment=back, by=installer)

    owed.refresh_from_db()
    owed.job.refresh_from_db()
    assert (booked, owed.state) == (ReturnOwed.State.BOOKED, ReturnOwed.State.DONE)
    assert owed.job.stage == Job.Stage.CLOSED


def test_a_job_of_one_unit_that_is_made_again_does_not_fall_back_to_measured(
    real_day: Appointment, dispatcher: User, installer: User
) -> None:
    one, other = units_of(real_day)
    Unit.objects.filter(pk=other.pk).update(state=Unit.State.CANCELLED)
    real_day.visit_units.filter(unit=other).delete()
    stops.mark_not_installed(appointment=real_day, unit=one, cause="make.wrong_option", by=installer)
    stops.close_stop(appointment=real_day, by=installer)

    returns.decide_return(owed=ReturnOwed.objects.get(), by=dispatcher, remake=True)

    real_day.job.refresh_from_db()
    assert real_day.job.stage == Job.Stage.RELEASED


def test_dropping_a_return_calls_its_empty_visit_off(branch: Branch, dispatcher: User, installer: User) -> None:
    job, visit = a_day(branch, dispatcher, installer)
    close_with_one_missing(visit, installer, "missing_part.hardware")
    owed = ReturnOwed.objects.get()

    returns.drop_return(owed=owed, by=dispatcher, reason="the customer keeps the old one")

    owed.refresh_from_db()
    owed.appointment.refresh_from_db()
    assert owed.state == ReturnOwed.State.DROPPED
    assert owed.appointment.state == Appointment.State.CANCELLED
    job.refresh_from_db()
    assert job.stage == Job.Stage.CLOSED


def test_a_stop_opened_again_takes_its_undecided_returns_back(
    branch: Branch, dispatcher: User, installer: User
) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    _, down = close_with_one_missing(visit, installer, "nobody_there")

    stops.reopen_stop(appointment=visit, by=installer)

    assert ReturnOwed.objects.get().state == ReturnOwed.State.DROPPED
    down.refresh_from_db()
    assert down.state == Unit.State.NOT_INSTALLED
    assert not Stop.objects.get(appointment=visit).is_closed()
    visit.refresh_from_db()
    assert visit.state == Appointment.State.ARRIVED


def test_done_on_the_crews_day_does_not_end_a_stop_without_its_outcomes(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[[User], Any], api_as: Callable[[User], Any]
) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    stops.mark_installed(appointment=visit, units=units_of(visit)[:1], by=installer)

    page = as_user(installer).post(f"/visits/{visit.pk}/done/", {"next": "/today/"}, follow=True).content.decode()
    answer = api_as(dispatcher).post(f"/api/appointments/{visit.pk}/done/", {}, format="json")

    visit.refresh_from_db()
    assert visit.state == Appointment.State.ARRIVED
    assert "Close the visit on its page: 1 of 2 units has no outcome yet." in page
    assert f"/visits/{visit.pk}/done/" not in page
    assert answer.status_code == 409


# -- hardware, photos, times ----------------------------------------------------------------------


def test_hardware_used_otherwise_is_noted_and_taken_back(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)

    used = stops.note_hardware(appointment=visit, by=installer, change=0, note="own plugs of the customer")
    stops.undo_hardware(used=used, by=installer)

    assert HardwareUsed.objects.get().undone_at is not None
    with pytest.raises(Refused, match="say what was used"):
        stops.note_hardware(appointment=visit, by=installer, change=2)


def picture(size: tuple[int, int] = (60, 40)) -> bytes:
    out = BytesIO()
    exif = Image.Exif()
    exif[0x010F] = "a camera that tells"
    Image.new("RGB", size, "white").save(out, "JPEG", exif=exif)
    return out.getvalue()


def test_a_photo_is_kept_without_what_the_camera_wrote(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)

    photo = stops.add_photo(appointment=visit, data=picture(), by=installer, unit=units_of(visit)[0])

    with Image.open(photo.file.path) as kept:
        assert dict(kept.getexif()) == {}


def test_what_is_no_picture_is_refused(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)

    with pytest.raises(Refused, match="no picture"):
        stops.add_photo(appointment=visit, data=b"<svg onload=alert(1)>", by=installer)


def test_logged_times_flow_back_into_the_estimate(branch: Branch, dispatcher: User, installer: User) -> None:
    from tests.factories import make_job

    _, visit = a_day(branch, dispatcher, installer, units=1)
    before = install_minutes(visit)
    for _ in range(12):
        job = make_job(branch, by=dispatcher)
        make_unit(job)
        begun = timezone.now() - dt.timedelta(days=3)
        make_visit(job, visit.crew, state=Appointment.State.DONE, arrived_at=begun,
                   done_at=begun + dt.timedelta(minutes=70))  # the table says 35  # fmt: skip

    after = install_minutes(visit)
    factor, _, count = learned(branch)

    assert count == 12
    assert 1.2 < factor < 2.0
    assert before.mean < after.mean < 70
    assert after.safe > after.mean


# -- entries of a phone -----------------------------------------------------------------------------


def send(device, place: int, kind: str, body: dict, at: dt.datetime) -> dict:
    return receiver.take_in(
        device=device,
        sent={"id": str(uuid.uuid4()), "place": place, "kind": kind, "body": body, "done_at": at.isoformat()},
    )


def test_a_whole_stop_done_without_signal_arrives_in_order_with_its_times(
    branch: Branch, dispatcher: User, installer: User
) -> None:
    _job, visit = a_day(branch, dispatcher, installer)
    up, down = units_of(visit)
    device, _ = receiver.register_device(user=installer)
    at = timezone.now() - dt.timedelta(hours=2)
    body = {"appointment": visit.pk}
    data = base64.b64encode(picture()).decode()
    rows = [
        ("installs.arrived", body),
        ("installs.installed", body | {"unit": up.pk}),
        ("installs.not_installed", body | {"unit": down.pk, "cause": "size.too_long", "note": "by 3 in"}),
        ("installs.photo", body | {"unit": down.pk, "data": data, "caption": "on the sill"}),
        ("installs.sign", body | {"name": "Ada", "strokes": STROKES}),
        ("installs.done", body | {"note": "dog in the yard", "checked": ["shown"]}),
    ]

    replies = [send(device, n, kind, sent, at + dt.timedelta(minutes=n)) for n, (kind, sent) in enumerate(rows, 1)]

    assert [reply["status"] for reply in replies] == [200] * 6
    visit.refresh_from_db()
    assert visit.arrived_at == at + dt.timedelta(minutes=1)
    assert visit.done_at == at + dt.timedelta(minutes=6)
    assert ReturnOwed.objects.get().unit == down
    assert StopPhoto.objects.get().caption == "on the sill"
    stop = Stop.objects.get()
    assert (stop.signed_name, stop.checked) == ("Ada", "shown")


def test_a_phone_of_somebody_else_changes_nothing(
    branch: Branch, dispatcher: User, installer: User, measurer: User
) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    for person, status in ((measurer, 403), (dispatcher, 200)):
        device, _ = receiver.register_device(user=person)

        reply = send(device, 1, "installs.arrived", {"appointment": visit.pk}, timezone.now())

        assert reply["status"] == status


def test_every_action_leaves_a_trail_on_the_job(branch: Branch, dispatcher: User, installer: User) -> None:
    job, visit = a_day(branch, dispatcher, installer)

    close_with_one_missing(visit, installer, "damage.on_arrival")

    actions_done = set(AuditEntry.objects.filter(job_id=job.pk).values_list("action", flat=True))
    assert {"installed", "did not install", "closed the stop", "owes a return", "arrived", "was done"} <= actions_done


def test_the_stop_shows_its_openings_drawn_and_what_the_measurer_left(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[[User], Any]
) -> None:
    """Which side is left, and what was noted at the window, stood on paper alone."""
    _, visit = a_day(branch, dispatcher, installer)
    first = units_of(visit)[0].opening
    Opening.objects.filter(pk=first.pk).update(note="mind the alarm wire", site_facts={"take_down": "we"})

    page = as_user(installer).get(f"/stops/{visit.pk}/").content.decode()

    openings = {unit.opening_id for unit in units_of(visit)}
    assert page.count("as seen from the room") == len(openings)
    assert "mind the alarm wire" in page
    assert "photograph damage and holes first" in page
    assert page.index("a bracket") < page.index("Options, and why so")


def test_a_motor_is_noted_as_it_was_left(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[[User], Any]
) -> None:
    """Limits, channel and hub were set and told nobody: the next person began from nothing."""
    job, visit = a_day(branch, dispatcher, installer)
    unit = units_of(visit)[0]
    stops.mark_all_installed(appointment=visit, by=installer)
    sent = {"limits": "yes", "channel": "3", "remote": "Den", "hub": "Weir hub"}

    as_user(installer).post(f"/stops/{visit.pk}/units/{unit.pk}/motor/", sent)

    left = "limits set, not charged, channel 3, remote Den, hub Weir hub"
    assert visit.visit_units.get(unit=unit).motor_text == left
    assert kind_of("installs.completion").gather(job)["motors_left"] == [f"{unit.opening}: {left}"]


def test_a_finished_stop_is_opened_again_for_an_hour(branch: Branch, dispatcher: User, installer: User) -> None:
    """It could be for ever, and nothing said until when."""
    _, visit = a_day(branch, dispatcher, installer)
    stops.mark_all_installed(appointment=visit, by=installer)
    closed = stops.close_stop(appointment=visit, by=installer).closed_at
    assert closed is not None

    with pytest.raises(Refused, match="it could be taken back until"):
        stops.take_back(appointment=visit, by=installer, at=closed + dt.timedelta(minutes=61))
    stops.take_back(appointment=visit, by=installer, at=closed + dt.timedelta(minutes=59))

    assert not Stop.objects.get(appointment=visit).is_closed()


def test_what_is_left_to_put_right_stands_by_phase_on_the_project(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[[User], Any]
) -> None:
    """A builder asked for it, and the office gathered it from every job by hand."""
    job, visit = a_day(branch, dispatcher, installer)
    project = Project.objects.create(branch=branch, customer=job.customer, name="Weir Court")
    Job.objects.filter(pk=job.pk).update(project=project, phase="Block B")
    _, down = close_with_one_missing(visit, installer, "damage.on_arrival")
    client = as_user(dispatcher)

    page = client.get(f"/installs/projects/{project.pk}/punch-list/").content.decode()
    table = b"".join(client.get(f"/installs/projects/{project.pk}/punch-list/?format=csv")).decode("utf-8-sig")

    assert page.index("Block B") < page.index(down.code)
    assert [line.split(",")[0] for line in table.splitlines()] == ["phase", "Block B"]
