"""A morning's packets by two workers, one killed halfway: every packet there, none twice, none half."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from pypdf import PdfReader

from installs.documents import PACKET
from installs.models import Load
from installs.services import loads as services
from shared.documents import request_document
from shared.models import Branch, Document, Run, User
from shared.runs import RESEND_SECONDS
from tests import servers
from tests.factories import make_job
from tests.installs.makers import make_crew, make_unit, make_visit, stock_up, today
from tests.servers import Worker

PACKETS = int(os.environ.get("JAMBWISE_PACKETS", "6"))
"""200 is a large firm's morning: ``JAMBWISE_PACKETS=200``."""


@pytest.fixture
def loads(transactional_db: None, branch: Branch, dispatcher: User) -> list[Load]:
    """So many crew-days of one stop each."""
    stock_up(branch)
    crews = [make_crew(branch) for _ in range(min(PACKETS, 8))]
    made = []
    for number in range(PACKETS):
        job = make_job(branch, by=dispatcher)
        make_unit(job)
        day = today(branch) + dt.timedelta(days=number // len(crews))
        visit = make_visit(job, crews[number % len(crews)], day=day)
        made.append(services.refresh_load(crew=visit.crew, day=day, by=dispatcher))
    return made


@pytest.mark.worker
@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_packets_survive_a_killed_worker(
    loads: list[Load], dispatcher: User, new_worker: Callable[..., Worker]
) -> None:
    quick = {"RUN_LEASE_SECONDS": "3"}
    with ThreadPoolExecutor(2) as both:  # each takes seconds to be ready
        first = both.submit(new_worker, env=quick)
        both.submit(new_worker, env=quick, beat=True).result()
    doomed = first.result()
    for load in loads:
        request_document(kind=PACKET, subject=load, by=dispatcher)
    done = Run.objects.filter(kind="shared.document", state=Run.State.DONE)
    under_way = Run.objects.filter(kind="shared.document", state=Run.State.UNDER_WAY)
    servers.until(
        lambda: done.count() >= PACKETS // 2 and under_way.count() == 2,
        seconds=60 + 4 * PACKETS,
        what="half of them are there and each worker has one under way",
    )

    doomed.kill()

    # what a worker was told of and had not taken yet is sent again after so long
    limit = RESEND_SECONDS + 60 + 6 * PACKETS
    servers.until(lambda: done.count() == PACKETS, seconds=limit, what="all packets are there")
    documents = Document.objects.filter(kind=PACKET)
    assert documents.count() == PACKETS
    assert {document.subject_id for document in documents} == {str(load.pk) for load in loads}
    assert not documents.filter(superseded=True).exists()
    for document in documents:
        assert len(PdfReader(document.file.path).pages) == document.pages
