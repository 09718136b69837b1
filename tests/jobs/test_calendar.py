"""When crews work, and what a place in the calendar would do."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.conf import settings
from django.urls import reverse

from jobs.ics import feed_file, visit_file
from jobs.models import Absence, Appointment, CrewDay, Holiday, ImpossibleTime, Purpose, Skill
from jobs.ports import ports
from jobs.schedule.availability import add_working_days, crew_day
from jobs.schedule.day import read_day
from jobs.schedule.effects import effect_of
from jobs.services import appointments, crews, feeds
from jobs.tasks import let_go_lapsed
from measuring.services.visits import open_visit
from shared.errors import Refused
from shared.models import AuditEntry
from tests.factories import a_monday, at, make_appointment, make_branch, make_crew, make_job, make_site, make_user

pytestmark = pytest.mark.django_db

MONDAY = a_monday()


@pytest.fixture
def crew(branch, measurer):
    return make_crew(branch, measurer, overtime_min=30)


def test_a_crew_works_its_usual_hours(branch, crew):
    work = crew_day(crew, MONDAY)

    assert work.shifts == ((at(branch, MONDAY, "8:00"), at(branch, MONDAY, "17:00")),)


def test_a_changed_week_is_in_the_crew_s_history_and_an_unchanged_one_is_not(branch, crew, dispatcher):
    def weeks():
        return [entry.changes["hours"] for entry in AuditEntry.objects.filter(action="changed the hours")]

    week = [{"weekday": 0, "starts": dt.time(7), "ends": dt.time(15)}]
    crews.set_hours(crew=crew, hours=week, by=dispatcher)
    ((before, after),) = weeks()
    crews.set_hours(crew=crew, hours=week, by=dispatcher)

    assert (len(before), len(after)) == (5, 1)
    assert len(weeks()) == 1


def test_a_crew_does_not_work_on_a_weekday_without_hours(crew):
    work = crew_day(crew, MONDAY + dt.timedelta(days=5))

    assert not work.works
    assert "no hours on Saturdays" in work.why


def test_a_public_holiday_is_off_unless_the_branch_works_it(branch, crew):
    christmas = dt.date(2028, 12, 25)  # a Monday

    before = crew_day(crew, christmas)
    Holiday.objects.create(branch=branch, day=christmas, name="Christmas", is_worked=True)
    after = crew_day(crew, christmas)

    assert "Christmas Day is a holiday" in before.why
    assert after.works


def test_an_absence_of_the_crew_cuts_its_day_in_two(branch, crew):
    Absence.objects.create(crew=crew, starts_at=at(branch, MONDAY, "11:00"), ends_at=at(branch, MONDAY, "13:00"))

    work = crew_day(crew, MONDAY)

    assert [(a, b) for a, b in work.shifts] == [
        (at(branch, MONDAY, "8:00"), at(branch, MONDAY, "11:00")),
        (at(branch, MONDAY, "13:00"), at(branch, MONDAY, "17:00")),
    ]


def test_an_absent_helper_leaves_one_person_and_an_absent_driver_none(branch, measurer, installer):
    pair = make_crew(branch, measurer, installer, people=2)
    alone = make_crew(branch, measurer)
    for crew in (pair, alone):
        Absence.objects.create(
            crew=crew, user=measurer, starts_at=at(branch, MONDAY, "0:00"), ends_at=at(branch, MONDAY, "23:59")
        )

    assert crew_day(pair, MONDAY).people == 1
    assert crew_day(pair, MONDAY).works
    assert not crew_day(alone, MONDAY).works


def test_a_crew_day_of_its_own_outranks_the_weekday(branch, crew):
    saturday = MONDAY + dt.timedelta(days=5)
    CrewDay.objects.create(crew=crew, day=saturday, starts=dt.time(9), ends=dt.time(12))

    assert crew_day(crew, saturday).shifts == ((at(branch, saturday, "9:00"), at(branch, saturday, "12:00")),)


@pytest.mark.parametrize(
    ("day", "utc_hour"),
    [
        (dt.date(2027, 3, 12), 14),  # a Friday in winter time: 8:00 is 14:00 UTC
        (dt.date(2027, 3, 15), 13),  # the Monday after the clocks went forward
        (dt.date(2027, 11, 5), 13),  # a Friday in summer time
        (dt.date(2027, 11, 8), 14),  # the Monday after they went back
    ],
)
def test_eight_in_the_morning_stays_eight_when_the_clocks_change(crew, day, utc_hour):
    assert crew_day(crew, day).shifts[0][0].hour == utc_hour


def test_working_days_leave_out_weekends_and_holidays(branch, crew):
    friday = MONDAY + dt.timedelta(days=4)
    Holiday.objects.create(branch=branch, day=MONDAY + dt.timedelta(days=7), name="stock count")

    assert add_working_days(branch, friday, 1) == MONDAY + dt.timedelta(days=8)


# -- placing --------------------------------------------------------------------------


def test_placing_puts_a_visit_on_the_crews_day_and_leaves_a_trail(branch, crew, dispatcher):
    visit = make_appointment(make_job(branch))

    appointments.place(appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "9:00"), by=dispatcher)

    visit.refresh_from_db()
    assert (visit.state, visit.crew, visit.day) == (Appointment.State.PLANNED, crew, MONDAY)
    entry = AuditEntry.objects.filter(action="placed").get()
    assert entry.job_id == visit.job_id
    assert entry.changes["crew"] == [None, crew.name]


def test_a_measure_in_the_calendar_makes_the_job_to_measure(branch, crew, dispatcher):
    visit = make_appointment(make_job(branch))

    appointments.place(appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "9:00"), by=dispatcher)

    visit.job.refresh_from_db()
    assert visit.job.stage == "to_measure"


def test_two_visits_at_one_time_clash_with_the_drive_counted(branch, crew, dispatcher):
    make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    visit = make_appointment(make_job(branch))

    with pytest.raises(Refused, match=r"is at J-\d+ until 10:00 am; with \d+ min of driving"):
        appointments.place(appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "9:30"), by=dispatcher)

    assert Appointment.objects.get(pk=visit.pk).state == Appointment.State.UNPLACED


@pytest.mark.parametrize(
    ("time", "words"),
    [
        ("7:00", "Outside the crew's hours"),
        ("16:45", "after the crew's hours; there is 30 min of overtime"),  # would end 17:45
    ],
)
def test_a_visit_outside_the_hours_is_refused(branch, crew, dispatcher, time, words):
    visit = make_appointment(make_job(branch))

    with pytest.raises(Refused, match=words):
        appointments.place(appointment=visit, crew=crew, starts_at=at(branch, MONDAY, time), by=dispatcher)


def test_a_visit_in_an_absence_is_refused_whatever_the_dispatcher_says(branch, crew, dispatcher):
    Absence.objects.create(crew=crew, starts_at=at(branch, MONDAY, "0:00"), ends_at=at(branch, MONDAY, "23:00"))
    visit = make_appointment(make_job(branch))

    with pytest.raises(Refused, match="away"):
        appointments.place(
            appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "9:00"), by=dispatcher, anyway=True
        )


def test_a_missing_skill_needs_a_yes(branch, crew, dispatcher):
    visit = make_appointment(make_job(branch))
    visit.skills.add(Skill.objects.create(branch=branch, key="tall", name="tall ladder"))
    start = at(branch, MONDAY, "9:00")

    with pytest.raises(Refused, match="lacks: tall ladder") as refusal:
        appointments.place(appointment=visit, crew=crew, starts_at=start, by=dispatcher)
    appointments.place(appointment=visit, crew=crew, starts_at=start, by=dispatcher, anyway=True)

    assert refusal.value.field == "anyway"
    assert "tall ladder" in AuditEntry.objects.get(action="placed").note


def test_too_few_people_and_the_customers_own_times_are_said(branch, crew):
    visit = make_appointment(make_job(branch), people=2)
    ImpossibleTime.objects.create(
        job=visit.job, starts_at=at(branch, MONDAY, "9:00"), ends_at=at(branch, MONDAY, "12:00")
    )

    effect = effect_of(visit, crew=crew, starts_at=at(branch, MONDAY, "11:30"))

    assert {clash.code for clash in effect.clashes} == {"people", "customer"}


def test_an_install_waits_for_the_parts_and_a_working_day(branch, crew, dispatcher, monkeypatch):
    friday = MONDAY + dt.timedelta(days=4)
    monkeypatch.setattr(ports, "ready_sources", [lambda jobs: {job.pk: friday for job in jobs}])
    visit = make_appointment(make_job(branch), purpose=Purpose.INSTALL)
    friday, next_monday = MONDAY + dt.timedelta(days=4), MONDAY + dt.timedelta(days=7)

    with pytest.raises(Refused, match=r"made on Fri .* and 1 working day to check, pack and load"):
        appointments.place(
            appointment=visit, crew=crew, starts_at=at(branch, friday, "9:00"), by=dispatcher, anyway=True
        )
    appointments.place(appointment=visit, crew=crew, starts_at=at(branch, next_monday, "9:00"), by=dispatcher)

    assert visit.day == next_monday


# -- moving ------------------------------------------------------------------------------


def test_a_move_shows_its_price_and_the_promise_it_breaks(branch, crew, dispatcher):
    later = make_appointment(
        make_job(branch),
        crew=crew,
        day=MONDAY,
        time="10:00",
        state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "10:00"),
        promised_until=at(branch, MONDAY, "10:15"),
    )
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="14:00")

    effect = effect_of(visit, crew=crew, starts_at=at(branch, MONDAY, "9:30"))

    assert [push.appointment for push in effect.pushed] == [later]
    assert len(effect.broken) == 1
    assert later.job.number in effect.broken[0]
    with pytest.raises(Refused, match="break a promise"):
        appointments.move(appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "9:30"), by=dispatcher)


def test_a_move_to_another_crew_costs_what_the_two_days_cost_more(branch, crew, dispatcher):
    other = make_crew(branch)
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    same_place = make_appointment(make_job(branch, site=visit.job.site), crew=other, day=MONDAY, time="11:00")

    effect = effect_of(visit, crew=other, starts_at=at(branch, MONDAY, "10:00"))

    assert same_place.pk
    assert effect.drive_min < 0  # one crew stays at home
    assert effect.price < 0


def test_undo_puts_a_move_back_with_what_it_pushed(branch, crew, dispatcher):
    other = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="10:00")
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="14:00")

    appointments.move(appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "9:30"), by=dispatcher)
    other.refresh_from_db()
    pushed_to = other.starts_at
    appointments.undo_move(appointment=visit, by=dispatcher)

    other.refresh_from_db()
    assert pushed_to > at(branch, MONDAY, "10:00")
    assert other.starts_at == at(branch, MONDAY, "10:00")
    assert visit.starts_at == at(branch, MONDAY, "14:00")


def test_a_page_drawn_before_somebody_elses_move_is_refused(branch, crew, dispatcher):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    appointments.move(appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "10:00"), by=dispatcher, version=0)

    with pytest.raises(Refused, match="meanwhile"):
        appointments.move(appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "11:00"), by=dispatcher, version=0)


def test_a_locked_visit_does_not_give_way(branch, crew, dispatcher):
    make_appointment(make_job(branch), crew=crew, day=MONDAY, time="10:00", is_locked=True)
    visit = make_appointment(make_job(branch))

    with pytest.raises(Refused, match="is fixed at 10:00 am"):
        appointments.place(
            appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "9:30"), by=dispatcher, anyway=True
        )


@pytest.mark.parametrize("move", ["place", "move", "unplace"])
def test_a_lock_holds_until_somebody_unlocks_it(branch, crew, dispatcher, move):
    """No yes to the rest opens it: unlocking is an action of its own, with its own line in the history."""
    row = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    appointments.lock(appointment=row, by=dispatcher)
    where = {} if move == "unplace" else {"crew": crew, "starts_at": at(branch, MONDAY, "11:00")}

    with pytest.raises(Refused, match="locked to its crew and time"):
        getattr(appointments, move)(appointment=row, by=dispatcher, anyway=True, **where)
    appointments.lock(appointment=row, by=dispatcher, locked=False)
    getattr(appointments, move)(appointment=row, by=dispatcher, anyway=True, **where)

    assert (
        AuditEntry.objects.filter(action="locked").count() == AuditEntry.objects.filter(action="unlocked").count() == 1
    )


def test_swapping_crews_trades_everything_but_the_locked(branch, crew, dispatcher):
    other = make_crew(branch)
    one = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    fixed = make_appointment(make_job(branch), crew=other, day=MONDAY, time="15:00", is_locked=True)
    two = make_appointment(make_job(branch), crew=other, day=MONDAY, time="11:00")

    appointments.swap_crews(one=crew, other=other, day=MONDAY, by=dispatcher)

    assert [Appointment.objects.get(pk=row.pk).crew for row in (one, fixed, two)] == [other, other, crew]


def test_crews_do_not_trade_into_a_late_locked_visit_without_a_yes(branch, crew, dispatcher):
    """Ten visits changed crews, and nobody said that what stayed locked could not be reached in time."""
    other = make_crew(branch)
    make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00", duration_min=120)
    fixed = make_appointment(make_job(branch), crew=other, day=MONDAY, time="10:30", is_locked=True)

    with pytest.raises(Refused, match=f"after the trade .* would reach {fixed.job.number}"):
        appointments.swap_crews(one=crew, other=other, day=MONDAY, by=dispatcher)

    assert not Appointment.objects.filter(crew=other, duration_min=120).exists()
    assert len(appointments.swap_crews(one=crew, other=other, day=MONDAY, by=dispatcher, anyway=True)) == 1


def test_longer_minutes_say_whom_the_crew_reaches_late(branch, crew, dispatcher, as_user):
    """A drag says it; typing the minutes said "The visit is changed", and no more."""
    row = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    fixed = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="10:30", is_locked=True)
    data = {"duration_min": "120", "people": "1", "priority": "1"}

    page = as_user(dispatcher).post(f"/visits/{row.pk}/edit/", data, follow=True).content.decode()

    assert "The visit is changed." in page
    assert re.search(rf"would reach {fixed.job.number} \d+ min late", page)


def test_a_visit_split_in_two_keeps_its_minutes(branch, crew, dispatcher):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00", duration_min=200)

    second = appointments.split_appointment(appointment=visit, first_min=120, by=dispatcher)

    assert (visit.duration_min, second.duration_min) == (120, 80)
    assert second.with_crew_of == visit


# -- reserving and promising ------------------------------------------------------------------


def window(branch, begin, end, day=MONDAY):
    return at(branch, day, begin), at(branch, day, end)


def test_a_held_window_is_promised_and_grows_the_calendar_sequence(branch, crew, dispatcher):
    visit = make_appointment(make_job(branch))

    appointments.reserve_window(
        appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "9:00"),
        window=window(branch, "8:00", "10:00"), by=dispatcher,
    )  # fmt: skip
    reserved = visit.state, visit.sequence
    appointments.promise(appointment=visit, by=dispatcher)

    assert reserved[0] == Appointment.State.RESERVED
    assert visit.state == Appointment.State.PROMISED
    assert visit.sequence == reserved[1] + 1


def test_the_second_of_two_holds_of_one_slot_is_refused(branch, crew, dispatcher):
    first, second = make_appointment(make_job(branch)), make_appointment(make_job(branch))
    slot = {"crew": crew, "starts_at": at(branch, MONDAY, "9:00"), "window": window(branch, "8:00", "10:00")}

    appointments.reserve_window(appointment=first, by=dispatcher, **slot)
    with pytest.raises(Refused, match="until 10:00 am"):
        appointments.reserve_window(appointment=second, by=dispatcher, **slot)


def test_a_hold_that_ran_out_frees_its_place(branch, crew, dispatcher):
    first, second = make_appointment(make_job(branch)), make_appointment(make_job(branch))
    slot = {"crew": crew, "starts_at": at(branch, MONDAY, "9:00"), "window": window(branch, "8:00", "10:00")}
    appointments.reserve_window(appointment=first, by=dispatcher, **slot)
    Appointment.objects.filter(pk=first.pk).update(reserved_until=dt.datetime(2020, 1, 1, tzinfo=dt.UTC))

    appointments.reserve_window(appointment=second, by=dispatcher, **slot)
    let_go = appointments.let_go_lapsed(branch=branch)

    assert let_go == 1
    assert Appointment.objects.get(pk=first.pk).state == Appointment.State.UNPLACED
    with pytest.raises(Refused):
        appointments.promise(appointment=first, by=dispatcher)


def test_a_hold_that_ran_out_is_given_back_though_nobody_opens_the_calendar(branch, crew, dispatcher, as_user):
    visit = make_appointment(make_job(branch))
    slot = {"crew": crew, "starts_at": at(branch, MONDAY, "9:00"), "window": window(branch, "8:00", "10:00")}
    appointments.reserve_window(appointment=visit, by=dispatcher, **slot)
    Appointment.objects.filter(pk=visit.pk).update(reserved_until=dt.datetime(2020, 1, 1, tzinfo=dt.UTC))

    assert let_go_lapsed.name in {row["task"] for row in settings.CELERY_BEAT_SCHEDULE.values()}
    assert let_go_lapsed() == 1

    answer = as_user(dispatcher).get(reverse("api:appointment-detail", args=[visit.pk])).json()
    assert (answer["state"], answer["crew"], answer["promised_from"]) == ("unplaced", None, None)


def test_a_window_in_the_past_or_backwards_is_refused(branch, crew, dispatcher):
    visit = make_appointment(make_job(branch))
    past = dt.date(2024, 3, 4)

    with pytest.raises(Refused, match="in the past"):
        appointments.reserve_window(
            appointment=visit, crew=crew, starts_at=at(branch, past, "9:00"),
            window=window(branch, "8:00", "10:00", past), by=dispatcher,
        )  # fmt: skip
    with pytest.raises(Refused, match="ends before it begins"):
        appointments.reserve_window(
            appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "9:00"),
            window=window(branch, "10:00", "8:00"), by=dispatcher,
        )  # fmt: skip


# -- the day itself ----------------------------------------------------------------------------


def test_a_late_crew_pushes_what_is_expected_after_it(branch, crew, measurer, calendar_alone):
    first = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    second = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="10:30")

    appointments.mark_arrived(appointment=first, by=measurer, at=at(branch, MONDAY, "9:00"))
    appointments.mark_done(appointment=first, by=measurer, at=at(branch, MONDAY, "11:00"))

    second.refresh_from_db()
    assert read_day(crew, MONDAY).expected(at(branch, MONDAY, "11:00"))[second.pk] > at(branch, MONDAY, "11:00")
    assert second.starts_at == at(branch, MONDAY, "10:30")


def test_a_tap_is_taken_back_step_by_step_until_something_is_recorded(branch, crew, measurer, calendar_alone):
    visit = make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="9:00", state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "8:00"), promised_until=at(branch, MONDAY, "10:00"),
    )  # fmt: skip
    appointments.mark_on_the_way(appointment=visit, by=measurer, at=at(branch, MONDAY, "8:30"))
    appointments.mark_arrived(appointment=visit, by=measurer, at=at(branch, MONDAY, "9:00"))

    with pytest.raises(Refused, match="until 10:00 am"):  # for an hour, then the office does it
        appointments.undo_tap(appointment=visit, by=measurer, at=at(branch, MONDAY, "10:01"))
    appointments.undo_tap(appointment=visit, by=measurer, at=at(branch, MONDAY, "9:59"))
    assert (visit.state, visit.arrived_at) == ("on_the_way", None)
    appointments.undo_tap(appointment=visit, by=measurer, at=at(branch, MONDAY, "9:10"))
    assert (visit.state, visit.on_the_way_at) == ("promised", None)
    with pytest.raises(Refused, match="no tap to take back"):
        appointments.undo_tap(appointment=visit, by=measurer)

    open_visit(appointment=visit, by=measurer, at=at(branch, MONDAY, "9:00"))
    visit.refresh_from_db()
    with pytest.raises(Refused, match="recorded at this visit"):
        appointments.undo_tap(appointment=visit, by=measurer)


def test_a_second_tap_changes_nothing(branch, crew, measurer, calendar_alone):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")

    appointments.mark_done(appointment=visit, by=measurer, at=at(branch, MONDAY, "10:00"))
    appointments.mark_done(appointment=visit, by=measurer, at=at(branch, MONDAY, "12:00"))

    assert visit.done_at == at(branch, MONDAY, "10:00")
    assert AuditEntry.objects.filter(action="was done").count() == 1


def test_a_cancelled_visit_stays_in_the_books(branch, crew, dispatcher):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")

    appointments.cancel_appointment(appointment=visit, by=dispatcher, reason="moved away")

    visit.refresh_from_db()
    assert visit.state == Appointment.State.CANCELLED
    assert visit.sequence == 1
    assert visit.job.stage == "booking"


def test_an_absence_names_the_visits_it_hits(branch, crew, dispatcher):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")

    _, hit = crews.add_absence(
        crew=crew, starts_at=at(branch, MONDAY, "8:00"), ends_at=at(branch, MONDAY, "12:00"), by=dispatcher
    )

    assert hit == [visit]


def test_a_crew_of_another_branch_keeps_its_own_clock(dispatcher):
    west = make_branch(zone="America/Los_Angeles")
    crew = make_crew(west, make_user("installer", branch=west))

    assert crew_day(crew, dt.date(2027, 1, 11)).shifts[0][0].hour == 16  # 8:00 Pacific is 16:00 UTC


def test_logged_visits_and_drives_teach_a_factor_drawn_towards_one(branch, crew):
    from jobs.schedule.learning import drive_factor, visit_factors

    for n in range(10):
        day = MONDAY - dt.timedelta(days=14 + n)
        arrived = at(branch, day, "9:00")
        make_appointment(
            make_job(branch), crew=crew, day=day, time="9:00", state=Appointment.State.DONE,
            on_the_way_at=arrived - dt.timedelta(minutes=20), arrived_at=arrived,
            done_at=arrived + dt.timedelta(minutes=90),
        )  # fmt: skip

    (measure,) = visit_factors(branch)
    drives = drive_factor(branch)

    assert measure.count == drives.count == 10
    assert 1.2 < measure.factor < 1.25  # ten visits of 90 for 60 minutes, drawn half-way to 1 in the logarithm
    assert drives.factor > 1


def test_no_file_tells_the_door_code(branch):
    site = make_site(make_job(branch).customer, access="code", access_secret="9917 at the gate")
    row = make_appointment(make_job(branch, site=site), crew=make_crew(branch), day=MONDAY, time="9:00")
    feed = feeds.open_feed(branch=branch, crew=row.crew, by=make_user("dispatcher", branch=branch))

    assert b"9917" not in visit_file(row) + feed_file(feed)
