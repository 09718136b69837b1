"""
What a unit costs the customer: by area, or from a table of widths and heights. Exact, to the cent.

Between two sizes of a table the next larger counts, and under a least area the least area: common practice, no
published source.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from shared.formats.money import cents
from shared.lengths import Length, LengthUnit

SIDES: Final = {"sq_ft": Length.inches(12), "sq_m": Length.mm(1000)}
"""The side of the square that a rate is for."""


class NoPrice(ValueError):
    """A size that the firm's prices do not reach; the words say which bound."""


@dataclass(frozen=True, slots=True)
class AreaPrice:
    """
    A rate by area.

    Parameters
    ----------
    rate
        Money for one square foot or square meter, >= 0.
    per
        ``sq_ft`` or ``sq_m``.
    least
        Squares that are charged at least, >= 0.
    """

    rate: Decimal
    per: str
    least: Decimal = Decimal(0)

    def of(self, width: Length, height: Length) -> Decimal:
        """
        The price of a size.

        >>> AreaPrice(Decimal("12.50"), "sq_ft", Decimal(10)).of(Length.inches(36), Length.inches(60))
        Decimal('187.50')
        >>> AreaPrice(Decimal("12.50"), "sq_ft", Decimal(10)).of(Length.inches(12), Length.inches(12))
        Decimal('125.00')
        """
        side = SIDES[self.per].ticks
        area = Decimal(width.ticks * height.ticks) / Decimal(side * side)
        return cents(max(area, self.least) * self.rate)


@dataclass(frozen=True, slots=True)
class TablePrice:
    """
    Prices by width and height.

    Parameters
    ----------
    widths, heights
        Sizes in ticks, ascending.
    prices
        A row for each height, a price for each width.
    """

    widths: Sequence[int]
    heights: Sequence[int]
    prices: Sequence[Sequence[Decimal]]

    def of(self, width: Length, height: Length, unit: LengthUnit = LengthUnit.INCH) -> Decimal:
        """
        The price at the next larger size of the table.

        >>> sizes = [Length.inches(24).ticks, Length.inches(36).ticks], [Length.inches(60).ticks]
        >>> table = TablePrice(*sizes, [[Decimal(90), Decimal(120)]])
        >>> table.of(Length.inches(24), Length.inches(60)), table.of(Length.inches(25), Length.inches(9))
        (Decimal('90'), Decimal('120'))

        Raises
        ------
        NoPrice
            Wider or higher than the table goes.
        """
        at = []
        for name, value, sizes in (("wide", width, self.widths), ("high", height, self.heights)):
            found = bisect_left(sizes, value.ticks)
            if found == len(sizes):
                most = Length(sizes[-1]).text(unit, symbol=True)
                raise NoPrice(f"more than {most} {name}, where its table ends")
            at.append(found)
        return self.prices[at[1]][at[0]]

    def to_json(self) -> dict[str, object]:
        return {
            "widths": list(self.widths),
            "heights": list(self.heights),
            "prices": [[str(price) for price in row] for row in self.prices],
        }

    @classmethod
    def from_json(cls, kept: Mapping[str, Sequence[int] | Sequence[Sequence[str]]]) -> TablePrice:
        prices = [[Decimal(str(price)) for price in row] for row in kept["prices"] if not isinstance(row, int)]
        widths, heights = ([int(one) for one in kept[name] if isinstance(one, int)] for name in ("widths", "heights"))
        return cls(widths, heights, prices)
