"""What fits on a label: its QR code, two large lines (code and size) and as many small ones as there is room for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from shared.lengths import INCH, Length

MM_A_PT: Final = INCH.as_mm() / 72
LEADING: Final = 1.15
LARGE: Final = 11 * MM_A_PT
"""Codes and sizes are 11 pt, other text 9 pt: what is read at an arm's length."""
SMALL: Final = 9 * MM_A_PT
ACROSS: Final = 4.0
DOWN: Final = 3.0
"""Millimetres of margin in a label, both sides together."""
LEAST_QR: Final = 12
MOST_QR: Final = 19
"""Sides of the QR code, in millimetres; a phone reads the page's address down to 12."""
BESIDE: Final = 1.5
CODE_EM: Final = 6.4
SIZE_EM: Final = 8.4
TEXT_EM: Final = 0.52
"""Widths in em: of a package's bold code, of the longest size, of a usual letter."""
NEEDED_ROWS: Final = 3
"""Small lines no label goes without: package or part, job and room, product or side."""


class DoesNotFit(ValueError):
    """What does not fit on a label, with the side that is too small and its least, in millimetres."""

    def __init__(self, side: str, problem: str, least_mm: float) -> None:
        super().__init__(problem)
        self.side, self.problem, self.least_mm = side, problem, least_mm


@dataclass(frozen=True, slots=True)
class LabelPlan:
    """How a label is divided: the QR code's side in millimetres, small lines beside it and below the size."""

    qr: int
    beside: int
    below: int
    beside_mm: float
    below_mm: float

    @property
    def rows(self) -> int:
        return self.beside + self.below

    def split(self, rows: Sequence[str]) -> tuple[list[str], list[str]]:
        """The small lines beside the code and below the size; what has no room is left out, the last first."""
        found = [row for row in rows if row]
        return found[: self.beside], found[self.beside : self.rows]

    def cut_off(self, rows: Sequence[str]) -> list[str]:
        """Lines that are longer than their place, or have none."""
        found = [row for row in rows if row]
        places = [self.beside_mm] * self.beside + [self.below_mm] * self.below
        too_long = [row for row, place in zip(found, places, strict=False) if len(row) * TEXT_EM * SMALL > place]
        return too_long + found[self.rows :]


def plan_label(width: Length, height: Length) -> LabelPlan:
    """
    How a label of this size is divided.

    Parameters
    ----------
    width, height
        Of one label, margins of the sheet not in it.

    Raises
    ------
    DoesNotFit
        When code, size and three small lines do not fit on it.

    Examples
    --------
    >>> plan = plan_label(Length.inches(2), Length.inches(1))
    >>> plan.qr, plan.beside, plan.below
    (12, 2, 1)
    """
    wide, high = width.as_mm() - ACROSS, height.as_mm() - DOWN
    least_wide = max(LEAST_QR + BESIDE + CODE_EM * LARGE, SIZE_EM * LARGE)
    if wide < least_wide:
        raise DoesNotFit("width", "code and size do not fit beside the QR code", least_wide + ACROSS)
    qr = int(min(MOST_QR, max(LEAST_QR, high / 2), wide - BESIDE - CODE_EM * LARGE))
    beside = int((qr - LARGE * LEADING) / (SMALL * LEADING))
    rest = high - qr - LARGE * LEADING
    below = int(rest / (SMALL * LEADING)) if rest > 0 else 0
    plan = LabelPlan(qr, beside, below, wide - qr - BESIDE, wide)
    least_high = LEAST_QR + LARGE * LEADING + SMALL * LEADING
    if rest < 0 or plan.rows < NEEDED_ROWS:
        raise DoesNotFit("height", "the code, the size and three lines do not fit on it", least_high + DOWN)
    return plan
