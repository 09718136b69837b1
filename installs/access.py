"""May this person have it? The object, or a 404."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.http import Http404

from installs.models import HardwareRules, HardwareUsed, Load, LoadLine, ReturnOwed, StopPhoto, VanStock
from jobs.models import INSTALLING, Appointment, Crew, Job
from shared import roles
from shared.models import User

LOADS = (roles.INSTALLER, roles.DISPATCHER, roles.OWNER, roles.WORKROOM)
"""Who may see and check a load: the crew, the office, and the workroom that hands it out."""
INSTALLS = (roles.INSTALLER, roles.DISPATCHER, roles.OWNER)
"""Who may write at a stop."""
OFFICE = (roles.DISPATCHER, roles.OWNER)
RETURNS = (roles.DISPATCHER, roles.OWNER, roles.WORKROOM)


def _one_of(rows: QuerySet[Any], pk: int) -> Any:
    found = rows.filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


def visit_for(user: User, pk: int) -> Appointment:
    """An install, return, take-down or delivery."""
    rows = Appointment.objects.visible_to(user).filter(purpose__in=INSTALLING)
    return _one_of(rows.select_related("job__customer", "job__site", "job__branch", "crew__branch"), pk)


stop_for = visit_for


def load_for(user: User, pk: int) -> Load:
    return _one_of(Load.objects.visible_to(user).select_related("crew__branch"), pk)


def line_for(user: User, pk: int) -> LoadLine:
    rows = LoadLine.objects.filter(load__in=Load.objects.visible_to(user))
    return _one_of(rows.select_related("load__crew__branch", "unit", "material", "appointment"), pk)


def crew_for(user: User, pk: int) -> Crew:
    """A crew of the branch; a field person's own."""
    rows = Crew.objects.visible_to(user).select_related("branch")
    if not user.has_role(*OFFICE, roles.WORKROOM):
        rows = rows.filter(members__user=user).distinct()
    return _one_of(rows, pk)


def van_row_for(user: User, pk: int) -> VanStock:
    return _one_of(VanStock.objects.visible_to(user).select_related("crew__branch", "material"), pk)


def return_for(user: User, pk: int) -> ReturnOwed:
    rows = ReturnOwed.objects.visible_to(user)
    return _one_of(
        rows.select_related(
            "job__branch", "job__customer", "job__site", "unit__opening__room", "unit__product", "remake", "appointment"
        ),
        pk,
    )


def rules_for(user: User, pk: int) -> HardwareRules:
    return _one_of(HardwareRules.objects.visible_to(user).select_related("branch"), pk)


def photo_for(user: User, pk: int) -> StopPhoto:
    return _one_of(StopPhoto.objects.visible_to(user).select_related("appointment"), pk)


def used_for(user: User, pk: int) -> HardwareUsed:
    return _one_of(HardwareUsed.objects.visible_to(user).select_related("appointment"), pk)


def job_for(user: User, pk: int) -> Job:
    rows = Job.objects.visible_to(user)
    return _one_of(rows.select_related("customer", "site", "branch"), pk)


def unit_key(visit: Appointment, key: int) -> Any:
    """A unit of this visit."""
    row = visit.visit_units.select_related("unit").filter(unit=key).first()  # type: ignore[attr-defined]
    if row is None:
        raise Http404
    return row.unit
