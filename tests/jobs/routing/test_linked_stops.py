"""Stops that hang together: two crews at one job, work of two days with one team."""

import json
from dataclasses import replace

import pytest

from jobs.rules.routing import (
    Crew,
    Lunch,
    Objective,
    ProblemError,
    Stop,
    crew_drops_out,
    fit_in,
    orders_of,
    plan_of,
    regret_plan,
    solve,
    verify,
)  # fmt: skip
from jobs.rules.routing.command import answer
from jobs.rules.routing.documents import plan_document, plan_from, problem_document, read_answer, read_request
from jobs.rules.routing.linked_stops import EACH_TEAM, _choices, _gaps
from jobs.rules.routing.regret import make_room
from jobs.rules.routing.slack import Slack
from tests.jobs.routing.branches import HOUR, line, linked_branch, meeting, random_branch, solve_until

DAY = 24 * HOUR
MORNING = (8 * HOUR, 16 * HOUR)
TWO = (Crew("a", 0, 0, (MORNING,), people=2), Crew("b", 9, 9, (MORNING,), people=2))
DAYS = ((8 * HOUR, 16 * HOUR), (DAY + 8 * HOUR, DAY + 16 * HOUR))


def starts(plan):
    return {visit.id: visit.start for route in plan.routes for visit in route.visits}


def codes(problem, plan):
    return {fault.code for fault in verify(problem, plan)}


def heavy(*more, crews=TWO, **fields):
    return line(Stop("lift", 3, HOUR, **fields), Stop("help", 3, HOUR, meets="lift"), *more, crews=crews)


def test_two_crews_at_one_stop_begin_together():
    problem = heavy(Stop("before", 2, 2 * HOUR, windows=((8 * HOUR, 9 * HOUR),), skills=frozenset()))

    plan = solve(problem, 0.0)

    assert plan.unplaced == ()
    assert verify(problem, plan) == ()
    assert starts(plan)["lift"] == starts(plan)["help"]
    assert plan.where()["lift"] != plan.where()["help"]


def test_the_crew_that_is_there_first_waits_for_the_other():
    crews = (TWO[0], replace(TWO[1], shifts=((10 * HOUR, 16 * HOUR),)))

    plan = solve(heavy(crews=crews), 0.0)

    assert starts(plan)["lift"] == starts(plan)["help"] == 10 * HOUR + 6 * 600


def test_nobody_comes_alone_to_what_needs_two_crews():
    plan = solve(heavy(crews=TWO[:1]), 0.0)

    assert plan.routes == ()
    assert {u.id: u.why for u in plan.unplaced} == {
        "lift": "no two crews are free at one time for it and stop help",
        "help": "no two crews are free at one time for it and stop lift",
    }


def test_a_meeting_that_matters_more_pushes_others_out():
    crews = tuple(replace(crew, shifts=((8 * HOUR, 11 * HOUR),)) for crew in TWO)
    fillers = Stop("x", 1, 2 * HOUR), Stop("y", 8, 2 * HOUR)
    problem = heavy(*fillers, crews=crews, priority=5)
    full = plan_of(problem, {0: [2], 1: [3]})

    plan = make_room(problem, full)

    assert set(plan.where()) == {"lift", "help"}
    assert verify(problem, plan) == ()
    assert set(solve(problem, 0.0, start=full).where()) == {"lift", "help"}
    assert make_room(problem, plan) == plan


def test_three_crews_can_meet():
    crews = (*TWO, Crew("c", 5, 5, (MORNING,)))
    problem = heavy(Stop("third", 3, HOUR, meets="help"), crews=crews)

    plan = solve(problem, 0.0)

    assert len(set(starts(plan).values())) == 1
    assert verify(problem, plan) == ()


def test_work_of_two_days_keeps_its_crew():
    """The other crew is free on the second day and nearer; it still does not take the second part."""
    crews = (Crew("far", 0, 0, DAYS), Crew("near", 5, 5, DAYS))
    first = Stop("one", 5, HOUR, locked=("far", 0))
    second = Stop("two", 5, HOUR, windows=(DAYS[1],))
    problem = line(first, replace(second, follows="one"), crews=crews)

    plan = solve(problem, 0.0)
    free = solve(replace(problem, stops=(first, second)), 0.0)

    assert plan.where() == {"one": ("far", 0), "two": ("far", 1)}
    assert free.where() == {"one": ("far", 0), "two": ("near", 1)}
    assert verify(problem, plan) == ()


def test_few_of_many_places_of_one_team_are_looked_into():
    """It would fit on each of six days; more places of the same team would leave no time for others."""
    days = tuple((day * DAY + 8 * HOUR, day * DAY + 16 * HOUR) for day in range(6))
    problem = line(Stop("one", 2, HOUR), crews=(Crew("near", 0, 0, days), Crew("far", 9, 9, days)))
    routes = [Slack(problem, day, ()) for day in problem.days]

    choices = list(_choices(problem, routes, (0,), {}, lambda: False))

    assert [problem.days[choice.gaps[0].day].crew for choice in choices] == [0] * EACH_TEAM


def test_a_place_costs_the_driving_it_adds_and_the_pay_for_it():
    """From place 0 to 2 and back is 2,400 s, at 2 for the drive and 1 for the time."""
    problem = line(Stop("one", 2, HOUR), Stop("far", 5, HOUR), objective=Objective(drive=2, paid=1))

    (alone,) = _gaps(problem, [Slack(problem, problem.days[0], ())], 0, {})
    on_the_way = _gaps(problem, [Slack(problem, problem.days[0], (1,))], 0, {})

    assert alone.price == 3 * 2400
    assert [gap.price for gap in on_the_way] == [0, 0]


def test_a_crew_written_once_for_each_day_is_one_team():
    crews = tuple(
        Crew(f"{name}/{day}", at, at, (DAYS[day],), team=name) for name, at in (("x", 0), ("y", 5)) for day in (0, 1)
    )
    windows = ((DAYS[1],),)
    problem = line(
        Stop("one", 5, 7 * HOUR, windows=(DAYS[0],)), Stop("two", 5, HOUR, *windows, follows="one"), crews=crews
    )

    plan = solve(problem, 0.0)

    assert plan.where() == {"one": ("y/0", 0), "two": ("y/1", 0)}


def test_the_second_part_does_not_come_before_the_first_is_done():
    crews = (Crew("a", 0, 0, DAYS),)
    problem = line(
        Stop("second", 1, HOUR, windows=((8 * HOUR, 12 * HOUR),), follows="first"),
        Stop("first", 9, HOUR, windows=((11 * HOUR, 12 * HOUR),)),
        crews=crews,
    )

    assert {u.id for u in solve(problem, 0.0).unplaced} == {"first", "second"}
    assert "follows" in codes(problem, forced(problem, {0: [0, 1]}))


def forced(problem, orders):
    """The plan of these orders as if nothing hung together."""
    return plan_of(replace(problem, stops=tuple(replace(s, meets=None, follows=None) for s in problem.stops)), orders)


def test_the_referee_sees_every_broken_link():
    problem = heavy()
    late = replace(problem, crews=(TWO[0], replace(TWO[1], shifts=((10 * HOUR, 16 * HOUR),))))
    one_team = replace(problem, crews=tuple(replace(crew, team="x") for crew in TWO))
    two_days = line(Stop("one", 3, HOUR), Stop("two", 3, HOUR, follows="one"), crews=TWO)

    assert [f.text for f in verify(late, forced(late, {0: [0], 1: [1]}))] == [
        "Stops help and lift would begin 2 h 30 min apart."
    ]
    assert [f.text for f in verify(problem, forced(problem, {0: [0]}))] == [
        "Nobody comes to stop help, and stop lift can't be done without."
    ]
    assert codes(one_team, plan_of(one_team, {0: [0], 1: [1]})) == {"meets"}
    assert next(f.text for f in verify(two_days, forced(two_days, {0: [0], 1: [1]}))) == (
        "Stop two should keep crew a of stop one, and has crew b."
    )
    assert [f.text for f in verify(two_days, forced(two_days, {1: [1]}))] == [
        "Stop two follows stop one, which nobody does."
    ]


@pytest.mark.parametrize(
    ("stops", "field"),
    [
        ((Stop("a", 1, 60, meets="z"),), "stops[0].meets"),
        ((Stop("a", 1, 60, follows="a"),), "stops[0].follows"),
        ((Stop("a", 1, 60, follows="b"), Stop("b", 1, 60, follows="a")), "stops[0].follows"),
        ((Stop("a", 1, 60, follows="b", meets="b"), Stop("b", 1, 60)), "stops[0].follows"),
    ],
)
def test_links_that_lead_nowhere_are_refused(stops, field):
    with pytest.raises(ProblemError) as caught:
        line(*stops)

    assert caught.value.field == field


@pytest.mark.parametrize("first", range(0, 300, 50))
def test_no_plan_of_random_branches_with_links_breaks_a_bound(first):
    placed = 0
    for seed in range(first, first + 50):
        problem = linked_branch(seed)
        plan = solve(problem, 0.0)
        assert verify(problem, plan) == (), seed
        assert plan.rank <= regret_plan(problem).rank
        assert all(entry.why for entry in plan.unplaced), seed
        again = fit_in(problem, orders_of(problem, plan))
        assert verify(problem, again) == (), seed
        assert plan_from(problem, read_answer(plan_document(plan, 0.0))).unplaced == plan.unplaced
        assert plan_from(problem, read_answer(plan_document(plan, 0.0))).cost == plan.cost
        where = plan.where()
        placed += sum(all(problem.stops[stop].id in where for stop in linked) for linked in problem.linked_stops)
    assert placed > 5


def test_a_search_around_linked_stops_gets_better_and_keeps_them():
    problem = random_branch(5, 40)
    crews = tuple(
        Crew(
            n, n, n, DAYS, frozenset({"measure", "install", "motor"}), people=2, lunch=Lunch(11 * HOUR, 13 * HOUR, 1800)
        )
        for n in range(4)
    )
    stops = [replace(stop, windows=(), promised=None, locked=None, earliest=0, service=1800) for stop in problem.stops]
    for one, two in ((0, 1), (2, 3)):
        stops[one] = replace(stops[one], meets=two, at=stops[two].at)
        stops[one + 10] = replace(stops[one + 10], follows=one)
    problem = replace(problem, crews=crews, stops=tuple(stops), previous={})
    first = regret_plan(problem)

    found = solve_until(lambda plan: plan.cost < first.cost, problem, seed=1)

    assert first.unplaced == found.unplaced == ()
    assert verify(problem, found) == ()
    assert found.cost < first.cost
    spread = crew_drops_out(problem, found, found.where()[1][0], [found.where()[1][1]], seconds=0.2)
    assert verify(spread.problem, spread.plan) == ()


def test_links_go_through_the_document_and_back():
    problem = heavy(Stop("two", 3, HOUR, follows="lift"), crews=(replace(TWO[0], team="x"), TWO[1]))

    again = read_request(json.dumps(problem_document(problem, 1, 0))).problem

    assert (again.stops, again.crews) == (problem.stops, problem.crews)


def own_answer(seed):
    """A document of meetings, and the routes it is answered with."""
    document = problem_document(meeting(seed), 0.001, 0)
    return document, answer(json.dumps(document))["routes"]


def stays(document, routes):
    """Nothing changes."""


def falls_ill(document, routes):
    """The crew of the first route is off."""
    crew = next(crew for crew in document["crews"] if not routes or crew["id"] == routes[0]["crew"])
    crew["off"] = list(range(len(crew["shifts"])))


def is_cancelled(document, routes):
    """The first stop that is driven to and on which no other hangs is gone."""
    linked = {stop["meets"] for stop in document["stops"]} | {stop["follows"] for stop in document["stops"]}
    driven = [stop["id"] for route in routes for stop in route["stops"] if stop["id"] not in linked]
    document["stops"] = [stop for stop in document["stops"] if stop["id"] not in driven[:1]]


@pytest.mark.parametrize("happens", [stays, falls_ill, is_cancelled])
def test_its_own_plan_comes_back_as_the_previous_one(happens):
    """Crews that meet may have agreed on a start later than the earliest that `plan_of` looks for."""
    for seed in range(20):
        document, routes = own_answer(seed)
        happens(document, routes)

        again = answer(json.dumps(document | {"previous": routes}))

        placed = {stop["id"] for route in again["routes"] for stop in route["stops"]}
        assert placed | {entry["id"] for entry in again["unplaced"]} == {stop["id"] for stop in document["stops"]}
