"""Crews of which nothing is heard: each is asked once a stop, on its page and by mail."""

from __future__ import annotations

import datetime as dt
from functools import partial
from typing import Final

from django.conf import settings
from django.core.mail import send_mail
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from jobs.models import Appointment, Crew, CrewMember
from jobs.schedule.day import read_schedule
from jobs.schedule.lateness import Quiet, quiet
from jobs.schedule.words import clock
from jobs.services.base import lock_appointment, save
from shared.models import Branch

TAPPING_DAYS: Final = 14
"""A branch that tapped nothing for so long does not work with taps, and nobody is asked."""


def ask_quiet_crews(*, branch: Branch) -> list[Appointment]:
    """Asks every crew of the branch that should have tapped a while ago where it is; once a stop."""
    now = timezone.now()
    tapped = Appointment.objects.filter(job__branch=branch, arrived_at__gte=now - dt.timedelta(days=TAPPING_DAYS))
    if not tapped.exists():
        return []
    day = now.astimezone(branch.tz).date()
    crews = list(Crew.objects.filter(branch=branch, appointments__day=day).distinct())
    asked = []
    for one in read_schedule(branch, crews, [day]).days.values() if crews else ():
        found = quiet(one, now)
        if found is not None and one.rows[found.appointment].asked_at is None:
            asked.append(_ask(one.rows[found.appointment], found, now))
    return asked


@transaction.atomic
def _ask(appointment: Appointment, found: Quiet, now: dt.datetime) -> Appointment:
    row = lock_appointment(appointment)
    if row.asked_at is None:
        row.asked_at = now
        save(row, ["asked_at"], by=None, action="asked the crew where it is", job=row.job_id)
        transaction.on_commit(partial(_send, row, found), robust=True)
    return row


def _send(row: Appointment, found: Quiet) -> None:
    """By mail, to those of the crew who have an address, where mail is sent."""
    if not settings.EMAIL_URL or row.day is None:
        return
    members = CrewMember.objects.filter(crew=row.crew_id, from_on__lte=row.day, user__is_active=True)
    members = members.filter(Q(until_on=None) | Q(until_on__gte=row.day)).exclude(user__email="")
    text = (
        f"No tap came for job {row.job.number}, {row.job.site.address}: {found.tap} by "
        f"{clock(found.due, row.job.branch.tz)} as planned.\n\nTap what is so on your page Today, or call the office.\n"
    )
    for member in members.select_related("user"):
        send_mail(f"Are you at {row.job.number}?", text, None, [member.user.email])
