"""Hostile documents: every one has an answer, or an error that names its field, and soon."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.fuzz.documents import document
from tests.fuzz.trying import tried

ROOT = Path(__file__).resolve().parents[2]
SHELL = [("cut", 9), ("route", 7), ("size", 4)]


@pytest.mark.parametrize("engine", ["cut", "route", "size"])
def test_300_documents_bring_no_traceback_and_none_is_late(engine, timed):
    done = [tried(engine, seed) for seed in range(300)]

    assert [each for each in done if each.wrong] == []
    assert {each.became for each in done} == {"answer", "refusal"}


def test_a_table_of_thirty_million_lengths_is_looked_at_block_by_block():
    """The checker made arrays of all of it at once: 1.2 GiB and 2.8 s."""
    assert tried("cut", 20_488).wrong == ""


@pytest.mark.parametrize(("engine", "seed"), [(engine, seed) for engine, most in SHELL for seed in range(most)])
def test_a_document_through_the_shell_has_an_answer_or_an_error(engine, seed):
    environment = {**os.environ, "DATABASE_URL": "postgres://nobody@127.0.0.1:1/none"}  # none is needed
    done = subprocess.run(
        [sys.executable, "manage.py", engine], input=document(engine, seed).encode(), capture_output=True, cwd=ROOT,
        env=environment, check=False, timeout=60,
    )  # fmt: skip

    assert done.returncode in (0, 2)
    out, error = done.stdout.decode(), done.stderr.decode()
    assert (error if done.returncode == 0 else out) == ""
    told = json.loads(out or error)
    assert done.returncode == 0 or set(told["error"]) == {"field", "problem", "bound"}
