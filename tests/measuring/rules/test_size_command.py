"""`manage.py size` as a shell sees it: standard output, standard error, exit code."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from measuring.management.commands.size import size_document
from shared.contracts import run_command

ROOT = Path(__file__).resolve().parents[3]
ROLLER = {
    "id": "A",
    "family": "roller",
    "mount": "inside",
    "widths": {"top": "35 3/8", "middle": "35 1/4", "bottom": "35 5/16"},
    "heights": {"left": "60", "center": "60 1/8", "right": "60 1/4"},
}


def size(text: str, *arguments: str) -> subprocess.CompletedProcess:
    command = [sys.executable, "manage.py", "size", *arguments]
    environment = {**os.environ, "DATABASE_URL": "postgres://nobody@127.0.0.1:1/none"}  # none is needed
    return subprocess.run(
        command, input=text, capture_output=True, text=True, cwd=ROOT, env=environment, check=False, timeout=60
    )


def test_a_document_is_answered_with_one_json_object_and_nothing_else():
    done = size(json.dumps({"unit": "in", "openings": [ROLLER]}))

    assert (done.returncode, done.stderr) == (0, "")
    answer = json.loads(done.stdout)["openings"][0]
    assert (answer["order_width"], answer["order_height"]) == ("35 3/8", "60")
    assert answer["ticks"] == {"width": 287528, "height": 487680}
    assert answer["basis"] == "opening size"
    assert set(answer) == {"id", "order_width", "order_height", "basis", "ticks", "steps", "findings"}


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("{", "document"),
        ("[]", "document"),
        ('{"unit": "yd", "openings": []}', "unit"),
        ('{"unit": "in"}', "openings"),
        ('{"unit": "in", "openings": {}}', "openings"),
        ('{"unit": "in", "openings": [{"id": "A"}]}', "openings[0].family"),
        (json.dumps({"unit": "in", "openings": [ROLLER, ROLLER]}), "openings[1].id"),
        (json.dumps({"unit": "in", "openings": [{**ROLLER, "depth": "x"}]}), "openings[0].depth"),
    ],
)
def test_an_error_is_one_json_object_on_standard_error_with_code_2(text, field, tmp_path, capsys):
    document = tmp_path / "openings.json"
    document.write_text(text)

    code = run_command(lambda: size_document(str(document)))

    out, err = capsys.readouterr()
    assert (code, out) == (2, "")
    error = json.loads(err)["error"]
    assert error["field"] == field
    assert set(error) == {"field", "problem", "bound"}


def test_the_shell_sees_the_error_and_its_code():
    done = size('{"unit": "yd", "openings": []}')

    assert (done.returncode, done.stdout) == (2, "")
    assert json.loads(done.stderr)["error"]["field"] == "unit"


def test_lines_are_answered_one_by_one_each_in_its_unit():
    metric = {
        "id": "B",
        "unit": "mm",
        "family": "slat",
        "mount": "outside",
        "widths": {"top": "900"},
        "heights": {"left": "1200"},
        "cover": {"left": "50", "right": "50", "top": "70", "bottom": "50"},
    }

    done = size(json.dumps(ROLLER) + "\n\n" + json.dumps(metric) + "\n", "--lines")

    first, second = (json.loads(line) for line in done.stdout.splitlines())
    assert (first["order_width"], second["order_width"], second["order_height"]) == ("35 3/8", "1000", "1320")


def test_an_error_among_lines_names_its_line():
    done = size(json.dumps(ROLLER) + "\n" + '{"id": "B"}', "--lines")

    assert done.returncode == 2
    assert json.loads(done.stderr)["error"]["field"] == "line 2.family"


def test_openings_of_one_room_are_evidence_for_each_other(tmp_path, capsys):
    shifted = {"top": "36 3/8", "middle": "36 1/4", "bottom": "36 1/4"}
    room = [{**ROLLER, "id": name, "room": "kitchen"} for name in "BC"]
    document = tmp_path / "openings.json"
    document.write_text(json.dumps({"unit": "in", "openings": [*room, {**room[0], "id": "D", "widths": shifted}]}))

    assert size_document(str(document)) == 0

    answers = json.loads(capsys.readouterr().out)["openings"]
    doubted = {answer["id"]: {f["field"] for f in answer["findings"] if f["code"] == "misread"} for answer in answers}
    assert doubted["D"] == {"widths.top", "widths.middle", "widths.bottom"}
