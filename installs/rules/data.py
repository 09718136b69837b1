"""
Quantities and limits of the install day: data a firm edits, with a revision.

No figure of the trade stands in code. `starting_rules` reads the values shipped in
``installs/data`` (``rules.json``, ``hardware.json``); until a firm sets ``confirmed``,
whatever rests on them alone warns and never blocks.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, cached_property
from pathlib import Path
from typing import Annotated, Any

from installs.rules.units import COMES_WITH, CONTROLS, FAMILIES, POWERS, SUBSTRATES
from shared.contracts import ContractError
from shared.lengths import Length
from shared.records import PRACTICE, OneOf, Record, Within


@dataclass(frozen=True, kw_only=True)
class Item(Record):
    """One thing on the shelf. `length` is a stock length, a screw's length or a thickness."""

    key: str
    name: str
    group: str
    unit: str = "each"
    van_least: Annotated[int, Within(0, 100_000)] = 0
    van_most: Annotated[int, Within(0, 100_000)] = 0
    length: Length | None = None
    gauge: str = ""

    @property
    def kind(self) -> str:
        """How stock holds it: strip for what is cut to length, else piece."""
        return "strip" if self.unit == "length" else "piece"

    def check(self) -> None:
        if self.van_most < self.van_least:
            raise ContractError("van_most", f"{self.van_most} is under the least", f"{self.van_least} or more")


@dataclass(frozen=True, kw_only=True)
class Span(Record):
    """Widest span between supports, up to a weight per foot of width (None: any)."""

    span: Annotated[Length, Within("6", "240")]
    up_to_lb_per_ft: Annotated[Decimal | None, Within(0)] = None


@dataclass(frozen=True, kw_only=True)
class BracketSize(Record):
    """
    One bracket of the range and up to which width and weight it is used (None: any).

    `foot` is its width on the wall, `standoff` wall to the back of the covering, `plate` what a
    screw passes before the wall, `most_lb` an allowable load a bracket (None: not entered).
    """

    end: str
    middle: str
    height: Annotated[Length, Within("1/4", "12")]
    foot: Annotated[Length, Within("1/4", "12")]
    standoff: Annotated[Length, Within("0", "12")]
    screws: Annotated[int, Within(1, 8)]
    plate: Annotated[Length, Within("0", "2")]
    up_to_width: Length | None = None
    up_to_lb: Annotated[Decimal | None, Within(0)] = None
    most_lb: Annotated[Decimal | None, Within(0)] = None

    def takes(self, width: Length, weight_lb: Decimal) -> bool:
        """Whether it is used for a unit of this width and weight."""
        return (self.up_to_width is None or width <= self.up_to_width) and (
            self.up_to_lb is None or weight_lb <= self.up_to_lb
        )


@dataclass(frozen=True, kw_only=True)
class BracketRule(Record):
    """
    How a family (or ``family/variant``) is held.

    `ends_only` allows no middle bracket on one tube; `at_ends` puts the end brackets on the very
    ends (a box bracket); otherwise they sit `end_distance` in. `joint` holds a joined tube.
    """

    sizes: tuple[BracketSize, ...]
    ends_only: bool = False
    at_ends: bool = False
    end_distance: Annotated[Length, Within("0", "24")]
    spans: tuple[Span, ...] = ()
    joint: str = ""
    basis: str = PRACTICE

    def check(self) -> None:
        if not self.sizes:
            raise ContractError("sizes", "no bracket", "at least 1")
        if self.ends_only == bool(self.spans):
            raise ContractError("spans", "spans and ends_only exclude each other", "one of them")
        if self.spans and self.spans[-1].up_to_lb_per_ft is not None:
            raise ContractError("spans", "the last span has a weight limit", "none, so that all have a span")

    def span_for(self, lb_per_ft: Decimal) -> Length | None:
        """Widest span at this weight per foot of width; None where only ends are held."""
        for span in self.spans:
            if span.up_to_lb_per_ft is None or lb_per_ft <= span.up_to_lb_per_ft:
                return span.span
        return None


@dataclass(frozen=True, kw_only=True)
class Placing(Record):
    """Where brackets may sit. `interior_share` is how much more a middle support takes (5/4: two equal spans)."""

    keep_off: Annotated[Length, Within("0", "6")]
    seam_clear: Annotated[Length, Within("0", "6")]
    grid: Annotated[Length, Within("1/64", "1")]
    least_gap: Annotated[Length, Within("0", "12")]
    interior_share: Annotated[Decimal, Within(1, 2)]
    flat_margin: Annotated[Length, Within("0", "6")]
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class Weight(Record):
    """Estimated weight where none is computed, the heavier end of the family's range."""

    lb_per_sq_ft: Annotated[Decimal, Within(0, 20)]
    lb_per_ft: Annotated[Decimal, Within(0, 20)]


@dataclass(frozen=True, kw_only=True)
class ClearanceRule(Record):
    """Hand clearance by family; spacer blocks up to a stack; then extension brackets by size."""

    hand: dict[str, Length]
    spacers: tuple[str, ...]
    most_stack: Annotated[Length, Within("0", "6")]
    extensions: tuple[str, ...] = ()
    extension_height: Annotated[Length, Within("1/2", "24")]
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class Substrate(Record):
    """What a wall is made of: what the screw passes first, and which kits hold in it."""

    name: str
    layer: Annotated[Length, Within("0", "6")]
    kits: tuple[str, ...] = ()
    never: str = ""
    never_unscanned: str = ""
    advice: str = ""
    silica: bool = False
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class Fastener(Record):
    """
    A kit: screws of several lengths, drill and bit, and the anchor where it has one. `usual` is
    the shortest screw reached for, where nothing behind the surface asks for a shorter one.

    `wood` kits are proven by the withdrawal formula; others only against an `allowable_lb` the
    firm entered from the anchor's maker; a kit with an `otherwise` is not used without one, that
    kit is, on an outside mount over a backing board where it says `board`.
    """

    name: str
    screws: tuple[str, ...]
    bite: Annotated[Length, Within("1/8", "6")]
    usual: Annotated[Length | None, Within("0", "6")] = None
    drill: str = ""
    bit: str = ""
    wood: bool = False
    anchor: str = ""
    allowable_lb: Annotated[Decimal | None, Within(0)] = None
    otherwise: str = ""
    board: bool = False
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class Withdrawal(Record):
    """Figures of the withdrawal formula; diameters in inches by screw gauge."""

    factor: Annotated[Decimal, Within(1, 10_000)]
    wood: str = ""
    gravity: Annotated[Decimal, Within("0.2", 1)]
    gravity_status: str = ""
    duration_factor: Annotated[Decimal, Within("0.5", 2)]
    safety_factor: Annotated[Decimal, Within(1, 20)]
    thread_share: Annotated[Decimal, Within("0.1", 1)]
    most_screws_more: Annotated[int, Within(0, 6)]
    diameters: Annotated[dict[str, Decimal], Within("0.05", 1)]
    source: str = ""


@dataclass(frozen=True, kw_only=True)
class BackingRule(Record):
    """A board screwed into the studs, for brackets that have none behind them."""

    item: str
    thickness: Annotated[Length, Within("1/4", "3")]
    stud_spacing: Annotated[Length, Within("8", "48")]
    screws_a_stud: Annotated[int, Within(1, 6)]
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class StripRule(Record):
    item: str
    families: tuple[str, ...]
    kerf: Length
    keep: Length
    shorter: Annotated[Length, Within("0", "6")]
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class ValanceRule(Record):
    clip: str
    return_item: str
    corner: str
    end_distance: Annotated[Length, Within("0", "24")]
    span: Annotated[Length, Within("1", "240")]
    default_return: Annotated[Length, Within("0", "24")]
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class Rise(Record):
    """A rise over a run, such as 1/16 in 36."""

    rise: Length
    per: Annotated[Length, Within("1", "1000")]


@dataclass(frozen=True, kw_only=True)
class ShimRule(Record):
    items: tuple[str, ...]
    limits: dict[str, Rise]
    other: Annotated[Length, Within("0", "12")]
    most: Annotated[Length, Within("0", "12")]
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class HoldDownRule(Record):
    item: str
    magnetic: str
    screw: str
    count: Annotated[int, Within(1, 8)]
    screws_each: Annotated[int, Within(0, 8)]
    on_doors: tuple[str, ...] = ("slat", "cellular", "pleated")
    """Families held down on every moving door; others, such as a roller in its guides, where it is ordered."""
    never: tuple[str, ...] = ("vertical",)
    """Families without a bottom rail to hold."""
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class ControlRule(Record):
    chain_tension: str
    cord_tension: str
    cleat: str
    wands: tuple[str, ...]
    poles: tuple[str, ...]
    crank_item: str
    screws_each: Annotated[int, Within(1, 8)]
    loop_share: Annotated[Decimal, Within("0.1", 1)]
    hand_height: Annotated[Length, Within("12", "96")]
    most_reach: Annotated[Length, Within("36", "120")]
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class MotorRule(Record):
    battery: str
    charger: str
    plug: str
    lead_clip: str
    remote: str
    remote_battery: str
    lead_clip_every: Annotated[Length, Within("1", "240")]
    batteries_a_remote: Annotated[int, Within(0, 12)]
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class LiftRule(Record):
    """A usual lift off the truck or the floor, for the lifting equation (inches, degrees, lifts a minute)."""

    horizontal_in: Annotated[Decimal, Within(0, 25)]
    vertical_in: Annotated[Decimal, Within(0, 70)]
    distance_in: Annotated[Decimal, Within(0, 70)]
    asymmetry_deg: Annotated[Decimal, Within(0, 135)]
    per_minute: Annotated[Decimal, Within(0, 15)]
    hours: Annotated[Decimal, Within(0, 8)]
    coupling: str = "fair"


@dataclass(frozen=True, kw_only=True)
class PeopleRule(Record):
    width: Length
    weight_lb: Decimal
    overhead_lb: Decimal
    overhead: Length
    ladders_width: Length
    lift: LiftRule
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class LadderRule(Record):
    """`reach_above`: how far above the step a person works; the top steps are no steps (29 CFR 1926.1053(b)(13))."""

    reach_above: Length
    floor_reach: Length
    step: Length
    sizes: tuple[Length, ...]
    person_lb: Decimal
    tools_lb: Decimal
    steps_not_used: Annotated[int, Within(0, 6)]
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class SpareOfDay(Record):
    """One of `item` for a day on which a unit of this family, or with this control, is put up."""

    item: str
    family: str = ""
    control: str = ""


@dataclass(frozen=True, kw_only=True)
class SpareRule(Record):
    percent: Annotated[Decimal, Within(0, 100)]
    least: Annotated[int, Within(0, 1000)]
    groups: tuple[str, ...] = ()
    one_a_day: tuple[SpareOfDay, ...] = ()
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class LoadRule(Record):
    long_from: Length
    packages: dict[str, tuple[str, ...]]
    valance_package: str = "valance"
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class InsteadRule(Record):
    """Minutes of these families instead of the usual, when something holds; the most of them counts."""

    families: tuple[str, ...]
    when: str
    minutes: Annotated[Decimal, Within(0, 1440)]
    width: Length | None = None


@dataclass(frozen=True, kw_only=True)
class MinuteRule(Record):
    """
    Minutes for one installer: a fixed part of a visit, a part a unit, and what adds to it.

    `side_by_side`: the share of the units' minutes that two people work side by side; the rest (one
    drill, one ladder, carrying, setting each other straight) takes as long as for one.
    """

    install: dict[str, Decimal]
    install_fixed: Decimal
    install_add: dict[str, Decimal]
    install_instead: tuple[InsteadRule, ...] = ()
    lift_trip: Decimal
    side_by_side: Annotated[Decimal, Within(0, 1)] = Decimal(0)
    basis: str = PRACTICE


@dataclass(frozen=True, kw_only=True)
class ControlChoice(Record):
    """What a control chosen in the product range means here."""

    control: Annotated[str, OneOf(*CONTROLS)]
    loops: Annotated[tuple[str, ...], OneOf("chain", "cord")] = ()
    power: Annotated[str, OneOf("", *POWERS)] = ""
    two_way: bool = False


@dataclass(frozen=True, kw_only=True)
class ChoiceRule(Record):
    """
    How the words of the product range and the recipes read here.

    `variants`: product to its bracket rule. `controls`: ``product/control`` or ``control``.
    `keep_off`: a recipe's places to what sits there. `comes_with`: a recipe's part to what then
    comes packed with the unit.
    """

    variants: dict[str, str]
    controls: dict[str, ControlChoice]
    keep_off: dict[str, str]
    comes_with: Annotated[dict[str, str], OneOf(*COMES_WITH)]


@dataclass(frozen=True, kw_only=True)
class LeadRule(Record):
    """Lead paint. Each drilled hole counts with a rim of `around_hole` of disturbed paint."""

    built_before: int
    inside_sq_ft: Decimal
    outside_sq_ft: Decimal
    hole: Length
    around_hole: Length
    source: str = ""
    status: str = "R"


@dataclass(frozen=True, kw_only=True)
class AsbestosRule(Record):
    built_until: int
    source: str = ""
    status: str = "M"


@dataclass(frozen=True, kw_only=True)
class HardwareRules(Record):
    """All of it. Every item a rule names is in `items`; every family, substrate and control is covered."""

    revision: Annotated[int, Within(1, 1_000_000)]
    brackets: dict[str, BracketRule]
    placing: Placing
    weights: dict[str, Weight]
    use_pull_lb: dict[str, Decimal]
    clearance: ClearanceRule
    substrates: dict[str, Substrate]
    fasteners: dict[str, Fastener]
    withdrawal: Withdrawal
    backing: BackingRule
    strips: StripRule
    valance: ValanceRule
    shims: ShimRule
    hold_downs: HoldDownRule
    controls: ControlRule
    motors: MotorRule
    people: PeopleRule
    ladders: LadderRule
    spares: SpareRule
    loading: LoadRule
    minutes: MinuteRule
    cautions: dict[str, str]
    choices: ChoiceRule
    lead: LeadRule
    asbestos: AsbestosRule
    items: tuple[Item, ...]
    confirmed: bool = False
    basis: str = PRACTICE

    def item(self, key: str) -> Item:
        """The item of this key; raises KeyError."""
        return self._by_key[key]

    @cached_property
    def _by_key(self) -> dict[str, Item]:
        return {item.key: item for item in self.items}

    def bracket_rule(self, family: str, variant: str = "") -> tuple[str, BracketRule]:
        """The rule of ``family/variant`` where there is one, else the family's, with its key."""
        key = f"{family}/{variant}"
        return (key, self.brackets[key]) if variant and key in self.brackets else (family, self.brackets[family])

    def severity(self) -> str:
        """What a finding weighs that rests on these values alone."""
        return "stop" if self.confirmed else "check"

    def check(self) -> None:
        keys = [item.key for item in self.items]
        if len(set(keys)) < len(keys):
            twice = next(key for key in keys if keys.count(key) > 1)
            raise ContractError("items", f"{twice} stands twice", "once")
        for field, wanted in (
            ("brackets", FAMILIES),
            ("weights", FAMILIES),
            ("clearance.hand", FAMILIES),
            ("minutes.install", FAMILIES),
            ("loading.packages", FAMILIES),
            ("substrates", SUBSTRATES),
            ("use_pull_lb", CONTROLS),
        ):
            _covers(field, _reach(self, field), wanted)
        for field, key in _named_items(self):
            if key and key not in set(keys):
                raise ContractError(field, f"{key} is not an item", "a key of items")
        for name, substrate in self.substrates.items():
            for kit in substrate.kits:
                if kit not in self.fasteners:
                    raise ContractError(f"substrates.{name}.kits", f"{kit} is no fastener", "a key of fasteners")
        for name, fastener in self.fasteners.items():
            if fastener.otherwise and (
                fastener.otherwise not in self.fasteners or self.fasteners[fastener.otherwise].otherwise
            ):
                raise ContractError(
                    f"fasteners.{name}.otherwise",
                    f"{fastener.otherwise} is no fastener of its own",
                    "a key of fasteners",
                )
        self._check_lengths()

    def _check_lengths(self) -> None:
        sized = {
            "clearance.spacers": self.clearance.spacers,
            "clearance.extensions": self.clearance.extensions,
            "shims.items": self.shims.items,
            "controls.wands": self.controls.wands,
            "controls.poles": self.controls.poles,
            "strips.item": (self.strips.item,),
            "backing.item": (self.backing.item,),
            **{f"fasteners.{name}.screws": kit.screws for name, kit in self.fasteners.items()},
        }
        for field, keys in sized.items():
            if not keys:
                raise ContractError(field, "none", "at least 1")
            for key in keys:
                length = self.item(key).length
                if length is None or length.ticks <= 0:
                    raise ContractError(field, f"{key} has no length", "more than 0")
        for name, kit in self.fasteners.items():
            for key in kit.screws:
                if kit.wood and self.item(key).gauge not in self.withdrawal.diameters:
                    raise ContractError(
                        f"fasteners.{name}.screws",
                        f"{key} has no known diameter",
                        "a gauge of withdrawal.diameters",
                    )


def _covers(field: str, found: dict[str, object], wanted: tuple[str, ...]) -> None:
    for key in wanted:
        if key not in found:
            raise ContractError(f"{field}.{key}", "missing", "required")


def _reach(rules: HardwareRules, field: str) -> dict[str, object]:
    value: Any = rules
    for name in field.split("."):
        value = getattr(value, name)
    return dict(value)


def _named_items(rules: HardwareRules) -> Iterator[tuple[str, str]]:
    """Every item key a rule names, with the field that names it."""
    for name, rule in rules.brackets.items():
        yield f"brackets.{name}.joint", rule.joint
        for position, size in enumerate(rule.sizes):
            yield f"brackets.{name}.sizes[{position}].end", size.end
            yield f"brackets.{name}.sizes[{position}].middle", size.middle
    for name, kit in rules.fasteners.items():
        yield f"fasteners.{name}.anchor", kit.anchor
        yield from ((f"fasteners.{name}.screws", key) for key in kit.screws)
    yield from (("clearance.spacers", key) for key in rules.clearance.spacers)
    yield from (("clearance.extensions", key) for key in rules.clearance.extensions)
    yield from (("shims.items", key) for key in rules.shims.items)
    yield from (("controls.wands", key) for key in rules.controls.wands)
    yield from (("controls.poles", key) for key in rules.controls.poles)
    yield from ((f"spares.one_a_day[{n}].item", spare.item) for n, spare in enumerate(rules.spares.one_a_day))
    for block, names in {
        "strips": ("item",),
        "backing": ("item",),
        "valance": ("clip", "return_item", "corner"),
        "hold_downs": ("item", "magnetic", "screw"),
        "controls": ("chain_tension", "cord_tension", "cleat", "crank_item"),
        "motors": ("battery", "charger", "plug", "lead_clip", "remote", "remote_battery"),
    }.items():
        yield from ((f"{block}.{name}", getattr(getattr(rules, block), name)) for name in names)


def starting_definition() -> dict[str, object]:
    """The shipped values as one JSON object, as `HardwareRules.from_json` takes it."""
    folder = Path(__file__).resolve().parent.parent / "data"
    rules = json.loads((folder / "rules.json").read_text(encoding="utf-8"))
    items = json.loads((folder / "hardware.json").read_text(encoding="utf-8"))
    return {**rules, "items": items["items"]}


@cache
def starting_rules() -> HardwareRules:
    """
    The rules a new branch starts with.

    Examples
    --------
    >>> starting_rules().brackets["slat"].spans[0].span.text()
    '48'
    """
    return HardwareRules.from_json(starting_definition())
