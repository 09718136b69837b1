"""What a job's customer sees of their coverings, and what of it they can approve."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import QuerySet
from django.urls import reverse
from django.utils.translation import gettext, gettext_noop

from jobs.models import CustomerLink, Job
from jobs.ports import CustomersPart
from measuring.adapters.options import offers_of_units, told_apart_by, unresolved_options
from measuring.adapters.prices import price_of, prices_of
from measuring.models import RELEASED_OR_LATER, Photo, Reading, Unit
from measuring.rules.prices import NoPrice
from measuring.services.releases import snapshot_of
from shared.formats.spoken import said_length

STANDS: dict[str, str] = {
    Unit.State.APPROVED: gettext_noop("approved"),
    Unit.State.RELEASED: gettext_noop("being made"),
    Unit.State.IN_WORKROOM: gettext_noop("being made"),
    Unit.State.MADE: gettext_noop("made"),
    Unit.State.LOADED: gettext_noop("made"),
    Unit.State.INSTALLED: gettext_noop("installed"),
    Unit.State.NOT_INSTALLED: gettext_noop("we come again for it"),
}
"""How a unit stands, in the customer's words; those that are not approved yet have none."""


CONTROLS = (
    gettext_noop("battery motor"), gettext_noop("chain and cord loop"), gettext_noop("chain loop"),
    gettext_noop("cordless"), gettext_noop("cordless lift"), gettext_noop("cordless spring"),
    gettext_noop("lift cords with cleat"), gettext_noop("mains motor"), gettext_noop("top down and bottom up"),
    gettext_noop("wand"), gettext_noop("wand tilt"), gettext_noop("left"), gettext_noop("right"),
    gettext_noop("tilt left"), gettext_noop("tilt right"),
)  # fmt: skip
"""What the starting range calls its controls; a firm's own names stay as the firm wrote them."""


@dataclass(frozen=True, slots=True)
class Covering:
    """One covering as the customer sees it; with its size only where they measured: else it is ours to answer for."""

    unit: Unit
    where: str
    product: str
    color: str
    mount: str
    control: str
    size: str
    price: Decimal | None
    stands: str
    may_be_approved: bool


def coverings_of(job: Job) -> list[Covering]:
    """The job's live units; one can be approved once it is sized and every choice leads to a material."""
    rows = Unit.objects.live().filter(opening__job=job).exclude(state=Unit.State.DRAFT)
    units = list(rows.select_related("product", "opening__room", "opening__job__branch"))
    offered, prices, found = offers_of_units(units), prices_of(units), []
    for unit in units:
        words = told_apart_by(unit, offered[unit.pk])
        try:
            price = price_of(unit, prices.get(unit.product_id), job.branch.unit)
        except NoPrice:
            price = None
        size = _size(unit) if job.customer_measures else ""
        is_ready = (
            unit.state == Unit.State.SIZED
            and unit.is_sized()
            and unit.grade == Reading.Grade.FINAL
            and not unresolved_options(unit, offered[unit.pk])
        )
        where = f"{unit.opening.room.name} {unit.opening.mark}"
        stands = gettext(STANDS[unit.state]) if unit.state in STANDS else ""
        found.append(
            Covering(
                unit, where, unit.product.name, words["colour"], gettext(words["mount"]),
                said_control(words["control"]), size, price, stands, is_ready,
            )
        )  # fmt: skip
    return found


def _size(unit: Unit) -> str:
    """The order size in the customer's words; empty for one that has none."""
    if unit.order_width is None or unit.order_height is None:
        return ""
    lengths = [said_length(one, unit.job.branch.unit) for one in (unit.order_width, unit.order_height)]
    return gettext("%(width)s wide, %(height)s high") % dict(zip(("width", "height"), lengths, strict=True))


def said_control(words: str) -> str:
    """A control with its side, in the language that is active where the catalogs have its name."""
    return ", ".join(gettext(word) for word in words.split(", ") if word)


def seen_mark(units: Sequence[Unit], prices: Sequence[Decimal | None]) -> str:
    """Says whether what somebody approves is what they saw: sizes, options, prices."""
    seen = [[snapshot_of(unit), str(price)] for unit, price in zip(units, prices, strict=True)]
    return hashlib.sha256(json.dumps(seen, sort_keys=True, default=str).encode()).hexdigest()[:32]


def part_of_customer(job: Job) -> CustomersPart | None:
    """The coverings, for the customer's page."""
    coverings = coverings_of(job)
    if not coverings:
        return None
    asked = [one for one in coverings if one.may_be_approved] if not job.is_cancelled() else []
    priced = [one.price for one in coverings if one.price is not None]
    shows = {
        "coverings": coverings,
        "asked": asked,
        "yours": job.customer_measures,
        "seen": seen_mark([one.unit for one in asked], [one.price for one in asked]),
        "total": sum(priced, Decimal(0)) if len(priced) == len(coverings) else None,
        "currency": job.branch.currency,
        "is_released": any(one.unit.state in RELEASED_OR_LATER for one in coverings),
    }
    return CustomersPart(gettext("Your window coverings"), "measuring/_your_coverings.html", shows)


def photos_shown(job: Job) -> QuerySet[Photo]:
    """Photos of the job's openings that somebody chose to show the customer."""
    return Photo.objects.filter(opening__job=job, for_customer=True, removed_at=None)


def photos_of_customer(job: Job) -> CustomersPart | None:
    """Photos of before, for the customer's page."""
    token = CustomerLink.of(job).token
    shown = [(reverse("measuring:your_photo", args=[token, one.pk]), one.caption) for one in photos_shown(job)]
    return CustomersPart(gettext("Before"), "jobs/_your_photos.html", {"photos": shown}) if shown else None
