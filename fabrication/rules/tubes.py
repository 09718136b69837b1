"""A tube or bar under its load: section, sag, the widest it carries, and the torque to lift."""

from __future__ import annotations

from math import pi

from fabrication.rules.winding import rolled_diameter_mm

GRAVITY: float = 9.80665
"""Standard gravity, m/s² (exact by definition: 3rd CGPM, 1901)."""


def tube_inertia_mm4(outside_mm: float, wall_mm: float) -> float:
    """
    Second moment of area of a plain round tube, I = π (D⁴ − d⁴) / 64.

    Grooves and splines change it: where the maker states an I, use that.

    Examples
    --------
    >>> round(tube_inertia_mm4(38.1, 1.5))
    28928
    """
    if not 0 < 2 * wall_mm < outside_mm:
        raise ValueError(f"a wall of {wall_mm} mm does not fit a tube of {outside_mm} mm")
    return pi * (outside_mm**4 - (outside_mm - 2 * wall_mm) ** 4) / 64


def sag_mm(load_n_per_mm: float, span_mm: float, e_mpa: float, inertia_mm4: float) -> float:
    """
    Midspan sag of a simply supported bar under an even load, 5 w L⁴ / (384 E I).

    Parameters
    ----------
    load_n_per_mm
        Tube, cloth and bar together, per millimetre of span.
    span_mm
        Between supports.
    e_mpa
        Young's modulus in MPa (N/mm²).
    inertia_mm4
        Second moment of area.

    References
    ----------
    .. [1] Beams supported at both ends with uniform load: any handbook of strength of materials.

    Examples
    --------
    >>> round(sag_mm(6, 5000, 200_000, 81_960_000), 2)
    2.98
    """
    return 5 * load_n_per_mm * span_mm**4 / (384 * e_mpa * inertia_mm4)


def widest_span_mm(load_n_per_mm: float, sag_limit_mm: float, e_mpa: float, inertia_mm4: float) -> float:
    """
    The span at which the sag is just the limit: (384 E I δ / 5 w)^(1/4).

    Examples
    --------
    >>> round(sag_mm(0.01, widest_span_mm(0.01, 3.175, 69_000, 28_928), 69_000, 28_928), 6)
    3.175
    """
    return float((384 * e_mpa * inertia_mm4 * sag_limit_mm / (5 * load_n_per_mm)) ** 0.25)


def load_n_per_mm(grams: float, span_mm: float) -> float:
    """Weight in newtons spread over a span."""
    return grams / 1000 * GRAVITY / span_mm


def lift_torque_nm(
    *,
    bar_g: float,
    cloth_g_per_mm: float,
    drop_mm: float,
    tube_mm: float,
    thickness_mm: float,
    wraps_mm: float = 0.0,
    stations: int = 48,
) -> float:
    """
    The most torque the drive meets between fully down and fully up.

    Down, the whole cloth hangs on the small radius; up, little hangs on a large one. The torque
    (bar + hanging cloth) × g × radius is taken at evenly spaced stations of the travel.

    Parameters
    ----------
    bar_g
        What hangs at the bottom: hem bar and its caps.
    cloth_g_per_mm
        Grams of cloth per millimetre of drop, both layers where there are two.
    drop_mm
        Travel of the hem bar.
    tube_mm, thickness_mm, wraps_mm
        Bare tube's diameter, thickness wound on per turn, cloth that never leaves the tube.

    Returns
    -------
    float
        Newton metres, friction not included.

    Examples
    --------
    >>> round(lift_torque_nm(bar_g=300, cloth_g_per_mm=0.4, drop_mm=1500, tube_mm=38, thickness_mm=0.5), 3)
    0.168
    """
    most = 0.0
    for station in range(stations + 1):
        up = drop_mm * station / stations
        radius = rolled_diameter_mm(tube_mm, thickness_mm, wraps_mm + up) / 2
        most = max(most, (bar_g + cloth_g_per_mm * (drop_mm - up)) / 1000 * GRAVITY * radius / 1000)
    return most
