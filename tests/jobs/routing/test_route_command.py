"""`manage.py route`: one JSON document in, one answer out, errors that name the field."""

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

from jobs.rules.routing.command import answer
from shared.contracts import ContractError

ROOT = Path(__file__).resolve().parents[3]

HALL = {
    "unit": "s",
    "crews": [{"id": "north", "start": 0, "end": 0, "shifts": [[28_800, 57_600]], "skills": ["install"]}],
    "stops": [
        {"id": "elm", "at": 1, "service": 3600, "windows": [[28_800, 36_000]], "skills": ["install"]},
        {"id": "oak", "at": 2, "service": 5400},
    ],
    "travel": {"matrix": [[0, 600, 900], [600, 0, 400], [900, 400, 0]]},
    "seconds": 0.1,
}


def changed(**fields):
    return json.loads(json.dumps(HALL)) | fields


def route(document, *arguments):
    text = document if isinstance(document, str) else json.dumps(document)
    return subprocess.run(
        [sys.executable, "manage.py", "route", *arguments], input=text, capture_output=True, text=True, cwd=ROOT
    )


def test_a_process_knows_how_long_it_runs():
    """Its start-up is part of the seconds that are asked for."""
    code = "from jobs.rules.routing.command import process_age; print(process_age())"
    began = time.monotonic()

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)

    assert 0 < float(done.stdout) < time.monotonic() - began + 0.02


def test_the_command_answers_with_routes_times_and_travel():
    done = route(HALL)

    plan = json.loads(done.stdout)
    (only,) = plan["routes"]
    assert (done.returncode, done.stderr) == (0, "")
    assert (only["crew"], only["shift"], only["travel"], plan["travel"], plan["cost"]) == ("north", 0, 1900, 1900, 1900)
    assert plan["unplaced"] == []
    at = only["depart"]
    place = 0
    for stop in only["stops"]:
        row = {"elm": 1, "oak": 2}[stop["id"]]
        assert stop["arrive"] == at + HALL["travel"]["matrix"][place][row]
        assert stop["arrive"] <= stop["start"]
        at, place = stop["leave"], row
    assert at + HALL["travel"]["matrix"][place][0] == only["back"]


def test_the_answer_says_what_no_plan_can_cost_less_than():
    alone = changed(stops=[HALL["stops"][0]])

    assert answer(json.dumps(alone))["bound"] == 1200
    assert "bound" not in answer(json.dumps(changed(crews=[])))


def test_a_file_is_read_as_well(tmp_path):
    path = tmp_path / "day.json"
    path.write_text(json.dumps(HALL))

    assert json.loads(route("", str(path)).stdout)["travel"] == 1900


def test_seconds_gone_before_the_search_count_towards_those_asked():
    began = time.monotonic()
    plan = answer(json.dumps(changed(seconds=600)), spent=599.5)

    assert time.monotonic() - began < 30
    assert plan["seconds"] >= 599.5


@pytest.mark.parametrize(
    ("document", "field"),
    [
        ("{", "document"),
        (changed(stops=[{"id": "elm", "at": 1, "windows": [[5, 4]]}]), "stops[0].windows[0]"),
        (changed(crew=[]), "crew"),
    ],
)
def test_bad_input_ends_with_code_2_and_names_the_field(document, field):
    done = route(document)

    assert (done.returncode, done.stdout) == (2, "")
    assert json.loads(done.stderr)["error"]["field"] == field


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"unit": "min"}, "unit"),
        ({"seconds": 0}, "seconds"),
        ({"seed": -1}, "seed"),
        ({"seed": 1.5}, "seed"),
        ({"travel": {"matrix": [[0, 1], [1]]}}, "travel.matrix[1]"),
        ({"travel": {"matrix": [[0, -1, 1], [1, 0, 1], [1, 1, 0]]}}, "travel.matrix[0][1]"),
        ({"travel": {"matrix": [[0, 0.5, 1], [1, 0, 1], [1, 1, 0]]}}, "travel.matrix[0][1]"),
        ({"travel": {"matrix": [[5]]}}, "travel.matrix[0][0]"),
        ({"travel": {"metric": "miles"}}, "travel.metric"),
        ({"travel": {"metric": "road"}}, "crews[0].start"),
        (
            {"travel": {"metric": "road"}, "crews": [{"id": "c", "start": [0, 0, 0], "end": [0, 0], "shifts": []}]},
            "crews[0].start",
        ),
        ({"stops": [{"id": "a"}]}, "stops[0].at"),
        ({"stops": [{"id": "a", "at": 7}]}, "stops[0].at"),
        ({"stops": [{"id": "a", "at": 1}, {"id": "a", "at": 1}]}, "stops[1].id"),
        ({"stops": [{"id": "a", "at": 1, "service": -1}]}, "stops[0].service"),
        ({"stops": [{"id": "a", "at": 1, "promised": [1]}]}, "stops[0].promised"),
        ({"stops": [{"id": "a", "at": 1, "locked": {"crew": "x", "shift": 0}}]}, "stops[0].locked.crew"),
        ({"stops": [{"id": "a", "at": 1, "locked": {"crew": "north", "shift": 1}}]}, "stops[0].locked.shift"),
        ({"stops": [{"id": "a", "at": 1, "colour": "red"}]}, "stops[0].colour"),
        ({"stops": [{"id": True, "at": 1}]}, "stops[0].id"),
        ({"crews": [{"id": "c", "start": 0, "end": 0, "shifts": [[9, 8]]}]}, "crews[0].shifts[0]"),
        (
            {"crews": [{"id": "c", "start": 0, "end": 0, "shifts": [], "lunch": {"from": 9, "to": 8, "minutes": 1}}]},
            "crews[0].lunch.to",
        ),
        ({"objective": {"drive": -1}}, "objective.drive"),
        ({"objective": {"beauty": 1}}, "objective.beauty"),
        ({"previous": [{"crew": "north"}]}, "previous[0].shift"),
    ],
)
def test_each_impossible_value_names_its_field(change, field):
    with pytest.raises(ContractError) as caught:
        answer(json.dumps(changed(**change)))

    assert caught.value.field == field


def test_an_unreachable_stop_is_an_answer():
    """Its reason is looked for once the search has ended by its steps, long before these seconds."""
    document = changed(stops=[{"id": "far", "at": 1, "windows": [[0, 60]]}], seconds=60)

    plan = answer(json.dumps(document))

    assert plan["routes"] == []
    assert plan["unplaced"][0]["why"].startswith("no crew can do it even on an empty day; nearest: crew north")


def test_points_in_the_plane_are_measured_and_rounded():
    crew = {"id": 1, "start": [0, 0], "end": [0, 0], "shifts": [[0, 10_000]]}
    stop = {"id": 2, "at": [3, 4.5]}
    base = {"crews": [crew], "stops": [stop], "seconds": 0.1}

    plane = answer(json.dumps(base | {"travel": {"metric": "euclidean", "scale": 60}}))
    tenths = answer(json.dumps(base | {"travel": {"metric": "dimacs"}}))

    assert plane["travel"] == 2 * round(60 * 29.25**0.5)
    assert tenths["travel"] == 2 * 54


def test_longitude_and_latitude_become_driving_seconds():
    crew = {"id": "c", "start": [-97.1, 32.7], "end": [-97.1, 32.7], "shifts": [[0, 36_000]]}
    document = {
        "crews": [crew],
        "stops": [{"id": "a", "at": [-97.3, 32.8]}],
        "travel": {"metric": "road"},
        "seconds": 0.1,
    }

    assert 2400 < answer(json.dumps(document))["travel"] < 7200


def test_lunch_overtime_capacity_and_money_are_understood():
    crew = HALL["crews"][0] | {
        "lunch": {"from": 32_400, "to": 36_000, "minutes": 30},
        "overtime": {"minutes": 30},
        "capacity": 3,
    }
    stops = [HALL["stops"][0] | {"load": 3}, HALL["stops"][1] | {"load": 1}]
    document = changed(crews=[crew], stops=stops, objective={"drive": 2, "paid": 1})

    plan = answer(json.dumps(document))

    assert [entry["id"] for entry in plan["unplaced"]] in (["elm"], ["oak"])
    (only,) = plan["routes"]
    assert plan["cost"] == 2 * only["travel"] + only["back"] - only["depart"]


def test_the_answer_is_a_previous_plan_and_staying_can_be_priced():
    crews = [HALL["crews"][0], HALL["crews"][0] | {"id": "south"}]
    first = answer(json.dumps(changed(crews=crews)))
    moved = [first["routes"][0] | {"crew": "south"}]

    stays = answer(json.dumps(changed(crews=crews, previous=moved, objective={"moved": 10_000})))

    assert {entry["crew"] for entry in stays["routes"]} == {"south"}
    assert stays["cost"] == stays["travel"]


def test_a_previous_plan_with_a_stop_that_is_gone_is_used_as_far_as_it_goes():
    previous = [{"crew": "north", "shift": 0, "stops": [{"id": "gone"}, {"id": "oak"}, {"id": "elm"}], "travel": 1}]

    plan = answer(json.dumps(changed(previous=previous)))

    assert plan["unplaced"] == []
