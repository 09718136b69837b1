"""The load of a work place in order of due date."""

import datetime as dt

import pytest
from django.utils import timezone

from fabrication.adapters.loads import loads_of
from fabrication.drawings import load_drawing
from fabrication.rules.load import Work, day_loads, worked_in_order
from fabrication.services.batches import open_batch
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


# -- day by day --------------------------------------------------------------------------


def every_day(day):
    return True


def test_what_is_due_first_is_worked_first_and_a_day_takes_no_more_than_its_minutes():
    work = [Work("late", _day(0), 600), Work("next", _day(1), 300), Work("last", _day(9), 200)]

    done = worked_in_order(work, today=MONDAY, day_min=480, is_worked=every_day)

    assert [day.worked_min for day in done.days] == [480, 480, 140]
    assert done.finished == {"late": _day(1), "next": _day(1), "last": _day(2)}
    assert [one.key for one in done.late(work)] == ["late"]


def test_work_taken_out_of_its_turn_makes_others_late():
    work = [Work("a", _day(0), 480), Work("b", _day(1), 480, as_if_due=_day(-1))]

    done = worked_in_order(work, today=MONDAY, day_min=480, is_worked=every_day)

    assert done.finished == {"b": _day(0), "a": _day(1)}
    assert [one.key for one in done.late(work)] == ["a"]


def test_a_place_without_hours_finishes_nothing_but_what_takes_none():
    work = [Work("some", _day(0), 10), Work("none", _day(0), 0)]

    done = worked_in_order(work, today=MONDAY, day_min=0, is_worked=every_day)

    assert done.finished == {"none": _day(0), "some": None}
    assert [one.key for one in done.late(work)] == ["some"]


def test_a_days_box_is_filled_as_far_as_it_is_worked():
    done = worked_in_order([Work("a", _day(0), 600)], today=MONDAY, day_min=480, is_worked=every_day)

    drawn = load_drawing("saw", done).render()

    assert "2 working days of work, 1 of the next 2 full" in drawn
    assert "Mon 23" in drawn
    assert "8 h" in drawn


@pytest.mark.django_db
def test_the_page_says_what_is_late_where_and_what_moving_a_batch_would_do(branch, workroom, as_user):
    load_work_places(branch)
    branch.work_places.exclude(name="saw").delete()
    branch.work_places.update(day_min=6)  # a roller a day at the saw
    makes = [make_made_unit(branch, workroom) for _ in range(2)]
    today = timezone.now().astimezone(branch.tz).date()
    for make, days in zip(makes, (0, 1), strict=True):
        make.unit.due_on = today + dt.timedelta(days=days)
        make.unit.save(update_fields=["due_on"])
    _, second = (open_batch(branch=branch, makes=[make.pk], by=workroom) for make in makes)
    page = as_user(workroom)

    plain = page.get("/workroom/load/").content.decode()
    sent = {"batch": second.pk, "as_if": (today - dt.timedelta(days=1)).isoformat()}
    moved = page.get("/workroom/load/", sent)

    assert "Load of saw" in plain
    (row,) = moved.context["moved"]
    assert row[3] < row[2]  # its batch is finished sooner
    assert row[1].late_units >= row[0].late_units  # and the other one later
