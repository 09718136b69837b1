"""
Orders in, recipes as data, made units out: the workroom's frozen dataclasses.

A recipe has structured fields and tables only, no formula: each part is a base measure × factor
+ named allowances, or a count by pitch, span or fullness, under conditions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Final, Self

from fabrication.rules.materials import KINDS
from fabrication.rules.records import Record
from fabrication.rules.trade import COUNTS, FAMILIES, MEASURES, ROLES, TRADES, Trade
from shared.contracts import ContractError, joined
from shared.lengths import ZERO, Length
from shared.records import PRACTICE, OneOf, Within

MOUNTS: Final = ("inside", "outside")
OPENING_SIZE: Final = "opening size"
FINISHED_SIZE: Final = "finished size"
BASES: Final = (OPENING_SIZE, FINISHED_SIZE)
LAYS: Final = ("straight", "turned", "seamed")
SIZES: Final = ("width", "height", "longest_height", "order_width", "order_height")
"""Measures every part rule may start from."""


class CannotMake(ContractError):
    """A unit, part or recipe that can't be: ``.field``, ``.problem`` and ``.bound`` say what and why."""


# -- what is ordered ----------------------------------------------------------------


@dataclass(frozen=True)
class Cutout(Record):
    """A piece left out at one side for a handle, pipe or sill: where it begins, how high and deep."""

    side: Annotated[str, OneOf("left", "right")]
    from_bottom: Length
    height: Annotated[Length, Within("1/4")]
    depth: Annotated[Length, Within("1/4")]


@dataclass(frozen=True)
class Order(Record):
    """
    One unit to make, as released.

    `basis` says whether the workroom takes the clearance (*opening size*) or makes as given
    (*finished size*). Cloth is cut for `longest_height` (the height where left out). `loop_limit` is
    how far below the head a loop may hang by local rule, `loop_rule` says by which, `loop_warning`
    what of the rule could not be held against it (see `fabrication.rules.cords`). `lay` and
    `pattern_start` are set for a room together, see `make_room`. `code` names the unit in messages
    and on the drawing.
    """

    width: Annotated[Length, Within("1", "600")]
    height: Annotated[Length, Within("1", "600")]
    mount: Annotated[str, OneOf(*MOUNTS)] = "inside"
    basis: Annotated[str, OneOf(*BASES)] = OPENING_SIZE
    longest_height: Length | None = None
    options: Mapping[str, str] = field(default_factory=dict)
    cutouts: tuple[Cutout, ...] = ()
    loop_limit: Length | None = None
    loop_rule: str = ""
    loop_warning: str = ""
    lay: Annotated[str, OneOf("", "straight", "turned")] = ""
    pattern_start: bool = True
    code: str = ""

    def check(self) -> None:
        """The longest height is no shorter than the height."""
        if self.longest_height is not None and self.longest_height < self.height:
            raise ContractError(
                "longest_height", f"{self.longest_height} is shorter than the height", f"at least {self.height}"
            )


# -- recipes ------------------------------------------------------------------------


@dataclass(frozen=True)
class Condition(Record):
    """
    When a rule applies: a value among some, or a band ``least <= size < below``.

    `on` is ``mount``, ``width`` or ``height`` (finished), ``lay``, or an option's key.
    """

    on: str
    among: tuple[str, ...] = ()
    least: Length | None = None
    below: Length | None = None

    def check(self) -> None:
        """Either values or a band."""
        is_band = self.on in {"width", "height"}
        if is_band == bool(self.among) or (is_band and self.least is None and self.below is None):
            problem = f"{self.on} takes " + ("a band" if is_band else "values")
            raise ContractError("on", problem, "least and below, or among")
        if self.least is not None and self.below is not None and self.least >= self.below:
            raise ContractError("below", "the band is empty", f"above {self.least}")


@dataclass(frozen=True)
class Allowance(Record):
    """What is added to a measure, and what for: a length, or a share of another measure."""

    what: str
    length: Annotated[Length, Within()] = ZERO
    of: str = ""
    factor: Annotated[Fraction, Within()] = Fraction(1)


@dataclass(frozen=True)
class Measure(Record):
    """A base measure × factor + allowances; where that is no whole tick it goes to `grid`, down or up."""

    of: str = ""
    factor: Fraction = Fraction(1)
    plus: tuple[Allowance, ...] = ()
    grid: Length | None = None
    towards: Annotated[str, OneOf("down", "up", "nearest")] = "down"


@dataclass(frozen=True)
class Count(Record):
    """
    How many equal pieces.

    ``fixed``: `number`. ``figure``: what the family's engineering counted under `figure`, × `times`.
    ``pitch``: (`of` − 2 × `end`) / `pitch`, rounded `towards`, + `number`. ``span``: the least number
    of supports no more than `pitch` apart, `end` from the ends. ``fullness``: widths of `pitch`
    needed for `of` × `fullness` + 2 × `end`. `spare` pieces come on top.
    """

    by: Annotated[str, OneOf("fixed", "figure", "pitch", "span", "fullness")] = "fixed"
    number: Annotated[int, Within(-99, 9999)] = 1
    figure: str = ""
    times: Annotated[int, Within(1, 999)] = 1
    of: str = ""
    pitch: Length | None = None
    end: Length = ZERO
    fullness: Fraction = Fraction(1)
    towards: Annotated[str, OneOf("down", "up", "nearest")] = "up"
    least: Annotated[int, Within(0, 9999)] = 0
    spare: Annotated[int, Within(0, 99)] = 0

    def check(self) -> None:
        """What each kind of count needs is there."""
        if self.by == "figure" and not self.figure:
            raise ContractError("figure", "missing", "the name of a count")
        if self.by in {"pitch", "span", "fullness"}:
            if not self.of:
                raise ContractError("of", "missing", "a measure")
            if self.pitch is None or self.pitch <= ZERO:
                raise ContractError("pitch", "missing or nothing", "more than 0")


DRAWN: Final = ("", "head", "tube", "cloth", "slats", "vanes", "cells", "folds", "bar", "front")


@dataclass(frozen=True)
class PartRule(Record):
    """
    One part of a recipe. Several rules may share a `key` where their conditions never meet.

    The material is `material`, or the one that plays `role`. What is `seen` takes the unit's color:
    every choice of color names its material, no default stands in. `scope` *head* is made once where
    several units share a head. `draw` is how the drawing shows it (empty: in the list only).
    """

    key: str
    name: str
    kind: Annotated[str, OneOf(*KINDS)]
    material: str = ""
    role: str = ""
    length: Measure | None = None
    width: Measure | None = None
    count: Count = Count()
    when: tuple[Condition, ...] = ()
    scope: Annotated[str, OneOf("unit", "head")] = "unit"
    draw: Annotated[str, OneOf(*DRAWN)] = ""
    seen: bool = False

    def check(self) -> None:
        """A material or a role; what is cut has a length, cloth a width too."""
        if bool(self.material) == bool(self.role):
            raise ContractError("material", "name a material or a role", "one of both")
        if self.seen and not self.role:
            raise ContractError("seen", "what is seen takes the material of the color", "a role, no material")
        needs_length = self.kind in {"bar", "strip", "cloth", "cord"}
        if needs_length and self.length is None:
            raise ContractError("length", f"a {self.kind} is cut to a length", "required")
        if self.kind == "cloth" and self.width is None:
            raise ContractError("width", "cloth is cut to a width", "required")


@dataclass(frozen=True)
class Choice(Record):
    """One choice of an option: the materials it brings, the length it stands for."""

    key: str
    name: str = ""
    materials: Mapping[str, str] = field(default_factory=dict)
    length: Length | None = None


@dataclass(frozen=True)
class Option(Record):
    """What must be chosen per unit; `default` is only what the recipe's own example is tried with."""

    key: str
    name: str
    choices: tuple[Choice, ...]
    default: str = ""

    def check(self) -> None:
        """Choices differ, and the default is one of them."""
        keys = [choice.key for choice in self.choices]
        if not keys or len(set(keys)) < len(keys):
            raise ContractError("choices", "none, or one stands twice", "each once")
        if self.default and self.default not in keys:
            raise ContractError("default", f"{self.default!r} is no choice", ", ".join(keys))


@dataclass(frozen=True)
class Clearance(Record):
    """What the finished size is smaller than the opening, in all."""

    width: Annotated[Length, Within("0", "6")] = ZERO
    height: Annotated[Length, Within("0", "6")] = ZERO


@dataclass(frozen=True)
class Clearances(Record):
    """By mount; taken only from an order on opening-size basis."""

    inside: Clearance = Clearance()
    outside: Clearance = Clearance()


@dataclass(frozen=True)
class Range(Record):
    """The sizes a product is made in, as ordered."""

    least_width: Length
    most_width: Length
    least_height: Length
    most_height: Length

    def check(self) -> None:
        """No empty range."""
        if not (ZERO < self.least_width <= self.most_width and ZERO < self.least_height <= self.most_height):
            raise ContractError("", "an empty range", "least up to most")


@dataclass(frozen=True)
class Package(Record):
    """One thing the unit is carried as, by its longest side."""

    what: str
    longest: Measure


@dataclass(frozen=True)
class Recipe(Record):
    """
    How a product becomes parts. `key` is the product's.

    `materials` gives the material of each role; a choice may replace it. `between` is the gap
    between units on one head. `trade` holds the figures of the family's engineering.
    """

    key: str
    name: str
    family: Annotated[str, OneOf(*FAMILIES)]
    sizes: Range
    trade: Trade
    revision: Annotated[int, Within(1)] = 1
    clearance: Clearances = Clearances()
    options: tuple[Option, ...] = ()
    materials: Mapping[str, str] = field(default_factory=dict)
    parts: tuple[PartRule, ...] = ()
    packages: tuple[Package, ...] = ()
    between: Length = ZERO
    basis: str = PRACTICE

    @classmethod
    def from_json(cls, value: object, path: str = "") -> Self:
        """See `Record.from_json`; `trade` is read by the family."""
        if isinstance(value, dict) and value.get("family") in TRADES:
            trade = TRADES[value["family"]].from_json(value.get("trade"), joined(path, "trade"))
            value = value | {"trade": trade}
        return super().from_json(value, path)

    def check(self) -> None:
        """Every name that a rule uses is known."""
        known = _Names(self)
        for position, rule in enumerate(self.parts):
            known.check_rule(rule, f"parts[{position}]")
            known.parts.add(rule.key)
        for position, package in enumerate(self.packages):
            known.check_measure(package.longest, f"packages[{position}].longest")

    def tried_with(self) -> dict[str, str]:
        """A choice of every option, to try the recipe with; no unit is ever made by it."""
        return {option.key: option.default or option.choices[0].key for option in self.options}

    def option(self, key: str) -> Option | None:
        """The option of that key."""
        return next((option for option in self.options if option.key == key), None)


class _Names:
    """What the rules of a recipe may name; parts are known from their own rule on."""

    def __init__(self, recipe: Recipe) -> None:
        lengths = {
            option.key for option in recipe.options if any(choice.length is not None for choice in option.choices)
        }
        self.measures = {*SIZES, *MEASURES[recipe.family], *lengths}
        self.counts = set(COUNTS[recipe.family])
        chosen = {role for option in recipe.options for choice in option.choices for role in choice.materials}
        self.roles = {*recipe.materials, *ROLES[recipe.family], *chosen}
        self.options = {option.key: {choice.key for choice in option.choices} for option in recipe.options}
        self.options |= {"mount": set(MOUNTS), "lay": set(LAYS)}
        self.parts: set[str] = set()

    def check_rule(self, rule: PartRule, path: str) -> None:
        if rule.role and rule.role not in self.roles:
            raise ContractError(f"{path}.role", f"nothing plays {rule.role!r}", ", ".join(sorted(self.roles)))
        for name in ("length", "width"):
            measure = getattr(rule, name)
            if measure is not None:
                self.check_measure(measure, f"{path}.{name}")
        if rule.count.of:
            self.check_name(rule.count.of, f"{path}.count.of")
        if rule.count.by == "figure" and rule.count.figure not in self.counts:
            bound = ", ".join(sorted(self.counts))
            raise ContractError(f"{path}.count.figure", f"{rule.count.figure!r} is not counted", bound)
        for position, condition in enumerate(rule.when):
            self.check_condition(condition, f"{path}.when[{position}]")

    def check_measure(self, measure: Measure, path: str) -> None:
        if measure.of:
            self.check_name(measure.of, f"{path}.of")
        for position, allowance in enumerate(measure.plus):
            if allowance.of:
                self.check_name(allowance.of, f"{path}.plus[{position}].of")

    def check_name(self, name: str, path: str) -> None:
        part, dot, side = name.partition(".")
        if name in self.measures or (dot and part in self.parts and side in {"length", "width"}):
            return
        known = ", ".join(sorted(self.measures | {f"{part}.length" for part in self.parts}))
        raise ContractError(path, f"{name!r} is no measure here", known)

    def check_condition(self, condition: Condition, path: str) -> None:
        if condition.on in {"width", "height"}:
            return
        if condition.on not in self.options:
            raise ContractError(f"{path}.on", f"{condition.on!r} is no option", ", ".join(sorted(self.options)))
        for value in condition.among:
            if value not in self.options[condition.on]:
                bound = ", ".join(sorted(self.options[condition.on]))
                raise ContractError(f"{path}.among", f"{value!r} is no choice of {condition.on}", bound)


# -- what is made -------------------------------------------------------------------


@dataclass(frozen=True)
class Step(Record):
    """One line of a derivation: what, how long, why."""

    what: str
    value: Annotated[Length, Within()]
    why: str = ""


@dataclass(frozen=True)
class Figure(Record):
    """A computed figure of a unit, in words and, where it has one, as a number."""

    key: str
    name: str
    text: str
    number: Annotated[Fraction | None, Within()] = None


@dataclass(frozen=True)
class Remark(Record):
    """What somebody must know: severity *note*, *check* or *stop*."""

    severity: Annotated[str, OneOf("note", "check", "stop")]
    code: str = ""
    text: str = ""


@dataclass(frozen=True)
class Part(Record):
    """
    So many equal pieces to cut or pull for one unit.

    Cloth: `width` across the roll and `length` along it, as cut; `lay` says whether that is turned.
    `may_turn` lets the cut plan turn it.
    """

    key: str
    name: str
    kind: str
    material: str
    quantity: int
    length: Length | None
    width: Length | None
    weight_g: Decimal
    derivation: str
    may_turn: bool = False
    lay: str = ""
    scope: str = "unit"
    draw: str = ""

    @property
    def across(self) -> Length | None:
        """Its width on the window, whatever way it lies on the roll."""
        return self.length if self.lay == "turned" else self.width


@dataclass(frozen=True)
class Carried(Record):
    """One package and its longest side."""

    what: str
    longest: Length


@dataclass(frozen=True)
class UnitMake(Record):
    """
    One unit as it is made.

    `places` are positions from the left end (ladders, vanes, ring columns) or from the top (folds,
    slats); `measures` and `counts` are the engineering's own, for drawings and labels.
    """

    recipe: str
    name: str
    family: str
    revision: int
    code: str
    mount: str
    options: Mapping[str, str]
    finished_width: Length
    finished_height: Length
    steps: tuple[Step, ...]
    parts: tuple[Part, ...]
    figures: tuple[Figure, ...]
    remarks: tuple[Remark, ...]
    packages: tuple[Carried, ...]
    weight_g: Decimal
    places: Mapping[str, tuple[Length, ...]] = field(default_factory=dict)
    measures: Mapping[str, Length] = field(default_factory=dict)
    counts: Mapping[str, int] = field(default_factory=dict)

    def part(self, key: str) -> Part | None:
        """The first part of that key."""
        return next((part for part in self.parts if part.key == key), None)

    def figure(self, key: str) -> Figure | None:
        """The figure of that key."""
        return next((figure for figure in self.figures if figure.key == key), None)
