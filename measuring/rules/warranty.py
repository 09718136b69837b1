"""A product's warranty: a term for each part, from the day it went up."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass
from typing import Final

MOST_MONTHS: Final = 1200
UNITS: Final = {"month": 1, "year": 12}


@dataclass(frozen=True, slots=True)
class Term:
    """A part and for how many months; None is as long as the covering hangs there."""

    part: str
    months: int | None

    def until(self, start: dt.date) -> dt.date | None:
        """
        The last day of the warranty of what went up that day.

        >>> Term("motor", 36).until(dt.date(2027, 3, 1)), Term("fabric", 1).until(dt.date(2027, 1, 31))
        (datetime.date(2030, 2, 28), datetime.date(2027, 2, 27))
        """
        if self.months is None:
            return None
        year, month = divmod(start.year * 12 + start.month - 1 + self.months, 12)
        day = min(start.day, calendar.monthrange(year, month + 1)[1])
        return dt.date(year, month + 1, day) - dt.timedelta(days=1)


def read_terms(text: str) -> list[Term]:
    """
    A line a part: ``Fabric: 5 years``, ``Labor: 12 months``, ``Rails: lifetime``.

    >>> read_terms("Motor: 3 years")
    [Term(part='Motor', months=36)]

    Raises
    ------
    ValueError
        Names the line that says no term.
    """
    found = []
    for line in filter(None, map(str.strip, text.splitlines())):
        part, _, term = (piece.strip() for piece in line.partition(":"))
        number = re.fullmatch(r"(\d{1,4})\s*(month|year)s?", term.lower())
        if not part or not (number or term.lower() == "lifetime"):
            raise ValueError(f"{line[:60]}: write such as Motor: 3 years, Labor: 12 months, Rails: lifetime")
        months = int(number[1]) * UNITS[number[2]] if number else None
        if months is not None and not 0 < months <= MOST_MONTHS:
            raise ValueError(f"{line[:60]}: from 1 month to 100 years")
        found.append(Term(part, months))
    return found
