"""May this person have it? The object, or a 404. And who is shown what opens a door."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.http import Http404
from django.utils import timezone

from jobs.models import Appointment, CalendarFeed, Crew, CrewMember, Customer, Job, Project, Proposal, Site
from shared import roles
from shared.models import User

SEES_PHONES = (roles.DISPATCHER, roles.OWNER, roles.MEASURER, roles.INSTALLER)


def _one_of(rows: QuerySet[Any], pk: int) -> Any:
    found = rows.filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


def job_for(user: User, pk: int) -> Job:
    rows = Job.objects.visible_to(user).select_related("customer", "site", "branch", "project")
    return _one_of(rows, pk)


def appointment_for(user: User, pk: int) -> Appointment:
    rows = Appointment.objects.visible_to(user).select_related("job__customer", "job__site", "job__branch", "crew")
    return _one_of(rows, pk)


def site_for(user: User, pk: int) -> Site:
    return _one_of(Site.objects.visible_to(user).select_related("customer", "branch"), pk)


def customer_for(user: User, pk: int) -> Customer:
    return _one_of(Customer.objects.visible_to(user).select_related("branch"), pk)


def project_for(user: User, pk: int) -> Project:
    return _one_of(Project.objects.visible_to(user).select_related("branch", "customer"), pk)


def crew_for(user: User, pk: int) -> Crew:
    return _one_of(Crew.objects.visible_to(user).select_related("branch"), pk)


def proposal_for(user: User, pk: int) -> Proposal:
    return _one_of(Proposal.objects.visible_to(user).select_related("branch", "run"), pk)


def feed_for(user: User, pk: int) -> CalendarFeed:
    return _one_of(CalendarFeed.objects.visible_to(user).select_related("crew", "user"), pk)


def is_of_crew(user: User, appointment: Appointment) -> bool:
    """Whether the person drives with the appointment's crew on its day."""
    if appointment.crew_id is None or appointment.day is None:
        return False
    return any(
        member.from_on <= appointment.day and (member.until_on is None or appointment.day <= member.until_on)
        for member in CrewMember.objects.filter(user=user, crew=appointment.crew_id)
    )


def secret_for(user: User, appointment: Appointment) -> str:
    """The key's place or the door code: for the crew of the day, on that day, and nobody else."""
    if not appointment.job.site.access_secret or not appointment.is_placed():
        return ""
    today = timezone.now().astimezone(appointment.job.branch.tz).date()
    if appointment.day != today or not is_of_crew(user, appointment):
        return ""
    return str(appointment.job.site.access_secret)
