"""The referee: each bound it must see, and that a good plan passes."""

import json
from dataclasses import replace

import pytest

from jobs.rules.bounds import cost_bound
from jobs.rules.routing import Crew, Lunch, Objective, PlanBroken, Stop, check, plan_of, regret_plan, verify, why_not
from jobs.rules.routing.documents import problem_document, read_request
from tests.jobs.routing.branches import HOUR, line, random_branch


def codes(problem, plan):
    return {fault.code for fault in verify(problem, plan)}


def two_stops(**more):
    problem = line(Stop("a", 3, HOUR), Stop("b", 6, HOUR, **more))
    return problem, plan_of(problem, {0: [0, 1]})


def change_visit(plan, place, **fields):
    route = plan.routes[0]
    visits = list(route.visits)
    visits[place] = replace(visits[place], **fields)
    return replace(plan, routes=(replace(route, visits=tuple(visits)),))


def test_a_good_plan_has_no_fault():
    problem, plan = two_stops()

    assert verify(problem, plan) == ()
    assert check(problem, plan) is plan


def test_driving_faster_than_the_table_is_seen():
    problem, plan = two_stops()
    visit = plan.routes[0].visits[1]

    faults = verify(problem, change_visit(plan, 1, arrive=visit.arrive - 61))

    assert [(f.code, f.short, f.text) for f in faults] == [
        ("travel", 61, "Crew c would need 2 min more to reach stop b.")
    ]


def test_a_start_outside_every_window_says_which_and_by_how_much():
    problem, plan = two_stops()
    narrow = replace(problem, stops=(problem.stops[0], replace(problem.stops[1], windows=((8 * HOUR, 9 * HOUR),))))

    fault = verify(narrow, plan)[0]

    assert (fault.code, fault.stop, fault.short) == ("window", "b", plan.routes[0].visits[1].start - 9 * HOUR)
    assert fault.text == "Stop b would start 1 h after its window 28800-32400."


@pytest.mark.parametrize(
    ("field", "value", "code"),
    [
        ("skills", frozenset({"motor"}), "skill"),
        ("people", 2, "people"),
        ("locked", ("c", 1), "lock"),
        ("promised", (15 * HOUR, 15 * HOUR), "promise"),
        ("earliest", 15 * HOUR, "earliest"),
        ("load", 11, "capacity"),
    ],
)
def test_each_bound_of_a_stop_is_seen(field, value, code):
    crew = Crew("c", 0, 0, ((8 * HOUR, 16 * HOUR), (32 * HOUR, 40 * HOUR)), capacity=10)
    problem = line(Stop("a", 3, HOUR), Stop("b", 6, HOUR), crews=(crew,))
    plan = plan_of(problem, {0: [0, 1]})
    asked = replace(problem, stops=(problem.stops[0], replace(problem.stops[1], **{field: value})))

    assert codes(asked, plan) == {code}


@pytest.mark.parametrize(
    ("field", "value", "code"),
    [
        ("shifts", ((10 * HOUR, 16 * HOUR),), "shift"),
        ("shifts", ((8 * HOUR, 11 * HOUR),), "shift"),
        ("lunch", Lunch(9 * HOUR, 10 * HOUR, HOUR), "lunch"),
    ],
)
def test_each_bound_of_a_crew_is_seen(field, value, code):
    problem, plan = two_stops()
    asked = replace(problem, crews=(replace(problem.crews[0], **{field: value}),))

    assert codes(asked, plan) == {code}


def test_a_stop_driven_to_twice_is_seen():
    problem, plan = two_stops()
    route = plan.routes[0]

    twice = replace(plan, routes=(route, replace(route, shift=0)))

    assert codes(problem, twice) == {"twice"}


def test_unknown_crews_and_stops_are_seen():
    problem, plan = two_stops()
    route = plan.routes[0]

    assert codes(problem, replace(plan, routes=(replace(route, shift=7),))) == {"crew"}
    assert codes(problem, change_visit(plan, 0, id="x")) == {"stop"}


def test_wrong_totals_are_seen():
    problem, plan = two_stops()

    assert codes(problem, replace(plan, travel=plan.travel - 1)) == {"total"}
    assert codes(problem, replace(plan, cost=0)) == {"total"}
    assert codes(problem, replace(plan, placed=3)) == {"total"}


def test_a_service_cut_short_is_seen():
    problem, plan = two_stops()

    assert "service" in codes(problem, change_visit(plan, 1, leave=plan.routes[0].visits[1].start))


def test_a_broken_plan_raises_with_its_faults():
    problem, plan = two_stops()

    with pytest.raises(PlanBroken, match="the plan says"):
        check(problem, replace(plan, travel=0))


def test_cost_counts_driving_pay_overtime_and_moves():
    crew = Crew("c", 0, 0, ((8 * HOUR, 10 * HOUR),), overtime=HOUR)
    stop = Stop("a", 3, int(1.5 * HOUR))
    objective = Objective(drive=2, paid=1, overtime=4, moved=50)
    problem = line(stop, crews=(crew,), objective=objective, previous={"a": ("c", 3)})

    plan = plan_of(problem, {0: [0]})

    # an hour of driving, 2.5 h paid, half an hour over, one stop moved
    assert plan.cost == 2 * 3600 + 9000 + 4 * 1800 + 50
    assert verify(problem, plan) == ()


def test_why_not_names_the_bound_and_the_minutes():
    problem = line(
        Stop("a", 3, HOUR, windows=((9 * HOUR, 9 * HOUR),)), Stop("b", 9, HOUR, windows=((9 * HOUR, 10 * HOUR),))
    )
    day = problem.days[0]

    reason = why_not(problem, problem.stops[1], day, [0])

    assert (reason.kind, reason.late, reason.window) == ("late_start", HOUR, (32_400, 36_000))
    assert str(reason) == "crew c, shift 0 would start 1 h after its window 32400-36000"
    assert why_not(problem, problem.stops[1], day, []) is None


@pytest.mark.parametrize("seed", range(200))
def test_regret_insertion_never_breaks_a_bound(seed):
    problem = random_branch(seed)

    assert verify(problem, regret_plan(problem)) == ()


def test_what_waits_costs_by_the_day_and_more_after_the_day_it_is_due():
    day = 24 * HOUR
    crew = Crew("c", 0, 0, tuple((n * day + 8 * HOUR, n * day + 16 * HOUR) for n in range(4)))
    stop = Stop("a", 1, HOUR, wait=10, due=2 * day + HOUR, overdue=500)
    problem = line(stop, crews=(crew,), objective=Objective(drive=0))

    plans = [plan_of(problem, {number: [0]}) for number in range(4)]

    assert [plan.cost for plan in plans] == [0, 10, 20, 530]
    assert all(verify(problem, plan) == () for plan in plans)
    assert regret_plan(problem).cost == 0
    assert [fault.code for fault in verify(problem, replace(plans[3], cost=30))] == ["total"]
    late = replace(problem, stops=(replace(stop, earliest=3 * day),))
    assert cost_bound(late) <= plan_of(late, {3: [0]}).cost
    assert read_request(json.dumps(problem_document(problem, 1, 0))).problem.stops == problem.stops
