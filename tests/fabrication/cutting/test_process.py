"""The solver as a process, and the management command."""

from __future__ import annotations

import json
import subprocess
import sys
import time

import pytest

from fabrication.rules.cutting import plan_json, read_request
from tests.benchmarks.cutting_instances import shade_day

COMMANDS = {
    "process": [sys.executable, "-m", "fabrication.rules.cutting"],
    "command": [sys.executable, "manage.py", "cut"],
}
SMALL = {
    "kind": "bar",
    "unit": "in",
    "kerf": "1/8",
    "stock": [{"id": "s1", "length": "192"}],
    "pieces": [{"id": "p1", "length": "35 1/4", "quantity": 3}],
}


def document_of(problem, **more):
    return {
        "kind": "bar",
        "unit": "in",
        "kerf": problem.kerf.text(),
        "trim": problem.trim.text(),
        "keep": problem.keep.text(),
        "stock": [
            {"id": bar.id, "length": bar.length.text(), "quantity": bar.quantity, "offcut": bar.offcut}
            for bar in problem.stock
        ],
        "pieces": [
            {"id": piece.id, "length": piece.length.text(), "quantity": piece.quantity} for piece in problem.pieces
        ],
        **more,
    }


def start():
    pipe = subprocess.PIPE
    return subprocess.Popen(COMMANDS["process"], stdin=pipe, stdout=pipe, stderr=pipe, text=True)


def test_progress_comes_in_lines_and_the_answer_last():
    with start() as process:
        process.stdin.write(json.dumps(document_of(shade_day(3)["tube L"], seconds=2)) + "\n")
        process.stdin.flush()
        lines = [json.loads(line) for line in process.stdout]

    assert process.returncode == 0
    assert all(set(line["progress"]) == {"done", "total", "message", "cost", "bound"} for line in lines[:-1])
    assert all(0 <= line["progress"]["done"] <= line["progress"]["total"] == 100 for line in lines[:-1])
    assert all(0 <= line["progress"]["bound"] <= line["progress"]["cost"] for line in lines[:-1])
    assert len(lines) > 2
    assert lines[-1]["patterns"]
    assert lines[-1]["bound"] <= lines[-1]["cost"]


def test_the_process_ends_with_its_best_plan_when_its_input_closes():
    with start() as process:
        process.stdin.write(json.dumps(document_of(shade_day(3)["bottom bar"], seconds=60)) + "\n")
        process.stdin.flush()
        process.stdout.readline()
        closed = time.monotonic()
        process.stdin.close()
        lines = process.stdout.readlines()

    assert time.monotonic() - closed < 30
    assert json.loads(lines[-1])["patterns"]


@pytest.mark.parametrize("command", COMMANDS.values(), ids=COMMANDS)
@pytest.mark.parametrize(
    "document", ["{", '{"kind":"bar"}', json.dumps({**SMALL, "kerf": 3})], ids=["cut off", "bare", "number"]
)
def test_a_bad_document_gives_the_error_object_and_nothing_else(command, document):
    done = subprocess.run(command, input=document, capture_output=True, text=True)

    assert done.returncode == 2
    assert done.stdout == ""
    assert set(json.loads(done.stderr)["error"]) == {"field", "problem", "bound"}


def test_the_command_writes_one_object_and_nothing_else(tmp_path):
    file = tmp_path / "bars.json"
    file.write_text(json.dumps(document_of(shade_day(3)["tube M"], seconds=2)))

    done = subprocess.run([*COMMANDS["command"], str(file)], capture_output=True, text=True)

    assert done.returncode == 0
    assert done.stderr == ""
    out = json.loads(done.stdout)
    assert 0 <= out["gap"] < 0.05
    assert out["bound"] <= out["cost"]
    assert out["seconds"] <= 2 + 2


def test_a_missing_file_is_refused_like_any_bad_input():
    done = subprocess.run([*COMMANDS["command"], "no-such-file.json"], capture_output=True, text=True)

    assert done.returncode == 2
    assert json.loads(done.stderr)["error"]["field"] == "FILE"


def test_the_whole_answer_is_plain_json():
    from fabrication.rules.cutting import solve

    request = read_request(json.dumps(SMALL))

    assert json.loads(json.dumps(plan_json(request.problem, solve(request.problem))))["gap"] == 0
