"""Cloth on the roll: straight, turned or seamed; pattern repeat; widths by fullness."""

from __future__ import annotations

from fractions import Fraction
from math import ceil

from fabrication.rules.bench import Bench, Lay
from fabrication.rules.materials import Material
from fabrication.rules.model import CannotMake
from shared.lengths import ZERO, Length


def up_to_repeat(length: Length, repeat: Length | None) -> Length:
    """
    A cut length up to whole pattern repeats.

    Examples
    --------
    >>> str(up_to_repeat(Length.inches(88), Length.inches(27)))
    '108 in'
    """
    return length if not repeat else length.up(repeat)


def lay_cloth(bench: Bench, key: str, *, seam: Length = ZERO, grid: Length | None = None) -> Lay:
    """
    How the cloth of a part lies on the roll; kept on the bench.

    Straight where a roll is wide enough; else turned where the weave allows and the drop fits
    across the roll; else in seamed widths where the cloth may be seamed; else refused. What a room
    decided (``order.lay``) comes first. Cut lengths go up to the pattern's repeat, and the first
    piece of a room takes one repeat more to find the pattern's start.

    Raises
    ------
    CannotMake
        Naming the cloth and the widest it could be.
    """
    material = bench.material_of(key)
    width, length = bench.width(key), bench.length(key)
    repeat = material.facts.repeat
    lay = _lay(bench, material, width, up_to_repeat(length, repeat), seam, grid)
    if repeat and lay.kind != "turned":
        cut = up_to_repeat(length, repeat) + (repeat if bench.order.pattern_start else ZERO)
        why = f"up to the repeat of {bench.text(repeat)}: {bench.text(cut)}"
        why += ", one repeat to find its start" if bench.order.pattern_start else ""
        lay = Lay(lay.kind, lay.widths, lay.width, cut, f"{why}; {lay.why}".strip("; "), False)
    bench.lays[key] = lay
    bench.measures[f"{key}_joined"] = width
    bench.states.setdefault("lay", lay.kind)
    return lay


def _lay(bench: Bench, material: Material, width: Length, length: Length, seam: Length, grid: Length | None) -> Lay:
    roll = material.widest_roll()
    may_turn = material.facts.turning != "never" and not material.facts.repeat
    free = material.facts.turning == "free"
    if roll is None:
        return Lay(may_turn=free)
    turned_fits = may_turn and length <= roll
    if bench.order.lay == "turned" and may_turn:
        if not turned_fits:
            raise _too_wide(bench, material, "turned, its drop", length, roll)
        return Lay("turned", why="turned: the room's other cloth is turned")
    if width <= roll:
        return Lay(may_turn=free and turned_fits)
    if turned_fits and bench.order.lay != "straight":
        why = f"turned: {bench.text(width)} is wider than the roll ({bench.text(roll)})"
        return Lay("turned", why=why)
    if material.facts.seam:
        return _seamed(bench, width, roll, seam, grid)
    raise _too_wide(bench, material, "it", width, roll)


def _seamed(bench: Bench, width: Length, roll: Length, seam: Length, grid: Length | None) -> Lay:
    """Equal widths with a seam allowance between; the joined cloth is no narrower than asked."""
    if roll <= seam:
        raise CannotMake("width", f"a seam of {bench.text(seam)} leaves nothing of the roll", bench.text(roll))
    widths = ceil((width - seam).ratio(roll - seam))
    each = Length(ceil(Fraction((width + seam * (widths - 1)).ticks, widths)))
    each = min(each.up(grid), roll) if grid else each
    return Lay("seamed", widths, each, why=f"{widths} widths seamed, {bench.text(seam)} taken by each seam")


def _too_wide(bench: Bench, material: Material, what: str, size: Length, roll: Length) -> CannotMake:
    problem = f"{material.name}: {what} would need {bench.text(size)} of cloth across the roll"
    if material.facts.turning == "never":
        problem += "; it can't be turned"
    elif what.startswith("turned"):
        problem += "; seams across the drop are not reckoned with"
    return CannotMake("width", problem, f"at most {bench.text(roll)}")
