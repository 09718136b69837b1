"""From the words of the product range and the recipes to an `InstallUnit`, by the firm's own table."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from installs.rules.controls import loop_drop
from installs.rules.data import ControlChoice, HardwareRules
from installs.rules.units import UNKNOWN_CONTROL, InstallUnit, KeepOff, Loop, Motor, Valance
from shared.contracts import ContractError
from shared.lengths import Length

NOT_CHOSEN = frozenset({"", "no", "none"})


def install_unit(
    *,
    code: str,
    product: str,
    family: str,
    mount: str,
    fixed_to: str,
    substrate: str,
    width: Length,
    height: Length,
    options: Mapping[str, object],
    rules: HardwareRules,
    weight_g: int | None = None,
    places: Mapping[str, Iterable[Length]] | None = None,
    parts: Iterable[str] = (),
    remote: str = "",
    channel: int | None = None,
    **site: Any,
) -> InstallUnit:
    """
    A unit as it was chosen and made, ready for `hardware_list`.

    Parameters
    ----------
    options
        As chosen: ``control`` (unknown where nobody chose one), ``control_side`` or ``tilt_side``, ``valance``,
        ``hold_downs``, ``gap_strips``; others are left alone.
    places, parts
        What the recipe gave: places along the head by name, and names of the parts it made.
    site
        Further fields of `InstallUnit` (``obstructions``, ``seams``, ``reach_height`` ..).

    Raises
    ------
    shared.contracts.ContractError
        For a control that the table does not know, or a value out of bounds.

    Examples
    --------
    >>> from installs.rules.data import starting_rules
    >>> unit = install_unit(
    ...     code="A1", product="plover", family="vertical", mount="inside", fixed_to="ceiling",
    ...     substrate="wood", width=Length.inches(80), height=Length.inches(84),
    ...     options={"control": "chain", "control_side": "left"}, rules=starting_rules(),
    ... )
    >>> [(loop.kind, loop.side, loop.drop.text()) for loop in unit.loops]
    [('chain', 'left', '56'), ('cord', 'left', '56')]
    """
    choice = _control(product, str(options.get("control") or ""), rules)
    side = str(options.get("control_side") or options.get("tilt_side") or "right")
    comes_with = {rules.choices.comes_with[name] for name in parts if name in rules.choices.comes_with}
    has_valance = str(options.get("valance", "")) not in NOT_CHOSEN
    drop = loop_drop(height, rules)
    unit = InstallUnit(
        code=code,
        family=family,
        product=product,
        variant=rules.choices.variants.get(product, ""),
        mount=mount,
        fixed_to=fixed_to,
        substrate=substrate,
        width=width,
        height=height,
        weight_g=weight_g or None,
        control=choice.control if choice else UNKNOWN_CONTROL,
        control_side=side,
        loops=site.pop("loops", None) or tuple(Loop(drop, kind, side) for kind in (choice.loops if choice else ())),
        keep_off=_keep_off(width, places or {}, rules),
        gap_strips=str(options.get("gap_strips", "")) not in NOT_CHOSEN,
        hold_downs=str(options.get("hold_downs", "")) not in NOT_CHOSEN,
        valance=site.pop("valance", None) or (Valance(width) if has_valance else None),
        motor=Motor(choice.power, remote, channel) if choice and choice.power else None,
        two_way=choice is not None and choice.two_way,
        comes_with=tuple(sorted(comes_with)),
        **site,
    )
    unit.check()
    return unit


def _control(product: str, chosen: str, rules: HardwareRules) -> ControlChoice | None:
    """What the control means here; None where none is chosen, and nothing is taken in its place."""
    if not chosen:
        return None
    table = rules.choices.controls
    found = table.get(f"{product}/{chosen}", table.get(chosen))
    if found is None:
        raise ContractError("options.control", f"{chosen} is not known", "one of " + ", ".join(table))
    return found


def _keep_off(width: Length, places: Mapping[str, Iterable[Length]], rules: HardwareRules) -> tuple[KeepOff, ...]:
    """Places of the recipe that a bracket may not sit on; those off the unit are left out."""
    return tuple(
        KeepOff(what, at)
        for name, what in rules.choices.keep_off.items()
        for at in places.get(name, ())
        if Length(0) <= at <= width
    )
