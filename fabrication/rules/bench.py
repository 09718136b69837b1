"""
The bench a unit is worked out on: sizes, measures, counts and materials as they become known.

A family's engineering adds measures, counts and materials; part rules are then worked out from
them. Every length carries the words that say how it was reached.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import ceil, floor
from typing import Any, Final

from fabrication.rules.materials import Material
from fabrication.rules.model import (
    FINISHED_SIZE,
    CannotMake,
    Condition,
    Count,
    Figure,
    Measure,
    Order,
    Part,
    PartRule,
    Recipe,
    Remark,
    Step,
)
from fabrication.rules.trade import Drives
from shared.lengths import ZERO, Length, LengthUnit

NAMES: Mapping[str, str] = {
    "width": "finished width",
    "height": "finished height",
    "longest_height": "longest height",
    "order_width": "order width",
    "order_height": "order height",
}
COLOR: Final = "colour"
"""The key of the option that what is seen takes its color from."""


@dataclass(frozen=True, slots=True)
class Lay:
    """How a cloth part lies on its roll, and in how many widths it is cut."""

    kind: str = "straight"
    widths: int = 1
    width: Length | None = None
    length: Length | None = None
    why: str = ""
    may_turn: bool = False


@dataclass(frozen=True, slots=True)
class Share:
    """A unit's part of a shared head: its finished width, and at which sides a neighbour hangs."""

    width: Length | None = None
    neighbours: frozenset[str] = frozenset()


def finished_size(recipe: Recipe, order: Order) -> tuple[Length, Length, Length]:
    """
    Finished width, height and longest height; the clearance is taken here and nowhere else.

    Raises
    ------
    CannotMake
        When the clearance leaves nothing.
    """
    longest = order.longest_height or order.height
    if order.basis == FINISHED_SIZE:
        return order.width, order.height, longest
    taken = getattr(recipe.clearance, order.mount)
    sizes = order.width - taken.width, order.height - taken.height, longest - taken.height
    for name, value in zip(("width", "height", "longest_height"), sizes, strict=True):
        if value <= ZERO:
            raise CannotMake(name, "nothing is left of it after the clearance", "more than 0")
    return sizes


class Bench:
    """One order of one recipe under work; see the module."""

    def __init__(
        self,
        recipe: Recipe,
        order: Order,
        materials: Mapping[str, Material],
        unit: LengthUnit = LengthUnit.INCH,
        share: Share | None = None,
    ) -> None:
        self.recipe, self.order, self.materials, self.unit = recipe, order, materials, LengthUnit(unit)
        self.trade: Any = recipe.trade
        self.steps: list[Step] = []
        self.figures: list[Figure] = []
        self.remarks: list[Remark] = []
        self.measures: dict[str, Length] = {"order_width": order.width, "order_height": order.height}
        self.words: dict[str, str] = dict(NAMES)
        self.counts: dict[str, int] = {}
        self.places: dict[str, tuple[Length, ...]] = {}
        self.lays: dict[str, Lay] = {}
        self.roles: dict[str, str] = dict(recipe.materials)
        self.states: dict[str, str] = {"mount": order.mount}
        self._sizes: dict[str, tuple[Length, str]] = {}
        self.share = share or Share()
        self._choose()
        self._finish()
        self.head_width = self.measures["width"]
        if self.share.width is not None:
            self.measures["width"] = self.share.width
            self.steps.append(Step("its share of the head", self.share.width, "units and gaps fill the head"))
        self._check_size()
        self._rules = self._rules_that_apply()

    # -- the start ------------------------------------------------------------------

    def _check_size(self) -> None:
        sizes = self.recipe.sizes
        for name, value, least, most in (
            ("width", self.share.width or self.order.width, sizes.least_width, sizes.most_width),
            ("height", self.order.height, sizes.least_height, sizes.most_height),
        ):
            if not least <= value <= most:
                problem = f"{self.text(value)} is outside what {self.recipe.name} is made in"
                raise CannotMake(name, problem, f"{self.text(least)} to {self.text(most)}")

    def _choose(self) -> None:
        """Each option's choice, the materials it brings and the length it stands for."""
        for option in self.recipe.options:
            key = self.order.options.get(option.key, "")
            choice = next((choice for choice in option.choices if choice.key == key), None)
            if choice is None:
                known = ", ".join(choice.key for choice in option.choices)
                problem = f"{key!r} is no choice" if key else "not chosen"
                raise CannotMake(f"options.{option.key}", problem, known)
            self.states[option.key] = key
            self.roles.update(choice.materials)
            if choice.length is not None:
                self.set_measure(option.key, choice.length, option.name)
        for key in self.order.options:
            if key not in self.states:
                self.remark("note", "unknown_option", f"no part depends on the option {key}")

    def _finish(self) -> None:
        """From order size to finished size; the clearance is taken once, here."""
        order = self.order
        taken = getattr(self.recipe.clearance, order.mount)
        sizes = finished_size(self.recipe, order)
        self.measures |= dict(zip(("width", "height", "longest_height"), sizes, strict=True))
        why = f"{order.mount} mount clearance, taken here and only here"
        if order.basis == FINISHED_SIZE:
            why = "made as given: a finished size, no clearance taken"
        for name, before in (("width", order.width), ("height", order.height)):
            self.steps.append(Step(f"order {name}", before, order.basis))
            if order.basis != FINISHED_SIZE and getattr(taken, name):
                self.steps.append(Step("clearance", -getattr(taken, name), why))
            self.steps.append(Step(f"finished {name}", self.measures[name], why))

    def _rules_that_apply(self) -> dict[str, PartRule]:
        rules: dict[str, PartRule] = {}
        for rule in self.recipe.parts:
            if all(self._holds(condition) for condition in rule.when):
                if rule.key in rules:
                    problem = f"two rules apply to {rule.key} at {self.size_text()}"
                    raise CannotMake("parts", problem, "one rule a part")
                rules[rule.key] = rule
        return rules

    def _holds(self, condition: Condition) -> bool:
        if condition.on in {"width", "height"}:
            size = self.measures[condition.on]
            return (condition.least is None or size >= condition.least) and (
                condition.below is None or size < condition.below
            )
        if condition.on == "lay":  # known only once the engineering is done
            return True
        return self.states.get(condition.on) in condition.among

    # -- asking ---------------------------------------------------------------------

    def text(self, length: Length) -> str:
        """A length with its unit, as the branch reads it."""
        return self.about(length, symbol=True)

    def about(self, length: Length, *, symbol: bool = False) -> str:
        """As the branch reads it, to 1/64 in or 0.1 mm; a sign that it is rounded where it is."""
        grid = Length(127) if self.unit == LengthUnit.INCH else Length(32)
        near = length.nearest(grid)
        return ("" if near == length else "≈ ") + near.text(self.unit, symbol=symbol)

    def size_text(self) -> str:
        """Finished W × H."""
        return f"{self.about(self.measures['width'])} × {self.text(self.measures['height'])}"

    def option(self, key: str) -> str:
        """What was chosen; empty where the recipe has no such option."""
        return self.states.get(key, "")

    def has(self, key: str) -> bool:
        """Whether a rule of that part applies."""
        return key in self._rules

    def material(self, key: str) -> Material:
        """A material by its key."""
        found = self.materials.get(key)
        if found is None:
            raise CannotMake("materials", f"{key!r} is not among the materials", "a material's key")
        return found

    def playing(self, role: str) -> Material:
        """The material that plays a role."""
        key = self.roles.get(role)
        if key is None:
            raise CannotMake("materials", f"nothing plays the role {role!r}", ", ".join(sorted(self.roles)))
        return self.material(key)

    def material_of(self, key: str) -> Material:
        """The material of a part."""
        rule = self.rule(key)
        if rule.seen:
            self._check_color(rule)
        return self.playing(rule.role) if rule.role else self.material(rule.material)

    def _check_color(self, rule: PartRule) -> None:
        """What is seen is of the color chosen, where a color is chosen: nothing stands in for it."""
        option = self.recipe.option(COLOR)
        chosen = self.states.get(COLOR, "")
        for choice in option.choices if option is not None else ():
            if choice.key == chosen and rule.role not in choice.materials:
                problem = f"color {chosen} names no material for the {rule.name}"
                raise CannotMake(f"options.{COLOR}", problem, "name it beside the color in the recipe")

    def rule(self, key: str) -> PartRule:
        """The rule of a part that applies."""
        rule = self._rules.get(key)
        if rule is None:
            raise CannotMake("parts", f"no rule for {key} applies at {self.size_text()}", "one rule a part")
        return rule

    def measure(self, name: str) -> Length:
        """A measure by name: a size, one the engineering set, or ``part.length``."""
        part, dot, side = name.partition(".")
        if dot:
            return self.sized(part, side)[0]
        found = self.measures.get(name)
        if found is None:
            raise CannotMake("parts", f"the measure {name!r} is not known here", ", ".join(sorted(self.measures)))
        return found

    def length(self, key: str) -> Length:
        """Length of a part."""
        return self.sized(key, "length")[0]

    def width(self, key: str) -> Length:
        """Width of a part."""
        return self.sized(key, "width")[0]

    def sized(self, key: str, side: str) -> tuple[Length, str]:
        """A part's length or width, and the words of its derivation."""
        name = f"{key}.{side}"
        if name not in self._sizes:
            rule = self.rule(key)
            measure = getattr(rule, side)
            if measure is None:
                raise CannotMake(f"parts.{key}.{side}", f"{rule.name} has no {side}", "a measure")
            value, words = self.work_out(measure, head=rule.scope == "head")
            if value <= ZERO:
                problem = f"{rule.name} would be {self.text(value)} ({words}) at {self.size_text()}"
                raise CannotMake(f"parts.{key}.{side}", problem, "more than 0")
            self._sizes[name] = value, words
        return self._sizes[name]

    def work_out(self, measure: Measure, *, head: bool = False) -> tuple[Length, str]:
        """A measure's value and how it came about."""
        words: list[str] = []
        ticks = Fraction(0)
        if measure.of:
            base, name = self._named(measure.of, head)
            ticks = base.times(measure.factor)
            factor = "" if measure.factor == 1 else f" × {measure.factor}"
            words.append(f"{name} {self.about(base)}{factor}")
        for allowance in measure.plus:
            added = Fraction(allowance.length.ticks)
            if allowance.of:
                added += self._named(allowance.of, head)[0].times(allowance.factor)
            if added == 0:
                continue
            ticks += added
            sign = "−" if added < 0 else "+" if words else ""
            words.append(f"{sign} {self.about(Length(round(abs(added))))} {allowance.what}".strip())
        value = self._on_grid(ticks, measure)
        if value.ticks != ticks:
            words.append(f"= {measure.towards} to {self.about(value)}")
        elif len(words) > 1 or measure.factor != 1:
            words.append(f"= {self.about(value)}")
        return value, " ".join(words)

    def _named(self, name: str, head: bool) -> tuple[Length, str]:
        if head and name == "width":
            return self.head_width, "width of the head" if self.head_width != self.measures["width"] else NAMES[name]
        value = self.measure(name)
        part, dot, side = name.partition(".")
        if not dot:
            return value, self.words.get(name, name.replace("_", " "))
        return value, f"{self.rule(part).name}{' width' if side == 'width' else ''}"

    @staticmethod
    def _on_grid(ticks: Fraction, measure: Measure) -> Length:
        grid = measure.grid.ticks if measure.grid else 1
        if measure.grid is None and ticks.denominator == 1:
            return Length(int(ticks))
        steps = ticks / grid
        if measure.towards == "up":
            return Length(ceil(steps) * grid)
        return Length((round(steps) if measure.towards == "nearest" else floor(steps)) * grid)

    def count(self, count: Count) -> tuple[int, str]:
        """How many, and why."""
        number, words = self._counted(count)
        number = max(number, count.least)
        if count.spare:
            words += f" + {count.spare} spare"
        return number + count.spare, words

    def _counted(self, count: Count) -> tuple[int, str]:
        if count.by == "fixed":
            return count.number, ""
        if count.by == "figure":
            found = self.counts.get(count.figure)
            if found is None:
                raise CannotMake("parts", f"the count {count.figure!r} is not known here", ", ".join(self.counts))
            return found * count.times, f"{found} {count.figure.replace('_', ' ')}" + (
                f" × {count.times}" if count.times > 1 else ""
            )
        assert count.pitch is not None
        base = self.measure(count.of)
        name = self.words.get(count.of, count.of.replace(".", " ").replace("_", " "))
        ends = f" − 2 × {self.about(count.end)}" if count.end else ""
        if count.by == "fullness":
            needed = base.times(count.fullness) + 2 * count.end.ticks
            return ceil(needed / count.pitch.ticks), (
                f"{name} {self.about(base)} × {count.fullness} in widths of {self.about(count.pitch)}, up"
            )
        steps = (base - count.end * 2).ratio(count.pitch)
        if count.by == "span":
            words = f"{name} {self.about(base)}{ends}, at most {self.about(count.pitch)} apart"
            return max(ceil(steps) + 1, 2), words
        whole = {"up": ceil(steps), "down": floor(steps), "nearest": round(steps)}[count.towards]
        more = f" {'+' if count.number > 0 else '−'} {abs(count.number)}" if count.number else ""
        words = f"{name} {self.about(base)}{ends} by {self.about(count.pitch)}, {count.towards}{more}"
        return whole + count.number, words

    def grams(self, key: str) -> Decimal:
        """Weight of a part as it will be made; nothing where no rule applies."""
        if not self.has(key):
            return Decimal(0)
        part = self.part(self.rule(key))
        return part.weight_g if part else Decimal(0)

    # -- telling --------------------------------------------------------------------

    def set_measure(self, name: str, value: Length, words: str) -> None:
        """A measure part rules may start from, with what it is called in derivations."""
        self.measures[name] = value
        self.words[name] = words
        self._sizes.clear()  # parts may have been worked out from what it was before

    def figure(self, key: str, name: str, text: str, number: Fraction | int | None = None) -> None:
        """A figure for the work order."""
        self.figures.append(Figure(key, name, text, None if number is None else Fraction(number)))

    def figure_length(self, key: str, name: str, value: Length, note: str = "") -> None:
        """A length as a figure; its number is in ticks."""
        self.figure(key, name, self.text(value) + (f", {note}" if note else ""), value.ticks)

    def remark(self, severity: str, code: str, text: str) -> None:
        """Something somebody must know."""
        self.remarks.append(Remark(severity, code, text))

    # -- parts ----------------------------------------------------------------------

    def part(self, rule: PartRule) -> Part | None:
        """The part of a rule; None where it counts to nothing."""
        lay = self.lays.get(rule.key, Lay())
        if any(condition.on == "lay" and lay.kind not in condition.among for condition in rule.when):
            return None
        quantity, why = self.count(rule.count)
        if quantity < 0:
            raise CannotMake(f"parts.{rule.key}.count", f"{rule.name} would be {quantity} ({why})", "0 or more")
        if quantity == 0:
            return None
        material = self.material_of(rule.key)
        length, words = self.sized(rule.key, "length") if rule.length else (None, "")
        width, across = self.sized(rule.key, "width") if rule.width else (None, "")
        if rule.kind == "cloth":
            length, width, quantity = lay.length or length, lay.width or width, quantity * lay.widths
            if lay.kind == "turned":
                length, width = width, length
        counted = f"{quantity}: {why}" if why and quantity > 1 else ""
        steps = (counted, f"width: {across}" if across else "", words, lay.why)
        return Part(
            key=rule.key,
            name=rule.name,
            kind=rule.kind,
            material=material.key,
            quantity=quantity,
            length=length,
            width=width,
            weight_g=material.grams(quantity, length, width),
            derivation="; ".join(word for word in steps if word) or "as the recipe says",
            may_turn=lay.may_turn,
            lay=lay.kind if rule.kind == "cloth" else "",
            scope=rule.scope,
            draw=rule.draw,
        )

    def all_parts(self, *, with_head: bool = True) -> tuple[Part, ...]:
        """The parts in the recipe's order; the head's only where asked."""
        parts = (self.part(rule) for rule in self._rules.values() if with_head or rule.scope != "head")
        return tuple(part for part in parts if part is not None)

    # -- choosing -------------------------------------------------------------------

    def drives_for(self, control: str) -> Drives | None:
        """The drives or lifts that serve a kind of control."""
        return next((drives for drives in self.trade.drives if control in drives.control), None)
