"""Units on hold: released, and in question until the office has decided; what is in question, in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from measuring.adapters.options import Offer, offer_of
from measuring.models import SizeChange
from measuring.rules.options import named
from shared.errors import Refused
from shared.lengths import LengthUnit

Kind = SizeChange.Kind


def in_question(units: Iterable[int]) -> dict[int, SizeChange]:
    """The open change of each of these units (keys of `Unit`) that has one."""
    open_changes = SizeChange.objects.filter(unit__in=set(units), state=SizeChange.State.OPEN)
    rows = open_changes.select_related("unit__product", "new_product")
    return {change.unit_id: change for change in rows}


def refuse_held(units: Iterable[int], unit: LengthUnit, *, field: str = "") -> None:
    """
    What goes no further while a unit is in question.

    Raises
    ------
    Refused
        The first of these units (keys of `Unit`) that is on hold, and why.
    """
    for change in in_question(units).values():
        raise Refused(f"{change.unit.code} is on hold: {said(change, unit)}", field=field)


def said(change: SizeChange, unit: LengthUnit) -> str:
    """What is in question, for a page or a paper."""
    if change.kind == Kind.CANCEL:
        return f"to be cancelled{_because(change)}. Leave it until the office has decided."
    if change.kind != Kind.SIZE:
        return f"to be changed, {'; '.join(differences(change))}. Leave it until the customer has said yes."
    if not change.is_measured:
        return f"to be measured again{_because(change)}. Leave it until the office has decided."
    size = f"{change.new_width.text(unit)} × {change.new_height.text(unit)} {unit.value}"
    old = f"{change.old_width.text(unit)} × {change.old_height.text(unit)}"
    return f"measured again: order size {size}, not {old}. Leave it until the office has decided."


def _because(change: SizeChange) -> str:
    return f" ({change.reason})" if change.reason else ""


def differences(change: SizeChange) -> list[str]:
    """Product and options that change, each by its name on the list: ``color white becomes oak``."""
    return list(_differences(change))


def _differences(change: SizeChange) -> Iterator[str]:
    unit = change.unit
    if change.new_product is not None:
        yield f"product {unit.product.name} becomes {change.new_product.name}"
    if change.new_options is None:
        return
    old, new = unit.options, change.new_options
    lists = [offer_of(unit.product)]
    lists += [offer_of(change.new_product)] if change.new_product is not None else []
    for key in sorted(old.keys() | new.keys()):
        if old.get(key) != new.get(key):
            label = next((one.label for offer in reversed(lists) if (one := offer.option(key))), named(key))
            yield f"{label} {_name(lists[0], key, old.get(key))} becomes {_name(lists[-1], key, new.get(key))}"


def _name(offer: Offer, key: str, value: str | None) -> str:
    if not value:
        return "not chosen"
    one = offer.option(key)
    choice = one.choice(value) if one else None
    return choice.name if choice else value
