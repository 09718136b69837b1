"""The hardware rules and the hardware a branch starts from, as rows it then edits."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Annotated

from fabrication.models import Material
from installs.adapters.evaluation import rules_at
from installs.models import HardwareRules
from installs.rules.data import HardwareRules as Rules
from installs.rules.data import Item, starting_definition
from shared.models import Branch
from shared.records import Record, Within

WEIGHTS = Path(__file__).resolve().parents[1] / "data" / "weights.json"
KINDS = {"strip": Material.Kind.STRIP, "piece": Material.Kind.PIECE}


Grams = Mapping[str, Annotated[Decimal, Within(0, 100_000)]]


@dataclass(frozen=True)
class Weights(Record):
    """What hardware weighs by its group: each, or a metre of it."""

    basis: str
    grams_each: Grams
    grams_per_m: Grams


@cache
def _weights() -> Weights:
    return Weights.from_json(json.loads(WEIGHTS.read_text(encoding="utf-8")))


def _facts(item: Item) -> dict[str, str]:
    """A material has a weight; hardware's is rough, by its group."""
    is_strip = item.kind == "strip"
    by_group = _weights().grams_per_m if is_strip else _weights().grams_each
    return {"grams_per_m" if is_strip else "grams_each": str(by_group.get(item.group, by_group["clip"]))}


def load_for_range(branch: Branch) -> None:
    """All that hanging a branch's products needs; what it has already stays."""
    load_hardware(branch, rules_at(load_rules(branch)))


def load_rules(branch: Branch) -> HardwareRules:
    """The branch's current rules, made from the starting values where it has none."""
    found = HardwareRules.objects.filter(branch=branch, is_current=True).first()
    if found is not None:
        return found
    return HardwareRules.objects.create(
        branch=branch, revision=1, definition=starting_definition(), note="starting data"
    )


def load_hardware(branch: Branch, rules: Rules) -> dict[str, Material]:
    """A material for every item of the rules; those the branch has already are left as they are."""
    there = dict(Material.objects.filter(branch=branch).values_list("key", "kind"))
    Material.objects.bulk_create(
        Material(
            branch=branch,
            key=item.key,
            name=item.name,
            kind=KINDS[item.kind],
            facts=_facts(item),
            kerf=rules.strips.kerf if item.kind == "strip" else None,
            keep=rules.strips.keep if item.kind == "strip" else None,
        )
        for item in rules.items
        if item.key not in there
    )
    keys = [item.key for item in rules.items]
    return {row.key: row for row in Material.objects.filter(branch=branch, key__in=keys)}
