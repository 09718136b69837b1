"""Driving times when there is no road data."""

import math

import numpy as np
import pytest

from jobs.rules.travel import RoadModel, drive_seconds, learn_factor, travel_table


def test_a_longer_drive_is_never_quicker():
    seconds = drive_seconds(np.linspace(0, 200_000, 2001))

    assert (np.diff(seconds) >= 0).all()


def test_no_distance_is_no_drive_and_a_short_hop_costs_its_parking():
    assert drive_seconds(np.array([0.0, 1.0])).tolist() == [0, 120]


def test_each_part_of_a_drive_has_its_own_speed():
    model = RoadModel(factor=1.0, speeds=((1_000, 36.0), (math.inf, 72.0)), stop_s=0.0)

    assert drive_seconds(3_000.0, model) == 100 + 100


def test_the_table_is_whole_symmetric_and_empty_on_its_diagonal():
    table = travel_table([(-97.1, 32.7), (-97.3, 32.8), (-97.1, 32.7)])

    assert table.dtype == np.int64
    assert (table == table.T).all()
    assert table[0, 2] == 0
    assert 1200 < table[0, 1] < 3600


@pytest.mark.parametrize("point", [(180.5, 0.0), (0.0, 90.5), (math.nan, 0.0)])
def test_a_point_off_the_earth_is_refused(point):
    with pytest.raises(ValueError, match="longitude"):
        travel_table([(0.0, 0.0), point])


@pytest.mark.parametrize(
    "fields",
    [
        {"factor": 0.9},
        {"speeds": ((5_000, 30.0),)},
        {"speeds": ((math.inf, 0.0),)},
        {"speeds": ((9.0, 30.0), (5.0, 30.0), (math.inf, 30.0))},
        {"stop_s": -1.0},
    ],
)
def test_a_road_model_refuses_nonsense(fields):
    with pytest.raises(ValueError, match=r"bounds|ascending"):
        RoadModel(**fields)


def test_a_trip_within_one_house_is_a_trip():
    assert learn_factor([0.5], [1.0]) == pytest.approx((2.0 + 20 * 1.3) / 21)


def test_few_trips_hardly_move_the_factor_and_many_do():
    few = learn_factor([1000.0] * 2, [1600.0] * 2)
    many = learn_factor([1000.0] * 500, [1600.0] * 500)

    assert few == pytest.approx(1.327, abs=0.001)
    assert many == pytest.approx(1.588, abs=0.001)
    assert learn_factor([1000.0] * 500, [900.0] * 500) == 1.0  # no road is shorter than the straight line
