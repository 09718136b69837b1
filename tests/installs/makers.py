"""Rows of the install day for tests: a job with units made, a crew, its visit of today."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.utils import timezone

from fabrication.models import StockItem, UnitMake
from installs.adapters.evaluation import rules_at
from installs.models import HardwareRules
from installs.services.starting_data import load_hardware, load_rules
from jobs.models import Appointment, Crew, CrewMember, Job, Purpose, WorkingHours
from measuring.models import Opening, Product, Room, Unit
from shared.codes import new_code
from shared.lengths import Length
from shared.models import Branch, User
from tests.factories import make_job

KITCHEN = "Kitchen"


def make_unit(job: Job, *, product: str = "wren", family: str = "roller", room: str = KITCHEN, **fields: Any) -> Unit:
    """A made unit of 35 1/4 × 60, cordless, inside mount in wood, as the workroom leaves it."""
    place, _ = Room.objects.get_or_create(job=job, name=room, floor="")
    what, _ = Product.objects.get_or_create(
        branch=job.branch, key=product, defaults={"name": product.title(), "family": family}
    )
    mark = str(Opening.objects.filter(job=job).count() + 1)
    opening_fields = {
        "mount": "inside",
        "fixed_to": "jamb",
        "substrate": "wood",
        "reach_height": Length.inches(72),
        **fields.pop("opening", {}),
    }
    opening = Opening.objects.create(
        job=job, room=place, mark=mark, product=what, state=Opening.State.MEASURED, **opening_fields
    )
    width, height = fields.pop("width", "35 1/4"), fields.pop("height", "60")
    make_fields = fields.pop("make", {})
    unit = Unit.objects.create(
        opening=opening,
        code=new_code(),
        product=what,
        mount=opening.mount,
        **{
            "state": Unit.State.MADE,
            "options": {"control": "spring"},
            "order_width": Length.parse(width),
            "order_height": Length.parse(height),
            "basis": "opening size",
            "made_at": timezone.now(),
            "released_at": timezone.now() - dt.timedelta(days=9),
            "due_on": timezone.localdate(),
            **fields,
        },
    )
    UnitMake.objects.create(
        unit=unit,
        finished_width=Length.parse(width),
        finished_height=Length.parse(height),
        weight_g=2200,
        state=UnitMake.State.MADE,
        **{"packages": [{"name": "carton", "longest": Length.parse(width).ticks}], **make_fields},
    )
    return unit


def make_crew(branch: Branch, *people: User, **fields: Any) -> Crew:
    number = Crew.objects.count() + 1
    crew = Crew.objects.create(
        **{"branch": branch, "name": f"Crew {number}", "truck_longest": Length.inches(144), "people": 2, **fields}
    )
    WorkingHours.objects.bulk_create(WorkingHours(crew=crew, weekday=day, lunch_min=0) for day in range(7))
    for person in people:
        CrewMember.objects.create(crew=crew, user=person)
    return crew


def today(branch: Branch) -> dt.date:
    return timezone.localdate(timezone=branch.tz)


def make_visit(job: Job, crew: Crew, *units: Unit, hour: int = 9, **fields: Any) -> Appointment:
    """Today's install of these units (by default all of the job's), promised from its hour on."""
    day = fields.pop("day", None) or today(job.branch)
    starts = dt.datetime.combine(day, dt.time(hour), tzinfo=job.branch.tz)
    visit = Appointment.objects.create(
        **{
            "job": job,
            "purpose": Purpose.INSTALL,
            "state": Appointment.State.PROMISED,
            "crew": crew,
            "day": day,
            "starts_at": starts,
            "promised_from": starts,
            "promised_until": starts + dt.timedelta(hours=2),
            "created_by": job.created_by,
            **fields,
        }
    )  # the visit names the job's units by itself
    if units:
        visit.visit_units.exclude(unit__in=units).delete()
    return visit


def stock_up(branch: Branch, quantity: int = 500) -> HardwareRules:
    """The starting rules, and so many of every item on the shelf."""
    row = load_rules(branch)
    rules = rules_at(row)
    StockItem.objects.bulk_create(
        StockItem(
            material=material,
            code=new_code(),
            quantity=quantity,
            length=rules.item(key).length if rules.item(key).kind == "strip" else None,
            shelf="bin",
        )
        for key, material in load_hardware(branch, rules).items()
    )
    return row


def a_day(branch: Branch, by: User, *people: User, units: int = 2) -> tuple[Job, Appointment]:
    """A job with units made, its visit today by a crew of these people, the shelf full."""
    stock_up(branch)
    job = make_job(branch, by=by)
    for _ in range(units):
        make_unit(job)
    return job, make_visit(job, make_crew(branch, *people))
