"""
What can be chosen per unit beside its size: the list of the rooms above, and what this room asks.

The list itself is the recipe's or the supplier's and comes through `measuring.ports`; pages, documents,
the API and devices all read it here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from measuring.adapters.facts import read_entry
from measuring.ports import ports
from measuring.rules import options as rules
from measuring.rules.families import TABLE
from measuring.rules.options import Choice, Option, OptionList
from shared.errors import Refused
from shared.lengths import ZERO, LengthUnit

if TYPE_CHECKING:
    from measuring.models import Product, Unit

NO_OR_YES: Final = (Choice("no", "no"), Choice("yes", "yes"))
GAP_STRIPS: Final = Option("gap_strips", "gap strips", NO_OR_YES, is_needed=False)
CLOTH_EXTRA: Final = Option("cloth_extra", "extra width for cloth", is_needed=False, is_length=True)
MOTOR_CHANNEL: Final = Option("motor_channel", "motor channel", is_needed=False, is_own=True)
NOTE: Final = Option("note", "note to the workroom", is_needed=False, is_own=True)
OURS: Final = (GAP_STRIPS, CLOTH_EXTRA, MOTOR_CHANNEL, NOTE)
"""What the measurer is asked whatever the list says; no part depends on it, and none of it is needed."""


@dataclass(frozen=True, slots=True)
class Offer:
    """What can be chosen for one product: its list, and which of `OURS` are asked at a mount."""

    listed: OptionList
    inside: tuple[Option, ...]
    outside: tuple[Option, ...]

    def at(self, mount: str) -> list[Option]:
        """Every option at a mount, in the order they are asked."""
        return [*self.listed.options, *(self.outside if mount == "outside" else self.inside)]

    def option(self, key: str) -> Option | None:
        """The option of that key, whatever the mount."""
        return self.whole.option(key)

    @property
    def whole(self) -> OptionList:
        """The list with all of `OURS`: what a unit may hold from before its mount was changed is no fault."""
        known = {option.key for option in self.listed.options}
        return replace(self.listed, options=(*self.listed.options, *(one for one in OURS if one.key not in known)))


def offers(products: Iterable[Product]) -> dict[int, Offer]:
    """What can be chosen now, by the product's key; one look at the rooms above for all of them."""
    rows = {product.pk: product for product in products}
    lists = ports.options_of_products(list(rows.values()))
    return {pk: _offer(product, lists.get(pk, OptionList())) for pk, product in rows.items()}


def offer_of(product: Product) -> Offer:
    """What can be chosen now for one product."""
    return offers([product])[product.pk]


def offers_of_units(units: Iterable[Unit]) -> dict[int, Offer]:
    """By the unit's key: once it is being made by the list it was made by, before that by today's."""
    rows = list(units)
    lists = ports.options_of_units(rows)
    return {unit.pk: _offer(unit.product, lists.get(unit.pk, OptionList())) for unit in rows}


def _offer(product: Product, listed: OptionList) -> Offer:
    inside, outside = [NOTE], [CLOTH_EXTRA, NOTE]
    if any(control.get("power") for control in product.fit.get("controls") or []):
        inside, outside = [MOTOR_CHANNEL, *inside], [CLOTH_EXTRA, MOTOR_CHANNEL, NOTE]
    if TABLE["families"].get(product.family, {}).get("shows_light_gap"):
        inside = [GAP_STRIPS, *inside]
    return Offer(listed, tuple(inside), tuple(outside))


def starting_options(offer: Offer, mount: str) -> dict[str, str]:
    """What is chosen by itself, for everybody to see: where a needed option has one choice only."""
    return {one.key: one.choices[0].key for one in offer.at(mount) if one.is_needed and len(one.choices) == 1}


def copied_options(options: Mapping[str, object]) -> dict[str, Any]:
    """Those that another opening like this one has too."""
    own = {one.key for one in OURS if one.is_own}
    return {key: value for key, value in options.items() if key not in own}


def valid_options(offer: Offer, options: Mapping[str, Any]) -> dict[str, object]:
    """Those of the options that this product has too."""
    found = {}
    for one in offer.whole.options:
        value = options.get(one.key)
        if value and (not one.choices or one.choice(value)):
            found[one.key] = value
    return found


def clean_options(
    offer: Offer, sent: Mapping[str, object], unit: LengthUnit, *, name: str, held: Mapping[str, object]
) -> dict[str, str]:
    """
    The options as they are kept; what is `held` but on no list any more may stay or be taken back.

    Raises
    ------
    Refused
        With the option as field: none of this product, or not one of its choices.
    """
    clean: dict[str, str] = {}
    for key, value in sent.items():
        text = "" if value is None else str(value).strip()
        one = offer.option(key)
        if text and text == held.get(key) and rules.is_gone(one, text):
            clean[key] = text
            continue
        if one is None:
            if text or key not in held:
                raise Refused(f"{name} has no option {str(key)[:40]}", field=str(key)[:40])
            clean[key] = ""
            continue
        clean[key] = _clean(one, text, unit)
    return clean


def _clean(one: Option, text: str, unit: LengthUnit) -> str:
    if text and one.choices:
        choice = one.match(text)
        if choice is None:
            raise Refused(f"{text[:40]} is no choice of {one.label}", field=one.key, bound=one.names)
        return choice.key
    if text and one.is_length:
        text = read_entry(text, unit, one.key, least=ZERO).text(unit, symbol=True)
    if len(text) > 120:
        raise Refused(f"{len(text)} characters", field=one.key, bound="at most 120")
    return text


def missing_options(unit: Unit, offer: Offer) -> list[str]:
    """Labels of the needed options that are not chosen yet; `gone_options` are chosen."""
    return [one.label for one in rules.missing(offer.listed, unit.options)]


def gone_options(unit: Unit, offer: Offer) -> list[str]:
    """What is chosen and not offered any more, each with what to do."""
    return rules.gone(offer.whole, unit.options)


def unresolved_options(unit: Unit, offer: Offer) -> list[str]:
    """Why the unit's choices do not lead to materials, each with what to do; see `rules.options`."""
    return rules.unresolved(offer.whole, unit.options)


def shown_options(unit: Unit, offer: Offer) -> list[tuple[str, str]]:
    """Label and chosen value in the order they are asked, then what no list knows; for pages and documents."""
    rows = []
    for one in offer.at(unit.mount):
        value = unit.options.get(one.key)
        if value:
            choice = one.choice(value)
            rows.append((one.label, choice.name if choice else value))
    return rows + [(rules.named(key), value) for key, value in unit.options.items() if value and not offer.option(key)]


def told_apart_by(unit: Unit, offer: Offer) -> dict[str, str]:
    """What a label says beside the product: color, mount, and control with its side; empty where not chosen."""
    words = {
        one.key: choice.name for one in offer.whole.options if (choice := one.choice(unit.options.get(one.key, "")))
    }
    side = words.get("control_side") or (words.get("tilt_side") and f"tilt {words['tilt_side']}")
    control = ", ".join(filter(None, [words.get("control"), side]))
    return {"colour": words.get("colour", ""), "mount": unit.get_mount_display(), "control": control}


def options_shown(units: Iterable[Unit]) -> dict[int, list[tuple[str, str]]]:
    """`shown_options` of many units, by their keys."""
    rows = list(units)
    offered = offers_of_units(rows)
    return {unit.pk: shown_options(unit, offered[unit.pk]) for unit in rows}
