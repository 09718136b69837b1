"""A worker killed between what a parked entry writes and its reply: the entry is done once all the same."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

from tests.servers import ROOT, Site

PARK = """
import json
from measuring.services import readings, visits
from tests.devices.phone import Phone, fault, reading
from tests.factories import make_branch, make_user
from tests.measuring.makers import make_appointment, make_job, make_opening
person = make_user("measurer", branch=make_branch())
appointment = make_appointment(make_job(person), person, person)
visit = visits.open_visit(appointment=appointment, by=person)
opening = make_opening(appointment.job, person, visit=visit, readings={})
phone = Phone(person)
phone.client.defaults["HTTP_HOST"] = "localhost"
with fault(readings, "record_reading"):
    parcel = [reading(phone, opening, "depth", typed) for typed in ("3", "4")]
    print(json.dumps([reply["status"] for reply in phone.send(*parcel)]))
"""
DOOMED = """
import os, signal
import django
django.setup()
from shared.devices import entries
from measuring.models import Reading
def killed(*said):
    assert Reading.objects.count() == 1  # it is written, and not stored yet
    os.kill(os.getpid(), signal.SIGKILL)
entries._settle = killed
entries.retry(hurry=True)
"""
AGAIN = """
from shared.devices import entries
print(entries.retry(hurry=True))
"""
LOOK = """
import json
from shared.devices.models import DeviceEntry, ParkedEntry
from measuring.models import Reading
from shared.models import AuditEntry
print(json.dumps({
    "readings": list(Reading.objects.order_by("pk").values_list("typed", flat=True)),
    "trail": AuditEntry.objects.filter(action__contains="reading").count(),
    "replies": list(DeviceEntry.objects.order_by("position").values_list("reply_status", flat=True)),
    "parked": ParkedEntry.objects.unsettled().count(),
}))
"""


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_a_worker_killed_between_run_and_reply_leaves_the_entry_to_be_done_once(
    kind: str, new_site: Callable[..., Site]
) -> None:
    site = new_site(kind, worker=False)
    assert json.loads(site.python(PARK)) == [202, 202]

    dead = subprocess.run([sys.executable, "-c", DOOMED], cwd=ROOT, env=site.env, capture_output=True, text=True)

    assert dead.returncode == -signal.SIGKILL, dead.stderr
    assert look(site) == {"readings": [], "trail": 0, "replies": [202, 202], "parked": 2}
    assert site.python(AGAIN).strip() == "2"
    assert site.python(AGAIN).strip() == "0"
    assert look(site) == {"readings": ["3", "4"], "trail": 2, "replies": [200, 200], "parked": 0}


def look(site: Site) -> dict[str, Any]:
    return json.loads(site.python(LOOK))
