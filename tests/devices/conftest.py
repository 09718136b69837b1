"""A phone of the office's, a visit with two openings, and entries of it that are parked."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from measuring.models import MeasureVisit, Opening
from measuring.services import readings, visits
from shared.devices.models import ParkedEntry
from shared.models import User
from tests.devices.phone import Phone, fault, reading
from tests.measuring.makers import make_appointment, make_job, make_opening


@pytest.fixture
def phone(dispatcher: User) -> Phone:
    """A phone of somebody who may measure and install."""
    return Phone(dispatcher)


@pytest.fixture
def visit(measurer: User, dispatcher: User) -> MeasureVisit:
    appointment = make_appointment(make_job(dispatcher), dispatcher, measurer)
    return visits.open_visit(appointment=appointment, by=measurer)


@pytest.fixture
def openings(visit: MeasureVisit, measurer: User) -> tuple[Opening, Opening]:
    job = visit.appointment.job
    return tuple(make_opening(job, measurer, visit=visit, readings={}, mark=mark) for mark in "AB")


@pytest.fixture
def parked(phone: Phone, openings: tuple[Opening, Opening]) -> Iterator[list[ParkedEntry]]:
    """A reading that fails and two that wait behind it; the fault stays until the test is over."""
    one = openings[0]
    with fault(readings, "record_reading", lambda said: said["spot"] == "depth"):
        phone.send(
            reading(phone, one, "depth", "3"), reading(phone, one, "widths.top", "35"),
            reading(phone, one, "widths.middle", "35"),
        )  # fmt: skip
        yield list(ParkedEntry.objects.all())
