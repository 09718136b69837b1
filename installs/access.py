"""May this person have it? The object, or a 404."""

from __future__ import annotations

import datetime as dt

from django.http import Http404
from django.shortcuts import get_object_or_404
from django.utils import timezone

from installs.models import HardwareRules, HardwareUsed, Load, LoadLine, ReturnOwed, StopPhoto, VanStock
from jobs.models import INSTALLING, Appointment, Crew, Job, Payment
from measuring.models import Unit
from shared import roles
from shared.models import Branch, User

LOADS = (roles.INSTALLER, roles.DISPATCHER, roles.OWNER, roles.WORKROOM)
"""Who may see and check a load: the crew, the office, and the workroom that hands it out."""
INSTALLS = (roles.INSTALLER, roles.DISPATCHER, roles.OWNER)
"""Who may write at a stop."""
OFFICE = (roles.DISPATCHER, roles.OWNER)
RETURNS = (roles.DISPATCHER, roles.OWNER, roles.WORKROOM)


def visit_for(user: User, pk: int) -> Appointment:
    """An install, return, take-down or delivery."""
    rows = Appointment.objects.visible_to(user).filter(purpose__in=INSTALLING)
    needs = ("job__customer", "job__site", "job__branch", "crew__branch", "stop")
    return get_object_or_404(rows.select_related(*needs), pk=pk)


stop_for = visit_for


def load_for(user: User, pk: int) -> Load:
    return get_object_or_404(Load.objects.visible_to(user).select_related("crew__branch"), pk=pk)


def line_for(user: User, pk: int) -> LoadLine:
    rows = LoadLine.objects.filter(load__in=Load.objects.visible_to(user))
    return get_object_or_404(rows.select_related("load__crew__branch", "unit", "material", "appointment"), pk=pk)


def crew_for(user: User, pk: int) -> Crew:
    """A crew of the branch; a field person's own."""
    rows = Crew.objects.visible_to(user).select_related("branch")
    if not user.has_role(*OFFICE, roles.WORKROOM):
        rows = rows.filter(members__user=user).distinct()
    return get_object_or_404(rows, pk=pk)


def van_row_for(user: User, pk: int) -> VanStock:
    return get_object_or_404(VanStock.objects.visible_to(user).select_related("crew__branch", "material"), pk=pk)


def return_for(user: User, pk: int) -> ReturnOwed:
    rows = ReturnOwed.objects.visible_to(user)
    return get_object_or_404(
        rows.select_related(
            "job__branch", "job__customer", "job__site", "unit__opening__room", "unit__product", "remake", "appointment"
        ),
        pk=pk,
    )


def rules_for(user: User, pk: int) -> HardwareRules:
    return get_object_or_404(HardwareRules.objects.visible_to(user).select_related("branch"), pk=pk)


def photo_for(user: User, pk: int) -> StopPhoto:
    return get_object_or_404(
        StopPhoto.objects.visible_to(user).filter(removed_at=None).select_related("appointment"), pk=pk
    )


def payment_for(user: User, pk: int) -> Payment:
    """What was paid at a stop that this person sees."""
    rows = Payment.objects.filter(appointment__in=Appointment.objects.visible_to(user).filter(purpose__in=INSTALLING))
    return get_object_or_404(rows.select_related("job__branch", "appointment"), pk=pk)


def used_for(user: User, pk: int) -> HardwareUsed:
    return get_object_or_404(HardwareUsed.objects.visible_to(user).select_related("appointment"), pk=pk)


def job_for(user: User, pk: int) -> Job:
    rows = Job.objects.visible_to(user)
    return get_object_or_404(rows.select_related("customer", "site", "branch"), pk=pk)


def unit_key(visit: Appointment, key: int) -> Unit:
    """A unit of this visit."""
    rows = visit.visit_units.select_related("unit")
    return get_object_or_404(rows, unit=key).unit


def branch_of(user: User, asked: str) -> Branch | None:
    """The person's own branch; an owner of the whole firm names one."""
    if user.branch is not None:
        return user.branch
    rows = Branch.objects.order_by("name")
    return rows.filter(pk=asked).first() if asked.isdigit() else rows.first()


def crew_of(user: User, branch: Branch, asked: str) -> Crew | None:
    if not asked:
        return None
    found = Crew.objects.visible_to(user).filter(branch=branch, pk=asked).first() if asked.isdigit() else None
    if found is None:
        raise Http404
    return found


def today_of(user: User) -> dt.date:
    return timezone.localdate(timezone=user.branch.tz) if user.branch else timezone.localdate()
