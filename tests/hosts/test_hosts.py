"""Machines of one firm, one of them cut off and one killed in mid-work: nothing lost, nothing twice."""

from __future__ import annotations

import pytest

from tests.hosts import network
from tests.hosts.firm import Firm, firm
from tests.servers import postgres_programs


def each_once(made: Firm, visits: list[int]) -> None:
    """Every visit has one paper, printed once, and no run is left."""
    books = made.books()
    assert books["papers"] == [[visit, 1] for visit in sorted(visits)]
    assert books["entries"] == len(visits)
    assert books["states"] == {"done": len(visits)}


def test_a_paper_of_one_host_is_read_on_another_and_a_host_that_is_cut_off_is_replaced() -> None:
    if problem := network.why_not():
        pytest.skip(problem)
    if postgres_programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    with firm(webs=1, workers=2, visits=4) as made:
        (web,), (first, second) = made.webs, made.workers
        first.cut()
        for visit in made.visits:
            assert made.print(web, visit)
        made.until_printed(made.visits)
        first.join()
        second.die()
        again = made.visits[0]
        status, pdf = made.get(web, f"/documents/{made.paper(again)}/")
        assert (status, pdf[:4]) == (200, b"%PDF")
        each_once(made, made.visits)
