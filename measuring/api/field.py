"""What a phone takes along: the visits of the day with all that measuring needs, as plain JSON."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Collection, Iterable, Sequence
from typing import Any

from django.db.models import Prefetch, Q
from django.urls import reverse
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import status
from rest_framework.decorators import action
from rest_framework.renderers import JSONRenderer
from rest_framework.response import Response

from jobs.access import secret_for
from jobs.models import MEASURING, Appointment, Job
from measuring.adapters.evaluation import alike_of
from measuring.adapters.facts import facts_of
from measuring.adapters.options import OURS, Offer, offers
from measuring.adapters.summaries import live_units
from measuring.api import field
from measuring.models import (
    RELEASED_OR_LATER,
    FixedTo,
    Group,
    Jurisdiction,
    Lapping,
    MeasureVisit,
    Mount,
    Opening,
    Product,
    Reading,
    Shape,
    ShapeTemplate,
    Substrate,
    Tape,
    ToCome,
    VisitOpening,
)
from measuring.rules.families import TABLE
from measuring.rules.options import Option
from shared.api import ApiRequest
from shared.devices.api import FieldViewSet
from shared.fields import length_answer
from shared.lengths import LengthUnit
from shared.models import User

DAYS_AHEAD = 1
"""Tomorrow's visits come along too: who leaves at six has them from the evening before."""


def appointments_of(user: User, today: dt.date) -> list[Appointment]:
    """The person's measuring appointments of today and the next working hours."""
    return list(
        Appointment.objects.visible_to(user)
        .live()
        .filter(purpose__in=MEASURING, day__range=(today, today + dt.timedelta(days=DAYS_AHEAD)))
        .select_related("job__customer", "job__site", "job__branch", "crew")
        .prefetch_related("job__templates")
        .order_by("starts_at", "pk")[:40]
    )


def day_of(user: User) -> dict[str, object]:
    """Everything for the day, as `visit_of` gives one visit, and the range to choose from."""
    today = timezone.localdate(timezone=user.branch.tz if user.branch else None)
    visits = [visit_of(user, appointment) for appointment in appointments_of(user, today)]
    in_use = {one["facts"]["product"] for visit in visits for one in visit["openings"]}
    return kit_of(user, in_use - {None}) | {"today": today.isoformat(), "visits": visits}


def kit_of(user: User, in_use: Collection[str] = ()) -> dict[str, Any]:
    """The range (what is `in_use` by key, though not offered any more), the cord rules, one's tapes, the choices."""
    products = list(Product.objects.visible_to(user).filter(Q(is_active=True) | Q(key__in=in_use)))
    offered = offers(products)
    key = user.branch.jurisdiction.lower() if user.branch else ""
    place = Jurisdiction.objects.filter(key=key).first()
    return {
        "user": {"id": user.pk, "name": str(user)},
        "unit": user.unit.value,
        "zone": user.branch.zone if user.branch else None,
        "made_at": timezone.now().isoformat(),
        "products": [_product(one, offered[one.pk]) for one in products],
        "jurisdiction": place.rules if place else None,
        "tapes": [
            {
                "id": tape.pk,
                "label": tape.label,
                "case": tape.case_length.text(user.unit),
                "ticks": tape.case_length.ticks,
                "is_laser": tape.is_laser,
            }
            for tape in user.tapes.filter(is_retired=False)
        ],
        "choices": {
            "mount": Mount.choices,
            "shape": Shape.choices,
            "fixed_to": FixedTo.choices,
            "substrate": Substrate.choices,
            "sill": Opening.Sill.choices,
            "lapping": Lapping.choices,
            "to_come": ToCome.choices,
            "state": Opening.State.choices,
            "outcome": MeasureVisit.Outcome.choices,
            "ours": [_option(one) for one in OURS],
        },
    }


def _product(product: Product, offer: Offer) -> dict[str, object]:
    return {
        "key": product.key,
        "name": product.name,
        "family": product.family,
        "is_active": product.is_active,
        "fit": product.fit,
        "choices": {mount: [_option(one) for one in offer.at(mount)] for mount in Mount.values},
    }


def _option(one: Option) -> dict[str, object]:
    shown = {"key": one.key, "label": one.label, "choices": one.pairs, "needed": one.is_needed}
    return shown | {name: True for name in ("is_length", "is_own") if getattr(one, name)}


def visit_of(user: User, appointment: Appointment) -> dict[str, Any]:
    """One visit with its rooms and openings."""
    job = appointment.job
    visit = MeasureVisit.objects.filter(appointment=appointment).first()
    named = set(VisitOpening.objects.filter(appointment=appointment).values_list("opening_id", flat=True))
    rows = _openings(job)
    openings = [one for one in rows if one.pk in named or (visit is None and not named)]
    others = [one for one in rows if one not in openings]
    elsewhere = _at_it_elsewhere(appointment)
    return {
        "appointment": appointment.pk,
        "purpose": appointment.get_purpose_display(),
        "state": appointment.state,
        "goes_back": _goes_back(appointment),
        "day": appointment.day.isoformat() if appointment.day else None,
        "starts_at": appointment.starts_at.isoformat() if appointment.starts_at else None,
        "note": appointment.note,
        "is_open": visit is not None and not visit.is_closed(),
        "closed_at": visit.closed_at.isoformat() if visit and visit.closed_at else None,
        "outcome": visit.outcome if visit else "",
        "named": bool(named),
        "tape": visit.tape_id if visit else None,
        "tapes": _tapes(reading.tape for one in rows for reading in one.readings.all()),
        "url": reverse("measuring:visit", args=[appointment.pk]),
        "secret": secret_for(user, appointment),
        "job": _job(job) | {"templates": [one.position for one in job.templates.all()]},
        "rooms": _rooms(job, others),
        "openings": [opening_of(one, job.branch.unit) | {"at_it": elsewhere.get(one.pk, [])} for one in openings],
    }


def _goes_back(appointment: Appointment) -> dict[str, str]:
    """The state before each tap on the way, were it taken back."""
    state = Appointment.State
    before = state.PROMISED if appointment.promised_from else state.PLANNED
    left = appointment.on_the_way_at is not None
    return {state.ON_THE_WAY: before, state.ARRIVED: state.ON_THE_WAY if left else before}


def _openings(job: Job) -> list[Opening]:
    rows = (
        Opening.objects.filter(job=job)
        .exclude(state=Opening.State.DROPPED)
        .select_related("room", "product", "group")
        .prefetch_related(
            "readings__taken_by",
            "readings__tape",
            "obstructions",
            "photos",
            "fact_conflicts__offered_by",
            Prefetch("templates", ShapeTemplate.objects.select_related("job", "made_by")),
            "units__product",
        )
        .order_by("room__order", "room_id", "order", "pk")
    )
    for one in rows:
        one.job = job
    return list(rows)


def _rooms(job: Job, others: Sequence[Opening]) -> list[dict[str, Any]]:
    """The job's rooms, each with the marks that openings of other visits have taken in it."""
    beside = _beside(others)
    return [
        {
            "uid": str(room.uid),
            "name": room.name,
            "floor": room.floor,
            "defaults": room.defaults,
            "beside": beside.get(room.pk, {}),
            "taken": {str(one.uid): one.mark for one in others if one.room_id == room.pk},
        }
        for room in job.rooms.all()
    ]


def _beside(openings: Iterable[Opening]) -> dict[int, dict[str, object]]:
    """By room, what openings that are not this visit's have to say: evidence about the readings of those that are."""
    found: dict[int, dict[str, object]] = {}
    for one in openings:
        if one.product is None or one.state in TABLE["states"]["passed_over"]:
            continue
        alike = alike_of(one)
        if alike is not None:
            found.setdefault(one.room_id, {})[str(one.uid)] = {"size": alike.size, "crooked": alike.crooked}
    return found


def _at_it_elsewhere(appointment: Appointment) -> dict[int, list[int]]:
    """By opening, the other appointments of the job with a visit at it that is not closed yet."""
    rows = VisitOpening.objects.filter(
        appointment__job=appointment.job_id,
        appointment__measure_visit__isnull=False,
        appointment__measure_visit__closed_at=None,
    ).exclude(appointment=appointment)
    found: dict[int, list[int]] = {}
    for opening, other in rows.values_list("opening_id", "appointment_id"):
        found.setdefault(opening, []).append(other)
    return found


def _tapes(tapes: Iterable[Tape | None]) -> list[dict[str, object]]:
    """The tapes the visit's readings were taken with, whosever they are."""
    used = {tape.pk: tape for tape in tapes if tape is not None}
    return [{"id": key, "ticks": tape.case_length.ticks, "is_laser": tape.is_laser} for key, tape in used.items()]


def _job(job: Job) -> dict[str, Any]:
    site = job.site
    ways = {"lift": site.longest_in_lift if site.has_lift else None, "stair": site.longest_on_stair}
    unit = job.branch.unit
    return {
        "id": job.pk,
        "number": job.number,
        "customer": job.customer.name,
        "address": site.where,
        "directions": site.directions,
        "map_link": job.map_link,
        "expected": job.expected,
        "rooms_expected": job.rooms_expected,
        "openings_expected": job.openings_expected,
        "door_contact": site.door_contact,
        "door_phone": site.door_phone,
        "parking": site.parking,
        "pets": site.pets,
        "access": site.get_access_display(),
        "access_note": site.access_note,
        "children": site.children,
        "year_built": site.year_built,
        "paint_caution": site.paint_caution,
        "way_in": {way: length.text(unit) for way, length in ways.items() if length},
    }


def opening_of(opening: Opening, unit: LengthUnit) -> dict[str, object]:
    """One opening: its facts, every reading that is not superseded, what is in the way."""
    units = live_units(opening)
    return {
        "uid": str(opening.uid),
        "id": opening.pk,
        "room": str(opening.room.uid),
        "mark": opening.mark,
        "order": opening.order,
        "state": opening.state,
        "reason": opening.reason,
        "group": str(opening.group) if opening.group else "",
        "version": opening.version,
        "facts": facts_of(opening, unit),
        "bay": opening.bay or None,
        "one_head": opening.group is not None and opening.group.kind == Group.Kind.HEAD,
        "readings": [_reading(one) for one in opening.readings.all() if one.superseded_at is None],
        "superseded": sum(one.superseded_at is not None for one in opening.readings.all()),
        "obstructions": [
            {
                "uid": str(thing.uid),
                "kind": thing.kind,
                "projection": thing.projection.text(unit, symbol=True),
                "ticks": thing.projection.ticks,
                "at": thing.at,
                "side": thing.side,
                "from_top": thing.from_top.ticks if thing.from_top else None,
            }
            for thing in opening.obstructions.all()
            if thing.removed_at is None
        ],
        "photos": [
            {"uid": str(photo.uid), "url": reverse("measuring:photo", args=[photo.pk]), "caption": photo.caption}
            for photo in opening.photos.all()
            if photo.removed_at is None
        ],
        "templates": [template_of(one) for one in opening.templates.all() if one.stands()],
        "conflicts": [
            {
                "id": one.pk,
                "fact": one.fact,
                "standing": one.standing,
                "offered": one.offered,
                "by": str(one.offered_by),
                "at": one.offered_at.isoformat(),
            }
            for one in opening.fact_conflicts.all()
            if one.settled_at is None
        ],
        "options": units[0].options if units else {},
        "units": [
            {
                "code": one.code,
                "state": one.get_state_display(),
                "released": one.state in RELEASED_OR_LATER,
                "product": one.product.key,
                "order_width": length_answer(one.order_width, unit) if one.order_width else None,
                "order_height": length_answer(one.order_height, unit) if one.order_height else None,
            }
            for one in units
        ],
    }


def template_of(template: ShapeTemplate) -> dict[str, object]:
    """A template with its number and where it is."""
    return {
        "uid": str(template.uid),
        "number": template.number,
        "position": template.position,
        "size_is": template.size_is,
        "state": template.state,
        "where": template.where,
        "at": template.at.isoformat(),
        "by": str(template.made_by),
    }


def _reading(reading: Reading) -> dict[str, object]:
    return {
        "uid": str(reading.uid),
        "spot": reading.spot,
        "turn": reading.turn,
        "typed": reading.typed,
        "ticks": reading.value.ticks,
        "case": reading.case_added.ticks if reading.case_added else None,
        "tape": reading.tape_id,
        "grade": reading.grade,
        "by": str(reading.taken_by),
        "at": reading.taken_at.isoformat(),
        "confirmed": reading.confirmed_at is not None,
        "conflict": reading.conflict_with_id is not None,
    }


class FieldDayViewSet(FieldViewSet):
    """What a phone in the field needs, with the day to take along."""

    @extend_schema(responses={200: OpenApiTypes.OBJECT, 304: None})
    @action(detail=False)
    def day(self, request: ApiRequest) -> Response:
        """The day's visits with all that measuring needs; 304 where the phone has it so (``If-None-Match``)."""
        day = field.day_of(request.user)
        told = JSONRenderer().render({name: value for name, value in day.items() if name != "made_at"})
        tag = f'"{hashlib.sha256(told).hexdigest()[:32]}"'
        if tag in request.headers.get("If-None-Match", ""):
            return Response(status=status.HTTP_304_NOT_MODIFIED)
        return Response(day, headers={"ETag": tag})
