"""Windows offered on the phone."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from jobs.models import Appointment, Customer, Job, PossibleWindow, Site, Skill, WorkingHours
from jobs.schedule.chances import day_chances, hundredths
from jobs.schedule.day import read_day
from jobs.schedule.effects import Harm, effect_of
from jobs.schedule.offered import offered
from jobs.schedule.offers import offer_in, offers_for
from jobs.services import appointments, crews
from shared.errors import Refused
from tests.factories import a_monday, at, make_appointment, make_crew, make_job, make_site

pytestmark = pytest.mark.django_db
MONDAY = a_monday()


@pytest.fixture
def crew(branch, measurer):
    return make_crew(branch, measurer)


def test_an_empty_calendar_offers_every_usual_window(branch, crew):
    visit = make_appointment(make_job(branch))

    offers = offers_for(visit)

    assert len(offers.best) == 12
    assert all(offer.window[0] <= offer.starts_at <= offer.window[1] for offer in offers.best)


def test_a_visit_next_door_makes_its_day_the_cheapest(branch, crew):
    neighbour = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    next_door = make_site(neighbour.job.customer, longitude=neighbour.job.site.longitude)
    visit = make_appointment(make_job(branch, site=next_door))

    offers = offers_for(visit, days_ahead=(MONDAY - dt.date.today()).days + 14)

    assert offers.best[0].day == MONDAY
    assert offers.best[0].price < offers.best[-1].price


def test_a_site_without_coordinates_gets_no_offer_but_a_reason(branch, crew):
    visit = make_appointment(make_job(branch, site=make_site(make_job(branch).customer, latitude=None, longitude=None)))

    offers = offers_for(visit)

    assert not offers.best
    assert "no coordinates" in offers.why


def test_crews_without_a_base_get_no_offer_but_a_reason(branch, crew):
    branch.latitude = branch.longitude = None
    branch.save()

    offers = offers_for(make_appointment(make_job(branch)))

    assert not offers.best
    assert "no coordinates" in offers.why


def test_a_day_that_changed_is_worked_out_anew(branch, crew):
    visit = make_appointment(make_job(branch))
    slot = at(branch, MONDAY, "8:00"), at(branch, MONDAY, "8:15")
    assert offer_in(visit, crew, slot)

    there = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="8:00", is_locked=True)
    assert offer_in(visit, crew, slot) is None
    Appointment.objects.filter(pk=there.pk).update(starts_at=at(branch, MONDAY, "13:00"))

    assert offer_in(visit, crew, slot)


def test_only_crews_with_the_skill_and_the_purpose_are_offered(branch, crew):
    tall = Skill.objects.create(branch=branch, key="tall", name="tall ladder")
    able = make_crew(branch)
    able.skills.add(tall)
    make_crew(branch, purposes=["install"]).skills.add(tall)
    visit = make_appointment(make_job(branch))
    visit.skills.add(tall)

    assert {offer.crew for offer in offers_for(visit).best} == {able}


def test_the_customers_own_windows_and_impossible_times_bound_the_offers(branch, crew):
    visit = make_appointment(make_job(branch))
    PossibleWindow.objects.create(
        appointment=visit, starts_at=at(branch, MONDAY, "8:00"), ends_at=at(branch, MONDAY, "12:00")
    )

    morning = at(branch, MONDAY, "8:00"), at(branch, MONDAY, "10:00")
    offers = offers_for(visit, impossible=[morning], days_ahead=21)

    assert {offer.day for offer in offers.best} == {MONDAY}
    assert all(offer.starts_at >= at(branch, MONDAY, "10:00") for offer in offers.best)


def test_a_promise_already_given_is_kept_by_every_offer(branch, crew, dispatcher):
    kept = make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="9:00", state=Appointment.State.PROMISED, duration_min=120,
        promised_from=at(branch, MONDAY, "8:30"), promised_until=at(branch, MONDAY, "9:15"),
    )  # fmt: skip
    visit = make_appointment(make_job(branch))

    offer = offer_in(visit, crew, (at(branch, MONDAY, "10:00"), at(branch, MONDAY, "12:00")))
    appointments.reserve_offer(appointment=visit, crew=crew, window=offer.window, by=dispatcher)

    kept.refresh_from_db()
    assert kept.promised_from <= kept.starts_at <= kept.promised_until
    assert visit.starts_at >= kept.ends_at


def test_a_window_sold_meanwhile_is_refused(branch, crew, dispatcher):
    slot = at(branch, MONDAY, "8:00"), at(branch, MONDAY, "8:15")
    first, second = make_appointment(make_job(branch)), make_appointment(make_job(branch))

    appointments.reserve_offer(appointment=first, crew=crew, window=slot, by=dispatcher)

    with pytest.raises(Refused, match="taken meanwhile"):
        appointments.reserve_offer(appointment=second, crew=crew, window=slot, by=dispatcher)


def test_offers_need_no_row_in_the_database(branch, crew, django_assert_max_num_queries):
    site = Site(branch=branch, latitude=41.9, longitude=-88.3, street="x", town="y")
    job = Job(branch=branch, customer=Customer(branch=branch), site=site)

    with django_assert_max_num_queries(25):
        offers = offers_for(Appointment(job=job, purpose="measure", duration_min=45))

    assert offers.best
    assert not Job.objects.exists()


def test_building_hours_hold(branch, crew):
    site = make_site(make_job(branch).customer, hours_from=dt.time(13), hours_until=dt.time(16))
    visit = make_appointment(make_job(branch, site=site))

    for offer in offers_for(visit).best:
        local = offer.starts_at.astimezone(branch.tz)
        assert dt.time(13) <= local.time() <= dt.time(15)


# -- whom an offer harms ---------------------------------------------------------------------


@pytest.fixture
def neighbour(branch, crew):
    """Confirmed for 8 to 10, planned at 8:15, and now and then longer than an hour."""
    return make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="8:15", state="promised", duration_safe_min=80,
        promised_from=at(branch, MONDAY, "8:00"), promised_until=at(branch, MONDAY, "10:00"),
    )  # fmt: skip


def test_a_move_says_whose_chance_it_takes_and_what_it_costs_the_firm(branch, crew, neighbour):
    visit = make_appointment(make_job(branch), duration_min=90, duration_safe_min=117)
    branch.currency = "CAD"
    branch.save()

    effect = effect_of(visit, crew=crew, starts_at=at(branch, MONDAY, "8:00"))

    now = timezone.now()
    before = hundredths(day_chances(read_day(crew, MONDAY), now)[neighbour.pk].on_time)
    appointments.place(
        appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "8:00"), by=visit.created_by, anyway=True
    )
    after = hundredths(day_chances(read_day(crew, MONDAY), now)[neighbour.pk].on_time)
    assert before > 95 > 90 > after
    assert effect.harm == Harm(neighbour.pk, neighbour.job.number, neighbour.job.customer.name, before, after, floor=90)
    assert effect.harm.text == f"{neighbour.job}: {before}% → {after}% on time"
    assert effect.cost_text == f"costs us CA${effect.price} more"
    assert effect.harm.is_risky


def test_an_offer_leaves_the_neighbour_slack_where_that_costs_about_as_little(branch, crew, neighbour):
    """It began at 8:02 and pushed the neighbour towards the end of its window, while after it all was free."""
    visit = make_appointment(make_job(branch), duration_min=90, duration_safe_min=117)

    offer = offer_in(visit, crew, (at(branch, MONDAY, "8:00"), at(branch, MONDAY, "10:00")))

    assert offer.starts_at > neighbour.starts_at
    assert not offer.others
    assert not offer.harm
    assert offer.on_time >= 85  # what comes before lasts as the careful spread has it: no taps have taught any


def test_offers_are_drawn_on_the_day_of_the_one_chosen_else_where_the_visit_stands(branch, crew):
    """Another time for a visit of Tuesday began with the board of Monday."""
    tuesday = MONDAY + dt.timedelta(days=1)
    visit = make_appointment(make_job(branch), crew=crew, day=tuesday, time="9:00")
    offers = offers_for(visit, from_on=MONDAY, days_ahead=3, most=30).best
    monday = next(offer for offer in offers if offer.day == MONDAY)

    first, chosen = offered(visit, offers, ""), offered(visit, offers, monday.value)

    assert (first.day, first.chosen, chosen.day, chosen.chosen) == (tuesday, None, MONDAY, monday)
    assert [ghost.choice for ghost in chosen.ghosts if not ghost.choice] == [""]
    assert all(ghost.day == MONDAY for ghost in chosen.ghosts)
    assert offered(visit, (), "") is None


def test_an_offer_under_the_floor_is_risky_and_the_floor_is_the_branchs(branch, crew, neighbour):
    neighbour.promised_until = at(branch, MONDAY, "9:00")
    neighbour.save()
    visit = make_appointment(make_job(branch), duration_min=30, duration_safe_min=60)
    window = at(branch, MONDAY, "8:00"), at(branch, MONDAY, "8:15")

    strict = offer_in(visit, crew, window)
    crews.set_rules(branch=branch, by=visit.created_by, chance_floor=1)
    easy = offer_in(visit, crew, window)

    assert strict.harm.appointment == neighbour.pk
    assert strict.is_risky
    assert (easy.starts_at, easy.is_risky) == (strict.starts_at, False)
    assert easy.harm.after == strict.harm.after < 90


def test_the_date_said_first_is_of_a_day_that_shows_a_time() -> None:
    """Measured today, it said, where today's only time was hidden as risky."""
    from types import SimpleNamespace

    from jobs.schedule.offer_grid import Cell, Column, Grid

    def column(day, *, is_risky):
        offer = SimpleNamespace(is_risky=is_risky)
        return Column(day, (Cell("8:00 am", None), Cell("2:00 pm", offer)), outlook=f"measured {day}"), offer

    def said(*risks):
        columns, offers = zip(*(column(n, is_risky=risk) for n, risk in enumerate(risks)), strict=True)
        return Grid(SimpleNamespace(best=offers), 0, columns, (), 90, False, "").outlook

    assert said(True, False) == "measured 1"
    assert said(False, True) == "measured 0"
    assert said(True, True) == "measured 0"


def test_where_nobody_has_room_the_limit_that_decides_is_named(branch, crew):
    """ "No crew has room" stood over empty days: for two people, and for a visit longer than the time around lunch."""
    WorkingHours.objects.filter(crew=crew).update(lunch_min=30, lunch_from="11:30", lunch_until="13:30")
    pair = make_appointment(make_job(branch), people=2)
    long = make_appointment(make_job(branch), duration_min=660)

    assert "It needs 2 people, and no such crew has more than 1" in offers_for(pair).why
    assert "11 h, and no such crew has longer than 8 h 30 min a day without its lunch" in offers_for(long).why
