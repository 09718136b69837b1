"""Rows of the measuring room for tests: a job at a site, a visit, openings with readings."""

from __future__ import annotations

import datetime as dt
from itertools import count
from typing import Any

from django.utils import timezone

from fabrication.services.starting_data import load_materials, load_recipes
from jobs.models import Appointment, Crew, CrewMember, Customer, Job, Purpose, Site
from measuring.adapters.options import offer_of
from measuring.models import MeasureVisit, Opening, Product, Room, Tape, Unit
from measuring.services import openings, releases, sizes
from measuring.services import range as range_services
from measuring.services import readings as reading_services
from measuring.services.starting_data import load_products
from shared.lengths import Length
from shared.models import Branch, User

_next = count(1)

INSIDE = {
    "widths.top": "35 3/8",
    "widths.middle": "35 3/8",
    "widths.bottom": "35 3/8",
    "heights.left": "60",
    "heights.center": "60",
    "heights.right": "60",
    "depth": "3 1/2",
}
"""Readings of an honest opening, inside mount."""

SLAT_OPTIONS = {
    "control": "",
    "tilt_side": "left",
    "valance": "plain",
    "hold_downs": "no",
    "colour": "white",
}


def make_job(by: User, *, branch: Branch | None = None, **fields: Any) -> Job:
    branch = branch or by.branch
    assert branch is not None
    number = next(_next)
    site_fields = {
        "street": f"{number} Weir Street",
        "town": "Millrace",
        "year_built": 1994,
        "children": False,
        **fields.pop("site", {}),
    }
    customer = Customer.objects.create(branch=branch, name=f"Ida Marl {number}", phone="555-0101")
    site = Site.objects.create(branch=branch, customer=customer, **site_fields)
    return Job.objects.create(
        **{
            "branch": branch,
            "number": f"M{number}",
            "customer": customer,
            "site": site,
            "created_by": by,
            "openings_expected": 2,
            **fields,
        }
    )


def make_crew(branch: Branch, *people: User) -> Crew:
    crew = Crew.objects.create(branch=branch, name=f"Crew {next(_next)}", purposes=["measure", "install"])
    for person in people:
        CrewMember.objects.create(crew=crew, user=person)
    return crew


def make_appointment(
    job: Job, by: User, *people: User, purpose: str = Purpose.MEASURE, crew: Crew | None = None, **fields: Any
) -> Appointment:
    """Today's appointment of a crew of these people."""
    crew = crew or make_crew(job.branch, *people)
    now = timezone.now()
    return Appointment.objects.create(
        **{
            "job": job,
            "purpose": purpose,
            "state": Appointment.State.PLANNED,
            "crew": crew,
            "day": timezone.localdate(now, job.branch.tz),
            "starts_at": now + dt.timedelta(minutes=10),
            "created_by": by,
            **fields,
        }
    )


def make_range(branch: Branch) -> dict[str, Product]:
    """The starting range by key, with the recipes that say what can be chosen."""
    products = load_products(branch)
    load_materials(branch)
    load_recipes(branch)
    return {product.key: product for product in products}


def product_of(branch: Branch, family: str) -> Product:
    if not branch.products.exists():
        make_range(branch)
    found = Product.objects.filter(branch=branch, family=family).order_by("pk").first()
    assert found is not None
    return found


def make_opening(
    job: Job,
    by: User,
    *,
    family: str = "slat",
    mount: str = "inside",
    room: str = "Kitchen",
    readings: dict[str, str] | None = None,
    visit: MeasureVisit | None = None,
    **facts: Any,
) -> Opening:
    """An opening with a product of the family and these readings (none: `INSIDE`)."""
    product = product_of(job.branch, family)
    place: Room = openings.add_room(job=job, name=room, by=by)
    opening = openings.add_opening(
        room=place,
        by=by,
        visit=visit,
        facts={"product": product.key, "mount": mount, "substrate": "wood", **facts},
    )
    for at, typed in (INSIDE if readings is None else readings).items():
        reading_services.record_reading(opening=opening, spot=at, typed=typed, by=by, visit=visit)
    return Opening.objects.get(pk=opening.pk)


def make_tape(user: User, case: str = "3 1/4") -> Tape:
    return range_services.save_tape(user=user, by=user, label="yellow", case_length=case)


def choose_all(unit: Unit, by: User) -> Unit:
    """The first choice of everything that is needed."""
    options = {one.key: one.choices[0].key for one in offer_of(unit.product).listed.options}
    return sizes.set_options(unit=unit, options=options, by=by)


def make_approved(job: Job, by: User, **opening: Any) -> Unit:
    """A unit that is ready to be released."""
    unit = make_opening(job, by, **opening).units.get()
    unit = choose_all(unit, by)
    releases.approve_sizes(job=job, units=[unit], approved_by="Ida Marl", by=by)
    return Unit.objects.get(pk=unit.pk)


def inch(text: str) -> Length:
    return Length.parse(text)
