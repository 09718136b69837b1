"""How long something takes, as people read it; everything that shows minutes asks here."""

from __future__ import annotations


def minutes_text(minutes: int | None) -> str:
    """
    Whole minutes, from an hour on as hours and minutes.

    >>> minutes_text(40), minutes_text(60), minutes_text(125), minutes_text(None)
    ('40 min', '1 h', '2 h 5 min', '0 min')
    """
    hours, rest = divmod(int(minutes or 0), 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def more_or_less(minutes: int) -> str:
    """
    Minutes that are added or saved.

    >>> more_or_less(75), more_or_less(-12), more_or_less(0)
    ('+1 h 15 min', '−12 min', '+0 min')
    """
    return f"{'+' if minutes >= 0 else '−'}{minutes_text(abs(minutes))}"
