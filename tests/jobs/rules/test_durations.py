"""Durations: spread, learning, and the chance of a promise."""

import math
import random

import pytest

from jobs.rules.durations import Lognormal, learn_factor, learn_sigma
from jobs.rules.promises import Pause, PromisedVisit, chances, within
from jobs.rules.variation import Variation


def test_mean_and_deviation_go_through_the_lognormal_and_back():
    time = Lognormal.from_mean(65.0, 27.0)

    assert (time.mean, time.deviation) == pytest.approx((65.0, 27.0))
    assert time.median < time.mean < time.quantile(0.85)


def test_a_certain_time_has_no_spread():
    assert Lognormal.from_mean(60.0, 0.0).quantile(0.99) == pytest.approx(60.0)


@pytest.mark.parametrize("wrong", [(0.0, 0.4), (-1.0, 0.4), (math.inf, 0.4), (60.0, -0.1)])
def test_a_lognormal_refuses_nonsense(wrong):
    with pytest.raises(ValueError, match="out of bounds"):
        Lognormal.from_median(*wrong)


def test_a_slow_crew_is_learned_and_one_bad_day_is_not():
    rng = random.Random(1)
    slow = [60 * 1.3 * math.exp(rng.gauss(0, 0.3)) for _ in range(200)]

    assert learn_factor([60.0] * 200, slow).factor == pytest.approx(1.3, abs=0.06)
    assert learn_factor([60.0], [480.0]).factor == pytest.approx(8 ** (1 / 11))


def test_the_spread_is_learned_too():
    rng = random.Random(2)
    taken = [60 * math.exp(rng.gauss(0, 0.5)) for _ in range(500)]

    assert learn_sigma([60.0] * 500, taken) == pytest.approx(0.5, abs=0.03)
    assert learn_sigma([60.0], [90.0]) == 0.35


# -- promises ------------------------------------------------------------------------------


def test_the_first_stop_on_time_is_the_lognormal_probability():
    """One drive alone: the chance is known in closed form, P(drive <= 30 min)."""
    visit = PromisedVisit(drive=1500.0, service=600.0, promised=(0.0, 1800.0))
    sigma = math.hypot(0.2, 0.1)
    z = (math.log(1800 / 1500) + sigma**2 / 2) / sigma

    spreads = Variation.lognormal(drive=0.2, day=0.1)
    sampled = chances([visit], 0.0, seed=4, days=20_000, variation=spreads)[0].on_time

    assert sampled == pytest.approx(0.5 * math.erfc(-z / math.sqrt(2)), abs=2 * within(0.8, 20_000))


def test_a_promise_late_in_the_day_is_less_sure_than_the_same_slack_early():
    visits = [PromisedVisit(1200.0, 3600.0, promised=(0.0, n * 4800.0 + 1200.0 + 1200.0)) for n in range(5)]

    told = [chance.on_time for chance in chances(visits, 0.0, seed=1)]

    assert told == sorted(told, reverse=True)
    assert told[0] > 0.99 > told[-1]


def test_same_seed_same_days():
    visits = [PromisedVisit(1200.0, 3600.0, promised=(0.0, 1300.0))]

    assert chances(visits, 0.0, seed=7) == chances(visits, 0.0, seed=7)


def test_nothing_random_means_certain():
    visits = [PromisedVisit(600.0, 1800.0, sigma=0.0, promised=(900.0, 1000.0)), PromisedVisit(600.0, 0.0, sigma=0.0)]

    told = chances(visits, 0.0, seed=1, variation=Variation.lognormal())

    assert [(chance.on_time, chance.start) for chance in told] == [(1.0, 900.0), (1.0, 3300.0)]
    assert told[0].words == "safe"


def test_lunch_comes_before_the_stop_it_delays():
    visits = [PromisedVisit(600.0, 600.0, sigma=0.0), PromisedVisit(600.0, 600.0, sigma=0.0)]

    told = chances(visits, 0.0, seed=1, variation=Variation.lognormal(), pause=Pause(earliest=1000.0, duration=1800.0))

    assert [chance.start for chance in told] == [600.0, 3600.0]


@pytest.mark.parametrize(
    "call",
    [
        lambda: chances([PromisedVisit(-1.0, 0.0)], 0.0, seed=1),
        lambda: chances([PromisedVisit(1.0, 0.0, promised=(2.0, 1.0))], 0.0, seed=1),
        lambda: chances([], 0.0, seed=1, days=10),
    ],
)
def test_nonsense_is_refused(call):
    with pytest.raises(ValueError, match=r"bounds|before|few"):
        call()
