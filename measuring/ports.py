"""
What measuring needs to know from the rooms above it.

A higher app fills these registries in its ``AppConfig.ready``; measuring calls them and
knows nobody. Actions run inside the transaction of the action that calls them, so a hook that
refuses (`shared.errors.Refused`) undoes it all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from measuring.models import Obstruction, Opening, Product, SizeChange, Unit
    from measuring.rules.options import OptionList
    from shared.models import Branch, User


ReleaseHook = Callable[[Sequence["Unit"], "User"], object]
"""Called with the units just released and who did it: parts appear, reservations are made."""

ReleaseCheck = Callable[["Unit"], Iterable[str]]
"""Reasons why a unit can't be released that only a higher room knows, such as no recipe."""

ChangeEffects = Callable[["Unit", "Unit | None"], Iterable[str]]
"""What a change of a released unit would do, given the unit as it would be (None: cancelled), a line each."""

SizeChangeHook = Callable[["Unit", "SizeChange", "User"], None]
"""Called after a change was accepted, the unit's size, options and product being the new ones."""

CancelHook = Callable[["Unit", "User"], None]
"""Called when a unit is cancelled."""

TakeBack = Callable[["Unit", "User"], None]
"""Called before a released unit goes back to be approved anew; raises `Refused` where it is past that."""

ProductOptions = Callable[[Sequence["Product"]], Mapping[int, "OptionList"]]
"""What can be chosen now, by the product's key: the recipe's list, or the supplier's for what is bought in."""

UnitOptions = Callable[[Sequence["Unit"]], Mapping[int, "OptionList"]]
"""By the unit's key: the list it was made by once it is being made, before that its product's of now."""

MadeFit = Callable[["Product"], Mapping[str, Any]]
"""Figures of a product's fit that its recipe decides, as `measuring.rules.fit` reads them; none without a recipe."""

ObstructionHelp = Callable[["Opening", "Obstruction"], Iterable[str]]
"""How the covering gets clear of something: spacers, extension bracket, or that it cannot."""

HardwareKits = Callable[[Sequence["Unit"]], Mapping[int, Sequence[str]]]
"""By the unit's key: what it is hung with, a line an item with how many; why nobody can say, where nobody can."""

RangeHook = Callable[["Branch"], object]
"""Called when a branch took products of the starting range: what they are made of and hung with is there then."""


@dataclass(slots=True)
class Ports:
    """The registries; `ports` below is the one there is."""

    release_checks: list[ReleaseCheck] = field(default_factory=list)
    release_hooks: list[ReleaseHook] = field(default_factory=list)
    change_effects: list[ChangeEffects] = field(default_factory=list)
    size_change_hooks: list[SizeChangeHook] = field(default_factory=list)
    cancel_hooks: list[CancelHook] = field(default_factory=list)
    take_back_hooks: list[TakeBack] = field(default_factory=list)
    obstruction_help: list[ObstructionHelp] = field(default_factory=list)
    made_fit: list[MadeFit] = field(default_factory=list)
    product_options: list[ProductOptions] = field(default_factory=list)
    unit_options: list[UnitOptions] = field(default_factory=list)
    range_hooks: list[RangeHook] = field(default_factory=list)
    hardware_kits: list[HardwareKits] = field(default_factory=list)

    def why_not(self, unit: Unit) -> list[str]:
        return [reason for check in self.release_checks for reason in check(unit)]

    def released(self, units: Sequence[Unit], by: User) -> None:
        for hook in self.release_hooks:
            hook(units, by)

    def effects(self, unit: Unit, wanted: Unit | None) -> list[str]:
        return [line for source in self.change_effects for line in source(unit, wanted)]

    def size_changed(self, unit: Unit, change: SizeChange, by: User) -> None:
        for hook in self.size_change_hooks:
            hook(unit, change, by)

    def cancelled(self, unit: Unit, by: User) -> None:
        for hook in self.cancel_hooks:
            hook(unit, by)

    def taken_back(self, unit: Unit, by: User) -> None:
        for hook in self.take_back_hooks:
            hook(unit, by)

    def help_past(self, opening: Opening, thing: Obstruction) -> list[str]:
        return [line for source in self.obstruction_help for line in source(opening, thing)]

    def fit_as_made(self, product: Product) -> dict[str, object]:
        return {name: value for source in self.made_fit for name, value in source(product).items()}

    def options_of_products(self, products: Sequence[Product]) -> dict[int, OptionList]:
        return {key: listed for source in self.product_options for key, listed in source(products).items()}

    def options_of_units(self, units: Sequence[Unit]) -> dict[int, OptionList]:
        return {key: listed for source in self.unit_options for key, listed in source(units).items()}

    def hardware_of_units(self, units: Sequence[Unit]) -> dict[int, list[str]]:
        found: dict[int, list[str]] = {}
        for source in self.hardware_kits:
            for key, lines in source(units).items():
                found.setdefault(key, []).extend(lines)
        return found


ports = Ports()
