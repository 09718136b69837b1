"""Cloth wound on a tube: rolled diameter, turns, and what wraps take."""

from __future__ import annotations

from math import asinh, pi, sqrt

from shared.lengths import TICKS_PER_MM, Length


def rolled_diameter_mm(tube_mm: float, thickness_mm: float, cloth_mm: float) -> float:
    """
    Outside diameter of a roll by the area rule: the cloth's edge fills a ring.

    D = √(d² + 4 t L / π), with the cloth lying without gaps. Loose winding, hems and seams add:
    compare with a measured roll before trusting it to less than a millimetre.

    Parameters
    ----------
    tube_mm
        Outside diameter of the bare tube, > 0.
    thickness_mm
        Thickness of one layer, >= 0; for two layers wound together, both.
    cloth_mm
        Length wound on, >= 0.

    References
    ----------
    .. [1] Web-handling geometry (rolls of paper and film): L = π (D² − d²) / (4 t).

    Examples
    --------
    >>> round(rolled_diameter_mm(38, 0.5, 2000), 3)
    52.127
    """
    if tube_mm <= 0 or thickness_mm < 0 or cloth_mm < 0:
        raise ValueError("a tube has a diameter, thickness and length are zero or more")
    return sqrt(tube_mm**2 + 4 * thickness_mm * cloth_mm / pi)


def turns(tube_mm: float, thickness_mm: float, cloth_mm: float) -> float:
    """
    How often the cloth goes round.

    Examples
    --------
    >>> round(turns(38, 0.5, 2000), 3)
    14.127
    """
    if thickness_mm == 0:
        return cloth_mm / (pi * tube_mm)
    return (rolled_diameter_mm(tube_mm, thickness_mm, cloth_mm) - tube_mm) / (2 * thickness_mm)


def spiral_length_mm(tube_mm: float, thickness_mm: float, rolled_mm: float) -> float:
    """
    Cloth on a roll of a given diameter, as the arc length of an Archimedean spiral.

    With r = r₀ + k θ and k = t / 2π the arc is [r √(r² + k²) + k² asinh(r / k)] / (2 k) between
    the radii. It is the independent check on the area rule.

    Examples
    --------
    >>> round(spiral_length_mm(38, 0.5, rolled_diameter_mm(38, 0.5, 2000)), 2)
    2000.01
    """
    k = thickness_mm / (2 * pi)
    if k == 0:
        raise ValueError("cloth without thickness winds no spiral")

    def primitive(r: float) -> float:
        return (r * sqrt(r * r + k * k) + k * k * asinh(r / k)) / (2 * k)

    return primitive(rolled_mm / 2) - primitive(tube_mm / 2)


def wraps_length(tube: Length, wraps: float, grid: Length) -> Length:
    """
    Cloth that stays on the tube at full drop: `wraps` turns of the bare tube, up to the grid.

    Examples
    --------
    >>> str(wraps_length(Length.inches("3/2"), 1.5, Length.inches("1/8")))
    '7 1/8 in'
    """
    return mm_up(pi * tube.as_mm() * wraps, grid)


def mm_up(value_mm: float, grid: Length) -> Length:
    """
    Millimetres from a formula as an exact length: up to the grid.

    Examples
    --------
    >>> str(mm_up(25.41, Length.inches("1/16")))
    '1 1/16 in'
    """
    return Length(int(-(-value_mm * TICKS_PER_MM // 1))).up(grid)
