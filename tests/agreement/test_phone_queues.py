"""A hundred random queues (`tests.agreement.phone_queues`): the phone and the office show the same of every opening."""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest

from shared.devices.receiver import kinds
from shared.models import Branch
from tests.agreement.phone_queues import lacking, make_worlds, play
from tests.agreement.phones import Pages, pages

pytestmark = [pytest.mark.django_db, pytest.mark.browser]

SEED = int(os.environ.get("JAMBWISE_PHONE_SEED", "11"))
QUEUES = 100


@pytest.fixture(scope="module")
def page(chromium: Any) -> Iterator[Pages]:
    with pages(chromium) as found:
        yield found


def test_what_a_phone_shows_before_it_sends_is_what_the_office_has_then(page: Pages, branch: Branch) -> None:
    """100 queues of 40 entries; each kind of entry, close-out and act of the office often enough to count."""
    seen: Counter[str] = Counter()
    worlds = make_worlds(branch)
    began = time.process_time()

    differing = [line for number in range(QUEUES) for line in play(page, worlds, SEED, number, seen)[:3]]

    spent = f"{time.process_time() - began:.0f} s of processor time here"
    print(f"seed {SEED}, {spent}", *(f"{name}: {times}" for name, times in sorted(seen.items())), sep="\n  ")
    assert not differing, "\n".join(differing[:40])
    assert seen["queues of 40"] == QUEUES
    assert lacking(seen, kinds()) == {}, dict(sorted(seen.items()))
