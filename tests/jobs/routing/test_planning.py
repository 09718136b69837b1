"""Planning as a whole: legal at once, better later, honest about what is left out."""

import importlib
import json
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from jobs.rules import spread as spreading
from jobs.rules.routing import (
    Crew,
    Lunch,
    Objective,
    Problem,
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
from jobs.rules.routing.__main__ import keep_bytecode
from jobs.rules.routing.arrays import arrays_of
from jobs.rules.routing.bound import cost_bound
from jobs.rules.routing.documents import plan_document, plan_from, problem_document, read_answer, read_request
from jobs.rules.routing.ruin_and_recreate import set_orders
from jobs.rules.routing.search import Search
from jobs.rules.routing.slack import Slack
from jobs.rules.spread import standing
from shared.contracts import ContractError
from tests.benchmarks.routing_instances import make_branch, read_branch
from tests.benchmarks.routing_pyvrp import plan_with_pyvrp
from tests.benchmarks.routing_vroom import build_with_vroom
from tests.jobs.routing.branches import HOUR, compile_once, line, random_branch, solve_until

DAY = 24 * HOUR
LONG = 60
"""Seconds that no test waits for: a search of a few stops ends after its steps without a better plan."""


@pytest.fixture(scope="module")
def branch():
    return make_branch(5, jobs=60, crews=5, days=3)


@pytest.fixture(scope="module")
def planned(branch):
    first = regret_plan(branch)
    return solve_until(lambda plan: plan.rank < first.rank, branch, seed=3)


def test_pyvrp_as_a_referee_keeps_to_what_a_van_holds_and_to_none_where_it_holds_all():
    shifts = ((8 * HOUR, 16 * HOUR),)
    stops = [Stop(name, at, HOUR, load=2) for name, at in (("a", 1), ("b", 2), ("c", 3))]
    problem = line(*stops, crews=(Crew("van", 0, 0, shifts, capacity=3), Crew("truck", 0, 0, shifts)))
    found = []

    plan_with_pyvrp(problem, 0.3, found.append)

    assert found
    assert all(verify(problem, plan_of(problem, orders)) == () for orders in found)


def test_the_first_plan_is_legal_and_there_at_once(branch):
    told = []
    plan = solve(branch, 0.0, progress=told.append)

    assert told[0].engine == "regret"
    assert told[0].seconds < 0.5
    assert plan.unplaced == ()
    assert verify(branch, plan) == ()


def test_more_time_gives_a_better_plan_and_every_step_of_it_verifies(branch):
    told = []
    plan = solve(branch, 60, seed=1, progress=told.append, should_stop=lambda: len(told) >= 4)

    assert plan.rank < told[0].plan.rank
    assert [p.plan.rank for p in told] == sorted((p.plan.rank for p in told), reverse=True)
    assert all(verify(branch, p.plan) == () for p in told)


def test_a_search_stops_when_asked(branch):
    began = time.monotonic()
    plan = solve(branch, 30, should_stop=lambda: time.monotonic() - began > 0.3)

    assert time.monotonic() - began < 10
    assert verify(branch, plan) == ()


def test_a_plan_to_begin_from_is_never_made_worse(branch, planned):
    assert planned.rank < regret_plan(branch).rank
    assert solve(branch, 0.0, start=planned).rank == planned.rank


def test_a_broken_plan_to_begin_from_is_not_used(branch):
    start = regret_plan(branch)
    broken = replace(start, cost=0)

    assert solve(branch, 0.0, start=broken).cost == start.cost


def test_required_outranks_any_priority_and_priority_outranks_driving():
    day = ((8 * HOUR, 12 * HOUR),)
    crew = Crew("c", 0, 0, day)
    stops = (
        Stop("near", 1, 3 * HOUR, priority=1),
        Stop("far", 6, HOUR, priority=3),
        Stop("must", 3, int(2.9 * HOUR), required=True),
    )

    problem = line(*stops, crews=(crew,))
    only_two = replace(problem, stops=stops[:2])

    assert {u.id for u in regret_plan(problem).unplaced} == {"near", "far"}
    assert {u.id for u in regret_plan(only_two).unplaced} in ({"near"}, {"far"})
    assert {u.id for u in solve_until(lambda plan: {u.id for u in plan.unplaced} == {"near"}, only_two).unplaced} == {
        "near"
    }


def test_every_unplaced_stop_has_a_reason():
    crew = Crew("c", 0, 0, ((8 * HOUR, 10 * HOUR),), frozenset({"measure"}), capacity=5)
    stops = (
        Stop("skill", 1, 600, skills=frozenset({"motor"})),
        Stop("people", 1, 600, people=2),
        Stop("load", 1, 600, load=9),
        Stop("far", 19, 600),
        Stop("window", 2, 600, windows=((5 * HOUR, 6 * HOUR),)),
        Stop("promise", 2, 600, windows=((8 * HOUR, 9 * HOUR),), promised=(9 * HOUR + 60, 10 * HOUR)),
        Stop("early", 2, 600, earliest=11 * HOUR),
        Stop("first", 1, 5400),
        Stop("full", 1, 5400),
    )

    why = {u.id: u.why for u in solve(line(*stops, crews=(crew,)), 0.0).unplaced}

    assert why == {
        "skill": "no crew has the skill motor",
        "people": "it needs 2 people, the largest crew that could do it has 1",
        "load": "its load 9 is more than any crew that could do it carries (most 5)",
        "far": "no crew can do it even on an empty day; nearest: crew c, shift 0 would be back 4 h 30 min too late",
        "window": "no crew can do it even on an empty day; nearest: crew c, shift 0 would start 2 h 20 min after its"
        " window 18000-21600",
        "promise": "its promised window 32460-36000 meets none of its own windows",
        "early": "it may not start before 39600, after the last shift",
        "full": "every crew-day it fits is full; nearest: crew c, shift 0 would reach stop first 1 h 20 min too late",
    }


def test_a_stop_of_priority_0_is_left_out_because_it_costs_and_not_for_want_of_time():
    plan = solve(line(Stop("worth it", 1, HOUR), Stop("not", 9, HOUR, priority=0)), LONG)

    assert {entry.id: entry.why for entry in plan.unplaced} == {
        "not": "its priority is 0, and the plan costs less without it"
    }


def test_no_crew_at_all_is_an_answer():
    problem = Problem((), (Stop("a", 0, 60),), np.zeros((1, 1)))

    assert [u.why for u in solve(problem, 0.0).unplaced] == ["no crew has a shift"]
    assert solve(Problem((), (), np.zeros((0, 0))), 0.0).routes == ()


def test_lunch_is_taken_between_stops_and_in_its_time():
    crew = Crew("c", 0, 0, ((8 * HOUR, 16 * HOUR),), lunch=Lunch(11 * HOUR, 12 * HOUR, 1800))
    problem = line(Stop("a", 3, 3 * HOUR), Stop("b", 3, 3 * HOUR), crews=(crew,))

    plan = solve(problem, 0.0)
    route = plan.routes[0]

    assert plan.unplaced == ()
    assert 11 * HOUR <= route.lunch <= 12 * HOUR
    assert route.visits[1].start >= route.lunch + 1800
    assert route.back - route.depart == 6 * HOUR + 2 * 1800 + 1800


def test_lunch_is_taken_within_a_long_stop():
    """Seven hours do not go before lunch nor after it: nobody could be sent there."""
    crew = Crew("c", 0, 0, ((8 * HOUR, 17 * HOUR),), lunch=Lunch(11 * HOUR, 12 * HOUR, 1800))
    long = Stop("a", 1, 7 * HOUR, windows=((8 * HOUR, 9 * HOUR),))
    assert solve(line(long, crews=(crew,)), 0.0).routes == ()

    problem = line(replace(long, eats=True), Stop("b", 1, 1200), crews=(crew,))
    plan = solve(problem, 0.0)

    assert (plan.unplaced, verify(problem, plan)) == ((), ())
    visits = {visit.id: visit for visit in plan.routes[0].visits}
    assert visits["a"].leave - visits["a"].start == 7 * HOUR + 1800
    assert 11 * HOUR <= plan.routes[0].lunch <= 12 * HOUR


def test_lunch_may_begin_on_arrival_at_its_latest_minute():
    """Off at 10:00 for two hours, lunch from 11:00 to 12:00: eaten on arrival, not an hour later on the way."""
    crew = Crew("c", 0, 0, ((8 * HOUR, 16 * HOUR),), lunch=Lunch(11 * HOUR, 12 * HOUR, 1800))
    problem = line(Stop("a", 1, 600), crews=(crew,))
    slack = Slack(problem, problem.days[0], ())

    assert slack.after_drive(10 * HOUR, 20 * HOUR, 2 * HOUR) == (12 * HOUR, 12 * HOUR + 1800)
    assert slack.after_drive(10 * HOUR, 20 * HOUR, 2 * HOUR + 1) == (12 * HOUR + 1, 13 * HOUR + 1801)


def test_lunch_falls_on_the_same_time_of_every_day():
    crew = Crew("c", 0, 0, ((DAY + 8 * HOUR, DAY + 16 * HOUR),), lunch=Lunch(11 * HOUR, 12 * HOUR, 1800))
    problem = line(Stop("a", 3, 3 * HOUR), Stop("b", 3, 3 * HOUR), crews=(crew,))

    assert DAY + 11 * HOUR <= solve(problem, 0.0).routes[0].lunch <= DAY + 12 * HOUR


def test_overtime_is_used_up_to_its_limit():
    day = ((8 * HOUR, 10 * HOUR),)
    stop = Stop("a", 3, 2 * HOUR)

    assert solve(line(stop, crews=(Crew("c", 0, 0, day, overtime=HOUR),)), 0.0).unplaced == ()
    assert solve(line(stop, crews=(Crew("c", 0, 0, day, overtime=HOUR - 1),)), 0.0).unplaced != ()


def test_moving_what_was_told_costs_and_so_it_stays():
    crews = (Crew("near", 3, 3, ((8 * HOUR, 16 * HOUR),)), Crew("told", 0, 0, ((8 * HOUR, 16 * HOUR),)))
    previous = {"a": ("told", 0)}
    stop = Stop("a", 3, HOUR)

    free = line(stop, crews=crews, previous=previous)
    held = line(stop, crews=crews, previous=previous, objective=Objective(drive=1, moved=10**6))

    assert solve(free, 0.0).where() == {"a": ("near", 0)}
    assert solve(held, 0.0).where() == {"a": ("told", 0)}


def test_paying_for_time_trades_driving_for_waiting():
    """With pay priced as driving is, a long wait at a door is no longer free."""
    stops = (
        Stop("early", 2, 600, ((8 * HOUR + 1200, 8 * HOUR + 1200),)),
        Stop("late", 2, 600, ((14 * HOUR, 14 * HOUR),)),
    )
    crews = tuple(Crew(name, 0, 0, ((8 * HOUR, 16 * HOUR),)) for name in ("a", "b"))

    by_travel = solve_until(lambda plan: plan.travel <= 2400, line(*stops, crews=crews))
    by_pay = solve_until(
        lambda plan: len(plan.routes) == 2, line(*stops, crews=crews, objective=Objective(drive=1, paid=1))
    )

    assert (len(by_travel.routes), by_travel.travel) == (1, 2400)
    assert (len(by_pay.routes), by_pay.travel) == (2, 4800)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"crews": (Crew("c", 99, 0, ()),)}, "crews[0].start"),
        ({"crews": (Crew("c", 0, 0, ((9, 8),)),)}, "crews[0].shifts[0]"),
        ({"crews": (Crew("c", 0, 0, ()), Crew("c", 0, 0, ()))}, "crews[1].id"),
        ({"stops": (Stop("a", -1, 60),)}, "stops[0].at"),
        ({"stops": (Stop("a", 1, 60, ((9, 8),)),)}, "stops[0].windows[0]"),
        ({"stops": (Stop("a", 1, 60, locked=("x", 0)),)}, "stops[0].locked.crew"),
        ({"stops": (Stop("a", 1, 60, locked=("c", 4)),)}, "stops[0].locked.shift"),
        ({"travel": np.array([[0, 1, 2]])}, "travel"),
        ({"travel": np.array([[1]])}, "travel"),
    ],
)
def test_a_problem_that_contradicts_itself_names_the_field(change, field):
    with pytest.raises(ProblemError) as caught:
        replace(line(), **change)

    assert caught.value.field == field


def test_a_crew_that_drops_out_leaves_the_others_where_they_are(branch, planned):
    plan = planned
    crew, shift = plan.routes[0].crew, plan.routes[0].shift

    spread = crew_drops_out(branch, plan, crew, [shift], seconds=0.6, seed=3)

    assert verify(spread.problem, spread.plan) == ()
    assert (crew, shift) not in set(spread.plan.where().values())
    assert spread.kept >= 0.95
    assert set(spread.freed) == {visit.id for visit in plan.routes[0].visits}


@pytest.mark.parametrize(
    ("stop", "fits"),
    [
        ({}, True),
        ({"load": 5}, True),  # just what the van holds
        ({"load": 6}, False),
        ({"people": 2}, True),
        ({"people": 3}, False),
        ({"skills": frozenset({"measure", "motor"})}, True),  # all that the crew has
        ({"skills": frozenset({"install"})}, False),
    ],
)
def test_a_crew_fits_a_stop_up_to_what_it_holds_has_and_can(stop, fits):
    shifts = ((8 * HOUR, 16 * HOUR),)
    van = Crew("van", 0, 0, shifts, frozenset({"measure", "motor"}), capacity=5, people=2)
    truck = replace(van, id="truck", capacity=None)  # holds anything

    problem = line(Stop("a", 1, 600, **stop), crews=(van, truck))

    assert set(problem.allowed[0]) == ({0, 1} if fits else {1} if stop.get("load") else set())


def test_a_crew_sets_out_as_late_as_brings_it_back_no_later():
    """The second visit opens at 14:00, 20 min of driving after the first, which takes an hour and is 10 min away."""
    problem = line(Stop("first", 1, HOUR), Stop("second", 3, HOUR // 2, windows=((14 * HOUR, 15 * HOUR),)))

    (route,) = plan_of(problem, {0: [0, 1]}).routes

    assert route.depart == 14 * HOUR - 1200 - HOUR - 600
    assert [visit.start for visit in route.visits] == [14 * HOUR - 1200 - HOUR, 14 * HOUR]
    assert route.back == 14 * HOUR + HOUR // 2 + 1800


def test_a_visit_can_begin_at_the_very_first_second():
    """Hours may be counted from the beginning of a shift; only what would begin before them is never in time."""
    problem = line(Stop("a", 0, 600, windows=((0, 0),)), crews=(Crew("c", 0, 0, ((0, HOUR),)),))

    slack = Slack(problem, problem.days[0], (0,))

    assert (slack.late1[1], slack.leave1[1]) == (0, 600)


def test_the_compiled_search_measures_by_the_cost_of_an_average_stop_and_runs():
    compile_once()
    problem = line(Stop("a", 1, HOUR), Stop("b", 3, HOUR))
    search = Search(arrays_of(problem), problem.objective, {0: [0, 1]}, seed=1)
    now = time.monotonic()

    search.run(now, now + 60, 1, lambda orders: None, lambda: search.steps > 0)

    data = search._data(search.arrays, 0)
    set_orders(data, {0: [0, 1]})
    assert (search.failure, search._unit(data)) == (None, 3600 / 2)
    assert search.steps > 0


def spread_request(order, seconds=5.0):
    """What `manage.py route` takes: two crews, the previous plan gives these stops to the first."""
    crews = tuple(Crew(name, 0, 0, ((8 * HOUR, 16 * HOUR),)) for name in ("gone", "here"))
    stops = [Stop(name, at, 3 * HOUR) for name, at in (("x", 1), ("y", 2), ("z", 3), ("new", 4))]
    document = problem_document(line(*stops, crews=crews), seconds, 0)
    return json.dumps(document | {"previous": [{"crew": "gone", "shift": 0, "stops": [{"id": one} for one in order]}]})


@pytest.mark.parametrize(
    ("order", "stands"),
    [
        (["y", "x"], {"x": "gone", "y": "gone"}),
        (["x", "y", "z"], {"x": "gone", "y": "gone", "z": "here"}),  # nine hours of work in a day of eight
        ([], {}),
    ],
)
def test_what_stands_is_the_previous_plan_as_far_as_it_can_be_driven(order, stands):
    request = read_request(spread_request(order))

    plan = standing(request)

    assert plan.where() == {stop: (crew, 0) for stop, crew in stands.items()}  # and what is new is not put in
    if len(order) == 2:
        assert [visit.id for visit in plan.routes[0].visits] == order


def test_the_age_of_the_process_counts_towards_the_seconds_of_a_spread(monkeypatch):
    asked = []

    def noted(*args, seconds, **more):
        asked.append(seconds)
        return crew_drops_out(*args, **more, seconds=0)

    monkeypatch.setattr(spreading, "crew_drops_out", noted)
    for age in (1.5, 60):  # at least half a second is left, however long its start took
        monkeypatch.setattr(spreading, "process_age", lambda age=age: age)
        found = spreading.spread(spread_request(["x", "y"]))

    assert asked == [3.5, 0.5]
    assert {stop["id"] for route in found["routes"] for stop in route["stops"]} >= {"x", "y"}


def test_a_stop_locked_to_the_crew_that_drops_out_is_freed():
    crews = tuple(Crew(name, 0, 0, ((8 * HOUR, 16 * HOUR),)) for name in ("a", "b"))
    problem = line(Stop("x", 3, HOUR, locked=("a", 0)), crews=crews)

    spread = crew_drops_out(problem, solve(problem, 0.0), "a", seconds=0.5)

    assert spread.plan.where() == {"x": ("b", 0)}


def test_a_dear_day_of_which_too_little_stays_is_spread_all_the_same():
    """Each turn doubled the price of a move, until it was none that a problem may have."""
    crews = tuple(Crew(name, 0, 0, ((8 * HOUR, 16 * HOUR),)) for name in ("a", "b"))
    dear = Objective.per_hour(drive=90, paid=90, overtime=90, moved=0)
    problem = line(Stop("x", 3, 3 * HOUR), Stop("y", 4, 3 * HOUR), crews=crews, objective=dear)

    spread = crew_drops_out(problem, solve(problem, 0.0), "a", seconds=0.1, stay=1.1)

    assert spread.plan.where() == {"x": ("b", 0), "y": ("b", 0)}


def test_yesterdays_routes_are_kept_as_far_as_they_can_be_driven(branch):
    plan = regret_plan(branch)
    first = plan.routes[0].visits[0].id
    changed = replace(
        branch,
        stops=tuple(replace(stop, skills=frozenset({"motor"})) if stop.id == first else stop for stop in branch.stops),
    )

    kept = fit_in(changed, orders_of(branch, plan))

    assert [u.id for u in kept.unplaced] == [first]
    assert verify(changed, kept) == ()


def test_no_complete_plan_costs_less_than_the_bound():
    complete = [(p, plan) for p in map(random_branch, range(300)) if not (plan := regret_plan(p)).unplaced]

    assert len(complete) > 30
    assert [problem for problem, plan in complete if cost_bound(problem) > plan.cost] == []


def test_the_bound_is_reached_where_nothing_can_be_shared():
    """Two stops at one moment, each by a crew of its own: every leg is forced, and the work is paid."""
    stops = (Stop("a", 4, HOUR, ((9 * HOUR, 9 * HOUR),)), Stop("b", 7, HOUR, ((9 * HOUR, 9 * HOUR),)))
    crews = tuple(Crew(name, 0, 0, ((7 * HOUR, 16 * HOUR),)) for name in "ab")
    problem = line(*stops, crews=crews, objective=Objective(drive=1, paid=2))

    assert cost_bound(problem) == regret_plan(problem).cost == 3 * 22 * 600 + 2 * 2 * HOUR


@pytest.mark.parametrize("first", range(0, 1000, 100))
def test_no_plan_of_a_thousand_random_branches_breaks_a_bound(first):
    """Insertion, then the compiled search from it where it is installed."""
    ruin_and_recreate = pytest.importorskip("jobs.rules.routing.ruin_and_recreate")
    for seed in range(first, first + 100):
        problem = random_branch(seed)
        plan = regret_plan(problem)
        assert verify(problem, plan) == (), seed
        if not problem.stops or not problem.days:
            continue
        o = problem.objective
        data = ruin_and_recreate.data_of(
            arrays_of(problem), (o.drive, o.paid, o.overtime, o.late if o.grace else 0), seed, seed % 6
        )
        ruin_and_recreate.set_orders(data, orders_of(problem, plan))
        ruin_and_recreate.run_steps(data, 60, 3000.0, 30.0)
        found = plan_of(problem, ruin_and_recreate.best_orders(data))
        assert found is not None, seed
        assert verify(problem, found) == (), seed


@pytest.mark.parametrize("seed", range(1, 40, 3))
def test_a_search_takes_the_same_steps_whatever_it_remembers_of_routes(seed, monkeypatch):
    """With room for one place only, nearly every route is looked through anew."""
    ruin_and_recreate = pytest.importorskip("jobs.rules.routing.ruin_and_recreate")
    problem = random_branch(seed, 30)
    o, start = problem.objective, orders_of(problem, regret_plan(problem))
    found = []
    for most in (1 << 20, 1):
        monkeypatch.setattr(ruin_and_recreate, "MOST_FOUND", most)
        data = ruin_and_recreate.data_of(arrays_of(problem), (o.drive, o.paid, o.overtime, 0), seed, seed % 6)
        ruin_and_recreate.set_orders(data, start)
        ruin_and_recreate.run_steps(data, 400, 3000.0, 30.0)
        cost, orders = int(data.work[0]["cost"]), ruin_and_recreate.best_orders(data)
        found.append((cost, orders))
        ruin_and_recreate.reset(
            data.nodes, data.days, data.stops, data.travel, data.lo, data.hi, data.extra, data.absent, data.work
        )
        assert int(data.work[0]["cost"]) == cost  # as it is when every route is timed anew

    assert found[0] == found[1]


@pytest.mark.parametrize(("capacity", "swaps"), [(None, True), (4, True), (3, False)])
def test_two_routes_that_cross_go_on_with_each_others_rest(capacity, swaps):
    """Out to 2 and back over 18, and the other way round; each van then holds what it takes from there on."""
    ruin_and_recreate = pytest.importorskip("jobs.rules.routing.ruin_and_recreate")
    shifts = ((8 * HOUR, 20 * HOUR),)
    crews = tuple(Crew(name, 10, 10, shifts, capacity=capacity) for name in "ab")
    morning, noon = ((8 * HOUR, 11 * HOUR),), ((13 * HOUR, 16 * HOUR),)
    stops = [Stop("left", 2, 600, morning, load=2), Stop("right, later", 18, 600, noon, load=1)]
    stops += [Stop("right", 18, 600, morning, load=1), Stop("left, later", 2, 600, noon, load=2)]
    problem = line(*stops, crews=crews)
    data = ruin_and_recreate.data_of(arrays_of(problem), (1, 0, 0, 0), 1)
    set_orders(data, {0: [0, 1], 1: [2, 3]})

    limit = float(data.work[0]["cost"])
    names = ("nodes", "days", "stops", "travel", "lo", "hi", "near", "old", "touched", "work")
    changed = 0
    for _ in range(50):
        data.work["step"] += 1
        changed = changed or ruin_and_recreate.swap_tails(*(getattr(data, name) for name in names), limit)

    assert changed == (2 if swaps else 0)
    routes = {tuple(data.nodes[r, 1:3]["place"]) for r in range(2)}
    assert routes == ({(0, 3), (2, 1)} if swaps else {(0, 1), (2, 3)})


# -- documents and the process of its own ------------------------------------------


@pytest.mark.parametrize("seed", range(30))
def test_a_problem_goes_through_its_document_and_back(seed):
    problem = random_branch(seed)

    request = read_request(json.dumps(problem_document(problem, 3, 4)))
    again = request.problem

    assert (again.crews, again.stops, again.objective) == (problem.crews, problem.stops, problem.objective)
    assert dict(again.previous) == dict(problem.previous)
    assert (again.travel == problem.travel).all()
    assert (request.seconds, request.seed) == (3, 4)


def test_a_plan_goes_through_its_document_and_back(branch):
    plan = regret_plan(branch)

    assert plan_from(branch, read_answer(plan_document(plan, 1.0))) == plan


@pytest.mark.parametrize(
    ("reason", "field"),
    [
        ({"kind": "full", "nearest": {"kind": "late_back", "late": "720"}}, "reason.nearest.late"),
        ({"kind": "promise", "window": [1, "2"]}, "reason.window"),
        ({"kind": "off", "team": "north"}, "reason.team"),
    ],
)
def test_a_reason_that_is_none_is_refused_by_its_field(reason, field):
    with pytest.raises(ContractError) as caught:
        read_answer({"routes": [], "unplaced": [{"id": "a", "why": "", "reason": reason}]})

    assert caught.value.field == f"unplaced[0].{field}"


def test_a_solve_in_its_own_process_reports_and_answers(branch):
    document = json.dumps(problem_document(branch, 1, 0))
    process = subprocess.Popen(
        [sys.executable, "-m", "jobs.rules.routing"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    process.stdin.write(document + "\n")
    process.stdin.flush()
    *progress, answer = [json.loads(text) for text in process.stdout]

    assert process.wait(10) == 0
    assert progress[0]["progress"]["engine"] == "regret"
    assert plan_from(branch, read_answer(answer)).cost == answer["cost"] <= progress[-1]["progress"]["cost"]
    process.stdin.close()
    process.stdout.close()


def test_bytecode_an_installer_left_out_is_written(tmp_path, monkeypatch):
    (tmp_path / "left_alone.py").write_text("answer = 42\n")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    monkeypatch.delitem(sys.modules, "left_alone", raising=False)
    module = importlib.import_module("left_alone")
    assert not Path(module.__cached__).exists()

    keep_bytecode([module])

    assert Path(module.__cached__).exists()


def test_a_solve_in_its_own_process_ends_when_its_input_closes(branch):
    document = json.dumps(problem_document(branch, 60, 0))
    began = time.monotonic()

    done = subprocess.run(
        [sys.executable, "-m", "jobs.rules.routing"], input=document + "\n", capture_output=True, text=True, check=True
    )

    assert time.monotonic() - began < 30
    assert json.loads(done.stdout.splitlines()[-1])["unplaced"] == []


@pytest.mark.parametrize("seed", [101, 102, 103, 104])
def test_a_small_plan_ends_by_itself_and_vroom_finds_no_better_one(seed):
    """VROOM knows neither the price of waiting nor of moving a stop: its plan is priced as ours is."""
    problem = random_branch(seed, 14)
    others = []
    began = time.monotonic()

    plan = solve(problem, 120, seed)
    took = time.monotonic() - began
    build_with_vroom(problem, 10, lambda orders: others.append(plan_of(problem, orders)))

    assert took < 120
    assert others
    assert all(other is None or verify(problem, other) or plan.rank <= other.rank for other in others)


def test_both_plans_kept_in_the_branch_files_verify_and_ours_is_no_worse(benchmarks):
    for path in sorted((benchmarks / "routing").glob("branch-*.json")):
        problem, document = read_branch(path)
        for name in ("planted", "best_found"):
            routes = document[name]["routes"]
            orders = {
                problem.day_number[route["crew"], route["day"]]: [stop for stop, _ in route["stops"]]
                for route in routes
            }
            plan = plan_of(problem, orders)
            assert plan is not None
            assert verify(problem, plan) == ()
            assert plan.travel == document[name]["travel_s"]
        target = 1.005 * document["best_found"]["travel_s"]
        ours = solve_until(lambda plan, target=target: not plan.unplaced and plan.travel <= target, problem)
        assert (ours.unplaced, ours.travel <= target) == ((), True)
