"""A change of a unit after its release: what it would do, the hold until the customer's yes, the decision."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from django.db import transaction
from django.utils import timezone

from measuring.adapters.changes import differences
from measuring.adapters.evaluation import Evaluation, evaluate
from measuring.adapters.options import clean_options, offer_of, starting_options, unresolved_options, valid_options
from measuring.models import Opening, Product, SizeChange, Unit
from measuring.ports import ports
from measuring.services.base import lock_opening, note, restage, touch
from measuring.services.releases import cancel_unit, record_approval
from measuring.services.sizes import as_changed, effects_of, read_since, shown_size, size_locked
from shared.errors import Refused
from shared.lengths import Length
from shared.models import User

Kind = SizeChange.Kind
CHANGEABLE: Final = (Unit.State.RELEASED, Unit.State.IN_WORKROOM, Unit.State.MADE)
"""States in which a unit can still be changed: it has not left the building."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody wants of a unit: `options` those that change (of a product, those that differ from its usual)."""

    kind: str
    options: Mapping[str, object] | None = None
    product: Product | None = None
    reason: str = ""
    price: Decimal | None = None


def proposed(unit: Unit, asked: Asked, by: User) -> SizeChange:
    """
    The change somebody asks for, not saved.

    Raises
    ------
    Refused
        The unit is not released yet, or has left the building, or is on hold already; nothing is
        changed; an option is none of the list or not chosen; the other product can't be made there.
    """
    if unit.state not in CHANGEABLE:
        why = "change it where it is measured" if unit.released_at is None else "it has left the workroom"
        raise Refused(f"{unit.code} is {unit.get_state_display()}: {why}", field="kind")
    if unit.size_changes.filter(state=SizeChange.State.OPEN).exists():
        raise Refused(f"{unit.code} is on hold already: decide about that change first", field="kind")
    if unit.order_width is None or unit.order_height is None:
        raise Refused(f"{unit.code} has no order size", field="kind")
    width, height = unit.order_width, unit.order_height
    change = SizeChange(
        unit=unit, kind=asked.kind, old_width=width, old_height=height, new_width=width, new_height=height,
        new_longest_height=unit.longest_height, reason=asked.reason.strip()[:240], price=asked.price, opened_by=by,
    )  # fmt: skip
    if asked.kind in {Kind.SIZE, Kind.CANCEL} and not change.reason:
        raise Refused("say why, in a few words", field="reason")
    if asked.kind == Kind.CHOICE:
        _choose(change, unit, asked)
    elif asked.kind == Kind.PRODUCT:
        _take_another(change, unit, asked)
    return change


def _choose(change: SizeChange, unit: Unit, asked: Asked) -> None:
    offer, show = offer_of(unit.product), unit.opening.job.branch.unit
    sent = clean_options(offer, asked.options or {}, show, name=unit.product.name, held=unit.options)
    after = _chosen({**unit.options, **sent})
    if after == _chosen(unit.options):
        raise Refused("nothing is changed", field="options")
    change.new_options = after
    before = _size_of(unit, evaluate(unit.opening, options=unit.options))
    found = evaluate(unit.opening, options=after)
    if _size_of(unit, found) != before:
        _take_size(change, unit, found)
    elif found.size is not None:
        change.findings = found.findings_at(change.new_width, after)
    else:
        change.findings = unit.findings
    known = {one["text"] for one in unit.findings}
    if stops := [one["text"] for one in change.findings if one["severity"] == "stop" and one["text"] not in known]:
        raise Refused(stops[0], field="options")
    _refuse_unmakeable(change)


def _take_another(change: SizeChange, unit: Unit, asked: Asked) -> None:
    product = asked.product
    if product is None or product.pk == unit.product_id:
        raise Refused("choose another product", field="product")
    if unit.opening.units.live().count() > 1:
        raise Refused(
            "its opening has several units, all of one product: cancel them and measure anew", field="product"
        )
    if unit.opening.bay:
        raise Refused("it hangs in a bay, whose units share their corners: cancel it and measure anew", field="product")
    offer, show = offer_of(product), unit.opening.job.branch.unit
    usual = usual_options(unit, product)
    sent = clean_options(offer, asked.options or {}, show, name=product.name, held=usual)
    change.new_product, change.new_options = product, _chosen({**usual, **sent})
    opening = copy(unit.opening)
    opening.product = product
    found = evaluate(opening, options=change.new_options)
    if found.size is None or found.gaps:
        lacking = ", ".join(gap.text for gap in found.gaps)
        raise Refused(f"for a {product.name} it must be measured again: {lacking}", field="product")
    stops = [one["text"] for one in found.findings if one["severity"] == "stop"]
    if stops:
        raise Refused(f"{product.name}: {stops[0]}", field="product")
    change.new_basis = found.size.basis
    _take_size(change, unit, found)
    _refuse_unmakeable(change)


def usual_options(unit: Unit, product: Product) -> dict[str, object]:
    """What a unit starts with as another product: what goes by itself, and what it has that can be had there too."""
    if product.pk == unit.product_id:
        return dict(unit.options)
    offer = offer_of(product)
    return {**starting_options(offer, unit.mount), **valid_options(offer, unit.options)}


def _chosen(options: Mapping[str, object]) -> dict[str, object]:
    return {key: value for key, value in options.items() if value not in ("", None)}


def _size_of(unit: Unit, found: Evaluation) -> object:
    return (found.size.width, found.size.height, found.size.cut_height) if found.size else None


def _take_size(change: SizeChange, unit: Unit, found: Evaluation) -> None:
    """The unit's share of what its opening comes to now."""
    if found.size is None:
        return
    mates = list(unit.opening.units.live().order_by("number", "pk").values_list("pk", flat=True))
    change.new_width = Length(found.shares[mates.index(unit.pk)].ticks)
    change.new_height, change.new_longest_height = found.size.height, found.size.cut_height
    change.steps, change.findings = found.steps, found.findings_at(change.new_width, change.new_options or {})


def _refuse_unmakeable(change: SizeChange) -> None:
    wanted = as_changed(change)
    assert wanted is not None
    field = "options" if change.new_product is None else "product"
    if problems := unresolved_options(wanted, offer_of(wanted.product)) or ports.why_not(wanted):
        raise Refused(problems[0], field=field)


@transaction.atomic
def ask_for_change(*, unit: Unit, asked: Asked, by: User) -> SizeChange:
    """Puts a released unit on hold until the change is decided; see `proposed` for what it refuses."""
    opening = lock_opening(unit.opening)
    unit = Unit.objects.select_for_update(of=("self",)).select_related("product").get(pk=unit.pk)
    unit.opening = opening
    change = proposed(unit, asked, by)
    change.effects = differences(change) + effects_of(change)
    change.save()
    changes: dict[str, list[object]] = {"change": [None, "; ".join(differences(change)) or change.get_kind_display()]}
    if change.price is not None:
        changes["price"] = [None, change.price]
    note(by, "put the unit on hold", unit, opening, changes, change.reason)
    restage(opening.job_id, by)
    return change


@transaction.atomic
def accept_change(*, change: SizeChange, by: User, text: str = "", approved_by: str = "", how: str = "") -> SizeChange:
    """
    The unit is made as asked; the rooms above undo what was made as it was.

    Parameters
    ----------
    approved_by, how
        Who said yes for the customer, kept as their next approval; needed where anything but the
        measured size changes.
    """
    opening = lock_opening(change.unit.opening)
    change = _open_change(change)
    unit = Unit.objects.select_for_update(of=("self",)).select_related("product").get(pk=change.unit_id)
    unit.opening = opening
    _refuse_early(change, unit, approved_by)
    _decide(change, SizeChange.State.ACCEPTED, by, text)
    if change.kind == Kind.CANCEL:
        said = f"{change.reason}; agreed with {approved_by.strip()}"
        cancel_unit(unit=unit, by=by, reason=said[:240])
        return change
    before = shown_size(opening, unit.order_width, unit.order_height, None)
    changes: dict[str, list[object]] = {one: [None, "agreed"] for one in differences(change)}
    _apply(change, unit)
    changes["size"] = [before, shown_size(opening, unit.order_width, unit.order_height, None)]
    action = "accepted the change of size" if change.kind == Kind.SIZE else "accepted the change"
    note(by, action, unit, opening, changes, text)
    if approved_by.strip():
        record_approval(job=opening.job, rows=[unit], approved_by=approved_by, how=how, by=by)
    ports.size_changed(unit, change, by)
    _measured_meanwhile(change, opening, by)
    restage(opening.job_id, by)
    return change


def _refuse_early(change: SizeChange, unit: Unit, approved_by: str) -> None:
    if change.kind == Kind.SIZE:
        if not change.is_measured:
            raise Refused(f"{unit.code} is not measured again yet", field="text")
        return
    if unit.state not in CHANGEABLE:
        raise Refused(f"{unit.code} is {unit.get_state_display()}: it has left the workroom", field="text")
    if not approved_by.strip():
        raise Refused("say who said yes", field="approved_by")


def _apply(change: SizeChange, unit: Unit) -> None:
    """The unit's row as the change says."""
    if change.is_measured or change.kind == Kind.SIZE:
        unit.order_width, unit.order_height = change.new_width, change.new_height
        unit.longest_height = change.new_longest_height or change.new_height
        unit.steps, unit.findings = change.steps, change.findings
        unit.size_revision += 1
    if change.new_options is not None:
        unit.options, unit.findings = change.new_options, change.findings
    if change.new_product is not None:
        unit.product, unit.basis = change.new_product, change.new_basis or unit.basis
        unit.steps, unit.findings = change.steps, change.findings
        Opening.objects.filter(pk=unit.opening_id).update(product=change.new_product)
        touch(unit.opening)
    unit.save(
        update_fields=[
            "order_width", "order_height", "longest_height", "steps", "findings", "size_revision", "options",
            "product", "basis",
        ]
    )  # fmt: skip


@transaction.atomic
def refuse_change(*, change: SizeChange, by: User, text: str = "") -> SizeChange:
    """The unit stays as it was released, and goes on; the readings stay as they were read."""
    opening = lock_opening(change.unit.opening)
    change = _open_change(change)
    _decide(change, SizeChange.State.REFUSED, by, text)
    action = "refused the change of size" if change.kind == Kind.SIZE else "kept the unit as it was"
    note(by, action, change, opening, text=text)
    _measured_meanwhile(change, opening, by)
    return change


def _measured_meanwhile(change: SizeChange, opening: Opening, by: User) -> None:
    """Readings taken while something else was in question are in question now."""
    if change.kind != Kind.SIZE and read_since(opening, change):
        size_locked(lock_opening(opening), by)


def _open_change(change: SizeChange) -> SizeChange:
    fresh = (
        SizeChange.objects.select_for_update(of=("self",))
        .select_related("unit__product", "unit__opening__job__branch", "new_product")
        .get(pk=change.pk)
    )
    if fresh.state != SizeChange.State.OPEN:
        raise Refused(f"this change was {fresh.get_state_display()} already")
    return fresh


def _decide(change: SizeChange, state: str, by: User, text: str) -> None:
    change.state, change.decided_by, change.decided_at = state, by, timezone.now()
    change.decision_note = text.strip()[:240]
    change.save(update_fields=["state", "decided_by", "decided_at", "decision_note"])
