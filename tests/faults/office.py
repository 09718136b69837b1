"""A small office that presses at a site over HTTP, and what stands in its books afterwards."""

from __future__ import annotations

import http.client
import json
import urllib.parse
from dataclasses import dataclass, field
from typing import Any, Final
from urllib.parse import urlsplit

TOKEN: Final = "t" * 32
"""The half of the form token that a cookie holds; it may stand in the form as it is."""

PREPARE: Final = """
import json
from django.test import Client
from shared import roles
from shared.devices.receiver import register_device
from tests.factories import a_monday, at, make_appointment, make_branch, make_crew, make_job, make_user
branch = make_branch()
person = make_user(*roles.ALL, branch=branch)
client = Client()
client.force_login(person)
jobs = [make_job(branch, by=person) for _ in range({jobs})]
stops = [make_appointment(job, crew=make_crew(branch, person), day=a_monday(), time="9:00", purpose="install")
         for job in jobs[:1]]
visits = [make_appointment(job).pk for job in jobs]
print(json.dumps({{
    "session": client.cookies["sessionid"].value, "jobs": [job.pk for job in jobs], "visits": visits,
    "customers": [job.customer_id for job in jobs], "stop": stops[0].pk,
}}))
"""


@dataclass
class Answer:
    """Status (0: none came), headers and body."""

    status: int
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)


@dataclass
class Caller:
    """Somebody signed in at a site."""

    url: str
    session: str
    timeout: float = 60.0

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> Answer:
        """Whatever the site answers, without following it anywhere."""
        to = urlsplit(self.url)
        link = http.client.HTTPConnection(to.hostname or "", to.port, timeout=self.timeout)
        said = {"Cookie": f"sessionid={self.session}; csrftoken={TOKEN}", "X-CSRFToken": TOKEN, "Referer": self.url}
        try:
            link.request(
                method, path, body, {**said, **{name.replace("_", "-"): value for name, value in headers.items()}}
            )
            reply = link.getresponse()
            return Answer(reply.status, reply.read(), dict(reply.getheaders()))
        except (OSError, http.client.HTTPException):
            return Answer(0)
        finally:
            link.close()

    def get(self, path: str) -> Answer:
        """Look at a page."""
        return self.ask("GET", path)

    def press(self, path: str, **boxes: object) -> Answer:
        """Press a form's button."""
        body = urllib.parse.urlencode({"csrfmiddlewaretoken": TOKEN, **boxes}, doseq=True).encode()
        return self.ask("POST", path, body, Content_Type="application/x-www-form-urlencoded")

    def call(self, path: str, sent: object, method: str = "POST", key: str = "") -> Answer:
        """A call of the API."""
        headers = {"Content_Type": "application/json"} | ({"Idempotency_Key": f'"{key}"'} if key else {})
        return self.ask(method, path, json.dumps(sent).encode(), **headers)


def prepared(python: Any, jobs: int = 4) -> dict[str, Any]:
    """The office's rows, made by code that runs beside the site."""
    return dict(json.loads(str(python(PREPARE.format(jobs=jobs))).strip().splitlines()[-1]))
