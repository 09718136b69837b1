"""
Ten random histories, after each of which everything that shows the same fact says the same.

The seed is printed; ``JAMBWISE_AGREEMENT_SEED`` plays it again, ``JAMBWISE_AGREEMENT_SHRINK=1`` looks for the
shortest history that differs too. ``./run bench agreement`` plays as many as one likes.
"""

from __future__ import annotations

import os
from random import Random

import pytest
import time_machine

from installs.models import LoadLine
from tests.agreement.actions import Hands, not_installed, place, run_short
from tests.agreement.compare import Comparison, Seen
from tests.agreement.dates import see_dates
from tests.agreement.expected import EXPECTED, FLOOR, OFTEN, PLACES, RARE, SOME, unexpected
from tests.agreement.firm import NOW, TODAY, Firm
from tests.agreement.histories import play, undone, whole_firm
from tests.agreement.memory import Memory
from tests.agreement.pages import Eyes
from tests.agreement.plants import PLANTS, Plant
from tests.agreement.stock import see_stock
from tests.agreement.units import see_units
from tests.agreement.visits import board, see_visits

pytestmark = [pytest.mark.django_db, pytest.mark.page]
HISTORIES = 10


@pytest.fixture(scope="module")
def firm(module_rows: None) -> Firm:
    with time_machine.travel(NOW, tick=False):
        return whole_firm()


@pytest.fixture(scope="module")
def played(firm: Firm, module_rows: None) -> Comparison:
    comparison = Comparison()
    by_seed = int(os.environ.get("JAMBWISE_AGREEMENT_SEED", "11"))
    print(f"seed {by_seed}")
    with undone():
        with time_machine.travel(NOW, tick=False):
            memory = Memory(firm)
        play(
            firm, memory, comparison, histories=HISTORIES, by_seed=by_seed,
            shrink=bool(os.environ.get("JAMBWISE_AGREEMENT_SHRINK")),
        )  # fmt: skip
    return comparison


def test_everything_that_shows_a_fact_shows_the_same(played: Comparison) -> None:
    stories = [
        "\n".join([*map(str, new), *(f"    {line}" for line in journal)])
        for found, journal in played.stories
        if (new := unexpected(found))
    ]
    assert not stories, "\n\n".join(stories)


def test_what_is_known_to_differ_differs_still(played: Comparison) -> None:
    """Take an entry out of the table once it does not: it is mended."""
    assert set(EXPECTED) <= {(one.fact, one.place) for one in played.differences}


def test_every_fact_is_compared_at_every_place(played: Comparison) -> None:
    """A hundred times where ten histories can; ten times at the least; what is rare, by the bench."""
    assert set(played.counts) - set(PLACES) == set()
    wanted = {OFTEN: FLOOR, SOME: 10, RARE: 0}
    assert {pair: played.counts[pair] for pair, how in PLACES.items() if played.counts[pair] < wanted[how]} == {}
    often = {fact for (fact, _), how in PLACES.items() if how != RARE}
    facts = {fact: sum(n for (one, _), n in played.counts.items() if one == fact) for fact in often}
    assert {fact: n for fact, n in facts.items() if n < FLOOR // 2} == {}


def test_what_memory_spares_reading_is_what_stands_there(firm: Firm) -> None:
    """After a few things that change what was seen: compared with memory as without it."""
    with undone(), time_machine.travel(NOW, tick=False) as clock:
        memory, hands = Memory(firm), Hands(firm, Random(5).randint, clock.shift)
        before, made = some_places(firm, memory), memory.made
        line = LoadLine.objects.filter(load__day=TODAY, unit__isnull=False).order_by("pk")[0]
        hands.post("owner", "installs:check", line.pk)
        for action in (place, not_installed, run_short):
            action(hands)
        seen = some_places(firm, memory)

        assert seen == some_places(firm)

    changed = {(one.fact, one.place) for one in set(seen) ^ set(before)}
    assert {("visit's start", "board"), ("unit's load", "load page"), ("unit's outcome", "stop page")} <= changed
    assert memory.recalled > memory.made - made > 0


def some_places(firm: Firm, memory: Memory | None = None) -> list[Seen]:
    eyes = Eyes(firm, memory)
    return [*board(eyes, TODAY), *see_units(eyes), *see_stock(eyes)]


# -- faults put in on purpose ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def clean(firm: Firm, module_rows: None) -> list[Seen]:
    """Everything as it is shown before anybody did anything."""
    with time_machine.travel(NOW, tick=False):
        eyes = Eyes(firm)
        return [*see_visits(eyes), *see_dates(eyes), *see_units(eyes), *see_stock(eyes)]


def test_every_fact_is_planted_in_twenty_places_or_more() -> None:
    assert len({(plant.fact, plant.place) for plant in PLANTS}) == len(PLANTS) >= 20


@pytest.mark.parametrize("plant", PLANTS, ids=str)
def test_a_planted_fault_is_named(firm: Firm, clean: list[Seen], plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    plant.patch(monkeypatch)
    with time_machine.travel(NOW, tick=False):
        fresh = list(plant.reader(Eyes(firm)))

    read = {(one.fact, one.subject, one.place) for one in fresh}
    kept = [one for one in clean if (one.fact, one.subject, one.place) not in read]
    found = unexpected(Comparison().add([*kept, *fresh]))

    assert (plant.fact, plant.place) in {(one.fact, one.place) for one in found}
    assert {one.place for one in found} == {plant.place}
