"""
Mean minutes of installing, from the firm's table, with how they add up.

Means load a day; the promise takes a quantile, which is worked out elsewhere from these means and
the spread of logged visits.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal

from installs.rules.data import HardwareRules, InsteadRule
from installs.rules.units import InstallUnit
from shared.records import Record


@dataclass(frozen=True)
class Step(Record):
    """Minutes and what for."""

    what: str
    minutes: Decimal


@dataclass(frozen=True)
class Minutes(Record):
    """A sum with its steps."""

    minutes: Decimal
    steps: tuple[Step, ...]

    @property
    def whole(self) -> int:
        """Whole minutes, rounded up, as an appointment keeps them."""
        return int(self.minutes.to_integral_value(ROUND_CEILING))


def _sum(steps: Iterable[Step]) -> Minutes:
    listed = tuple(step for step in steps if step.minutes)
    return Minutes(sum((step.minutes for step in listed), Decimal(0)), listed)


def install_minutes(unit: InstallUnit, rules: HardwareRules) -> Minutes:
    """
    Mean minutes to install one unit, for one installer.

    The greatest of the family's usual minutes and of every case that holds (a motor, a wide unit,
    a door), then what adds to any: board, masonry, a take-down, several on one head, a ceiling,
    a motor's limits and channel. Remotes count once a visit.

    Examples
    --------
    >>> from installs.rules.data import starting_rules
    >>> from installs.rules.units import InstallUnit
    >>> from shared.lengths import Length
    >>> wide = InstallUnit("A1", "slat", Length.inches(72), Length.inches(60), "inside", "jamb", "masonry")
    >>> install_minutes(wide, starting_rules()).steps
    (Step(what='slat, wider than 60 in', minutes=Decimal('25')), Step(what='masonry', minutes=Decimal('8')))
    """
    rule = rules.minutes
    base = [Step(unit.family, rule.install[unit.family])]
    base += [
        Step(f"{unit.family}, {_case(instead)}", instead.minutes)
        for instead in rule.install_instead
        if unit.family in instead.families and _holds(unit, instead)
    ]
    wall = rules.substrates[unit.substrate]
    holds = {
        "plaster_board": unit.substrate.startswith("drywall") or unit.substrate == "plaster_lath",
        "masonry": wall.silica,
        "take_down": unit.take_down,
        "one_head": bool(unit.splits),
        "ceiling": unit.fixed_to == "ceiling",
        "motor": unit.motor is not None,
    }
    return _sum([max(base, key=lambda step: step.minutes), *_added(holds, rule.install_add)])


def install_visit_minutes(
    units: Sequence[InstallUnit], rules: HardwareRules, lift_trips: int = 0, people: int = 1
) -> Minutes:
    """
    Mean minutes of an install visit: fixed part, units, each remote once, trips by lift.

    With a second person the share `side_by_side` of the units' minutes takes half as long; the rest,
    the fixed part, remotes and trips stay, so two people never halve a visit. A single unit, and one
    so wide that two hold it anyway, gains nothing; nor does a third person. Common practice, no
    published source.

    Examples
    --------
    >>> from installs.rules.data import starting_rules
    >>> from installs.rules.units import InstallUnit
    >>> from shared.lengths import Length
    >>> one = InstallUnit("A1", "slat", Length.inches(36), Length.inches(60), "inside", "jamb", "wood")
    >>> install_visit_minutes([one] * 4, starting_rules(), people=2).steps[-1]
    Step(what="two people, 0.6 of the units' 60 minutes side by side", minutes=Decimal('-18.0'))
    """
    rule = rules.minutes
    remotes = {unit.motor.remote for unit in units if unit.motor is not None}
    steps = [Step("visit", rule.install_fixed)]
    steps += [Step(unit.code, install_minutes(unit, rules).minutes) for unit in units]
    steps.append(Step(f"{len(remotes)} remotes", rule.install_add.get("remote", Decimal(0)) * len(remotes)))
    steps.append(Step(f"{lift_trips} trips by lift", rule.lift_trip * lift_trips))
    steps.append(_side_by_side(units, rules, people))
    return _sum(steps)


def _side_by_side(units: Sequence[InstallUnit], rules: HardwareRules, people: int) -> Step:
    """What a second person saves, as minutes below nothing."""
    alone = [unit for unit in units if unit.width < rules.people.width]
    if people < 2 or len(alone) < 2:
        return Step("one person", Decimal(0))
    minutes = sum((install_minutes(unit, rules).minutes for unit in alone), Decimal(0))
    share = rules.minutes.side_by_side
    return Step(f"two people, {share} of the units' {minutes} minutes side by side", -minutes * share / 2)


def _added(holds: dict[str, bool], table: dict[str, Decimal]) -> list[Step]:
    return [Step(name.replace("_", " "), table[name]) for name, held in holds.items() if held and name in table]


def _holds(unit: InstallUnit, instead: InsteadRule) -> bool:
    if instead.when == "wider_than":
        return instead.width is not None and unit.width > instead.width
    if instead.when == "door":
        return unit.is_door
    if instead.when == "two_way":
        return unit.two_way
    return unit.motor is not None and unit.motor.power == instead.when


def _case(instead: InsteadRule) -> str:
    return f"wider than {instead.width}" if instead.when == "wider_than" else instead.when.replace("_", " ")
