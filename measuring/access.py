"""May this person have it? The object, or a 404."""

from __future__ import annotations

from typing import TypeVar
from uuid import UUID

from django.db.models import Model, QuerySet
from django.shortcuts import get_object_or_404

from jobs.models import MEASURING, Appointment
from measuring.models import (
    Approval,
    FactConflict,
    Group,
    MeasureVisit,
    Obstruction,
    Opening,
    Photo,
    Product,
    Reading,
    Room,
    ShapeTemplate,
    SizeChange,
    Tape,
    Unit,
)
from measuring.rules.families import TABLE
from shared import roles
from shared.models import User

MEASURES = (roles.MEASURER, roles.DISPATCHER, roles.OWNER)
"""Who may write at an opening: the field person of the day, and the office."""
SEES_SIZES = (*MEASURES, roles.WORKROOM, roles.INSTALLER)

NOTES_TEMPLATES = (*MEASURES, roles.WORKROOM)
"""Who may say where a template is: who made it, who sends it and takes it back."""

ASKS = (*roles.OFFICE, roles.WORKROOM)
"""Who may put a released unit on hold: the office, which decides, and the workroom, which can't make it as it is."""

M = TypeVar("M", bound=Model)


def appointment_for(user: User, pk: int) -> Appointment:
    """A measuring appointment."""
    rows = Appointment.objects.visible_to(user).filter(purpose__in=MEASURING)
    return get_object_or_404(rows.select_related("job__customer", "job__site", "job__branch", "crew"), pk=pk)


def visit_for(user: User, pk: int) -> MeasureVisit:
    """A visit by its appointment's key."""
    appointment = appointment_for(user, pk)
    rows = MeasureVisit.objects.select_related(
        "appointment__job__branch", "appointment__job__customer", "tape", "measurer"
    )
    return get_object_or_404(rows, appointment=appointment)


def visit_of_device(user: User, appointment: int) -> MeasureVisit:
    """A visit by its appointment's key, with its job: services read what they need under their lock."""
    mine = Appointment.objects.visible_to(user).filter(purpose__in=MEASURING, pk=appointment)
    return get_object_or_404(MeasureVisit.objects.select_related("appointment__job"), appointment__in=mine)


def room_for(user: User, pk: int) -> Room:
    return get_object_or_404(Room.objects.visible_to(user).select_related("job__branch"), pk=pk)


OPENING_NEEDS = ("job__branch", "job__site", "job__customer", "room", "product", "group")


def opening_for(user: User, pk: int | UUID) -> Opening:
    """An opening by its key, or by the name a device gave it."""
    which = {"uid": pk} if isinstance(pk, UUID) else {"pk": pk}
    return get_object_or_404(Opening.objects.visible_to(user).select_related(*OPENING_NEEDS), **which)


def opening_of_device(user: User, uid: UUID) -> Opening:
    """An opening by the name a device gave it, its key only: services lock the row and read it then."""
    return get_object_or_404(Opening.objects.visible_to(user).only("uid", "job"), uid=uid)


def unit_for(user: User, pk: int) -> Unit:
    rows = Unit.objects.visible_to(user).select_related("opening__job__branch", "opening__room", "product")
    return get_object_or_404(rows, pk=pk)


def _of_opening(user: User, rows: QuerySet[M], pk: int | UUID) -> M:
    rows = rows.filter(opening__in=Opening.objects.visible_to(user)).select_related("opening__job__branch")
    return get_object_or_404(rows, **({"uid": pk} if isinstance(pk, UUID) else {"pk": pk}))


def reading_for(user: User, pk: int | UUID) -> Reading:
    return _of_opening(user, Reading.objects.all(), pk)


def obstruction_for(user: User, pk: int | UUID) -> Obstruction:
    return _of_opening(user, Obstruction.objects.all(), pk)


def photo_for(user: User, pk: int | UUID) -> Photo:
    return _of_opening(user, Photo.objects.filter(removed_at=None), pk)


def template_for(user: User, pk: int | UUID) -> ShapeTemplate:
    return _of_opening(user, ShapeTemplate.objects.select_related("job"), pk)


def conflict_for(user: User, pk: int) -> FactConflict:
    return _of_opening(user, FactConflict.objects.all(), pk)


def change_for(user: User, pk: int) -> SizeChange:
    rows = SizeChange.objects.filter(unit__in=Unit.objects.visible_to(user))
    return get_object_or_404(
        rows.select_related(
            "unit__opening__job__branch", "unit__opening__job__site", "unit__opening__room", "unit__opening__product",
            "unit__product", "new_product",
        ),
        pk=pk,
    )  # fmt: skip


def approval_for(user: User, pk: int) -> Approval:
    return get_object_or_404(Approval.objects.visible_to(user), pk=pk)


def group_for(user: User, pk: int) -> Group:
    return get_object_or_404(Group.objects.visible_to(user), pk=pk)


def bay_for(user: User, pk: int) -> Group:
    """A group that has corners."""
    rows = Group.objects.visible_to(user).filter(kind__in=TABLE["bays"]["kinds"])
    return get_object_or_404(rows.select_related("job__branch", "job__customer"), pk=pk)


def product_for(user: User, pk: int) -> Product:
    return get_object_or_404(Product.objects.visible_to(user), pk=pk)


def tape_for(user: User, pk: int) -> Tape:
    """One's own tape."""
    return get_object_or_404(Tape.objects.filter(user=user), pk=pk)
