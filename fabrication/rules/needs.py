"""What must be bought: what parts need, less what is there, in whole stock pieces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shared.lengths import ZERO, Length


@dataclass(frozen=True, slots=True)
class Need:
    """
    What a material lacks.

    `short` is a lower bound of what must be bought: it adds lengths up and leaves waste between
    pieces out, so a cut plan may ask for more. `pieces` is `short` in whole pieces of `size`.
    """

    wanted: Length
    there: Length
    short: Length
    size: Length | None
    pieces: int


def need_of_length(
    wanted: Sequence[tuple[Length, int]], there: Sequence[tuple[Length, int]], size: Length | None
) -> Need:
    """
    Bars, strips, cords or cloth by running length.

    Parameters
    ----------
    wanted, there
        Pairs of a length and how many of it.
    size
        The usual stock length; None where it is not known.

    Examples
    --------
    >>> need = need_of_length([(Length.inches(50), 9)], [(Length.inches(192), 1)], Length.inches(192))
    >>> need.short.text(), need.pieces
    ('258', 2)
    """
    need = sum((length * count for length, count in wanted), ZERO)
    have = sum((length * count for length, count in there), ZERO)
    short = max(need - have, ZERO)
    pieces = -(-short.ticks // size.ticks) if size else int(short > ZERO)
    return Need(need, have, short, size, pieces)
