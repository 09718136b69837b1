"""How long an install takes: the firm's table, corrected by the times its crews logged."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from django.db.models import Count, Max

from installs.adapters.evaluation import rules_of, units_to_install, visit_units, visit_units_of, with_needs, work_out
from installs.rules.cords import CordRule
from installs.rules.durations import install_visit_minutes
from jobs.models import INSTALLING, Appointment, Purpose
from jobs.ports import Expected, Minutes
from jobs.rules.durations import PROMISE_QUANTILE, Lognormal, learn_factor, learn_sigma
from measuring.models import Unit
from shared.models import Branch

LOOKED_BACK: Final = 60
"""Logged visits that are learned from, the latest ones."""
SERVICE_MIN, EACH_MIN, SAFE_MORE_MIN = 40, 20, 30
"""Minutes of a service call: its first covering, each further one, and what most keep; common practice, no source."""
LEAST_MINUTES: Final = 5
"""A visit over sooner was tapped, not worked."""


def install_minutes(appointment: Appointment) -> Minutes | None:
    """
    Minutes on site for an install or a return, with what they are made of; None when nothing is named.

    For the units the visit names, else those of the job still to be installed. A service call names none.
    """
    if appointment.purpose == Purpose.SERVICE:
        return expected_service_minutes(Expected.of(appointment.job, appointment.purpose, appointment.people))
    units: Sequence[Unit] = [row.unit for row in visit_units(appointment)] if appointment.pk else []
    if not units:
        units = list(with_needs(units_to_install(appointment.job_id)))
    rules = rules_of(appointment.job.branch)
    read = [one.read for one in work_out(units, rules) if one.read is not None]
    if not read:
        return None
    table = install_visit_minutes(read, rules, people=appointment.people)
    factor, sigma, count = learned(appointment.job.branch)
    mean = max(1, round(table.whole * factor))
    safe = max(mean, round(Lognormal.from_mean(mean, mean * sigma).quantile(PROMISE_QUANTILE)))
    why = [f"{step.minutes} {step.what}" for step in table.steps]
    if count:
        why.append(f"× {factor:.2f} by {count} logged visits")
    return Minutes(mean, safe, tuple(why))


def expected_service_minutes(visit: Expected) -> Minutes:
    """Minutes of a service call to so many coverings; nobody measured them, so none are learned."""
    count = sum(visit.families.values())
    mean = SERVICE_MIN + EACH_MIN * (count - 1)
    more = f", {EACH_MIN} for each of {count - 1} more" if count > 1 else ""
    return Minutes(mean, mean + SAFE_MORE_MIN, (f"{SERVICE_MIN} for a service call{more}",))


_known: dict[int, tuple[tuple[object, int], tuple[float, float, int]]] = {}


def learned(branch: Branch) -> tuple[float, float, int]:
    """
    How the latest logged installs went against the table: factor, spread, and of how many.

    Worked out anew when another visit was logged or the rules changed.
    """
    latest = (
        Appointment.objects.filter(job__branch=branch, purpose__in=INSTALLING, state=Appointment.State.DONE)
        .exclude(done_at=None)
        .aggregate(latest=Max("done_at"), count=Count("pk"))
    )
    mark = ((latest["latest"], latest["count"]), rules_of(branch).revision)
    kept = _known.get(branch.pk)
    if kept is None or kept[0] != mark:
        kept = _known[branch.pk] = (mark, _learn(branch))
    return kept[1]


def _learn(branch: Branch) -> tuple[float, float, int]:
    """
    Factor and spread of the latest logged visits.

    Times are compared with the bare table, not with plans that were corrected already, or the
    correction would undo itself. Both figures are drawn towards the rule (1, and 0.35) while few
    visits are logged.
    """
    visits = list(
        Appointment.objects.filter(
            job__branch=branch,
            purpose__in=INSTALLING,
            state=Appointment.State.DONE,
            arrived_at__isnull=False,
            done_at__isnull=False,
            visit_units__isnull=False,
        )
        .distinct()
        .order_by("-done_at")[:LOOKED_BACK]
    )
    rules = rules_of(branch)
    units = visit_units_of(visits)
    cords: dict[int, CordRule | None] = {}
    planned, taken = [], []
    for visit in visits:
        assert visit.done_at is not None
        assert visit.arrived_at is not None
        minutes = (visit.done_at - visit.arrived_at).total_seconds() / 60
        worked = work_out([row.unit for row in units[visit.pk]], rules, cords)
        read = [one.read for one in worked if one.read is not None]
        if read and minutes >= LEAST_MINUTES:
            planned.append(float(install_visit_minutes(read, rules, people=visit.people).minutes))
            taken.append(minutes)
    found = learn_factor(planned, taken)
    return found.factor, learn_sigma(planned, taken), found.visits
