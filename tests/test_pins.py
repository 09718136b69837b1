"""What is installed is pinned by its hash, and says what it is for."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.pins import FILES, ROOT, by_hand, requirements, with_hashes


@pytest.mark.parametrize("name", FILES)
def test_every_requirement_has_the_hashes_of_its_release(name: str) -> None:
    hashes = requirements((ROOT / name).read_text())

    assert hashes
    assert [line for line, found in hashes.items() if not found or "==" not in line] == []


@pytest.mark.parametrize("name", FILES)
def test_every_requirement_of_ours_says_what_it_is_for(name: str) -> None:
    ours, _rest = by_hand((ROOT / name).read_text()).split("# what the above stand on")
    lines = ours.splitlines()

    assert [line for before, line in pairwise(lines) if "==" in line and not before.startswith("# ")] == []


@pytest.mark.parametrize("name", FILES)
def test_no_requirement_names_where_it_comes_from(name: str) -> None:
    assert "://" not in (ROOT / name).read_text()


@pytest.mark.parametrize("name", FILES)
def test_hashes_come_off_and_on_again(name: str) -> None:
    text = (ROOT / name).read_text()

    assert with_hashes(by_hand(text), requirements(text)) == text
