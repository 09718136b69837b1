"""The load of work places: due dates against hours."""

import datetime as dt

import pytest

from fabrication.loads import loads_of
from fabrication.rules.load import day_loads
from fabrication.starting_data import load_work_places
from tests.fabrication.rows import make_made_unit

MONDAY = dt.date(2026, 11, 23)


def test_work_due_on_a_weekend_counts_the_days_before_it():
    work = [(MONDAY + dt.timedelta(days=5), 5 * 480)]

    rows = day_loads(work, today=MONDAY, day_min=480, is_worked=lambda day: day.weekday() < 5)

    assert [(row.there_min, row.late_min) for row in rows] == [(2400, 0)]


def test_what_was_due_before_today_counts_today():
    rows = day_loads([(MONDAY - dt.timedelta(days=9), 500)], today=MONDAY, day_min=480, is_worked=lambda day: True)

    assert [(row.day, row.late_min) for row in rows] == [(MONDAY, 20)]


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
