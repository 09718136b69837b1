"""docs/security.md names tests that are there, for every chapter of the standard."""

from __future__ import annotations

import re

from tests.servers import ROOT

PAGE = (ROOT / "docs" / "security.md").read_text()


def test_every_chapter_names_tests_that_are_there_or_why_none() -> None:
    there = {
        name
        for path in (ROOT / "tests").rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)\(", path.read_text(), flags=re.MULTILINE)
    }
    rows = [line.strip().strip("|").split("|") for line in PAGE.splitlines() if line.startswith("| V")]

    assert [row[0].split()[0] for row in rows] == [f"V{number}" for number in range(1, 18)]
    for _, holds, tests, rest in rows:
        named = re.findall(r"`(test_\w+)`", tests)
        assert set(named) <= there, set(named) - there
        assert bool(named) == bool(holds.strip())
        assert named or rest.strip()
