"""From an order and a recipe to a made unit; rooms and shared heads together."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Final

from fabrication.rules.bench import Bench
from fabrication.rules.families import cellular, roller, roman, slat, vertical
from fabrication.rules.materials import Material
from fabrication.rules.model import CannotMake, Carried, Order, Recipe, UnitMake
from shared.lengths import SIXTEENTH, ZERO, Length, Unit, total

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
    recipe: Recipe, order: Order, materials: Mapping[str, Material], *, unit: Unit = Unit.INCH
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
    >>> order = Order(Length.inches("283/8"), Length.inches(60), options={"control": "chain"})
    >>> made = make_unit(starting_recipes()["wren"], order, starting_materials())
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
    orders: Sequence[tuple[Recipe, Order]], materials: Mapping[str, Material], *, unit: Unit = Unit.INCH
) -> tuple[UnitMake, ...]:
    """
    The units of one room, so that they match.

    Cloth of one material is never turned in one unit and straight in another: if one must be
    turned, all are. Of a patterned cloth only the first unit takes the repeat that finds the
    pattern's start. Pieces of one material come off one dye lot; the cut plan sees to that.

    Raises
    ------
    CannotMake
        Naming the unit; also where one unit must be turned and another can't be.
    """
    settled = _settle_starts(orders)
    made = [_named(recipe, order, materials, unit) for recipe, order in settled]
    turned = {part.material for unit_made in made for part in unit_made.parts if part.lay == "turned"}
    out = []
    for (recipe, order), unit_made in zip(settled, made, strict=True):
        mixed = any(part.material in turned and part.lay not in {"", "turned"} for part in unit_made.parts)
        if mixed:
            unit_made = _named(recipe, dataclasses.replace(order, lay="turned"), materials, unit)
            if any(part.material in turned and part.lay not in {"", "turned"} for part in unit_made.parts):
                problem = f"{order.code or recipe.name}: the room's cloth is turned, this unit's can't be"
                raise CannotMake("lay", problem, "one way in a room")
        out.append(unit_made)
    return tuple(out)


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
        key = order.options.get(option.key) or option.default
        for choice in option.choices:
            if choice.key == key:
                chosen |= choice.materials
    yield from chosen.values()


def _named(recipe: Recipe, order: Order, materials: Mapping[str, Material], unit: Unit) -> UnitMake:
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
    unit: Unit = Unit.INCH,
) -> tuple[UnitMake, ...]:
    """
    Units side by side under one headrail, fascia or valance.

    Parameters
    ----------
    recipe, order
        `order` is the whole: its width spans all units. Head parts are cut once, to it, and stand
        with the first unit.
    widths
        Finished width of each unit from the left; the recipe's gap lies between. Empty parts and two
        equal ones: pass ``equal_widths``.

    Returns
    -------
    tuple[UnitMake, ...]
        One a width, left to right.

    Raises
    ------
    CannotMake
        When widths and gaps do not add up to the finished width, or a unit can't be made.
    """
    whole = Bench(recipe, order, materials, unit)
    finished = whole.measures["width"]
    needed = total(widths) + recipe.between * (len(widths) - 1)
    if len(widths) < 1 or needed != finished:
        problem = f"units and gaps come to {whole.text(needed)}, the head to {whole.text(finished)}"
        raise CannotMake("widths", problem, f"exactly {whole.text(finished)}")
    made = []
    for place, width in enumerate(widths):
        bench = Bench(recipe, order, materials, unit, finished=(width, finished))
        made.append(_made(bench, with_head=place == 0))
    return tuple(made)


def equal_widths(recipe: Recipe, order: Order, number: int, grid: Length = SIXTEENTH) -> tuple[Length, ...]:
    """
    Finished widths of `number` equal units on one head; what the grid leaves goes to the last.

    Examples
    --------
    >>> from fabrication.rules.starting import starting_recipes
    >>> order = Order(Length.inches(100), Length.inches(60), basis="finished size")
    >>> [str(width) for width in equal_widths(starting_recipes()["dunlin_wood"], order, 2)]
    ['49 13/16 in', '49 13/16 in']
    """
    taken = getattr(recipe.clearance, order.mount).width if order.basis == "opening size" else ZERO
    room = order.width - taken - recipe.between * (number - 1)
    each = Length(room.ticks // number).down(grid)
    if number < 1 or each <= ZERO:
        raise CannotMake("widths", f"{number} units do not fit", "at least one, each wider than nothing")
    return (*(each for _ in range(number - 1)), room - each * (number - 1))
