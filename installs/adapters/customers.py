"""What a job's customer sees once something is installed: warranty, care, cords and children, the record itself."""

from __future__ import annotations

from django.db.models import QuerySet
from django.urls import reverse
from django.utils.translation import gettext

from installs.adapters.warranty import warranty_of
from installs.models import StopPhoto
from installs.rules.care import CARE
from jobs.models import CustomerLink, Job, ServiceCall
from jobs.ports import CustomersPart
from measuring.models import ProductTerms, Unit


def part_of_customer(job: Job) -> CustomersPart | None:
    """What was installed or repaired, for the customer's page; None before anything was."""
    units = list(Unit.objects.filter(opening__job=job, state=Unit.State.INSTALLED).select_related("product"))
    if not units and not ServiceCall.objects.filter(appointment__job=job).exclude(result="").exists():
        return None
    own = ProductTerms.objects.filter(product__in={unit.product_id for unit in units}).exclude(care="")
    said = dict(own.values_list("product", "care"))
    care = {unit.product.name: said.get(unit.product_id) or said_care(unit.product.family) for unit in units}
    shows = {
        "warranty": warranty_of(job),
        "care": sorted((name, text) for name, text in care.items() if text),
    }
    title = gettext("Warranty and care") if units else gettext("Your record")
    return CustomersPart(title, "installs/_your_record.html", shows)


def said_care(family: str) -> str:
    """How a family is cared for, in the language that is active."""
    return gettext(CARE[family]) if family in CARE else ""


def photos_shown(job: Job) -> QuerySet[StopPhoto]:
    """Photos of the job's stops that somebody chose to show the customer."""
    return StopPhoto.objects.filter(appointment__job=job, for_customer=True, removed_at=None)


def photos_of_customer(job: Job) -> CustomersPart | None:
    """Photos of the work, for the customer's page."""
    token = CustomerLink.of(job).token
    shown = [(reverse("installs:your_photo", args=[token, one.pk]), one.caption) for one in photos_shown(job)]
    return CustomersPart(gettext("After"), "jobs/_your_photos.html", {"photos": shown}) if shown else None
