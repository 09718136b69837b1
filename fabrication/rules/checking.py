"""Before a recipe is saved: is it whole, what changed, and what does it make of an example."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from fabrication.rules.bench import COLOR
from fabrication.rules.making import make_unit
from fabrication.rules.materials import Material
from fabrication.rules.model import (
    FINISHED_SIZE,
    MOUNTS,
    SIZES,
    CannotMake,
    Choice,
    Condition,
    Count,
    Measure,
    Order,
    Part,
    PartRule,
    Recipe,
    UnitMake,
)
from shared.lengths import SIXTEENTH, ZERO, Length, LengthUnit
from shared.records import length_text, number_text

MOST_MADE: Final = 600
"""How many units one check makes before it covers pairs of choices instead of all."""

TICK: Final = Length(1)


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with a recipe: *stop* forbids saving it, *check* is for a person to judge."""

    severity: str
    field: str
    problem: str
    bound: str = ""


# -- is it whole --------------------------------------------------------------------


def check_recipe(recipe: Recipe, materials: Mapping[str, Material]) -> list[Problem]:
    """
    What is wrong with a recipe, worst first; empty when nothing is.

    Every material it can name is there and of the kind its part is. The bands of each part neither
    overlap nor leave a gap, for every choice that matters. No part comes to nothing or less
    at any corner of the size range or of a band, nor on a grid inside. A size of the range that
    can't be made (no tube, no lift) is a *check*.

    Parameters
    ----------
    recipe
        Read already, so its names are known to be right.
    materials
        All the firm has, by key.

    Examples
    --------
    >>> from fabrication.rules.starting import starting_materials, starting_recipes
    >>> check_recipe(starting_recipes()["wren"], starting_materials())
    []
    """
    problems = [*_materials(recipe, materials), *_choices_without(recipe), *_bands(recipe)]
    if not problems:
        problems = list(_makes(recipe, materials))
    return sorted(problems, key=lambda problem: problem.severity != "stop")


def _materials(recipe: Recipe, materials: Mapping[str, Material]) -> Iterator[Problem]:
    playing = _players(recipe)
    for key in sorted({key for keys in playing.values() for key in keys}):
        if key not in materials:
            yield Problem("stop", "materials", f"{key!r} is not among the materials", "a material's key")
    for position, rule in enumerate(recipe.parts):
        for key in [rule.material] if rule.material else sorted(playing.get(rule.role, ())):
            material = materials.get(key)
            if material is None and rule.material:
                yield Problem("stop", f"parts[{position}].material", f"{key!r} is not among the materials")
            elif material is not None and material.kind != rule.kind:
                problem = f"{rule.name} is a {rule.kind}, {material.name} a {material.kind}"
                yield Problem("stop", f"parts[{position}].kind", problem, material.kind)


def _choices_without(recipe: Recipe) -> Iterator[Problem]:
    """Choices that leave a part without its material: others of the option bring it, or it is seen and this a color."""
    roles = [{role for choice in option.choices for role in choice.materials} for option in recipe.options]
    for position, option in enumerate(recipe.options):
        elsewhere = set(recipe.materials).union(*roles[:position], *roles[position + 1 :])
        needed = roles[position] - elsewhere
        if option.key == COLOR:
            needed |= {rule.role for rule in recipe.parts if rule.seen}
        for number, choice in enumerate(option.choices):
            for role in sorted(needed - set(choice.materials)):
                if any(rule.role == role and _may_apply(rule, option.key, choice.key) for rule in recipe.parts):
                    problem = f"{option.name} {choice.key} brings no {_name(role)}"
                    yield Problem(
                        "stop", f"options[{position}].choices[{number}].materials", problem, "name its material"
                    )


def _may_apply(rule: PartRule, option: str, choice: str) -> bool:
    return all(choice in condition.among for condition in rule.when if condition.on == option)


def materials_named(recipe: Recipe) -> set[str]:
    """The keys of every material that a unit of the recipe could be made of."""
    playing = _players(recipe)
    return {rule.material for rule in recipe.parts if rule.material}.union(*playing.values())


def _players(recipe: Recipe) -> dict[str, set[str]]:
    """Every material that can play each role."""
    playing: dict[str, set[str]] = {role: {key} for role, key in recipe.materials.items()}
    for option in recipe.options:
        for choice in option.choices:
            for role, key in choice.materials.items():
                playing.setdefault(role, set()).add(key)
    trade: object = recipe.trade
    playing.setdefault("tube", set()).update(getattr(trade, "tubes", ()))
    for drives in getattr(trade, "drives", ()):
        playing.setdefault("drive", set()).update(drives.candidates)
        playing.setdefault("lift", set()).update(drives.candidates)
    return playing


def _bands(recipe: Recipe) -> Iterator[Problem]:
    """Rules that share a key: exactly one applies in every cell, or none for a whole combination."""
    by_key: dict[str, list[PartRule]] = {}
    for rule in recipe.parts:
        by_key.setdefault(rule.key, []).append(rule)
    for key, rules in by_key.items():
        values = _values_that_matter(recipe, rules)
        cells = list(itertools.product(*(_band_edges(recipe, rules, side) for side in ("width", "height"))))
        for combination in itertools.product(*values.values()):
            chosen = dict(zip(values, combination, strict=True))
            yield from _cells(key, rules, chosen, cells)


def _cells(
    key: str, rules: Sequence[PartRule], chosen: Mapping[str, str], cells: Sequence[tuple[Length, ...]]
) -> Iterator[Problem]:
    counts = {cell: sum(_applies(rule, chosen, *cell) for rule in rules) for cell in cells}
    covered = [cell for cell, count in counts.items() if count]
    words = ", ".join(f"{name} {value}" for name, value in chosen.items()) or "every choice"
    for (width, height), count in counts.items():
        at = f"at {width} × {height} ({words})"
        if count > 1:
            yield Problem("stop", f"parts.{key}", f"{count} rules for {key} meet {at}", "bands that do not overlap")
        elif count == 0 and _is_between((width, height), covered):
            yield Problem("stop", f"parts.{key}", f"no rule for {key} {at}", "bands without gap")
        elif count == 0 and covered and len(rules) > 1:
            yield Problem("check", f"parts.{key}", f"no rule for {key} {at}", "is that meant?")


def _is_between(cell: tuple[Length, ...], covered: Sequence[tuple[Length, ...]]) -> bool:
    """Whether covered cells lie on both sides of it, across or down."""
    for along, other in ((0, 1), (1, 0)):
        line = [one[along] for one in covered if one[other] == cell[other]]
        if line and min(line) < cell[along] < max(line):
            return True
    return False


def _values_that_matter(recipe: Recipe, rules: Iterable[PartRule]) -> dict[str, tuple[str, ...]]:
    named = {condition.on for rule in rules for condition in rule.when} - {"width", "height"}
    values: dict[str, tuple[str, ...]] = {}
    if "mount" in named:
        values["mount"] = MOUNTS
    if "lay" in named:
        values["lay"] = ("straight", "turned", "seamed")
    for option in recipe.options:
        if option.key in named:
            values[option.key] = tuple(choice.key for choice in option.choices)
    return values


def _edges(recipe: Recipe, rules: Iterable[PartRule], side: str) -> list[Length]:
    """The least finished size, the most, and where each band begins between them."""
    sizes = recipe.sizes
    most = getattr(sizes, f"most_{side}")
    taken = max(getattr(getattr(recipe.clearance, mount), side) for mount in MOUNTS)
    least = max(getattr(sizes, f"least_{side}") - taken, TICK)
    found = {least, most}
    for rule in rules:
        for condition in rule.when:
            if condition.on == side:
                found |= {edge for edge in (condition.least, condition.below) if edge and least < edge <= most}
    return sorted(found)


def _band_edges(recipe: Recipe, rules: Sequence[PartRule], side: str) -> list[Length]:
    """One size of each band; a single one where no rule has a band of that side."""
    edges = _edges(recipe, rules, side)
    return edges if any(condition.on == side for rule in rules for condition in rule.when) else edges[:1]


def _applies(rule: PartRule, chosen: Mapping[str, str], width: Length, height: Length) -> bool:
    sizes = {"width": width, "height": height}
    for condition in rule.when:
        if condition.on in sizes:
            size = sizes[condition.on]
            if (condition.least is not None and size < condition.least) or (
                condition.below is not None and size >= condition.below
            ):
                return False
        elif chosen.get(condition.on) not in condition.among:
            return False
    return True


def _makes(recipe: Recipe, materials: Mapping[str, Material]) -> Iterator[Problem]:
    reported: set[tuple[str, str]] = set()
    for order in orders_to_check(recipe):
        try:
            make_unit(recipe, order, materials)
        except CannotMake as error:
            is_part = error.field.startswith("parts")
            choice = "" if is_part else order.options.get("control", "")
            if (error.field, choice) in reported:
                continue
            reported.add((error.field, choice))
            at = f"at {order.width} × {order.height}" + (f", {choice}" if choice else "")
            yield Problem("stop" if is_part else "check", error.field, f"{at}: {error.problem}", error.bound)


def orders_to_check(recipe: Recipe) -> Iterator[Order]:
    """Corners of range and bands for every combination of choices that matters, then a grid inside."""
    values = _choices_that_matter(recipe)
    corners = list(itertools.product(_corners(recipe, "width"), _corners(recipe, "height")))
    combinations: Iterable[Sequence[str]] = list(itertools.product(*values.values()))
    if len(list(combinations)) * len(corners) > MOST_MADE:
        combinations = covering_pairs(list(values.values()))
    for combination in combinations:
        chosen = recipe.tried_with() | dict(zip(values, combination, strict=True))
        mount = chosen.pop("mount")
        for width, height in corners:
            yield Order(width, height, mount=mount, options=chosen)
    sizes = recipe.sizes
    for across, down in itertools.product(range(1, 5), repeat=2):
        width = sizes.least_width + Length((sizes.most_width - sizes.least_width).ticks * across // 5)
        height = sizes.least_height + Length((sizes.most_height - sizes.least_height).ticks * down // 5)
        yield Order(width, height, basis=FINISHED_SIZE, options=recipe.tried_with())


def _choices_that_matter(recipe: Recipe) -> dict[str, tuple[str, ...]]:
    """Mount, the control, and every option that a condition names or that brings something."""
    named = {condition.on for rule in recipe.parts for condition in rule.when} | {"control"}
    values: dict[str, tuple[str, ...]] = {"mount": MOUNTS}
    for option in recipe.options:
        if option.key in named or any(choice.materials or choice.length for choice in option.choices):
            values[option.key] = tuple(choice.key for choice in option.choices)
    return values


def _corners(recipe: Recipe, side: str) -> list[Length]:
    """Order sizes: both ends of the range, and both sides of where each band begins."""
    least = getattr(recipe.sizes, f"least_{side}")
    edges = [edge for edge in _edges(recipe, recipe.parts, side)[1:-1] if edge > least]
    return sorted({least, getattr(recipe.sizes, f"most_{side}"), *edges, *(edge - TICK for edge in edges)})


def covering_pairs(factors: Sequence[Sequence[str]]) -> list[tuple[str, ...]]:
    """
    Few combinations in which every pair of choices of two factors occurs (greedy, in order).

    Examples
    --------
    >>> rows = covering_pairs([("a", "b"), ("1", "2"), ("x", "y")])
    >>> len(rows) < 8, {(row[0], row[2]) for row in rows} == {("a", "x"), ("a", "y"), ("b", "x"), ("b", "y")}
    (True, True)
    """
    positions = range(len(factors))
    missing = {
        (one, two, first, second)
        for one, two in itertools.combinations(positions, 2)
        for first in factors[one]
        for second in factors[two]
    }
    rows = []
    while missing:
        one, two, first, second = min(missing)
        row = [factor[0] for factor in factors]
        row[one], row[two] = first, second
        for position in positions:
            if position not in {one, two}:
                row[position] = max(factors[position], key=lambda value: _gain(row, position, value, missing))
        missing -= set(_pairs(row))
        rows.append(tuple(row))
    return rows


def _pairs(row: Sequence[str]) -> Iterator[tuple[int, int, str, str]]:
    for one, two in itertools.combinations(range(len(row)), 2):
        yield one, two, row[one], row[two]


def _gain(row: Sequence[str], position: int, value: str, missing: set[tuple[int, int, str, str]]) -> int:
    tried = [*row[:position], value, *row[position + 1 :]]
    return sum(pair in missing for pair in _pairs(tried))


# -- what changed -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Change:
    """One line of a difference; empty before or after where it is new or gone."""

    what: str
    before: str
    after: str


def difference(old: Recipe, new: Recipe) -> list[Change]:
    """
    What changed between two revisions, line by line in the trade's words.

    Examples
    --------
    >>> import dataclasses
    >>> from fabrication.rules.starting import starting_recipes
    >>> old = starting_recipes()["wren"]
    >>> new = dataclasses.replace(old, between=Length.inches(1), revision=2)
    >>> difference(old, new)
    [Change(what='gap between units on one head', before='3/8', after='1')]
    """
    before, after = recipe_lines(old), recipe_lines(new)
    names = [*after, *(name for name in before if name not in after)]
    return [
        Change(name, before.get(name, ""), after.get(name, ""))
        for name in names
        if before.get(name, "") != after.get(name, "")
    ]


def recipe_lines(recipe: Recipe) -> dict[str, str]:
    """A recipe as lines of words, one thing a line; the revision's number left out."""
    lines = {"name": recipe.name, "family": recipe.family, "gap between units on one head": length_text(recipe.between)}
    for mount in MOUNTS:
        for side in ("width", "height"):
            lines[f"clearance, {mount} mount, {side}"] = length_text(getattr(getattr(recipe.clearance, mount), side))
    for name, value in recipe.sizes.to_json().items():
        lines[f"sizes, {name.replace('_', ' ')}"] = value
    for role, key in recipe.materials.items():
        lines[f"material, {role}"] = key
    for option in recipe.options:
        lines[f"option {option.name}"] = ", ".join(_choice_text(choice) for choice in option.choices)
        lines[f"option {option.name}, default"] = option.default
    lines |= _part_lines(recipe)
    for package in recipe.packages:
        lines[f"package {package.what}"] = measure_text(package.longest)
    return lines | _tree("figures", recipe.trade.to_json())


def _part_lines(recipe: Recipe) -> dict[str, str]:
    lines: dict[str, str] = {}
    for rule in recipe.parts:
        when = " and ".join(condition_text(condition) for condition in rule.when)
        name = rule.name + (f" ({when})" if when else "")
        while f"{name}, material" in lines:
            name += " again"
        lines[f"{name}, material"] = (rule.material or f"the {_name(rule.role)}") + (", by color" if rule.seen else "")
        for side in ("length", "width"):
            measure = getattr(rule, side)
            if measure is not None:
                lines[f"{name}, {side}"] = measure_text(measure)
        lines[f"{name}, count"] = count_text(rule.count)
        if rule.scope == "head":
            lines[f"{name}, scope"] = "once a head"
        if rule.draw:
            lines[f"{name}, drawn as"] = rule.draw
    return lines


def _tree(name: str, value: object) -> dict[str, str]:
    """Leaves of a JSON value by readable path."""
    if isinstance(value, dict):
        found: dict[str, str] = {}
        for key, entry in value.items():
            found |= _tree(f"{name}, {key.replace('_', ' ')}", entry)
        return found
    if isinstance(value, list) and any(isinstance(entry, dict) for entry in value):
        return {k: v for position, entry in enumerate(value, 1) for k, v in _tree(f"{name} {position}", entry).items()}
    if isinstance(value, list):
        return {name: ", ".join(str(entry) for entry in value)}
    return {} if value is None else {name: str(value)}


def _choice_text(choice: Choice) -> str:
    brings = [f"{_name(role)} {key}" for role, key in choice.materials.items()]
    if choice.length is not None:
        brings.append(length_text(choice.length))
    return f"{choice.key} ({', '.join(brings)})" if brings else str(choice.key)


def measure_text(measure: Measure) -> str:
    """
    A measure as a line.

    Examples
    --------
    >>> from fabrication.rules.starting import starting_recipes
    >>> measure_text(starting_recipes()["wren"].parts[1].length)
    'longest height + wraps + 3 hem pocket + 1 1/2 squaring'
    """
    words = [_name(measure.of)] if measure.of else []
    if measure.factor != 1:
        words.append(f"× {number_text(measure.factor)}")
    for allowance in measure.plus:
        if allowance.of:
            sign = "−" if allowance.factor < 0 else "+"
            times = "" if abs(allowance.factor) == 1 else f"{number_text(abs(allowance.factor))} × "
            name = _name(allowance.of)
            words.append(f"{sign} {times}{name}" + ("" if name in allowance.what else f" ({allowance.what})"))
        if allowance.length != ZERO:
            sign = "−" if allowance.length < ZERO else "+"
            words.append(f"{sign} {length_text(abs(allowance.length))} {allowance.what}")
    if measure.grid is not None:
        words.append(f", {measure.towards} to {length_text(measure.grid)}")
    return " ".join(words).removeprefix("+ ")


def count_text(count: Count) -> str:
    """A count as a line."""
    spare = f" + {count.spare} spare" if count.spare else ""
    if count.by == "fixed":
        return f"{count.number}{spare}"
    if count.by == "figure":
        return _name(count.figure) + (f" × {count.times}" if count.times > 1 else "") + spare
    base = _name(count.of) + (f" − 2 × {length_text(count.end)}" if count.end else "")
    pitch = length_text(count.pitch or ZERO)
    if count.by == "span":
        return f"{base}, at most {pitch} apart{spare}"
    if count.by == "fullness":
        ends = length_text(count.end)
        return f"{_name(count.of)} × {number_text(count.fullness)} + 2 × {ends}, widths of {pitch}{spare}"
    more = f" {count.number:+d}" if count.number else ""
    return f"{base} by {pitch}, {count.towards}{more}{spare}"


def condition_text(condition: Condition) -> str:
    """
    A condition as words.

    Examples
    --------
    >>> condition_text(Condition("width", least=Length.inches(48), below=Length.inches(96)))
    'width from 48 to under 96'
    """
    if condition.among:
        return f"{condition.on.replace('_', ' ')} {' or '.join(condition.among)}"
    words = [condition.on]
    if condition.least is not None:
        words.append(f"from {length_text(condition.least)}")
    if condition.below is not None:
        words.append(("to " if condition.least is not None else "") + f"under {length_text(condition.below)}")
    return " ".join(words)


def _name(name: str) -> str:
    part, dot, side = name.partition(".")
    if dot:
        return f"{side} of the {part.replace('_', ' ')}"
    return name.replace("_", " ") if name not in SIZES or "_" in name else name


# -- an example ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Example:
    """A recipe tried on an order: what it makes or why not, and what differs from before."""

    order: Order
    made: UnitMake | None
    error: CannotMake | None
    changes: tuple[Change, ...] = ()


def worked_example(
    recipe: Recipe,
    materials: Mapping[str, Material],
    order: Order | None = None,
    *,
    before: Recipe | None = None,
    unit: LengthUnit = LengthUnit.INCH,
) -> Example:
    """
    What a recipe makes of an order, beside what its last revision made of it.

    Without an order a middling one is taken: half way up the size range, defaults chosen. It
    never raises `CannotMake`: the page shows it beside the field.

    Examples
    --------
    >>> from fabrication.rules.starting import starting_materials, starting_recipes
    >>> example = worked_example(starting_recipes()["siskin"], starting_materials())
    >>> example.error is None, str(example.order.width)
    (True, '59 in')
    """
    order = order or middling_order(recipe)
    made = error = None
    try:
        made = make_unit(recipe, order, materials, unit=unit)
    except CannotMake as problem:
        error = problem
    changes: tuple[Change, ...] = ()
    if before is not None and made is not None:
        try:
            changes = tuple(_part_changes(make_unit(before, order, materials, unit=unit), made, unit))
        except CannotMake as problem:
            changes = (Change("the whole unit", f"could not be made: {problem.problem}", "can be made"),)
    return Example(order, made, error, changes)


def middling_order(recipe: Recipe) -> Order:
    """Half way up the size range, every option at its default (or first choice)."""
    sizes = recipe.sizes
    width = Length((sizes.least_width + sizes.most_width).ticks // 2).down(SIXTEENTH)
    height = Length((sizes.least_height + sizes.most_height).ticks // 2).down(SIXTEENTH)
    return Order(max(width, sizes.least_width), max(height, sizes.least_height), options=recipe.tried_with())


def _part_changes(before: UnitMake, after: UnitMake, unit: LengthUnit) -> Iterator[Change]:
    old = {part.key: part for part in before.parts}
    new = {part.key: part for part in after.parts}
    for key in [*new, *(key for key in old if key not in new)]:
        was, is_now = _shown(old.get(key), unit), _shown(new.get(key), unit)
        if was != is_now:
            yield Change((new.get(key) or old[key]).name, was, is_now)


def _shown(part: Part | None, unit: LengthUnit) -> str:
    if part is None:
        return ""
    size = " × ".join(side.text(unit) for side in (part.width, part.length) if side is not None)
    return f"{part.quantity} {part.material}" + (f", {size}" if size else "")
