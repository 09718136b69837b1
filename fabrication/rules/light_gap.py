"""The light that passes beside a covering."""

from __future__ import annotations

from shared.lengths import Length


def light_gap(hardware: Length, clearance: Length) -> Length:
    """
    The light gap at one side of the cloth: what the hardware takes there, and half of the whole clearance.

    Examples
    --------
    >>> light_gap(Length.inches("5/8"), Length.inches("1/8")) == Length.inches("11/16")
    True
    """
    return hardware + Length(clearance.ticks // 2)
