"""
How many queries each list page takes on the kept firm: a count may only fall.

After a change that needs more, and says why: ``JAMBWISE_COUNT_QUERIES=write ./run test tests/test_query_counts.py``
writes what was measured to ``tests/query_counts.json``; commit the file with the change.
"""

from __future__ import annotations

import json
import lzma
import os
import subprocess
import sys
from pathlib import Path
from typing import Any, Final

import pytest

from tests.kept.asking import environment
from tests.servers import ROOT

COUNTS: Final = Path(__file__).parent / "query_counts.json"
FIRM: Final = Path(__file__).parent / "kept" / "2026-11-29" / "firm.sqlite3.xz"
WRITE: Final = "JAMBWISE_COUNT_QUERIES"
"""As ``write`` the file is written anew instead of compared."""


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> dict[str, int]:
    """Queries by page, counted by a process of its own on the kept firm, migrated to today."""
    database = tmp_path_factory.mktemp("counted") / "firm.sqlite3"
    database.write_bytes(lzma.decompress(FIRM.read_bytes()))
    for argv in (["manage.py", "migrate", "-v0"], ["-m", "tests.counting", str(database.with_name("counts.json"))]):
        done = subprocess.run(
            [sys.executable, *argv], cwd=ROOT, env=environment(f"sqlite:///{database}"), capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout + done.stderr
    found: dict[str, int] = json.loads(database.with_name("counts.json").read_text())
    if os.environ.get(WRITE) == "write":
        COUNTS.write_text(json.dumps(found, indent=2, sort_keys=True) + "\n")
    return found


def grown(was: dict[str, int], now: dict[str, int]) -> dict[str, Any]:
    """Pages that take more queries than before, or that one of the two lacks: (before, now)."""
    pages = sorted(was.keys() | now.keys())
    return {page: (was.get(page), now.get(page)) for page in pages if not now.get(page, 9999) <= was.get(page, -1)}


def test_no_list_page_takes_more_queries_than_before(measured: dict[str, int]) -> None:
    found = grown(json.loads(COUNTS.read_text()), measured)

    assert not found, (
        f"queries before and now: {found}. If they are needed, say why in the commit and run: "
        f"{WRITE}=write ./run test {Path(__file__).relative_to(ROOT)}"
    )


def test_a_page_that_grows_comes_or_goes_is_told() -> None:
    assert grown({"/a/": 5, "/b/": 5, "/c/": 5}, {"/a/": 6, "/b/": 4, "/d/": 1}) == {
        "/a/": (5, 6),
        "/c/": (5, None),
        "/d/": (None, 1),
    }
