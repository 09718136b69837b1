"""Messages through a killed worker and a gateway that is down: each taken once, or said not to be known."""

from __future__ import annotations

import json
import os
import threading
import time
from collections import Counter
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

from jobs.models import CalendarRules, Message
from jobs.services import booking
from jobs.views.attention import decisions
from shared.models import Branch, User
from tests import servers
from tests.factories import make_customer, make_job
from tests.servers import Worker, free_port

MESSAGES = int(os.environ.get("JAMBWISE_MESSAGES", "12"))
"""With ``JAMBWISE_MESSAGES=1000`` the gateway is down for a minute, too."""


class Gateway(BaseHTTPRequestHandler):
    taken: Counter[str] = Counter()
    is_down = False

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        if not self.is_down:
            self.taken[body["id"]] += 1
            time.sleep(0.05)
        self.send_response(503 if self.is_down else 202)
        self.end_headers()

    def log_message(self, *args: object) -> None:
        pass


@pytest.mark.worker
@pytest.mark.django_db(transaction=True)
def test_each_message_is_taken_once_or_said_not_to_be_known(
    branch: Branch, dispatcher: User, new_worker: Callable[..., Worker], settings: Any
) -> None:
    server = ThreadingHTTPServer(("127.0.0.1", free_port()), Gateway)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    settings.TEXT_URL = f"http://127.0.0.1:{server.server_address[1]}/"
    CalendarRules.objects.create(branch=branch, quiet_from="00:00", quiet_until="00:00")
    customer = make_customer(branch, phone="(312) 555-0142", takes_texts=True)
    env = {"RUN_LEASE_SECONDS": "3", "TEXT_URL": settings.TEXT_URL}
    doomed = new_worker(env=env)
    for _ in range(MESSAGES):
        booking.hold(job=make_job(branch, by=dispatcher, customer=customer), reason="deposit", by=dispatcher)
    sent = Message.objects.filter(state="sent")
    servers.until(lambda: sent.count() >= MESSAGES // 3, what="a third of them is sent")
    doomed.kill()
    Gateway.is_down = MESSAGES >= 1000

    new_worker(env=env, beat=True)
    if Gateway.is_down:
        time.sleep(60)
        Gateway.is_down = False

    begin = time.monotonic()
    open_ = Message.objects.filter(state__in=["waiting", "sending"])
    servers.until(lambda: not open_.exists(), seconds=900, what="nothing waits")
    unsure = Message.objects.filter(state="unsure").count()
    print(f"{sent.count()} sent, {unsure} unsure, {time.monotonic() - begin:.0f} s")
    server.shutdown()
    assert sent.count() >= MESSAGES - 1  # one was on its way when the worker died
    assert set(Message.objects.exclude(state="sent").values_list("state", flat=True)) <= {"unsure"}
    assert max(Gateway.taken.values()) == 1
    told = [one.text for one in decisions(dispatcher) if one.kind == "message"]
    assert len(told) == unsure
    assert {row.key.hex for row in sent} <= set(Gateway.taken)
