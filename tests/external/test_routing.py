"""Routing against published figures, reference libraries and exhaustive search."""

import itertools
import math
import os
import random
from pathlib import Path

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from jobs.rules.durations import Lognormal
from jobs.rules.routing import Crew, Problem, Stop, plan_of, solve, verify
from jobs.rules.routing.bound import cost_bound
from jobs.rules.travel import great_circle_m
from tests.benchmarks.routing_instances import read_academic, read_best_known, read_solution
from tests.jobs.routing.branches import solve_until

FOLDER = os.environ.get("JAMBWISE_BENCHMARKS")


# -- distance --------------------------------------------------------------------------


def dms(degrees, minutes, seconds):
    return math.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees)


@pytest.mark.parametrize(
    ("line", "metres"),
    [
        # Flinders Peak to Buninyong, GRS80: national geodetic manual of Australia (second-hand)
        ((dms(-37, 57, 3.72030), dms(144, 25, 29.52440), dms(-37, 39, 10.15610), dms(143, 55, 35.38390)), 54_972.271),
        # GeographicLib's test GeodSolve0
        ((40.6, -73.8, 49.01666667, 2.55), 5_853_226.0),
        # one degree of longitude on the equator, and of latitude from it and at the pole, WGS84
        ((0.0, 0.0, 0.0, 1.0), 111_319.491),
        ((0.0, 0.0, 1.0, 0.0), 110_574.389),
        ((89.0, 0.0, 90.0, 0.0), 111_693.865),
    ],
)
def test_published_geodesics_are_met_within_what_a_sphere_can(line, metres):
    """Haversine on the mean radius is at most 0.56 % off the ellipsoid (worst north-south at the equator)."""
    lat1, lon1, lat2, lon2 = line

    assert float(great_circle_m(lon1, lat1, lon2, lat2)) == pytest.approx(metres, rel=0.006)


def test_the_flinders_line_has_the_haversine_length_worked_out_elsewhere():
    """54 925.51 m with R = 6 371 008.8 m: recomputed from the published coordinates, not from our code."""
    line = dms(144, 25, 29.52440), dms(-37, 57, 3.72030), dms(143, 55, 35.38390), dms(-37, 39, 10.15610)

    assert float(great_circle_m(*line)) == pytest.approx(54_925.51, abs=0.01)


def test_a_thousand_random_lines_agree_with_the_reference_library():
    """geographiclib (C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87, 2013) on WGS84."""
    pick = random.Random(1)
    for _ in range(1000):
        lat1, lat2 = pick.uniform(-80, 80), pick.uniform(-80, 80)
        lon1, lon2 = pick.uniform(-180, 180), pick.uniform(-180, 180)
        exact = Geodesic.WGS84.Inverse(lat1, lon1, lat2, lon2)["s12"]
        assert float(great_circle_m(lon1, lat1, lon2, lat2)) == pytest.approx(exact, rel=0.006)


# -- durations -------------------------------------------------------------------------


def test_lognormal_figures():
    """mu = ln 60, sigma = 0.4: median 60, mean 65.0, 90 % quantile 100.2 (recomputed with scipy)."""
    special = pytest.importorskip("scipy.special")
    time = Lognormal.from_median(60, 0.4)
    steps = np.linspace(-12, 12, 48_001)  # the moments by summing the density, the quantiles by scipy
    weights = np.exp(-(steps**2) / 2) / math.sqrt(2 * math.pi) * (steps[1] - steps[0])
    minutes = 60 * np.exp(0.4 * steps)
    mean = float((weights * minutes).sum())

    assert (round(time.median, 1), round(time.mean, 1), round(time.quantile(0.9), 1)) == (60.0, 65.0, 100.2)
    assert time.mean == pytest.approx(mean)
    assert time.deviation == pytest.approx(math.sqrt(float((weights * (minutes - mean) ** 2).sum())))
    for q in (0.05, 0.5, 0.85):
        assert time.quantile(q) == pytest.approx(60 * math.exp(0.4 * float(special.ndtri(q))))


# -- routes with known optima --------------------------------------------------------------

BURMA14 = [
    (16.47, 96.10), (16.47, 94.44), (20.09, 92.54), (22.39, 93.37), (25.23, 97.24), (22.00, 96.05), (20.47, 97.02),
    (17.20, 96.29), (16.30, 97.38), (14.05, 98.12), (16.53, 97.38), (21.52, 95.59), (19.41, 97.13), (20.09, 94.55),
]  # fmt: skip
ULYSSES16 = [
    (38.24, 20.42), (39.57, 26.15), (40.56, 25.32), (36.26, 23.12), (33.48, 10.54), (37.56, 12.19), (38.42, 13.11),
    (37.52, 20.44), (41.23, 9.10), (41.17, 13.05), (36.08, -5.21), (38.47, 15.13), (38.15, 15.35), (37.51, 15.17),
    (35.49, 14.32), (39.36, 19.56),
]  # fmt: skip


def tsplib_geo(points):
    """TSPLIB's GEO distance, integer kilometres, with its own pi and radius (Reinelt 1995, sec. 2.4)."""

    def radians(value):
        degrees = math.trunc(value)
        return 3.141592 * (degrees + 5.0 * (value - degrees) / 3.0) / 180.0

    at = [(radians(x), radians(y)) for x, y in points]
    table = np.zeros((len(at), len(at)), dtype=int)
    for i, j in itertools.permutations(range(len(at)), 2):
        q1 = math.cos(at[i][1] - at[j][1])
        q2 = math.cos(at[i][0] - at[j][0])
        q3 = math.cos(at[i][0] + at[j][0])
        table[i, j] = int(6378.388 * math.acos(0.5 * ((1.0 + q1) * q2 - (1.0 - q1) * q3)) + 1.0)
    return table


@pytest.mark.parametrize(("points", "optimum"), [(BURMA14, 3323), (ULYSSES16, 6859)])
def test_a_tour_has_its_published_optimal_length(points, optimum):
    """
    burma14 3323 and ulysses16 6859, optima of TSPLIB.

    G. Reinelt (1991). TSPLIB: a traveling salesman problem library. ORSA J. Computing 3(4): 376-384.
    Coordinates typed in from memory; that the optima come out is the check of both.
    """
    stops = tuple(Stop(number, number, 0) for number in range(1, len(points)))
    problem = Problem((Crew("c", 0, 0, ((0, 10**6),)),), stops, tsplib_geo(points))

    assert solve_until(lambda plan: plan.travel <= optimum, problem).travel == optimum


def exhaustive(problem):
    """The cheapest complete plan by trying every split and order; None if there is none."""
    best = None
    numbers = range(len(problem.stops))
    for days in itertools.product(range(len(problem.days)), repeat=len(numbers)):
        groups = {day: [n for n in numbers if days[n] == day] for day in set(days)}
        total = 0
        for day, group in groups.items():
            plans = [plan_of(problem, {day: order}) for order in itertools.permutations(group)]
            legal = [plan.travel for plan in plans if plan is not None and not _faults(problem, plan)]
            if not legal:
                break
            total += min(legal)
        else:
            best = total if best is None else min(best, total)
    return best


def _faults(problem, plan):
    return [fault for fault in verify(problem, plan) if fault.code != "total"]


@pytest.mark.parametrize("seed", range(6))
def test_small_branches_reach_the_optimum_of_exhaustive_search(seed):
    pick = random.Random(seed)
    at = np.array([(pick.randint(0, 50), pick.randint(0, 50)) for _ in range(7)])
    travel = np.rint(60 * np.hypot(*(at[:, None, :] - at[None, :, :]).transpose(2, 0, 1))).astype(int)
    crews = tuple(Crew(n, n, n, ((0, 4 * 3600),), frozenset(["a"] if n else ["a", "b"])) for n in range(2))
    stops = []
    for position in range(2, 7):
        opens = pick.randint(0, 2 * 3600)
        stops.append(
            Stop(position, position, 600, ((opens, opens + 5400),), frozenset(pick.choice([["a"], ["a"], ["b"]])))
        )
    problem = Problem(crews, tuple(stops), travel)
    optimum = exhaustive(problem)
    if optimum is None:
        assert solve(problem, 0.2, seed).unplaced
        return
    plan = solve_until(lambda plan: not plan.unplaced and plan.travel <= optimum, problem, seed)

    assert (plan.unplaced, plan.travel) == ((), optimum)
    assert 0.3 * optimum < cost_bound(problem) <= optimum


# -- published instances, where they are ------------------------------------------------------


def folder():
    if not FOLDER or not Path(FOLDER).is_dir():
        pytest.skip("JAMBWISE_BENCHMARKS names no folder of published instances")
    path = Path(FOLDER)
    return path / "routing" if (path / "routing").is_dir() else path


def test_published_solutions_verify_at_their_published_cost():
    """Solomon (1987) and Gehring & Homberger (1999) instances, solutions of CVRPLIB, DIMACS convention."""
    path = folder()
    best = read_best_known(path)
    checked = 0
    for solution in sorted(path.glob("*.sol")):
        problem = read_academic(solution.with_suffix(".txt"))
        cost, routes = read_solution(solution)
        orders = {day: [stop - 1 for stop in route] for day, route in enumerate(routes)}
        plan = plan_of(problem, orders)
        assert plan is not None
        assert verify(problem, plan) == ()
        assert (plan.travel, plan.unplaced) == (cost, ())
        assert cost == best[solution.stem]
        assert 0.4 * cost < cost_bound(problem) <= cost
        checked += 1
    assert checked


def test_a_published_instance_is_solved_to_its_optimum():
    """C101: 827.3 (DIMACS convention), reached in seconds."""
    assert solve_until(lambda plan: plan.travel <= 8273, read_academic(folder() / "C101.txt")).travel == 8273
