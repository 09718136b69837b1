"""A place's cord rules as they are met on the wall: read off the one table that measuring holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from measuring.rules.safety import FROM_MEMORY, READ, SECOND_HAND, CordLimit, Jurisdiction
from shared.lengths import Length
from shared.records import Record

STATUS: Final = {READ: "R", SECOND_HAND: "R2", FROM_MEMORY: "M"}
"""How a figure is known, as sheets for the site say it: read, read second-hand, from memory."""
NEWTONS_PER_POUND: Final = Decimal("4.4482216152605")
"""Of force, exact: the pound of mass under standard gravity."""


@dataclass(frozen=True, kw_only=True)
class CordRule(Record):
    """
    What a place says of loops. `height`: least height of a loop's lower end above the floor
    (None: none given); `lower_if_held`: lower is allowed in a device that holds. `hold_lb`: what
    the device must hold, pounds of force.
    """

    name: str
    text: str
    source: str
    status: str
    height: Length | None = None
    lower_if_held: bool = False
    hold_lb: Decimal | None = None
    largest_loop: Length | None = None
    cleat_height: Length | None = None

    @classmethod
    def of(cls, place: Jurisdiction, sold_as: str = "custom") -> CordRule:
        """The rule of a place, whose source and status are those of the figure that loops go by."""
        limits = [row for row in place.limits if row.applies in ("all", sold_as)]
        low, loop, cleat = (_first(limits, of) for of in ("low_loop", "loop", "cleat"))
        base = low or loop or place.device
        newtons = place.device.newtons
        return cls(
            name=place.name,
            text=place.summary,
            source=f"{base.source}, {base.date}",
            status=STATUS[base.status],
            height=Length(low.ticks) if low else None,
            lower_if_held=bool(low and low.device_settles),
            hold_lb=None if newtons is None else (newtons / NEWTONS_PER_POUND).quantize(Decimal("0.01")),
            largest_loop=Length(loop.ticks) if loop else None,
            cleat_height=Length(cleat.ticks) if cleat else None,
        )


def _first(limits: Sequence[CordLimit], of: str) -> CordLimit | None:
    return next((row for row in limits if row.of == of), None)
