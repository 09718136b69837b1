"""May this person have it? The object, or a 404. And who is shown what opens a door."""

from __future__ import annotations

from django.shortcuts import get_object_or_404
from django.utils import timezone

from jobs.models import Appointment, CalendarFeed, Crew, CrewMember, Customer, Job, Project, Proposal, Site
from shared import roles
from shared.models import User

SEES_PHONES = (roles.DISPATCHER, roles.OWNER, roles.MEASURER, roles.INSTALLER)


def job_for(user: User, pk: int) -> Job:
    rows = Job.objects.visible_to(user).select_related("customer", "site", "branch", "project", "customer_link")
    return get_object_or_404(rows, pk=pk)


def appointment_for(user: User, pk: int) -> Appointment:
    rows = Appointment.objects.visible_to(user).select_related(
        "job__customer", "job__site", "job__branch", "job__customer_link", "crew"
    )
    return get_object_or_404(rows, pk=pk)


def site_for(user: User, pk: int) -> Site:
    return get_object_or_404(Site.objects.visible_to(user).select_related("customer", "branch"), pk=pk)


def customer_for(user: User, pk: int) -> Customer:
    return get_object_or_404(Customer.objects.visible_to(user).select_related("branch"), pk=pk)


def project_for(user: User, pk: int) -> Project:
    return get_object_or_404(Project.objects.visible_to(user).select_related("branch", "customer"), pk=pk)


def crew_for(user: User, pk: int) -> Crew:
    return get_object_or_404(Crew.objects.visible_to(user).select_related("branch"), pk=pk)


def proposal_for(user: User, pk: int) -> Proposal:
    return get_object_or_404(Proposal.objects.visible_to(user).select_related("branch", "run"), pk=pk)


def feed_for(user: User, pk: int) -> CalendarFeed:
    return get_object_or_404(CalendarFeed.objects.visible_to(user).select_related("crew", "user"), pk=pk)


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


OFFICE = roles.OFFICE
LOOKS = roles.ALL
"""Everybody may open a job or an appointment they can see at all."""
DRIVES = (*roles.FIELD, *roles.OFFICE)
"""Who taps leaving now, arrived, done: the crew, and the office for them."""
