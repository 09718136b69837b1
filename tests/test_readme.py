"""The README's examples are computed, not written."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parent.parent
BLOCK = re.compile(r"^```json (\w+)( answer)?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
MEASURED = {"seconds", "engines", "proof"}
"""What depends on the machine, not on the document."""


def _blocks() -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = {}
    for engine, answer, text in BLOCK.findall((ROOT / "README.md").read_text(encoding="utf-8")):
        found.setdefault(engine, {})["answer" if answer else "asked"] = text
    return found


def _without_measures(answer: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in answer.items() if key not in MEASURED}


@pytest.mark.parametrize("engine", ["size", "cut", "route"])
def test_the_readmes_example_gives_the_readmes_answer(engine: str) -> None:
    block = _blocks()[engine]

    done = subprocess.run(
        [sys.executable, "manage.py", engine, "-"],
        input=block["asked"], capture_output=True, text=True, cwd=ROOT, timeout=120, check=True,
    )  # fmt: skip

    assert _without_measures(json.loads(done.stdout)) == _without_measures(json.loads(block["answer"]))


@pytest.mark.parametrize("engine", ["size", "cut", "route"])
def test_what_is_refused_is_named_on_standard_error_only(engine: str) -> None:
    done = subprocess.run(
        [sys.executable, "manage.py", engine, "-"],
        input='{"unit": "furlong"}', capture_output=True, text=True, cwd=ROOT, timeout=120, check=False,
    )  # fmt: skip

    assert done.returncode == 2
    assert done.stdout == ""
    assert json.loads(done.stderr)["error"]["field"]


def test_the_map_names_only_what_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    named = set(re.findall(r"`((?:shared|jobs|measuring|fabrication|installs|tests|docs)/[\w/.-]*)`", text))
    templates = {path for path in named if path.endswith(".html")}  # named as pages name them

    assert [path for path in sorted(named - templates) if not (ROOT / path).exists()] == []
    assert len(named) > 40
