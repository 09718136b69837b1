"""What can be chosen per unit beside its size, from the product's row; no product is named here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from measuring.facts import read_entry
from measuring.rules.families import TABLE
from shared.errors import Refused
from shared.lengths import ZERO, Unit

if TYPE_CHECKING:
    from measuring.models import Product
    from measuring.models import Unit as CoveringUnit

LABELS: Final[Mapping[str, str]] = {
    "control": "control",
    "colour": "colour or cloth",
    "gap_strips": "gap strips",
    "cloth_extra": "extra width for cloth",
    "motor_channel": "motor channel",
    "note": "note to the workroom",
}


@dataclass(frozen=True, slots=True)
class Choice:
    """One option: its choices as (value, label), or free text or a length where it has none."""

    key: str
    label: str
    choices: tuple[tuple[str, str], ...] = ()
    is_needed: bool = True
    is_length: bool = False


def choices_of(product: Product, mount: str) -> list[Choice]:
    """
    Every option of a product at a mount, in the order they are asked.

    The product's row gives its controls (``fit.controls``) and its own options with their
    choices; each of those is needed, as is a colour. A row may hold ``{"choices": [..],
    "needed": false}`` in place of a list.
    """
    found = []
    controls = product.fit.get("controls") or []
    if controls:
        found.append(Choice("control", "control", tuple((row["key"], row["name"]) for row in controls)))
    for key, row in product.options.items():
        values = row.get("choices", []) if isinstance(row, dict) else row
        needed = row.get("needed", True) if isinstance(row, dict) else True
        label = row.get("label", "") if isinstance(row, dict) else ""
        pairs = tuple((str(value), str(value)) for value in values)
        found.append(Choice(key, label or key.replace("_", " "), pairs, bool(needed)))
    if not any(one.key == "colour" for one in found):
        found.append(Choice("colour", LABELS["colour"]))
    row = TABLE["families"].get(product.family, {})
    if mount == "inside" and row.get("gap_said"):
        found.append(Choice("gap_strips", LABELS["gap_strips"], (("no", "no"), ("yes", "yes")), False))
    if mount == "outside":
        found.append(Choice("cloth_extra", LABELS["cloth_extra"], (), False, True))
    if any(control.get("power") for control in controls):
        found.append(Choice("motor_channel", LABELS["motor_channel"], (), False))
    found.append(Choice("note", LABELS["note"], (), False))
    return found


def starting_options(product: Product, mount: str) -> dict[str, str]:
    """What is chosen by itself: where a needed option has one choice only."""
    return {
        one.key: one.choices[0][0]
        for one in choices_of(product, mount)
        if one.is_needed and len(one.choices) == 1
    }


def valid_options(product: Product, options: Mapping[str, Any]) -> dict[str, Any]:
    """Those of the options that this product has too."""
    found = {}
    for mount in ("inside", "outside"):
        for one in choices_of(product, mount):
            value = options.get(one.key)
            if value and (not one.choices or value in dict(one.choices)):
                found[one.key] = value
    return found


def clean_options(product: Product, sent: Mapping[str, Any], unit: Unit) -> dict[str, str]:
    """
    The options as they are kept.

    Raises
    ------
    Refused
        With the option as field: none of this product, or not one of its choices.
    """
    known = {one.key: one for mount in ("outside", "inside") for one in choices_of(product, mount)}
    clean: dict[str, str] = {}
    for key, value in sent.items():
        one = known.get(key)
        if one is None:
            raise Refused(f"{product.name} has no option {str(key)[:40]}", field=str(key)[:40])
        text = "" if value is None else str(value).strip()
        if text and one.choices and text not in dict(one.choices):
            bound = ", ".join(value for value, _ in one.choices)
            raise Refused(f"{text[:40]} is no choice of {one.label}", field=key, bound=bound)
        if text and one.is_length:
            text = read_entry(text, unit, key, least=ZERO).text(unit, symbol=True)
        if len(text) > 120:
            raise Refused(f"{len(text)} characters", field=key, bound="at most 120")
        clean[key] = text
    return clean


def missing_options(unit: CoveringUnit) -> list[str]:
    """Labels of the needed options that are not chosen yet."""
    return [
        one.label
        for one in choices_of(unit.product, unit.mount)
        if one.is_needed and not unit.options.get(one.key)
    ]


def shown_options(unit: CoveringUnit) -> list[tuple[str, str]]:
    """Label and chosen value, in the order they are asked, for pages and sheets."""
    rows = []
    for one in choices_of(unit.product, unit.mount):
        value = unit.options.get(one.key)
        if value:
            rows.append((one.label, dict(one.choices).get(value, value)))
    return rows
