"""Plans of some days: the run, the proposal, yes and no."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal

import pytest

from jobs.models import Appointment, CalendarRules, Proposal, Wish
from jobs.rules.routing import Reason, plan_of, solve, verify
from jobs.rules.stabilise import calmed
from jobs.schedule.doubts import doubtful
from jobs.schedule.effects import COST_UNIT, effect_of
from jobs.schedule.plan import driver_id, read_problem
from jobs.schedule.reasons import plain_why
from jobs.schedule.reliable import more_reliable
from jobs.services import accepting, appointments, planning
from jobs.services import crews as crew_services
from shared.errors import Refused
from shared.models import Run
from tests.factories import a_monday, at, make_appointment, make_crew, make_job, make_site
from tests.jobs.routing.branches import solve_until

pytestmark = pytest.mark.django_db
MONDAY = a_monday()
LONG = 60
"""Seconds that no test waits for: a plan of a few visits ends when nothing better is found."""


@pytest.fixture
def crew(branch):
    return make_crew(branch)


def planned(branch, dispatcher, do_runs, **how):
    """The proposal of one day's plan, made by a real solver process."""
    how = {"from_on": MONDAY, "until_on": MONDAY, "seconds": LONG, **how}
    planning.ask_for_plan(branch=branch, by=dispatcher, **how)
    states = do_runs()
    run = Run.objects.get(kind="jobs.plan_routes")
    assert states == ["done"], run.error
    return Proposal.objects.get(pk=run.result["proposal"])


def proposed(branch, dispatcher, crew, visits):
    """A proposal as a plan leaves one: these unplaced visits one after another on Monday."""
    proposal = Proposal.objects.create(branch=branch, from_on=MONDAY, until_on=MONDAY, created_by=dispatcher)
    for hour, visit in enumerate(visits, start=9):
        starts_at = at(branch, MONDAY, f"{hour}:30")
        proposal.moves.create(appointment=visit, version=visit.version, crew=crew, day=MONDAY, starts_at=starts_at)
    return proposal


def test_a_plan_places_what_is_unplaced_and_moves_nothing_by_itself(branch, dispatcher, crew, do_runs, as_user):
    visits = [make_appointment(make_job(branch)) for _ in range(3)]
    nowhere = make_site(make_job(branch).customer, latitude=None, longitude=None)
    lost = make_appointment(make_job(branch, site=nowhere))

    proposal = planned(branch, dispatcher, do_runs)

    assert proposal.moves.exclude(crew=None).count() == 3
    assert proposal.moves.get(appointment=lost).why == "the site has no coordinates"
    assert Appointment.objects.unplaced().count() == 4
    assert proposal.summary["after"]["unplaced"] == 0
    assert 0 < proposal.summary["bound"] <= proposal.summary["after"]["cost"]
    page = as_user(dispatcher).get(proposal.get_absolute_url()).content.decode()
    assert f"can cost less than {proposal.summary['bound']:,.2f}: this one is at most" in page
    taken = accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)
    assert len(taken.moves) == 3
    for visit in visits:
        visit.refresh_from_db()
        assert (visit.state, visit.crew, visit.day) == (Appointment.State.PLANNED, crew, MONDAY)
        assert visit.job.stage == "to_measure"


@pytest.mark.parametrize("keep", [True, False])
def test_only_spreading_an_absence_holds_what_stands_to_its_hour(branch, crew, keep):
    """A plan of the day may move a visit that nobody was told of; spreading leaves it an hour at most."""
    noon = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="12:00")
    asked = {"crews": [], "with_unplaced": True, "keep": keep, "careful": False}

    calendar, _ = planning._read(branch, [MONDAY], asked)

    (stop,) = calendar.problem.stops
    start = calendar.seconds(noon.starts_at)
    assert stop.windows == (((start, start + 3600),) if keep else ())


def test_a_plan_keeps_promises_locks_and_ready_dates(branch, dispatcher, crew, do_runs, monkeypatch):
    from jobs.ports import ports

    ready = MONDAY + dt.timedelta(days=2)
    monkeypatch.setattr(ports, "ready_sources", [lambda jobs: {job.pk: ready for job in jobs}])
    promised = make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="10:00", state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "9:30"), promised_until=at(branch, MONDAY, "10:30"),
    )  # fmt: skip
    locked = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="14:00", is_locked=True)
    install = make_appointment(make_job(branch), purpose="install")

    proposal = planned(branch, dispatcher, do_runs, until_on=MONDAY + dt.timedelta(days=4))

    by_visit = {move.appointment_id: move for move in proposal.moves.all()}
    assert locked.pk not in by_visit
    if promised.pk in by_visit:
        assert promised.promised_from <= by_visit[promised.pk].starts_at <= promised.promised_until
    assert by_visit[install.pk].day >= ready + dt.timedelta(days=1)


def test_some_of_a_proposal_can_be_taken_and_the_rest_declined(branch, dispatcher, crew):
    proposal = proposed(branch, dispatcher, crew, [make_appointment(make_job(branch)) for _ in range(3)])
    first, *rest = proposal.moves.order_by("starts_at")

    accepting.accept_moves(proposal=proposal, moves=[first], by=dispatcher)
    declined = accepting.decline_moves(proposal=proposal, moves=rest, by=dispatcher)

    assert declined == 2
    assert Appointment.objects.unplaced().count() == 2


def test_what_was_moved_since_is_passed_over_and_says_so(branch, dispatcher, crew):
    visits = [make_appointment(make_job(branch)) for _ in range(2)]
    proposal = proposed(branch, dispatcher, crew, visits)
    friday = MONDAY + dt.timedelta(days=4)
    appointments.place(appointment=visits[0], crew=crew, starts_at=at(branch, friday, "9:00"), by=dispatcher)

    accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)

    states = dict(proposal.moves.values_list("appointment", "state"))
    assert states == {visits[0].pk: "passed", visits[1].pk: "accepted"}
    assert Appointment.objects.get(pk=visits[0].pk).day == friday


def test_what_is_locked_is_passed_over_by_a_plan(branch, dispatcher, crew):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00", is_locked=True)
    proposal = Proposal.objects.create(branch=branch, from_on=MONDAY, until_on=MONDAY, created_by=dispatcher)
    move = proposal.moves.create(
        appointment=visit, version=visit.version, crew=crew, day=MONDAY, starts_at=at(branch, MONDAY, "13:00")
    )

    accepting.accept_moves(proposal=proposal, moves=[move], by=dispatcher)

    move.refresh_from_db()
    visit.refresh_from_db()
    assert (move.state, visit.starts_at) == ("passed", at(branch, MONDAY, "9:00"))
    assert "unlock" in move.state_note


def a_proposal(branch, by, *moves):
    """A proposal of these moves, each (visit, crew, time of Monday)."""
    found = Proposal.objects.create(branch=branch, from_on=MONDAY, until_on=MONDAY, created_by=by)
    for visit, crew, time in moves:
        found.moves.create(
            appointment=visit, version=visit.version, crew=crew, day=MONDAY, starts_at=at(branch, MONDAY, time)
        )
    return found


def test_what_is_accepted_lands_where_it_was_drawn_or_not_at_all(branch, dispatcher, crew):
    """One landed half an hour off its proposal: an hour from 9:00, and the drive, stand before it."""
    make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    visit = make_appointment(make_job(branch))
    proposal = a_proposal(branch, dispatcher, (visit, crew, "9:30"))

    with pytest.raises(Refused, match=r"\d+ min later than drawn"):
        accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)

    visit.refresh_from_db()
    assert visit.state == "unplaced"


def test_a_promise_made_less_sure_by_an_acceptance_asks_for_a_second_yes(branch, dispatcher, crew, as_user):
    """Four of 29 were accepted, and a fifth customer's promise was spoiled without a word."""
    kept = make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="10:00", state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "9:30"), promised_until=at(branch, MONDAY, "10:15"),
    )  # fmt: skip
    visit = make_appointment(make_job(branch), duration_min=60)
    proposal = a_proposal(branch, dispatcher, (visit, crew, "9:00"))
    page = as_user(dispatcher)

    asked = page.post(f"/calendar/plan/{proposal.pk}/answer/", {"which": "all"})
    visit.refresh_from_db()
    still = visit.state
    answer = page.post(
        f"/calendar/plan/{proposal.pk}/answer/",
        {"which": "some", "move": [proposal.moves.get().pk], "anyway": "1"}, follow=True,
    )  # fmt: skip

    assert (asked.status_code, still) == (422, "unplaced")
    assert f"{kept.job.number} {kept.job.customer.name}: 9" in asked.content.decode()
    assert "Accept anyway" in asked.content.decode()
    text = answer.content.decode()
    assert "1 visit stands where the plan puts it" in text
    assert f"less sure now: {kept.job.number}" in text
    assert visit.job.customer.phone in text


def test_an_acceptance_costs_what_the_board_says_of_the_same_move(branch, dispatcher, crew):
    """It left out what moving a promised visit to another crew costs: 351.90 saved where the plan said 291.90."""
    other = make_crew(branch)
    visit = make_appointment(
        make_job(branch), crew=other, day=MONDAY, time="10:00", state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "9:30"), promised_until=at(branch, MONDAY, "11:30"),
    )  # fmt: skip
    board = effect_of(visit, crew=crew, starts_at=at(branch, MONDAY, "10:00")).price
    proposal = a_proposal(branch, dispatcher, (visit, crew, "10:00"))

    taken = accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)

    assert taken.price == board == Decimal("15.00")


def test_an_acceptance_is_taken_back_as_one_with_whom_it_pushed(branch, dispatcher, crew):
    """Three visits move, a fourth gives way, and one press brings all four back."""
    other = make_crew(branch)
    stood = make_appointment(make_job(branch), crew=other, day=MONDAY, time="9:00")
    new = [make_appointment(make_job(branch)) for _ in range(2)]
    pushed = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="11:30")
    proposal = a_proposal(branch, dispatcher, (stood, crew, "8:30"), (new[0], crew, "9:45"), (new[1], crew, "11:00"))
    where = Appointment.objects.order_by("pk").values_list("pk", "state", "crew", "day", "starts_at")
    before = list(where)

    taken = accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)
    pushed.refresh_from_db()
    count = accepting.undo_acceptance(proposal=proposal, by=dispatcher)

    assert (len(taken.moves), count) == (3, 3)
    assert pushed.starts_at > at(branch, MONDAY, "11:30")
    assert list(where) == before
    assert set(proposal.moves.values_list("state", flat=True)) == {"open"}
    again = accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)
    assert len(again.moves) == 3


def test_a_day_or_a_crew_of_a_proposal_is_taken_alone_as_drawn(branch, dispatcher, as_user):
    """It was all of it, or ticks one by one."""
    one, two = make_crew(branch, name="A first"), make_crew(branch, name="B second")
    tuesday = MONDAY + dt.timedelta(days=1)
    visits = [make_appointment(make_job(branch)) for _ in range(4)]
    drawn = [(one, MONDAY, "9:00"), (two, MONDAY, "9:00"), (one, tuesday, "9:00"), (two, tuesday, "13:00")]
    proposal = Proposal.objects.create(branch=branch, from_on=MONDAY, until_on=tuesday, created_by=dispatcher)
    for visit, (crew, day, time) in zip(visits, drawn, strict=True):
        proposal.moves.create(appointment=visit, version=0, crew=crew, day=day, starts_at=at(branch, day, time))
    office, page, answer = as_user(dispatcher), proposal.get_absolute_url(), f"/calendar/plan/{proposal.pk}/answer/"

    def taken():
        rows = Appointment.objects.filter(pk__in=[visit.pk for visit in visits]).order_by("pk")
        return [position for position, row in enumerate(rows) if row.state == "planned"]

    shown = [which for which, _, count in office.get(page).context["parts"] if count == 2]
    office.post(answer, {"which": f"day-{MONDAY}"})
    monday = taken()
    office.post(answer, {"which": f"crew-{two.pk}"})
    more = taken()
    rows = [Appointment.objects.get(pk=visits[position].pk) for position in more]
    to_call = [move.appointment_id for _, moves in office.get(page).context["to_call"] for move in moves]
    office.post(f"/calendar/plan/{proposal.pk}/undo/")

    assert shown == [f"day-{MONDAY}", f"day-{tuesday}", f"crew-{one.pk}", f"crew-{two.pk}"]
    assert (monday, more) == ([0, 1], [0, 1, 3])
    assert [(row.crew, row.day, row.starts_at) for row in rows] == [
        (crew, day, at(branch, day, time)) for crew, day, time in (drawn[position] for position in more)
    ]
    assert sorted(to_call) == [visits[position].pk for position in more]
    assert taken() == [0, 1]  # the last yes alone is taken back


def test_an_acceptance_is_not_taken_back_over_what_happened_since(branch, dispatcher, crew):
    visits = [make_appointment(make_job(branch)) for _ in range(2)]
    proposal = a_proposal(branch, dispatcher, (visits[0], crew, "9:00"), (visits[1], crew, "11:00"))
    accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)
    visits[0].refresh_from_db()
    appointments.lock(appointment=visits[0], by=dispatcher)

    with pytest.raises(Refused, match=f"something happened to {visits[0].job.number} since"):
        accepting.undo_acceptance(proposal=proposal, by=dispatcher)

    assert Appointment.objects.get(pk=visits[1].pk).starts_at == at(branch, MONDAY, "11:00")


def test_part_of_a_swap_that_cannot_be_driven_alone_is_refused_whole(branch, dispatcher, crew):
    """A proposal that trades two slots: half of it would put two visits into one."""
    one = make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="9:00", is_locked=False, state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "8:30"), promised_until=at(branch, MONDAY, "9:15"),
    )  # fmt: skip
    two = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="13:00")
    proposal = Proposal.objects.create(branch=branch, from_on=MONDAY, until_on=MONDAY, created_by=dispatcher)
    half = proposal.moves.create(
        appointment=two, version=two.version, crew=crew, day=MONDAY, starts_at=at(branch, MONDAY, "8:30")
    )

    with pytest.raises(Refused, match="taken alone it can't be driven"):
        accepting.accept_moves(proposal=proposal, moves=[half], by=dispatcher)

    two.refresh_from_db()
    half.refresh_from_db()
    assert (two.starts_at, half.state) == (at(branch, MONDAY, "13:00"), "open")
    assert one.pk


def test_a_crew_that_drops_out_is_spread_and_the_others_stay(branch, dispatcher, do_runs, as_user):
    gone, *others = (make_crew(branch) for _ in range(3))
    lost = [make_appointment(make_job(branch), crew=gone, day=MONDAY, time=time) for time in ("9:00", "11:00")]
    kept = [
        make_appointment(make_job(branch), crew=crew, day=MONDAY, time=time)
        for crew in others
        for time in ("8:30", "10:00", "13:00")
    ]
    where = {visit.pk: visit.crew_id for visit in kept}

    absence, hit = crew_services.add_absence(
        crew=gone, starts_at=at(branch, MONDAY, "0:00"), ends_at=at(branch, MONDAY, "23:59"), by=dispatcher
    )
    planning.spread_absence(absence=absence, by=dispatcher, seconds=LONG)
    assert do_runs() == ["done"]
    proposal = Proposal.objects.get()
    moved = {move.appointment_id: move for move in proposal.moves.all()}

    assert hit == lost
    assert set(moved) == {visit.pk for visit in lost}  # whoever keeps a crew keeps the time as well
    assert proposal.summary["kept"] >= 0.95
    assert all(moved[visit.pk].crew in others for visit in lost)
    assert sum(moved[visit.pk].price for visit in lost) > 0
    page = as_user(dispatcher).get(proposal.get_absolute_url()).content.decode()
    assert "100%" in page
    assert all(str(moved[visit.pk].price) in page for visit in lost)
    accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)
    assert {visit.pk: Appointment.objects.get(pk=visit.pk).crew_id for visit in kept} == where
    assert all(Appointment.objects.get(pk=visit.pk).crew in others for visit in lost)


def test_a_proposal_is_drawn_on_the_board_with_chances_and_one_line(branch, dispatcher, as_user):
    """It was a table of 29 rows: nobody saw where on the day anything went."""
    stands, comes = make_crew(branch), make_crew(branch)
    promise = {"promised_from": at(branch, MONDAY, "9:00"), "promised_until": at(branch, MONDAY, "12:00")}
    moved = make_appointment(make_job(branch), crew=stands, day=MONDAY, time="11:30", state="promised", **promise)
    new = make_appointment(make_job(branch), purpose="install")
    proposal = proposed(branch, dispatcher, comes, [moved, new])
    proposal.moves.filter(appointment=new).update(starts_at=at(branch, MONDAY, "13:30"))
    figures = {"paid_min": 60, "cost": 9.0, "unplaced": 0}
    proposal.summary = {
        "before": {"stops": 1, "drive_min": 15, **figures}, "after": {"stops": 2, "drive_min": 20, **figures},
    }  # fmt: skip
    proposal.save()
    office = as_user(dispatcher)

    seen = office.get(proposal.get_absolute_url())
    board = str(seen.context["board"])
    lanes = dict(zip((stands.pk, comes.pk), board.split('<g class="lane"')[1:], strict=True))

    assert seen.context["headline"] == "1 more visit, 15 → 10 min of driving a stop, no promise broken"
    assert lanes[comes.pk].count('class="proposed') == 2
    assert 'class="proposed installs"' in lanes[comes.pk]
    assert 'leaving"' in lanes[stands.pk]
    assert re.search(rf"Proposed: {moved.job.number}, [^\"]*, 9\d% on time", board)
    late = proposed(branch, dispatcher, comes, [moved])
    late.moves.update(starts_at=at(branch, MONDAY, "12:30"))
    assert "1 promise broken" in office.get(late.get_absolute_url()).context["headline"]
    accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)
    after = str(office.get(proposal.get_absolute_url()).context["board"])
    assert 'class="proposed' not in after
    assert after.count('class="block') == 2


def test_a_plan_is_asked_to_keep_promises_unless_somebody_says_otherwise(branch, dispatcher, crew, as_user):
    """It looked at cost only: of 54 differences on the demo, 25 brought a promise under 90%."""
    assert as_user(dispatcher).get("/calendar/plan/").context["form"].initial["sure"]


def test_a_sure_plan_says_which_promise_it_cannot_make_sure(branch, dispatcher, crew, do_runs):
    """The second visit's window shuts right after the first one's mean end: no order can save it."""
    for begin, end, minutes in (("8:15", "8:40", 180), ("11:00", "11:45", 60)):
        make_appointment(
            make_job(branch), crew=crew, day=MONDAY, time=begin, state=Appointment.State.PROMISED, is_locked=False,
            duration_min=minutes, promised_from=at(branch, MONDAY, begin), promised_until=at(branch, MONDAY, end),
        )  # fmt: skip

    proposal = planned(branch, dispatcher, do_runs, sure=True, with_unplaced=False)

    (doubt,) = proposal.summary["doubts"]
    assert 0.3 < doubt["on_time"] < 0.95
    assert doubt["late_min"] > 0
    assert proposal.summary["after"]["unplaced"] == 0


def test_a_sure_plan_gives_a_doubtful_promise_to_a_crew_with_time(branch, dispatcher, crew, do_runs, as_user):
    """Next door to a long visit is cheapest, and late on many days; the other crew is free."""
    other = make_crew(branch)
    long = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="8:30", duration_min=180, is_locked=True)
    next_door = make_site(long.job.customer, longitude=long.job.site.longitude, latitude=long.job.site.latitude)
    doubtful = make_appointment(
        make_job(branch, site=next_door), crew=crew, day=MONDAY, time="11:30", duration_min=30,
        state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "11:15"), promised_until=at(branch, MONDAY, "11:40"),
    )  # fmt: skip

    _, usual = planned_here(branch, [crew, other], [MONDAY], [])
    sure = planned(branch, dispatcher, do_runs, with_unplaced=False, sure=True)

    assert usual.where()[doubtful.pk] == (driver_id(crew.pk, MONDAY), 0)
    assert sure.summary["doubts"] == []
    (move,) = sure.moves.exclude(crew=crew)
    assert move.chance_before < 80 < 95 <= move.chance_after
    page = as_user(dispatcher).get(sure.get_absolute_url()).content.decode()
    assert f"{move.chance_before}% → {move.chance_after}% on time" in page


def test_a_plan_of_a_running_day_begins_nothing_in_the_past(branch, crew):
    """A breakdown at 11: its visit was planned for 8:30 of the same morning."""
    eleven = at(branch, MONDAY, "11:00")
    lost = make_appointment(make_job(branch))
    over = make_appointment(
        make_job(branch), promised_from=at(branch, MONDAY, "8:00"), promised_until=at(branch, MONDAY, "10:00")
    )
    begun = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")

    calendar = read_problem(branch, [crew], [MONDAY], also=[lost, over], not_before=eleven)
    plan = solve(calendar.problem, 0.0)

    starts = {visit.id: calendar.when(visit.start) for route in plan.routes for visit in route.visits}
    assert starts.pop(begun.pk) == begun.starts_at
    assert set(starts) == {lost.pk, over.pk}
    assert min(starts.values()) >= eleven


WISHES = {
    "only after 4": ({"kind": "only", "starts": dt.time(16)}, lambda start: start.hour >= 16),
    "Tuesdays": ({"kind": "only", "weekday": 1}, lambda start: start.weekday() == 1),
    "not Tuesday mornings": (
        {"kind": "not", "weekday": 1, "ends": dt.time(12)}, lambda start: start.weekday() != 1 or start.hour >= 12,
    ),
}  # fmt: skip


@pytest.mark.parametrize("wish", WISHES)
def test_a_plan_meets_what_customers_asked_for_in_any_week(branch, dispatcher, crew, wish, as_user):
    """A plan put the one who can only after 4 at 9 in the morning: only windows with a date bound it."""
    values, is_met = WISHES[wish]
    days = [MONDAY + dt.timedelta(days=n) for n in range(2)]
    beside = make_appointment(make_job(branch), crew=crew, day=days[1], time="9:00", is_locked=True)
    next_door = make_site(beside.job.customer, longitude=beside.job.site.longitude, latitude=beside.job.site.latitude)
    crew.days.create(day=MONDAY, starts=dt.time(8), ends=dt.time(17, 30))
    visit = make_appointment(make_job(branch, site=next_door), duration_min=30)
    CalendarRules.objects.create(branch=branch, wait_price=0, overdue_price=0)  # so that a plan costs what it drives

    _, free = planned_here(branch, [crew], days, [visit])
    Wish.objects.create(job=visit.job, **values)
    calendar, plan = planned_here(branch, [crew], days, [visit])
    proposal = planning.keep_proposal(
        branch=branch, first=days[0], last=days[1], calendar=calendar, plan=plan, left_out=[], run=None,
        by=dispatcher, reason="", found={},
    )  # fmt: skip
    start = proposal.moves.get().starts_at.astimezone(branch.tz)
    (told,) = proposal.summary["wishes"] or [None]

    assert is_met(start)
    assert start + dt.timedelta(minutes=30) <= at(branch, start.date(), "17:30")
    assert (told is None) == (plan.cost == free.cost)
    if told is not None:
        assert told["wishes"] == str(visit.job.wishes.get())
        assert 0 < told["price"] <= (plan.cost - free.cost) / COST_UNIT  # plans by insertion alone are no better
        page = as_user(dispatcher).get(proposal.get_absolute_url()).content.decode()
        assert f"{told['wishes']}: costs us ${told['price']:,.2f} more" in page


def a_visit_a_day(branch, ages):
    """A crew with room for one visit a day, and visits at one house that wait for so many days."""
    crew = make_crew(branch, hours="8:00 12:00")
    site = make_site(make_job(branch).customer)
    since = [at(branch, MONDAY - dt.timedelta(days=age), "9:00") for age in ages]
    visits = [make_appointment(make_job(branch, site=site), duration_min=150, created_at=when) for when in since]
    return crew, visits


def test_a_plan_brings_what_has_waited_longest_first_on_the_first_days(branch):
    """It looked at cost only: the oldest stood last, after days on which nobody drove."""
    days = [MONDAY + dt.timedelta(days=n) for n in range(4)]
    crew, visits = a_visit_a_day(branch, [0, 9, 40])

    _, plan = planned_here(branch, [crew], days, visits)

    where = plan.where()
    assert [where[visit.pk][0] for visit in reversed(visits)] == [driver_id(crew.pk, day) for day in days[:3]]


def test_where_not_all_have_room_what_has_waited_longest_does(branch):
    crew, visits = a_visit_a_day(branch, [1, 30, 8])
    problem = read_problem(branch, [crew], [MONDAY], also=visits).problem

    plan = solve_until(lambda plan: visits[1].pk in plan.where(), problem)

    assert list(plan.where()) == [visits[1].pk]


def test_a_plan_keeps_due_days_and_says_what_comes_after_them(branch, dispatcher, as_user):
    days = [MONDAY + dt.timedelta(days=n) for n in range(3)]
    crew, visits = a_visit_a_day(branch, [20, 20, 3])
    for visit in visits:
        visit.purpose = "install"
        visit.save(update_fields=["purpose"])
    for visit, due in zip(visits[1:], (days[0], MONDAY - dt.timedelta(days=1)), strict=True):
        visit.job.wanted_by = due
        visit.job.save(update_fields=["wanted_by"])
    CalendarRules.objects.create(branch=branch, wait_price=1, overdue_price=50)

    calendar = read_problem(branch, [crew], days, also=visits)
    last = driver_id(crew.pk, days[-1])
    plan = solve_until(lambda plan: plan.where().get(visits[0].pk, [None])[0] == last, calendar.problem)
    proposal = planning.keep_proposal(
        branch=branch, first=days[0], last=days[-1], calendar=calendar, plan=plan, left_out=[], run=None,
        by=dispatcher, reason="", found={},
    )  # fmt: skip
    page = as_user(dispatcher).get(proposal.get_absolute_url()).content.decode()
    waiting = proposal.summary["waiting"]

    assert plan.where()[visits[0].pk] == (last, 0)  # nothing is due of it
    assert [one["late_days"] for one in waiting["visits"]][-1] == 0
    assert waiting["days"] == 43 + 3
    assert waiting["cost"] == pytest.approx((plan.cost - sum_of_days(calendar, plan)) / COST_UNIT, abs=0.02)
    assert "A day of waiting counts $1.00" in page
    assert "day late" in page or "days late" in page


def sum_of_days(calendar, plan):
    """What a plan costs in driving and paid time alone."""
    prices = calendar.problem.objective
    return sum(prices.drive * route.travel + prices.paid * (route.back - route.depart) for route in plan.routes)


def test_a_plan_that_is_to_be_reliable_sets_out_earlier_and_gives_visits_to_others(branch):
    """A crew that had nothing before it began at the last minute of the window, while another did five in a row."""
    crew, idle = make_crew(branch), make_crew(branch)
    site = make_site(make_job(branch).customer)
    visits = [
        make_appointment(
            make_job(branch, site=site), crew=crew, day=MONDAY, time=time, duration_min=55,
            state=Appointment.State.PROMISED, promised_from=at(branch, MONDAY, "10:00"),
            promised_until=at(branch, MONDAY, "12:00"),
        )
        for time in ("10:00", "11:00", "11:55")
    ]  # fmt: skip
    now = at(branch, MONDAY, "6:00")
    calendar = read_problem(branch, [crew, idle], [MONDAY])
    crowded = plan_of(calendar.problem, {calendar.problem.day_number[driver_id(crew.pk, MONDAY), 0]: [0, 1, 2]})

    plan = more_reliable(calendar, crowded, 0.95, now)
    no_dearer = more_reliable(calendar, crowded, 0.95, now, most=crowded.cost)

    assert len(doubtful(calendar, crowded, 0.95, now)) == 1
    assert doubtful(calendar, plan, 0.95, now) == []
    assert verify(calendar.problem, plan) == ()
    assert plan.where().keys() == {visit.pk for visit in visits}
    assert no_dearer.cost <= crowded.cost


def test_what_stands_against_a_wish_may_stay(branch, crew):
    """The dispatcher put it there after a second yes: a plan does not throw it out."""
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    Wish.objects.create(job=visit.job, kind="only", weekday=5)

    _, plan = planned_here(branch, [crew], [MONDAY], [visit])

    assert plan.where() == {visit.pk: (driver_id(crew.pk, MONDAY), 0)}


def test_nothing_to_plan_and_no_crew_are_said(branch, dispatcher, do_runs):
    planning.ask_for_plan(branch=branch, from_on=MONDAY, until_on=MONDAY, by=dispatcher)
    do_runs()
    assert "nothing is scheduled" in Run.objects.get().error

    with pytest.raises(Refused, match="end before they begin"):
        planning.ask_for_plan(branch=branch, from_on=MONDAY, until_on=MONDAY - dt.timedelta(days=1), by=dispatcher)


def test_the_same_plan_asked_twice_is_one_run(branch, dispatcher, crew):
    runs = [planning.ask_for_plan(branch=branch, from_on=MONDAY, until_on=MONDAY, by=dispatcher).pk for _ in range(2)]

    assert runs[0] == runs[1]


def test_the_second_part_of_a_split_visit_keeps_the_crew(branch, dispatcher, do_runs):
    first_crew, other = make_crew(branch), make_crew(branch)
    visit = make_appointment(make_job(branch), crew=first_crew, day=MONDAY, time="9:00", duration_min=300)
    second = appointments.split_appointment(appointment=visit, first_min=150, by=dispatcher)
    for time in ("8:00", "11:30", "13:00", "15:00"):  # the crew's own second day is fuller than the other's
        make_appointment(make_job(branch), crew=first_crew, day=MONDAY + dt.timedelta(days=1), time=time)

    proposal = planned(branch, dispatcher, do_runs, until_on=MONDAY + dt.timedelta(days=2))

    assert other.pk
    assert proposal.moves.get(appointment=second).crew == first_crew


def two_parts(branch, minutes=300, **second):
    """A visit in two unplaced parts, each most of a day."""
    first = make_appointment(make_job(branch), duration_min=minutes)
    return first, make_appointment(first.job, duration_min=minutes, with_crew_of=first, **second)


def planned_here(branch, crews, days, parts, still=False):
    """The calendar, and its plan by insertion alone."""
    calendar = read_problem(branch, crews, days, also=[part for part in parts if part.crew is None], still=still)
    return calendar, solve(calendar.problem, 0.0)


def test_two_unplaced_parts_of_a_visit_go_to_one_crew_on_two_days(branch, dispatcher):
    """Each crew alone would be cheaper for one of them: one works on Monday only, the other from Tuesday."""
    days = [MONDAY + dt.timedelta(days=n) for n in range(3)]
    soon, later = make_crew(branch), make_crew(branch)
    for crew, day in ((soon, days[1]), (soon, days[2]), (later, days[0])):
        crew.days.create(day=day, is_off=True)
    parts = first, second = two_parts(branch)

    calendar, plan = planned_here(branch, [soon, later], days, parts)
    proposal = planning.keep_proposal(
        branch=branch, first=days[0], last=days[2], calendar=calendar, plan=plan, left_out=[], run=None,
        by=dispatcher, reason="", found={},
    )  # fmt: skip

    moves = {move.appointment: (move.crew, move.day) for move in proposal.moves.all()}
    assert moves == {first: (later, days[1]), second: (later, days[2])}
    assert calendar.problem.stops[1].follows == first.pk


def test_the_first_part_stands_and_the_second_comes_to_its_crew_on_a_later_day(branch):
    first_crew, other = make_crew(branch), make_crew(branch)
    days = [MONDAY + dt.timedelta(days=n) for n in range(2)]
    first, second = two_parts(branch, minutes=60)
    appointments.place(appointment=first, crew=first_crew, starts_at=at(branch, MONDAY, "9:00"), by=first.created_by)
    first.refresh_from_db()

    _, plan = planned_here(branch, [first_crew, other], days, [first, second])
    _, alone = planned_here(branch, [first_crew, other], days[:1], [first, second])

    key = driver_id(first_crew.pk, days[0])
    assert plan.where() == {first.pk: (key, 0), second.pk: (driver_id(first_crew.pk, days[1]), 0)}
    assert alone.where() == {first.pk: (key, 0)}


@pytest.mark.parametrize(
    ("others_crew", "hour", "still", "follows"),
    [(False, "9:00", False, True), (False, "9:00", True, False), (True, "9:00", False, False)],
)
def test_parts_that_stand_are_planned_together_unless_they_are_to_stay(branch, others_crew, hour, still, follows):
    crews = [make_crew(branch), make_crew(branch)]
    days = [MONDAY, MONDAY + dt.timedelta(days=1)]
    first = make_appointment(make_job(branch), crew=crews[0], day=days[0], time=hour)
    crew = crews[others_crew]
    second = make_appointment(first.job, crew=crew, day=days[1], time=hour, with_crew_of=first)

    calendar, plan = planned_here(branch, crews, days, [first, second], still)

    assert [stop.follows for stop in calendar.problem.stops] == [None, first.pk if follows else None]
    assert plan.unplaced == ()
    if not others_crew:
        (one, _), (other, _) = (plan.where()[part.pk] for part in (first, second))
        assert one.partition("/")[0] == other.partition("/")[0]
        assert one < other


def test_the_page_says_on_which_days_the_parts_of_a_visit_are_planned(branch, dispatcher, as_user):
    placed = make_appointment(make_job(branch), crew=make_crew(branch), day=MONDAY, time="9:00")
    unplaced = make_appointment(make_job(branch))

    def page(visit):
        return as_user(dispatcher).get(visit.get_absolute_url()).content.decode()

    assert "on the same crew, from the next day on" in page(placed)
    assert "To have them on two days, give this visit a place first" in page(unplaced)


def test_parts_that_were_promised_keep_their_places(branch):
    """The second was promised for the morning of the first: what was told outranks the order."""
    crew = make_crew(branch)
    days = [MONDAY, MONDAY + dt.timedelta(days=1)]
    first = make_appointment(make_job(branch), crew=crew, day=days[1], time="9:00")
    second = make_appointment(
        first.job, crew=crew, day=days[0], time="9:00", with_crew_of=first, state=Appointment.State.PROMISED,
        promised_from=at(branch, days[0], "8:30"), promised_until=at(branch, days[0], "9:30"),
    )  # fmt: skip

    _, plan = planned_here(branch, [crew], days, [first, second])

    assert plan.where()[second.pk] == (driver_id(crew.pk, days[0]), 0)
    assert plan.unplaced == ()


def test_parts_that_no_crew_can_do_one_after_the_other_say_so(branch):
    crew = make_crew(branch)
    parts = first, second = two_parts(branch)

    calendar, plan = planned_here(branch, [crew], [MONDAY], parts)

    said = {entry.id: plain_why(calendar, entry.reason, {}) for entry in plan.unplaced}
    assert said == {
        first.pk: "no crew is free for it and for the next part",
        second.pk: "no crew is free for it after the part before it",
    }


def test_a_reason_names_crews_days_and_times_as_people_say_them(branch, dispatcher):
    van = make_crew(branch, name="Isko's crew", purposes=["install"])
    other = make_appointment(make_job(branch, number="J-77"), crew=van, day=MONDAY, time="9:00")
    calendar = read_problem(branch, [van], [MONDAY])
    day = f"{MONDAY:%a} {MONDAY.day} {MONDAY:%b}"
    next_day = f"Tue {(MONDAY + dt.timedelta(days=1)).day} {MONDAY + dt.timedelta(days=1):%b}"
    key, numbers = driver_id(van.pk, MONDAY), {other.pk: "J-77"}

    def said(kind, **values):
        return plain_why(calendar, Reason(kind, **values), numbers)

    late = Reason("late_next_window", crew=key, shift=0, stop=other.pk, late=720, window=(28_800, 36_000))
    assert said("full", nearest=late) == (
        f"every crew-day it fits is full; nearest: Isko's crew on {day} would reach J-77 12 min too late,"
        f" for its window {day} 8:00 am to 10:00 am"
    )
    assert said("late_back", crew=key, late=60) == f"Isko's crew on {day} would be back 1 min too late"
    assert said("late_back_window", crew=key, late=60, window=(28_800, None)).endswith(
        f"for its window from {day} 8:00 am on"
    )
    lacks = {"crew": key, "skills": ("for measure", "motors")}
    assert said("skills", **lacks) == f"Isko's crew on {day} cannot drive for measure and do motors"
    needs = f"crew {van.pk}", "for install"
    assert said("no_skills", skills=needs) == "no crew can be Isko's crew and drive for install"
    assert said("ready", ready=86_400) == f"it is ready at {next_day}, after its last window"


def test_heading_and_button_follow_what_was_accepted(branch, dispatcher, crew, as_user):
    """After one of two the heading said "2 more visits" and the button "Accept all 1"."""
    visits = [make_appointment(make_job(branch)) for _ in range(2)]
    proposal = proposed(branch, dispatcher, crew, visits)
    proposal.moves.filter(appointment=visits[1]).update(starts_at=at(branch, MONDAY, "13:30"))
    figures = {"paid_min": 60, "cost": 9.0, "unplaced": 0, "drive_min": 30}
    proposal.summary = {"before": {"stops": 0, **figures}, "after": {"stops": 2, **figures}}
    proposal.save()
    office, url = as_user(dispatcher), proposal.get_absolute_url()
    assert office.get(url).context["headline"].startswith("2 more visits")
    assert "$9.00" in office.get(url).content.decode()  # costs had no currency

    accepting.accept_moves(proposal=proposal, moves=proposal.moves.all()[:1], by=dispatcher)
    half = office.get(url)
    accepting.accept_moves(proposal=proposal, moves=proposal.moves.all(), by=dispatcher)
    whole = office.get(url)

    assert half.context["headline"].startswith("1 more visit,")
    assert "1 of 2 accepted" in half.content.decode()
    assert "Accept the other 1" in half.content.decode()
    assert (whole.context["answered"], whole.context["headline"]) == (
        "2 of 2 accepted",
        "Nothing of it is open any more",
    )


def test_a_plan_does_not_move_a_visit_by_some_minutes_for_nothing(branch, dispatcher, crew):
    """Moves of a minute or two were differences to say yes to, and to call customers about."""
    row = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:02")
    far = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="13:00")
    found = read_problem(branch, [crew], [MONDAY])
    plan = plan_of(found.problem, {0: [found.problem.stop_number[row.pk], found.problem.stop_number[far.pk]]})
    starts = {visit.id: visit.start for route in plan.routes for visit in route.visits}
    rows = {row.pk: starts[row.pk] + 3600, far.pk: starts[far.pk] + 120}

    calm = calmed(found.problem, plan, rows)

    assert {visit.id: visit.start for route in calm.routes for visit in route.visits} == {
        row.pk: starts[row.pk], far.pk: starts[far.pk] + 120,
    }  # fmt: skip
