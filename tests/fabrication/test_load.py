"""The load of a work place in order of due date."""

import datetime as dt

import pytest

from fabrication.adapters.loads import loads_of
from fabrication.rules.load import day_loads
from fabrication.services.starting_data import load_work_places
from tests.fabrication.rows import make_made_unit

MONDAY = dt.date(2026, 11, 23)


def _day(offset):
    return MONDAY + dt.timedelta(days=offset)


def test_work_that_fits_before_every_date_is_never_late():
    rows = day_loads([(_day(0), 400), (_day(1), 500)], today=MONDAY, day_min=480, is_worked=lambda day: True)

    assert [row.late_min for row in rows] == [0, 0]


def test_a_weekend_brings_no_minutes():
    rows = day_loads([(_day(7), 2500)], today=MONDAY, day_min=480, is_worked=lambda day: day.weekday() < 5)

    assert rows[0].there_min == 6 * 480  # Monday to Friday and the next Monday
    assert rows[0].late_min == 0


def test_what_was_due_before_today_counts_today():
    rows = day_loads([(_day(-3), 500)], today=MONDAY, day_min=480, is_worked=lambda day: True)

    assert [(row.day, row.late_min) for row in rows] == [(MONDAY, 20)]


def test_a_place_that_does_not_work_is_late_with_all_of_it():
    rows = day_loads([(_day(0), 60)], today=MONDAY, day_min=0, is_worked=lambda day: True)

    assert rows[0].late_min == 60


def test_fewer_than_no_minutes_a_day_are_refused():
    with pytest.raises(ValueError, match="at least 0"):
        day_loads([], today=MONDAY, day_min=-1, is_worked=lambda day: True)


@pytest.mark.django_db
def test_a_place_that_cannot_keep_a_date_says_which(branch, workroom):
    load_work_places(branch)
    branch.work_places.filter(name="saw").update(day_min=0)
    make = make_made_unit(branch, workroom)
    make.unit.due_on = dt.date.today()
    make.unit.save(update_fields=["due_on"])

    places = {place.name: place for place in loads_of(branch=branch)}

    assert places["saw"].first_late.late_min == 6  # a roller's minutes at the saw
    assert places["saw"].to_do_min == 6
