"""From an order and a recipe to a made unit; rooms and shared heads together."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Final

from fabrication.rules.bench import Bench, Share, finished_size
from fabrication.rules.families import cellular, roller, roman, slat, vertical
from fabrication.rules.materials import Material
from fabrication.rules.model import CannotMake, Carried, Order, Recipe, UnitMake
from shared.lengths import SIXTEENTH, ZERO, Length, LengthUnit, total

WORK: Final[Mapping[str, Callable[[Bench], None]]] = {
    "roller": roller.work,
    "solar": roller.work,
    "sheer": roller.work,
    "vertical": vertical.work,
    "slat": slat.work,
    "cellular": cellular.work,
    "pleated": cellular.work,
    "roman": roman.work,
}


def make_unit(
    recipe: Recipe, order: Order, materials: Mapping[str, Material], *, unit: LengthUnit = LengthUnit.INCH
) -> UnitMake:
    """
    One unit as it is made: finished size, parts with exact lengths, figures, weight.

    The finished size is the order size less the clearance of its mount; an order on *finished
    size* basis is made as given. Then the family's engineering (tube, counts, lift …) and every
    part rule whose conditions hold.

    Parameters
    ----------
    recipe, order
        What, and at what size and with which options. Lengths are exact ticks throughout.
    materials
        By key; at least those the recipe can name.
    unit
        What the derivations are written in; it changes no length.

    Returns
    -------
    UnitMake
        Weights in grams to a tenth, as cut (hems and wraps included).

    Raises
    ------
    CannotMake
        A `ValueError` with ``.field``, ``.problem``, ``.bound``: size outside the product's range, an
        option not chosen, cloth wider than any roll, no tube or lift that holds, a part of no length.

    Examples
    --------
    >>> from fabrication.rules.starting import starting_materials, starting_recipes
    >>> wren = starting_recipes()["wren"]
    >>> options = wren.tried_with() | {"control": "chain"}
    >>> order = Order(Length.inches("283/8"), Length.inches(60), options=options)
    >>> made = make_unit(wren, order, starting_materials())
    >>> str(made.finished_width), str(made.part("tube").length)
    ('35 1/4 in', '34 1/8 in')
    """
    bench = Bench(recipe, order, materials, unit)
    return _made(bench, with_head=True)


def _made(bench: Bench, *, with_head: bool) -> UnitMake:
    WORK[bench.recipe.family](bench)
    parts = bench.all_parts(with_head=with_head)
    recipe, order = bench.recipe, bench.order
    return UnitMake(
        recipe=recipe.key,
        name=recipe.name,
        family=recipe.family,
        revision=recipe.revision,
        code=order.code,
        mount=order.mount,
        options={key: bench.states[key] for key in (option.key for option in recipe.options)},
        finished_width=bench.measures["width"],
        finished_height=bench.measures["height"],
        steps=tuple(bench.steps),
        parts=parts,
        figures=tuple(bench.figures),
        remarks=tuple(bench.remarks),
        packages=tuple(Carried(package.what, bench.work_out(package.longest)[0]) for package in recipe.packages),
        weight_g=sum((part.weight_g for part in parts), Decimal(0)),
        places=dict(bench.places),
        measures=dict(bench.measures),
        counts=dict(bench.counts),
    )


# -- a room together ----------------------------------------------------------------


def make_room(
    orders: Sequence[tuple[Recipe, Order]], materials: Mapping[str, Material], *, unit: LengthUnit = LengthUnit.INCH
) -> tuple[UnitMake, ...]:
    """
    The units of one room, so that they match.

    Cloth of one material is never turned in one unit and straight in another: if one must be
    turned, all are, or where that can't be all lie straight, with seams. Of a patterned cloth
    only the first unit takes the repeat that finds the pattern's start. Pieces of one material
    come off one dye lot; the cut plan sees to that.

    Raises
    ------
    CannotMake
        Naming the unit; also where one unit must be turned and another can't be.
    """
    settled = _settle_starts(orders)
    made = [_named(recipe, order, materials, unit) for recipe, order in settled]
    for way in ("turned", "straight"):
        mixed = _mixed(made)
        if not mixed:
            return tuple(made)
        tried = _one_way(settled, made, mixed, way, materials, unit)
        made = tried or made
    if mixed := _mixed(made):
        names = ", ".join(sorted(materials[key].name for key in mixed))
        raise CannotMake("lay", f"{names}: some units of the room must be turned, others can't be", "one way in a room")
    return tuple(made)


def _mixed(made: Sequence[UnitMake]) -> set[str]:
    """Materials that lie turned in one unit and straight in another."""
    ways: dict[str, set[bool]] = {}
    for unit_made in made:
        for part in unit_made.parts:
            if part.lay and not part.may_turn:
                ways.setdefault(part.material, set()).add(part.lay == "turned")
    return {key for key, seen in ways.items() if len(seen) > 1}


def _one_way(
    settled: Sequence[tuple[Recipe, Order]],
    made: Sequence[UnitMake],
    mixed: set[str],
    way: str,
    materials: Mapping[str, Material],
    unit: LengthUnit,
) -> list[UnitMake] | None:
    """The units made anew with the mixed cloths lying one way; None where one can't."""
    out = []
    for (recipe, order), unit_made in zip(settled, made, strict=True):
        if not any(part.material in mixed for part in unit_made.parts):
            out.append(unit_made)
            continue
        try:
            out.append(_named(recipe, dataclasses.replace(order, lay=way), materials, unit))
        except CannotMake:
            return None
    return out


def _settle_starts(orders: Sequence[tuple[Recipe, Order]]) -> list[tuple[Recipe, Order]]:
    """Of the units that share a cloth the first finds the pattern's start."""
    seen: set[frozenset[str]] = set()
    settled = []
    for recipe, order in orders:
        cloth = frozenset(_chosen_materials(recipe, order))
        settled.append((recipe, dataclasses.replace(order, pattern_start=cloth not in seen)))
        seen.add(cloth)
    return settled


def _chosen_materials(recipe: Recipe, order: Order) -> Iterator[str]:
    chosen = dict(recipe.materials)
    for option in recipe.options:
        key = order.options.get(option.key)
        for choice in option.choices:
            if choice.key == key:
                chosen |= choice.materials
    yield from chosen.values()


def _named(recipe: Recipe, order: Order, materials: Mapping[str, Material], unit: LengthUnit) -> UnitMake:
    try:
        return make_unit(recipe, order, materials, unit=unit)
    except CannotMake as error:
        if not order.code:
            raise
        raise CannotMake(error.field, f"{order.code}: {error.problem}", error.bound) from error


# -- several units on one head -------------------------------------------------------


def make_on_one_head(
    recipe: Recipe,
    order: Order,
    widths: Sequence[Length],
    materials: Mapping[str, Material],
    *,
    unit: LengthUnit = LengthUnit.INCH,
) -> tuple[UnitMake, ...]:
    """
    Units side by side under one headrail, fascia or valance.

    Parameters
    ----------
    recipe, order
        `order` is the whole: its width spans all units. Head parts are cut once, to it, and stand
        with the first unit.
    widths
        Finished width of each unit from the left; the recipe's gap lies between. See `equal_widths`.

    Returns
    -------
    tuple[UnitMake, ...]
        One a width, left to right.

    Raises
    ------
    CannotMake
        When widths and gaps do not add up to the finished width, or a unit can't be made.
    """
    unit, head = LengthUnit(unit), finished_size(recipe, order)[0]
    needed = total(widths) + recipe.between * (len(widths) - 1)
    if len(widths) < 1 or needed != head:
        problem = f"units and gaps come to {needed.text(unit, symbol=True)}"
        raise CannotMake("widths", problem, f"exactly {head.text(unit, symbol=True)}")
    made = []
    for position, width in enumerate(widths):
        sides = {"left"} if position > 0 else set()
        sides |= {"right"} if position < len(widths) - 1 else set()
        bench = Bench(recipe, order, materials, unit, Share(width, frozenset(sides)))
        made.append(_made(bench, with_head=position == 0))
    return tuple(made)


def shared_widths(
    recipe: Recipe, order: Order, shares: Sequence[Length], grid: Length = SIXTEENTH
) -> tuple[Length, ...]:
    """
    Finished widths of units on one head, in the proportion of their order widths.

    Clearance and gaps are taken off all units alike; each goes down to the grid and what that
    leaves goes to the last.

    Parameters
    ----------
    order
        The whole: its width is the sum of `shares`.
    shares
        Order width of each unit from the left, each > 0.

    Examples
    --------
    >>> from fabrication.rules.starting import starting_recipes
    >>> shares = [Length.inches(30), Length.inches(60)]
    >>> order = Order(Length.inches(90), Length.inches(60), basis="finished size")
    >>> [str(width) for width in shared_widths(starting_recipes()["dunlin_wood"], order, shares)]
    ['29 15/16 in', '59 15/16 in']
    """
    room = finished_size(recipe, order)[0] - recipe.between * (len(shares) - 1)
    off = total(shares) - room
    each = Length(off.ticks // max(len(shares), 1))
    widths = [(share - each).down(grid) for share in shares[:-1]]
    widths.append(room - total(widths))
    if any(width <= ZERO for width in widths):
        raise CannotMake("widths", f"{len(shares)} units do not fit", "at least one, each wider than nothing")
    return tuple(widths)


def equal_widths(recipe: Recipe, order: Order, number: int, grid: Length = SIXTEENTH) -> tuple[Length, ...]:
    """
    Finished widths of `number` equal units on one head; what the grid leaves goes to the last.

    Examples
    --------
    >>> from fabrication.rules.starting import starting_recipes
    >>> order = Order(Length.inches(100), Length.inches(60), basis="finished size")
    >>> [str(width) for width in equal_widths(starting_recipes()["dunlin_wood"], order, 2)]
    ['49 15/16 in', '49 15/16 in']
    """
    room = finished_size(recipe, order)[0] - recipe.between * (number - 1)
    each = Length(room.ticks // max(number, 1)).down(grid)
    if number < 1 or each <= ZERO:
        raise CannotMake("widths", f"{number} units do not fit", "at least one, each wider than nothing")
    return (*(each for _ in range(number - 1)), room - each * (number - 1))
