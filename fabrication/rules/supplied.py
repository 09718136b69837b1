"""The size a unit that is bought in is ordered at: who takes the clearance of an inside mount, once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from fabrication.rules.model import FINISHED_SIZE, OPENING_SIZE, CannotMake, Order, Step
from shared.lengths import ZERO, Length

TAKES_OPENING: Final = "opening"
TAKES_FINISHED: Final = "finished"


@dataclass(frozen=True, slots=True)
class OrderedSize:
    """Width and height as they stand on the purchase, what kind of size they are, and how they came."""

    width: Length
    height: Length
    basis: str
    steps: tuple[Step, ...]


def ordered_size(order: Order, takes: str, clearance: tuple[Length | None, Length | None]) -> OrderedSize:
    """
    The size a supplier is asked for.

    A finished size (an outside mount, or one chosen at the opening) is made as given, whoever the
    supplier is: nothing is taken off. An opening size is sent as it is to a supplier who takes the
    clearance; from one who makes as given it is ours to take.

    Parameters
    ----------
    takes
        `TAKES_OPENING`: opening size, they deduct; `TAKES_FINISHED`: finished size, we deduct;
        empty where nobody said.
    clearance
        The product's own, off the width and the height of an inside mount; None where it has none.

    Raises
    ------
    CannotMake
        For an opening size: nobody said what the supplier takes, or the clearance is ours and not
        known, or leaves nothing.

    Examples
    --------
    >>> order = Order(Length.inches(28), Length.inches(40))
    >>> [ordered_size(order, takes, (Length.parse("1/2"), ZERO)).width.text() for takes in ("opening", "finished")]
    ['28', '27 1/2']
    >>> ordered_size(order, "opening", (Length.parse("1/2"), ZERO)).basis
    'opening size'
    """
    if order.basis == FINISHED_SIZE:
        return _as_it_is(order, "made as given: a finished size, nobody takes a clearance")
    if takes == TAKES_OPENING:
        return _as_it_is(order, "the supplier takes the clearance; nothing is taken here")
    if takes != TAKES_FINISHED:
        raise CannotMake("takes", "its supplier's rule is not known", "opening size or finished size")
    if clearance[0] is None:
        raise CannotMake("clearance", "the clearance we take is not known", "off the width, inside")
    why = f"{order.mount} mount clearance, taken here and only here"
    steps: list[Step] = []
    sizes: list[Length] = []
    for name, before, taken in zip(("width", "height"), (order.width, order.height), clearance, strict=True):
        size = before - (taken or ZERO)
        if size <= ZERO:
            raise CannotMake(name, "nothing is left of it after the clearance", "more than 0")
        steps.append(Step(f"order {name}", before, order.basis))
        steps += [Step("clearance", -taken, why)] if taken else []
        steps.append(Step(f"finished {name}", size, why))
        sizes.append(size)
    return OrderedSize(sizes[0], sizes[1], FINISHED_SIZE, tuple(steps))


def _as_it_is(order: Order, why: str) -> OrderedSize:
    steps = (Step("order width", order.width, order.basis), Step("order height", order.height, why))
    return OrderedSize(order.width, order.height, order.basis or OPENING_SIZE, steps)
