"""
The workroom's calculations against something outside: formulas, standards, a reference decoder.

R read at the source, R2 read second-hand, M from memory, C computed again here.
"""

from __future__ import annotations

import math

import numpy
import pytest

from fabrication.rules.cloth import up_to_repeat
from fabrication.rules.families.vertical import coverage, vane_count
from fabrication.rules.tubes import load_n_per_mm, sag_mm, tube_inertia_mm4
from fabrication.rules.winding import rolled_diameter_mm, spiral_length_mm, turns
from shared.lengths import Length

inches = Length.inches


# -- tubes --------------------------------------------------------------------------


def test_a_beam_of_a_handbook_sags_as_printed():
    """Engineering handbook page "beams supported at both ends", uniform load: 2.98 mm (R2, value C)."""
    assert sag_mm(6, 5000, 200_000, 81_960_000) == pytest.approx(2.97878, abs=5e-6)


def test_sag_agrees_with_the_beam_equation_integrated_numerically():
    """E I y'' = M(x), M = w x (L − x) / 2, y = 0 at both ends: statics, nothing quoted (C)."""
    load, span, e, inertia = 0.010, 2400.0, 69_000.0, 28_928.0
    x = numpy.linspace(0, span, 200_001)
    step = x[1]
    curvature = load * x * (span - x) / 2 / (e * inertia)
    slope = numpy.concatenate([[0], numpy.cumsum((curvature[1:] + curvature[:-1]) / 2) * step])
    y = numpy.concatenate([[0], numpy.cumsum((slope[1:] + slope[:-1]) / 2) * step])
    y -= x / span * y[-1]

    assert sag_mm(load, span, e, inertia) == pytest.approx(-y.min(), rel=1e-6)


@pytest.mark.parametrize(("span", "sag"), [(1800, 0.685), (2400, 2.164), (3000, 5.284)])
def test_a_tube_of_38_mm_sags_as_computed_by_hand(span: float, sag: float):
    """5 w L⁴ / (384 E I) (handbook formula, R2): D 38.1, wall 1.5, E 69 000 MPa, w 0.010 N/mm (constructed, C)."""
    assert sag_mm(0.010, span, 69_000, tube_inertia_mm4(38.1, 1.5)) == pytest.approx(sag, abs=0.0006)


def test_a_tubes_inertia_is_that_of_its_ring():
    """I = π (D⁴ − d⁴) / 64: 28 928 mm⁴ for 38.1 × 1.5 (C), and ∫ y² dA over the ring."""
    radii = numpy.linspace(19.05 - 1.5, 19.05, 20_001)[:-1] + 1.5 / 40_000
    by_rings = float(numpy.sum(math.pi * radii**3) * 1.5 / 20_000)  # ∫ π r³ dr

    assert round(tube_inertia_mm4(38.1, 1.5)) == 28_928
    assert tube_inertia_mm4(38.1, 1.5) == pytest.approx(by_rings, rel=1e-6)


def test_a_kilogram_weighs_standard_gravity():
    """9.80665 m/s² exactly: 3rd General Conference on Weights and Measures, 1901 (M, certain)."""
    assert load_n_per_mm(1000, 2) == pytest.approx(9.80665 / 2)


# -- winding ------------------------------------------------------------------------


def test_cloth_rolls_up_by_the_area_rule():
    """Web handling: D = √(d² + 4 t L / π); d 38, t 0.5, L 2000 → 52.127 mm, 14.127 turns (R formula, C)."""
    assert rolled_diameter_mm(38, 0.5, 2000) == pytest.approx(52.127, abs=5e-4)
    assert turns(38, 0.5, 2000) == pytest.approx(14.127, abs=5e-4)


def test_the_exact_spiral_agrees_to_six_millionths():
    """Arc length of an Archimedean spiral between the radii: 2000.013 mm (C)."""
    assert spiral_length_mm(38, 0.5, rolled_diameter_mm(38, 0.5, 2000)) == pytest.approx(2000.013, abs=5e-4)


# -- cloth, vanes -------------------------------------------------------------------


def test_a_cut_goes_up_to_whole_repeats():
    """Raw 88, repeat 27 → 108 in; 5 × 108 = 540 in = 15 yd (definition R; numbers constructed, C)."""
    cut = up_to_repeat(inches(88), inches(27))

    assert cut == inches(108)
    assert cut * 5 == inches(36 * 15)


def test_vanes_cover_their_track():
    """Track 96, vane 3 1/2, overlap 3/8 → 31, covering 97 1/4; 30 would cover 94 1/8 (geometry, C)."""
    vane, pitch = inches("7/2"), inches("25/8")

    assert vane_count(inches(96), vane, pitch) == 31
    assert coverage(31, vane, pitch) == inches("389/4")
    assert coverage(30, vane, pitch) == inches("753/8") < inches(96)
