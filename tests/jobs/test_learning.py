"""What taps teach: spreads learned from logged times, and what a running day's chances make of them."""

from __future__ import annotations

import datetime as dt
import math
import random
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from jobs.models import Appointment, CalendarRules
from jobs.rules.promises import PromisedVisit, chances
from jobs.rules.variation import CAREFUL, ENOUGH, SHARES, LoggedDrive, LoggedVisit, Variation, components, learned
from jobs.schedule.chances import day_chances, outlooks
from jobs.schedule.day import read_day
from jobs.services import learning as services
from tests.factories import a_monday, at, make_appointment, make_crew, make_customer, make_job, make_site

MONDAY = a_monday()
LAST = dt.date.today() - dt.timedelta(days=3)
"""Days that are over: those before a Monday that is weeks ahead may not be."""
EVEN = Counter({(True, True, True): 90, (False, True, True): 10})


def logged(rng, count=2000, *, overrun=0.0, day_sigma=0.1):
    """Visits of an hour that last a lognormal time, some half an hour more; drives on days of common traffic."""
    visits, drives = [], []
    for number in range(count):
        lasts = 3600 * rng.lognormal(0.0, 0.3) + (1800 if rng.random() < overrun else 0)
        visits.append(LoggedVisit(3600, 0.35, start=0, opens=None, arrived=60, done=60 + lasts))
        if number % 5 == 0:
            traffic = rng.lognormal(0.0, day_sigma)
        drives.append(LoggedDrive(number // 5, 1200, 1200 * 1.1 * traffic * rng.lognormal(0.0, 0.2)))
    return visits, drives


def test_spreads_are_learned_from_logged_times():
    """A share of the sampled visits longer than two hours is what it was among the logged ones, tail and all."""
    visits, drives = logged(np.random.default_rng(3), overrun=1 / 15)

    found = learned(visits, drives, [600.0] * 400, [90.0] * 100, EVEN, 0.0)

    times = 3600 * found.services(0.35, 2000)
    taken = np.array([one.done - one.arrived for one in visits])
    for bound in (2400, 3600, 5400, 7200):
        assert np.mean(times > bound) == pytest.approx(np.mean(taken > bound), abs=0.01)
    assert np.median(found.drive_factors(2000)) == pytest.approx(1.1, rel=0.02)
    assert found.day_sigma == pytest.approx(0.1, abs=0.02)
    assert np.median(found.lateness(2000)) == 600
    assert (found.turn, found.is_learned) == (90.0, True)
    assert found.unseen[0] == pytest.approx(0.1, abs=0.01)


def test_variance_components_agree_with_a_worked_example():
    """Two days of two drives, logarithms 0.0, 0.2 and 0.4, 0.6: within 0.02, between (0.16 - 0.02) / 2."""
    drives = [LoggedDrive(day, 1.0, math.exp(value)) for day, value in ((1, 0.0), (1, 0.2), (2, 0.4), (2, 0.6))]

    assert components(drives) == pytest.approx((0.3, math.sqrt(0.07), math.sqrt(0.02)))


def test_too_few_logged_times_leave_the_careful_spread():
    visits, drives = logged(np.random.default_rng(3), count=ENOUGH - 1)

    found = learned(visits, drives, [], [], EVEN, 0.0)

    assert replace(found, visits=0, drives=0) == CAREFUL
    assert np.std(np.log(found.services(0.2, 2000))) == pytest.approx(0.45, abs=0.01)  # the wider of the two
    assert np.std(np.log(found.services(0.6, 2000))) == pytest.approx(0.6, abs=0.01)


def test_what_is_stored_is_read_as_it_was():
    visits, drives = logged(np.random.default_rng(3), count=100)
    found = learned(visits, drives, [1.0], [2.0], EVEN, 0.1)

    assert Variation.from_json(found.as_json()) == found
    assert len(found.service) == len(SHARES)


def test_days_are_the_same_for_any_route():
    """The first stops of a longer route are sampled alike, so that a change is no luck of the draw."""
    visits = [PromisedVisit(1200.0, 3600.0, promised=(0.0, n * 4800.0 + 1800.0)) for n in range(40)]

    assert chances(visits[:3], 0.0, seed=7) == chances(visits, 0.0, seed=7)[:3]


# -- from the books ------------------------------------------------------------------------


def tapped_days(branch, crew, count, *, longer=1.0):
    """Past days of three visits each, tapped at every turn; visits last so much longer than planned."""
    rng, rows = random.Random(5), []
    jobs = [make_job(branch, site=make_site(make_customer(branch), latitude=41.9 + n / 10)) for n in range(3)]
    for number in range(count):
        day = LAST - dt.timedelta(days=number)
        for job, hour in zip(jobs, (9, 11, 13), strict=True):
            arrived = at(branch, day, f"{hour}:00") + dt.timedelta(minutes=rng.uniform(-5, 5))
            minutes = 60 * longer * rng.lognormvariate(0, 0.1)
            rows.append(
                Appointment(
                    job=job, purpose="measure", state="done", crew=crew, day=day, duration_min=60,
                    starts_at=at(branch, day, f"{hour}:00"), on_the_way_at=arrived - dt.timedelta(minutes=15),
                    arrived_at=arrived, done_at=arrived + dt.timedelta(minutes=minutes), created_by=job.created_by,
                )
            )  # fmt: skip
    Appointment.objects.bulk_create(rows)


@pytest.fixture
def crew(branch):
    return make_crew(branch, hours="7:00 19:00")


def promised(branch, crew, time, until, **fields):
    return make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time=time, state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, time), promised_until=at(branch, MONDAY, until), **fields,
    )  # fmt: skip


@pytest.mark.django_db
def test_a_branch_learns_from_its_own_taps_and_states_other_chances(branch, crew):
    """Visits of an hour that always last two: the visit after one is late, which the plan does not know."""
    promised(branch, crew, "9:00", "11:00")
    second = promised(branch, crew, "10:30", "11:00")
    before = day_chances(read_day(crew, MONDAY), at(branch, MONDAY, "6:00"))[second.pk].on_time
    tapped_days(branch, crew, 20, longer=2.0)

    services.learn_times(branch=branch)

    rules = CalendarRules.of(branch)
    assert (rules.variation.visits, rules.learned_at is not None) == (60, True)
    after = day_chances(read_day(crew, MONDAY), at(branch, MONDAY, "6:00"))[second.pk].on_time
    assert before > 0.6 > 0.5 > after  # a quarter of what it knows is the careful spread still


@pytest.mark.django_db
def test_too_few_taps_teach_a_branch_nothing(branch, crew):
    tapped_days(branch, crew, 5)

    services.learn_times(branch=branch)

    assert CalendarRules.of(branch).variation == CAREFUL


@pytest.mark.django_db
def test_a_forgotten_tap_is_not_taken_for_a_crew_that_stands_still(branch, crew):
    """
    Done at A at 10:00, nothing tapped since; it is 10:50, and B is promised till 11:00.

    The crew was taken to leave A now. A branch whose crews forget a tap in ten knows better; when the window is over
    with nobody there it says missed all the same.
    """
    first = promised(branch, crew, "9:00", "10:00")
    second = promised(branch, crew, "10:30", "11:00")
    Appointment.objects.filter(pk=first.pk).update(
        state="done", arrived_at=at(branch, MONDAY, "9:00"), done_at=at(branch, MONDAY, "10:00")
    )
    day, late, over = read_day(crew, MONDAY), at(branch, MONDAY, "10:58"), at(branch, MONDAY, "11:01")
    visits, drives = logged(np.random.default_rng(3))
    taps = Counter(
        {(True, True, True): 70, (False, True, True): 10, (False, False, True): 10, (False, False, False): 10}
    )
    knows = replace(day, variation=learned(visits, drives, [0.0] * 100, [60.0] * 100, taps, 0.05))

    assert day_chances(day, late)[second.pk].on_time < 0.5
    assert day_chances(knows, late)[second.pk].on_time > 0.7
    assert day_chances(knows, over)[second.pk].on_time == 0
    assert outlooks(knows, over)[second.pk].is_late


def test_how_often_crews_are_held_up_is_learned_too():
    """One in 500 was taken to be, for ever: with three taps forgotten in a row that outweighed all that was logged."""
    visits, drives = logged(np.random.default_rng(3))

    def share(turns):
        return learned(visits, drives, [], turns, EVEN, 0.0)

    assert CAREFUL.held_up == 0.002
    assert share([90.0] * 2000).held_up == pytest.approx(1 / 2500)
    held = share([90.0] * 380 + [5400.0] * 20)
    assert (held.held_up, held.turn) == (pytest.approx(21 / 900), 90.0)
