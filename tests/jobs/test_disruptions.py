"""The day goes wrong: a crew drops out in the middle of it."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.utils.html import escape

from installs.adapters.packet import facts_of_site
from jobs.documents import day_sheet
from jobs.models import Absence, Appointment, DaySheet, Handover, Holiday, Proposal, Wish
from jobs.ports import ports
from jobs.schedule.availability import crew_day
from jobs.schedule.day import read_day
from jobs.schedule.effects import effect_of
from jobs.schedule.out import outage
from jobs.schedule.words import clock
from jobs.services import accepting, crews, planning
from shared.models import Run
from tests.factories import a_monday, at, make_appointment, make_crew, make_job

pytestmark = pytest.mark.django_db
MONDAY = a_monday()


@pytest.fixture
def crew(branch):
    return make_crew(branch)


@pytest.fixture
def eleven(branch, time_machine):
    """Eleven in the morning of the Monday that everything stands on."""
    now = at(branch, MONDAY, "11:00")
    time_machine.move_to(now, tick=False)
    return now


def stop(branch, crew, time, **values):
    values = {"crew": crew, "day": MONDAY, "time": time, "purpose": "install", "duration_min": 45, **values}
    return make_appointment(make_job(branch), **values)


def promised(branch, begin, end):
    return {"state": "promised", "promised_from": at(branch, MONDAY, begin), "promised_until": at(branch, MONDAY, end)}


def test_everything_that_is_not_over_by_then_is_concerned(branch, crew, eleven):
    """A visit due at 11:15 was not named, nor one of the morning that nobody had begun."""
    stop(branch, crew, "8:00", state="done")
    unbegun = stop(branch, crew, "9:30")
    there = stop(branch, crew, "10:30", state="arrived", arrived_at=at(branch, MONDAY, "10:40"))
    soon, later = stop(branch, crew, "11:15"), stop(branch, crew, "14:00")

    found = outage(crew, MONDAY, eleven, eleven)

    assert [one.row for one in found.stranded] == [unbegun, there, soon, later]
    assert [one.is_under_way for one in found.stranded] == [False, True, False, False]


def test_nobody_is_proposed_to_begin_in_the_past_or_before_the_crew_is_out(branch, crew, eleven):
    make_crew(branch)
    stop(branch, crew, "10:45", **promised(branch, "10:00", "13:00"))

    for since in ("10:00", "11:00", "11:30"):
        (one,) = outage(crew, MONDAY, at(branch, MONDAY, since), eleven).stranded
        assert one.is_kept
        assert one.takers
        assert all(offer.starts_at >= max(eleven, at(branch, MONDAY, since)) for offer in one.takers)


def test_a_promise_that_nobody_can_keep_is_told_as_such(branch, crew, eleven):
    make_crew(branch)
    stop(branch, crew, "10:00", **promised(branch, "9:00", "10:30"))

    (one,) = outage(crew, MONDAY, eleven, eleven).stranded

    assert one.takers
    assert not one.is_kept


def test_the_page_names_promise_phone_goods_and_who_could_take_it(
    branch, crew, dispatcher, eleven, as_user, monkeypatch
):
    other = make_crew(branch)
    stop(branch, crew, "10:15", state="arrived", arrived_at=at(branch, MONDAY, "10:20"))
    row = stop(branch, crew, "11:15", **promised(branch, "11:00", "13:00"))
    customer = row.job.customer
    customer.phone = "555 0142"
    customer.save()
    monkeypatch.setattr(ports, "aboard_sources", [lambda rows: {row.pk: ["U-1, 1 of 2: head"]}])

    answer = as_user(dispatcher).get(f"/calendar/out/{crew.pk}/?day={MONDAY}")
    page = answer.content.decode()
    (taker, *_) = answer.context["outage"].stranded[-1].takers

    assert answer.context["form"].initial["time"] == dt.time(11)
    aboard = "1 package for these visits is on the van"
    taken = f"{other.name} from {clock(taker.starts_at, branch.tz)}"
    page = " ".join(page.split())
    assert f'name="day" value="{MONDAY}"><input type="hidden" name="time" value="11:00"' in page
    for text in (row.job.number, "555 0142", "11:00 am to 1:00 pm", "U-1, 1 of 2: head", aboard, taken, "% on time"):
        assert text in page
    assert Absence.objects.count() == 0


def test_a_lane_of_today_leads_there_and_one_of_a_day_gone_does_not(branch, crew, dispatcher, eleven, as_user):
    office = as_user(dispatcher)

    boards = [office.get(f"/calendar/?day={MONDAY - dt.timedelta(days=gone)}").content.decode() for gone in (0, 7)]

    assert [f"/calendar/out/{crew.pk}/?day=" in board for board in boards] == [True, False]


def test_the_plan_of_what_is_left_begins_nothing_before_now(branch, crew, dispatcher, eleven, as_user, do_runs):
    """A visit of a crew that is out was proposed in the past; one late in the morning stayed with it."""
    other = make_crew(branch)
    due = stop(branch, crew, "11:15", **promised(branch, "8:00", "15:00"))
    late = stop(branch, crew, "10:30", **promised(branch, "10:00", "14:00"))
    form = {"day": str(MONDAY), "time": "11:05", "reason": "the van broke down"}

    answer = as_user(dispatcher).post(f"/calendar/out/{crew.pk}/", form)
    states = do_runs()
    run = Run.objects.get(kind="jobs.plan_routes")
    proposal = Proposal.objects.get(pk=run.result["proposal"])
    moves = {move.appointment_id: move for move in proposal.moves.all()}

    assert answer.url == f"/calendar/plan/runs/{run.pk}/"
    assert states == ["done"]
    assert {move.crew for move in moves.values()} == {other}
    assert moves.keys() == {due.pk, late.pk}
    assert all(move.starts_at >= eleven for move in moves.values())
    assert Appointment.objects.get(pk=due.pk).crew == crew  # nothing moves by itself


def test_what_was_missed_before_the_plan_is_taken_over_and_called(branch, crew, dispatcher, eleven, as_user):
    """A visit promised for 8 to 10 that nobody went to kept the whole plan from being accepted: 5 h 55 min late."""
    other = make_crew(branch)
    missed = stop(branch, crew, "8:30", **promised(branch, "8:00", "10:00"))
    proposal = Proposal.objects.create(branch=branch, from_on=MONDAY, until_on=MONDAY, created_by=dispatcher)
    proposal.moves.create(
        appointment=missed, version=missed.version, crew=other, day=MONDAY, starts_at=at(branch, MONDAY, "15:00")
    )
    office = as_user(dispatcher)

    answer = office.post(f"/calendar/plan/{proposal.pk}/answer/", {"which": "all"}, follow=True)

    row = Appointment.objects.get(pk=missed.pk)
    assert (row.crew, row.starts_at) == (other, at(branch, MONDAY, "15:00"))
    assert (row.state, row.promised_from) == ("planned", None)
    assert [move.appointment_id for _, moves in answer.context["to_call"] for move in moves] == [missed.pk]


@pytest.fixture
def on_the_van(branch, crew, eleven, monkeypatch):
    """A van that broke down at its first stop at 11, with what a visit of the afternoon needs on it; a second crew."""
    there = stop(branch, crew, "10:15", state="arrived", arrived_at=at(branch, MONDAY, "10:20"), duration_min=30)
    row = stop(branch, crew, "13:00", **promised(branch, "12:00", "16:00"))
    monkeypatch.setattr(ports, "aboard_sources", [lambda rows: {row.pk: ["U-1, 1 of 1"]}])
    return there, row, make_crew(branch, name="B second")


def test_another_crew_meets_at_the_van_as_a_stop_of_its_own_day(branch, on_the_van, crew, dispatcher, as_user, do_runs):
    """Whose goods stood on the dead van was told, and nothing counted the way there: the new crew came too late."""
    there, row, other = on_the_van
    office = as_user(dispatcher)
    form = {"day": str(MONDAY), "time": "11:00", "fetch": "van", "minutes": "20"}

    page = office.get(f"/calendar/out/{crew.pk}/", form)
    office.post(f"/calendar/out/{crew.pk}/", form)
    assert do_runs() == ["done"]
    proposal = Proposal.objects.get()
    taken = accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)
    day = read_day(other, MONDAY)
    meeting, kept = day.meeting(row.pk), Appointment.objects.get(pk=row.pk)
    legs, place = day.roads.travel.rows, day.roads.place
    van, site = place(there.job.site.point), place(row.job.site.point)

    words = f"{crew.name}'s van, {there.job.site.address}"
    assert f"drives to {escape(words)} first" in " ".join(page.content.decode().split())
    assert [move.appointment_id for move in taken.moves] == [row.pk]
    assert kept.crew == other
    assert day.stops[row.pk].drive == legs[day.base][van] + 20 * 60 + legs[van][site]
    assert meeting.leaves - meeting.begins == dt.timedelta(minutes=20)
    assert kept.starts_at - meeting.leaves >= dt.timedelta(seconds=legs[van][site])
    assert meeting.begins >= at(branch, MONDAY, "11:00")
    line = f"first to {words}, about {clock(meeting.begins, branch.tz)}: U-1, 1 of 1"
    assert office.get(f"/api/appointments/{row.pk}/").json()["bring"][0] == line
    assert escape(line) in office.get(row.get_absolute_url()).content.decode()
    assert line in str(day_sheet(DaySheet(crew=other, day=MONDAY)).made_from)
    assert facts_of_site(kept)[0] == ["on the way", line]  # the stop's page and the route packet
    board = office.get(f"/calendar/?day={MONDAY}").content.decode()
    assert f'aria-label="For {row.job.number} {escape(line.partition(": ")[0])}"' in board


def test_the_way_to_the_van_is_in_what_is_offered_as_in_what_a_move_costs(branch, on_the_van, crew, eleven):
    *_, other = on_the_van

    def taker(**fetch):
        stranded = outage(crew, MONDAY, eleven, eleven, **fetch).stranded[-1]
        (offer,) = stranded.takers
        return offer, effect_of(stranded.row, crew=other, starts_at=offer.starts_at).price

    (short, priced), (long, priced_long) = taker(minutes=10), taker(minutes=90)

    assert (short.price, long.price) == (priced, priced_long)
    assert (long.drive_min, long.price - short.price) == (short.drive_min, Decimal("48.00"))  # 80 paid minutes at 36
    assert long.starts_at >= eleven + dt.timedelta(minutes=90)


def test_what_is_fetched_counts_only_for_another_crew_on_that_day(branch, on_the_van, crew, dispatcher):
    """The van is unloaded in the evening, and the crew itself needs no way to its own goods."""
    there, row, other = on_the_van
    tuesday = MONDAY + dt.timedelta(days=1)
    longitude, latitude = there.job.site.point
    row.handover = Handover.objects.create(
        crew=crew, day=MONDAY, site=there.job.site, longitude=longitude, latitude=latitude, minutes=15,
        created_by=dispatcher,
    )  # fmt: skip
    row.save()

    def fetches(one, day):
        Appointment.objects.filter(pk=row.pk).update(crew=one, day=day, starts_at=at(branch, day, "13:00"))
        return read_day(one, day).meeting(row.pk) is not None

    assert [fetches(other, MONDAY), fetches(crew, MONDAY), fetches(other, tuesday)] == [True, False, False]


def test_who_goes_back_for_it_goes_to_the_base(branch, on_the_van, crew, dispatcher, as_user):
    _, row, _ = on_the_van
    page = as_user(dispatcher).get(
        f"/calendar/out/{crew.pk}/", {"day": str(MONDAY), "time": "11:00", "fetch": "base", "minutes": "30"}
    )

    handover = page.context["outage"].handover
    assert (handover.longitude, handover.latitude, handover.minutes) == (branch.longitude, branch.latitude, 30)
    assert "our base" in page.content.decode()
    assert Appointment.objects.get(pk=row.pk).handover is None  # looking keeps nothing


def test_a_time_that_is_none_is_refused(branch, crew, dispatcher, as_user):
    answer = as_user(dispatcher).post(f"/calendar/out/{crew.pk}/", {"day": str(MONDAY), "time": "25:00"})

    assert (answer.status_code, Absence.objects.count()) == (422, 0)


# -- a whole day ----------------------------------------------------------------------------------


@pytest.fixture
def storm(branch, crew, dispatcher, as_user, do_runs, time_machine):
    """
    Two promised visits and one planned on a Monday that nobody can drive, and the plan of where they go.

    One customer can't the day after.
    """
    time_machine.move_to(at(branch, MONDAY, "6:00"))
    rows = [stop(branch, crew, time, **promised(branch, "8:00", "12:00")) for time in ("9:00", "10:30")]
    rows.append(stop(branch, crew, "13:00"))
    Wish.objects.create(job=rows[1].job, kind="not", weekday=(MONDAY.weekday() + 1) % 7)
    until = MONDAY + dt.timedelta(days=1)
    form = {"day": str(MONDAY), "until_on": str(until), "reason": "ice storm"}
    answer = as_user(dispatcher).post("/calendar/move-day/", form)
    assert answer.url.startswith("/calendar/plan/runs/"), answer.url
    assert do_runs() == ["done"]
    return rows, Proposal.objects.get()


def test_a_day_that_nobody_can_drive_moves_as_one(branch, crew, dispatcher, storm, as_user):
    """There was nothing for it: each promise had to be taken out and offered again by hand."""
    rows, proposal = storm
    tuesday = MONDAY + dt.timedelta(days=1)
    before = [Appointment.objects.get(pk=row.pk).day for row in rows]
    asked = as_user(dispatcher).get(proposal.get_absolute_url()).context

    taken = accepting.accept_moves(proposal=proposal, moves=proposal.moves.exclude(crew=None), by=dispatcher)
    after = [Appointment.objects.get(pk=row.pk) for row in rows]
    Wish.objects.create(job=rows[2].job, kind="not", weekday=tuesday.weekday())  # told on the phone
    page = as_user(dispatcher).get(proposal.get_absolute_url())

    assert asked["headline"].endswith("1 promise given up")  # "no promise broken", though its day is another
    assert asked["consequences"].endswith(
        "1 confirmed appointment can't stand: call that customer and confirm another time."
    )
    assert before == [MONDAY] * 3  # the day is closed, and nothing moves before the yes
    assert len(taken.moves) == 2
    assert {(row.day, row.state, row.promised_from) for row in (after[0], after[2])} == {(tuesday, "planned", None)}
    assert [(title, {move.appointment_id for move in moves}) for title, moves in page.context["to_call"]] == [
        ("", {rows[0].pk}),
        ("Against what they asked for", {rows[2].pk}),
        ("No time was found", {rows[1].pk}),
    ]
    assert "asked for: not Tuesdays" in page.content.decode()
    assert not crew_day(crew, MONDAY).works


def test_taking_it_back_brings_the_promises_back(branch, dispatcher, storm):
    rows, proposal = storm
    accepting.accept_moves(proposal=proposal, moves=proposal.moves.exclude(crew=None), by=dispatcher)

    accepting.undo_acceptance(proposal=proposal, by=dispatcher)

    back = Appointment.objects.get(pk=rows[0].pk)
    assert (back.day, back.state, back.promised_from) == (MONDAY, "promised", rows[0].promised_from)


def test_whoever_finds_no_place_is_on_the_list_too(branch, crew, dispatcher, as_user, do_runs, time_machine):
    time_machine.move_to(at(branch, MONDAY, "6:00"))
    row = stop(branch, crew, "9:00", **promised(branch, "8:00", "12:00"))
    tuesday = MONDAY + dt.timedelta(days=1)
    crews.set_holiday(branch=branch, day=tuesday, name="closed too", by=dispatcher)
    make_crew(branch).days.create(day=tuesday, starts=dt.time(8), ends=dt.time(8, 20))  # works, too little
    planning.move_day(branch=branch, day=MONDAY, until_on=tuesday, by=dispatcher, reason="ice storm", seconds=1)
    assert do_runs() == ["done"]

    ((title, moves),) = as_user(dispatcher).get(Proposal.objects.get().get_absolute_url()).context["to_call"]

    assert (title, [move.appointment for move in moves]) == ("No time was found", [row])


def test_a_day_that_is_over_or_moves_to_no_later_one_is_refused(branch, crew, dispatcher, as_user):
    office = as_user(dispatcher)
    for until in (MONDAY, MONDAY - dt.timedelta(days=1)):
        form = {"day": str(MONDAY), "until_on": str(until), "reason": "ice storm"}
        assert "choose a later day" in office.post("/calendar/move-day/", form, follow=True).content.decode().lower()

    assert not Holiday.objects.exists()
    assert not Run.objects.exists()
