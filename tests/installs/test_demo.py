"""The demo's install day: every unit has complete hardware, visits name their units, a return is owed."""

from __future__ import annotations

import datetime as dt

import pytest

from installs.adapters.evaluation import rules_of, with_needs, work_out
from installs.adapters.figures import FIGURES, figures
from installs.models import Load, Pull, ReturnOwed, UnitHardware, VisitUnit
from jobs.models import Appointment, Job, Purpose
from measuring.models import Unit
from shared import demo
from shared.models import AuditEntry, Branch, User
from tests.installs.completeness import incomplete

pytestmark = [pytest.mark.django_db, pytest.mark.slow]


@pytest.fixture
def town() -> Branch:
    """A demo of sixty jobs."""
    demo.load(jobs=60, seed=7, today=dt.date.today(), say=lambda words: None)
    return Branch.objects.get()


def test_the_demo_has_an_install_day(town: Branch) -> None:
    rules = rules_of(town)
    states = [Unit.State.DRAFT, Unit.State.SIZED, Unit.State.APPROVED]
    units = list(with_needs(Unit.objects.exclude(state__in=states)))

    worked = work_out(units, rules)

    assert len(worked) > 60
    missing = {
        one.unit.code: one.problem or incomplete(one.hardware, one.read, rules)
        for one in worked
        if one.hardware is None or incomplete(one.hardware, one.read, rules)
    }
    assert missing == {}
    assert UnitHardware.objects.count() >= len(worked)


def test_the_demo_opens_on_a_day_with_work_for_the_installer(town: Branch) -> None:
    installs = Appointment.objects.filter(purpose=Purpose.INSTALL)
    named = installs.filter(visit_units__isnull=False).distinct().count()

    assert Load.objects.filter(day=dt.date.today()).exists()
    assert all(load.lines.exists() for load in Load.objects.all())
    assert named == installs.count()
    assert VisitUnit.objects.filter(outcome=VisitUnit.Outcome.NOT_INSTALLED).exists()
    assert ReturnOwed.objects.exists()
    assert all(pull.held <= pull.needed for pull in Pull.objects.all())
    for job in Job.objects.filter(stage=Job.Stage.INSTALLED):
        assert job.returns_owed.exists()
    told = AuditEntry.objects.filter(job_id=Job.objects.filter(stage=Job.Stage.CLOSED)[0].pk).order_by("at")
    assert next(entry.action for entry in told) == "booked the job"
    assert {"promised", "was done", "recorded approval 1"} <= {entry.action for entry in told}
    owner = User.objects.get(username="owner")
    found = figures(owner, town, today=dt.date.today())
    shares = {figure: found.total(figure) for figure in FIGURES}
    assert all(share is not None and 0 < share <= 100 for share in shares.values()), shares
    assert shares["one_trip"] < 100
    assert found.causes
