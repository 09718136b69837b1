"""What can be chosen for a product: suppliers' lists, and choices that somebody holds and no list has."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from django.db import transaction

from fabrication.models import LackingChoice, SupplierList
from measuring.adapters.options import Offer, offers
from measuring.models import Product, Unit
from measuring.rules.options import named, plain
from shared.audit import record
from shared.errors import Refused
from shared.models import User

NOT_RELEASED: Final = (Unit.State.DRAFT, Unit.State.SIZED, Unit.State.APPROVED)
KEYS: Final[Mapping[str, str]] = {"color": "colour"}
"""Words that are stored under another."""
MOST_OPTIONS: Final = 20
MOST_CHOICES: Final = 200
LONGEST: Final = 120


# -- what is chosen and can't be had -------------------------------------------------------


@dataclass(slots=True)
class Lacking:
    """A choice that the list of its product does not have, the jobs whose units wait for it, and what to do."""

    product: Product
    option: str
    value: str
    todo: str
    has_list: bool
    waiting: int = 0
    jobs: dict[int, str] = field(default_factory=dict)
    kept: LackingChoice | None = None


def lacking_choices(every: Iterable[Product]) -> list[Lacking]:
    """
    What was offered or chosen of these products and no list has.

    Noted when the lists were made one, or held by a unit that is not released.

    A row goes when the list has the choice, or when nobody holds it and it is not offered any more.
    """
    products = {product.pk: product for product in every}
    offered = offers(products.values())
    found: dict[tuple[int, str, str], Lacking] = {}

    def row(product: int, option: str, value: str) -> Lacking | None:
        if not _lacks(offered[product], option, value):
            return None
        todo = _todo(products[product], offered[product], option)
        label, has_list = _label(offered[product], option), not offered[product].listed.problem
        return found.setdefault((product, option, value), Lacking(products[product], label, value, todo, has_list))

    for kept in LackingChoice.objects.filter(product__in=products):
        if one := row(kept.product_id, kept.option, kept.value):
            one.kept = kept
    held = (
        Unit.objects.live()
        .filter(product__in=products, state__in=NOT_RELEASED, opening__job__cancelled_at=None)
        .values_list("product", "options", "opening__job", "opening__job__number")
    )
    for product, options, job, number in held:
        for option, value in options.items():
            if value and (one := row(product, option, value)):
                one.waiting += 1
                one.jobs[job] = number
    return sorted(found.values(), key=lambda one: (one.product.name, one.option, one.value))


def _lacks(offer: Offer, option: str, value: str) -> bool:
    known = offer.option(option)
    return known is None or (bool(known.choices) and known.choice(value) is None)


def _label(offer: Offer, option: str) -> str:
    known = offer.option(option)
    return known.label if known else named(option)


def _todo(product: Product, offer: Offer, option: str) -> str:
    if offer.listed.problem:
        return offer.listed.problem
    label = _label(offer, option)
    return f"Add the {label} to {offer.listed.where}, or choose again for the units that wait."


@transaction.atomic
def stop_offering(*, choice: LackingChoice, by: User) -> None:
    """The recipe will not have it: it is listed no more, unless a unit that waits holds it."""
    record(by=by, action="stopped offering a choice", subject=choice.product, note=f"{choice.option}: {choice.value}")
    choice.delete()


# -- a supplier's list ----------------------------------------------------------------------


@transaction.atomic
def save_supplier_list(
    *, product: Product, options: Sequence[Mapping[str, object]], by: User, takes: str | None = None
) -> SupplierList:
    """
    What a supplier lets one choose for a product that is bought in, in the order it is asked.

    Parameters
    ----------
    takes
        The size of an inside mount that is ordered (`SupplierList.Takes`); None leaves it as it is.
    options
        Each ``{"name", "choices", "needed"}``; without choices it is written freely. An option keeps
        its key by its name, so that units that were chosen by it stay chosen.

    Raises
    ------
    Refused
        The product is made here, or an option without a name, named twice, with a choice twice.
    """
    product = Product.objects.select_for_update().get(pk=product.pk)
    if product.source != Product.Source.BOUGHT:
        raise Refused(f"{product.name} is made here: its choices are its recipe's", field="options")
    row = SupplierList.objects.filter(product=product).first() or SupplierList(product=product, revision=0)
    keys_before = {plain(one["name"]): one["key"] for one in row.options}
    if len(options) > MOST_OPTIONS:
        raise Refused(f"{len(options)} options", field="options", bound=f"at most {MOST_OPTIONS}")
    clean = [_clean_option(one, keys_before) for one in options]
    keys = [one["key"] for one in clean]
    if twice := next((one["name"] for one in clean if keys.count(one["key"]) > 1), None):
        raise Refused(f"{twice} stands twice", field="options", bound="each option once")
    old = option_lines(row.options)
    changes: dict[str, list[object]] = {"options": ["; ".join(old), "; ".join(option_lines(clean))]}
    if takes is not None and takes != row.takes:
        if takes not in SupplierList.Takes.values:
            raise Refused("say what size is ordered", field="takes", bound=", ".join(SupplierList.Takes.values))
        before = row.get_takes_display() or "not said"
        row.takes = takes
        changes["size of an inside mount"] = [before, row.get_takes_display()]
    row.options, row.saved_by, row.revision = clean, by, row.revision + 1
    row.save()
    record(by=by, action="saved the supplier's list", subject=product, changes=changes)
    return row


def _clean_option(one: Mapping[str, Any], keys: Mapping[str, str]) -> dict[str, object]:
    name = str(one.get("name", "")).strip()
    choices = [str(choice).strip() for choice in one.get("choices", [])]
    if not name or len(name) > 40:
        raise Refused(f"'{name[:40]}' is no name of an option", field="options", bound="1 to 40 characters")
    if long := next((choice for choice in choices if not 0 < len(choice) <= LONGEST), None):
        raise Refused(f"{name}: '{long[:40]}' is no choice", field="options", bound=f"1 to {LONGEST} characters")
    if len({plain(choice) for choice in choices}) < len(choices) or len(choices) > MOST_CHOICES:
        raise Refused(f"{name}: a choice stands twice", field="options", bound=f"each once, at most {MOST_CHOICES}")
    key = keys.get(plain(name)) or KEYS.get(plain(name)) or re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    return {"key": key[:40] or "option", "name": name, "choices": choices, "needed": bool(one.get("needed", True))}


def option_lines(options: Sequence[Mapping[str, Any]]) -> list[str]:
    """A list as lines somebody edits: ``color: white | sand``; a ``?`` after the name: may be left open."""
    return [f"{one['name']}{'' if one['needed'] else '?'}: {' | '.join(one['choices'])}" for one in options]


def read_option_lines(text: str) -> list[dict[str, object]]:
    """
    The options of such lines.

    Raises
    ------
    Refused
        A line without a colon.
    """
    found = []
    for line in filter(str.strip, text.splitlines()):
        name, colon, rest = line.partition(":")
        if not colon:
            raise Refused(f"'{line.strip()[:40]}' has no colon", field="options", bound="color: white | sand")
        name = name.strip()
        choices = [choice.strip() for choice in rest.split("|") if choice.strip()]
        found.append({"name": name.rstrip("? "), "choices": choices, "needed": not name.endswith("?")})
    return found
