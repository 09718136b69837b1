"""The one date of a job: steps drawn together, and what past jobs teach of them."""

import datetime as dt
from dataclasses import replace

import pytest

from jobs.rules.dates import (
    CAREFUL,
    STEPS,
    Course,
    Days,
    Goods,
    Past,
    Place,
    Supplied,
    Waits,
    deciding,
    forecast,
    learned,
)
from jobs.rules.variation import SHARES

MONDAY = dt.date(2026, 11, 30)
WEEK = [True] * 5 + [False] * 2
DAYS = Days(MONDAY - dt.timedelta(days=70), WEEK * 60)


def always(days: float) -> tuple[float, ...]:
    return (float(days),) * len(SHARES)


SURE = Waits(
    measure=always(0),
    approval=always(2), release=always(1), making={"": always(0)}, crew=always(1), ahead={"": always(0)},
    goods={"": always(0)}, supply={"": always(1)}, jobs=100,
)  # fmt: skip


def day(working: int) -> dt.date:
    """So many working days after the Monday."""
    return MONDAY + dt.timedelta(days=working // 5 * 7 + working % 5)


def test_sure_steps_add_up_in_working_days():
    found = forecast(Course(MONDAY, MONDAY, pack_days=1), SURE, DAYS)

    assert (found.by(0.01), found.by(0.9), found.by(1.0)) == (day(5), day(5), day(5))
    assert (found.chance(day(4)), found.chance(day(5))) == (0.0, 1.0)


def test_the_same_job_on_the_same_day_has_the_same_date():
    course = Course(MONDAY, day(1))

    assert (forecast(course, CAREFUL, DAYS).installed == forecast(course, CAREFUL, DAYS).installed).all()


def test_a_later_measure_and_a_surer_date_are_no_earlier():
    course = Course(MONDAY, day(1))

    assert forecast(replace(course, measure_on=day(6)), CAREFUL, DAYS).by(0.9) > forecast(course, CAREFUL, DAYS).by(0.9)
    assert forecast(course, CAREFUL, DAYS).by(0.95) > forecast(course, CAREFUL, DAYS).by(0.5)


def test_goods_are_ordered_at_the_release_and_wait_for_the_suppliers_shutdown():
    cloth = Goods("cloth", "Fenwater", lead=4)
    shut = replace(cloth, closed=((day(5), day(9)),))
    course = Course(MONDAY, MONDAY, approved_on=MONDAY, released_on=MONDAY, pack_days=0)

    open_by = forecast(replace(course, goods=(cloth,)), SURE, DAYS).by(0.9)
    shut_by = forecast(replace(course, goods=(replace(shut, lead=6),)), SURE, DAYS).by(0.9)

    assert open_by == day(5)  # four days for the goods, one for the crew
    assert shut_by == day(12)  # four before the shutdown, two after it, one for the crew


@pytest.mark.parametrize(("missed", "by"), [(0.0, 4), (1.0, 5)])
def test_an_order_after_the_suppliers_last_hour_counts_from_the_next_day(missed, by):
    goods = (Goods("cloth", lead=3, missed=missed),)
    course = Course(MONDAY, MONDAY, approved_on=MONDAY, released_on=MONDAY, pack_days=0, goods=goods)

    assert forecast(course, SURE, DAYS).by(0.9) == day(by)


def test_an_acknowledged_day_is_surer_than_a_lead_time():
    waits = replace(SURE, supply=CAREFUL.supply)
    goods = Goods("cloth", lead=10, ordered_on=MONDAY)
    course = Course(MONDAY, MONDAY, approved_on=MONDAY, released_on=MONDAY, pack_days=0)

    stated = forecast(replace(course, goods=(goods,)), waits, DAYS)
    known = forecast(replace(course, goods=(replace(goods, due_on=day(10)),)), waits, DAYS)

    assert known.by(0.9) < stated.by(0.9)
    assert abs((known.by(0.5) - day(11)).days) <= 1


def test_work_that_stands_in_the_workroom_comes_first_and_is_forgotten_with_time():
    busy = Place("assembly", ahead_min=4800, own_min=480, day_min=480)
    course = Course(MONDAY, MONDAY, pack_days=0, places=(busy,))
    released = replace(course, approved_on=MONDAY, released_on=MONDAY)

    assert forecast(released, SURE, DAYS).by(0.9) == day(12)  # ten days ahead, its own, one for the crew
    later = replace(SURE, approval=always(40))
    assert forecast(course, later, DAYS).by(0.9) == day(43)  # by then only its own


def test_days_without_room_are_left_out():
    course = Course(MONDAY, MONDAY, no_room=frozenset({day(5), day(6)}))

    assert forecast(course, SURE, DAYS).by(0.9) == day(7)


def test_an_install_visit_keeps_its_day_while_everything_is_made_by_then():
    course = Course(MONDAY, MONDAY, install_on=day(9))

    assert forecast(course, SURE, DAYS).by(0.9) == day(9)
    assert forecast(replace(course, install_on=day(2)), SURE, DAYS).by(0.9) == day(5)


def test_a_step_that_has_lasted_longer_than_usual_is_not_over_yet():
    course = Course(MONDAY, MONDAY - dt.timedelta(days=28))

    found = forecast(course, CAREFUL, DAYS)

    assert found.marks["approval"] >= MONDAY
    assert found.by(0.01) > MONDAY


@pytest.mark.parametrize(
    ("course", "step"),
    [
        (Course(MONDAY, day(20)), "measure"),
        (Course(MONDAY, MONDAY, goods=(Goods("cloth", lead=20),)), "goods"),
        (Course(MONDAY, MONDAY, places=(Place("saw", 9600, 60, 480),)), "workroom"),
        (Course(MONDAY, MONDAY, no_room=frozenset(day(n) for n in range(30))), "crew"),
    ],
)
def test_the_step_that_decides_is_the_one_whose_wait_counts_most(course, step):
    assert deciding(course, SURE, DAYS, 0.9) == step
    assert step in STEPS


def test_waits_are_learned_from_jobs_and_deliveries_and_kept():
    one = Past("roller", MONDAY, MONDAY, day(6), day(7), day(7), day(10), day(14), {"saw": 1.0}, load=2.0)
    supplied = Supplied("Fenwater", 5, MONDAY, day(10))

    found = learned([one] * 300, [supplied] * 300, DAYS, pack_days=1)

    middle = len(SHARES) // 2
    assert (found.approval[middle], found.release[middle], found.crew[middle]) == (6.0, 1.0, 3.0)
    assert (found.making["roller"][middle], found.ahead["saw"][middle], found.goods["roller"][middle]) == (
        1.0,
        1.0,
        0.0,
    )
    assert (found.supply["Fenwater"][middle], round(found.pace, 2)) == (2.0, 1.48)
    assert (found.is_learned, Waits.from_json(found.as_json())) == (True, found)


def test_a_few_jobs_leave_the_careful_waits_nearly_as_they_are():
    found = learned([Past("roller", MONDAY, MONDAY, day(30), day(30))], [], DAYS, pack_days=1)

    middle = len(SHARES) // 2
    assert not found.is_learned
    assert abs(found.approval[middle] - CAREFUL.approval[middle]) < 0.5
