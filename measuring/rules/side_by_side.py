"""Several units in one opening: where they part, what is kept between them, and the order width of each."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from measuring.rules.families import GRID, TABLE, named
from measuring.rules.finding import Finding, finding
from measuring.rules.fit import ProductFit
from measuring.rules.opening import Opening
from measuring.rules.sizing import cloth_extra

_WHY: Final = TABLE["steps"]
_FINE: Final[Mapping[str, int]] = TABLE["about_grid"]


@dataclass(frozen=True, slots=True)
class SideBySide:
    """
    How units share one opening; lengths in ticks.

    Parameters
    ----------
    count
        Units side by side, 1 or more.
    between
        Kept between two of them; below 0 they lap by so much.
    split
        Order width of each unit from the left, where somebody chose them.
    mullions
        From the left edge of the opening (of a bay's wall) to the center of each mullion, where they part on those.
    """

    count: int = 1
    between: int = 0
    split: tuple[int, ...] = ()
    mullions: tuple[int, ...] = ()

    @property
    def joints(self) -> int:
        """What is kept between all of them together; below 0 where they lap."""
        return self.between * (self.count - 1)


@dataclass(frozen=True, slots=True)
class Share:
    """The order width of one unit, in ticks, and how it came about."""

    ticks: int
    why: str


def shares(side: SideBySide, opening: Opening, width: int) -> list[Share]:
    """
    The order width of each unit, from the left: as given, on the mullions, else in equal parts.

    Parameters
    ----------
    opening
        Its mount and covers say where the covering begins, from which mullions are taken.
    width
        The order width of the whole, in ticks.

    Returns
    -------
    list[Share]
        With what is kept between they add up to `width` exactly. Equal parts stand on the tape's grid; what is left
        over goes to the first ones. Widths or mullions that do not fit the width count for nothing: see
        `side_findings`.

    References
    ----------
    .. [1] What is kept between: common practice of the trade, no published source.

    Examples
    --------
    >>> doc = {"id": "A", "family": "slat", "mount": "outside", "chosen": {"width": "90", "height": "60"}}
    >>> opening = Opening.from_json(doc, "in")
    >>> [one.ticks / 8128 for one in shares(SideBySide(2, 1016), opening, 90 * 8128)]
    [45.0, 44.875]
    >>> [one.ticks / 8128 for one in shares(SideBySide(2, 1016, mullions=(30 * 8128,)), opening, 90 * 8128)]
    [29.9375, 59.9375]
    """
    if side.count == 1:
        return [Share(width, "")]
    unit = opening.unit
    if side.split and not _misfit(side, opening, width):
        return [Share(ticks, _WHY["share_given"]) for ticks in side.split]
    if side.mullions and not _misfit(side, opening, width):
        between = named(abs(side.between), unit)
        why = _WHY["share_mullions_lap" if side.between < 0 else "share_mullions"].format(between=between)
        return [Share(ticks, why) for ticks in _on_mullions(side, opening, width)]
    grid, room = GRID[unit], width - side.joints
    base = room // side.count // grid * grid
    rest = room - base * side.count
    found = [base + grid if at < rest // grid else base for at in range(side.count)]
    found[0] += rest % grid
    found = [max(one, grid) for one in found]
    code = "share" if not side.between else "share_gaps" if side.between > 0 else "share_laps"
    words = {"whole": named(width, unit), "count": side.count, "joints": side.count - 1}
    why = _WHY[code].format(**words, between=named(abs(side.between), unit))
    return [Share(ticks, why) for ticks in found]


def _on_mullions(side: SideBySide, opening: Opening, width: int) -> list[int]:
    """Each unit reaches half of what is kept between short of a mullion's center, or past it where they lap."""
    fine, begins = _FINE[opening.unit], left_of_opening(opening)
    half = side.between // 2 // fine * fine
    at, found = 0, []
    for mullion in side.mullions:
        found.append(mullion + begins - half - at)
        at = mullion + begins - half + side.between
    return [*found, width - at]


def left_of_opening(opening: Opening) -> int:
    """Ticks that the covering begins left of the opening, or of its bay's wall; below 0 right of it."""
    if opening.mount == "inside" or opening.chosen is not None:
        return 0
    if opening.bay is not None:
        back = opening.bay.backs.get("left")
        return -back.ticks if back else 0
    fine = _FINE[opening.unit]
    covered = (opening.cover or {}).get("left", 0)
    return covered + cloth_extra(opening) // 2 // fine * fine


def _misfit(side: SideBySide, opening: Opening, width: int) -> tuple[str, dict[str, object]] | None:
    """What is wrong with the widths or mullions given: a finding's code and words."""
    unit = opening.unit
    if side.split:
        if len(side.split) != side.count:
            return "split_count", {"given": len(side.split), "count": side.count}
        room = width - side.joints
        if sum(side.split) != room:
            return "split", {"given": named(sum(side.split), unit), "room": named(max(room, 0), unit)}
        return None
    if not side.mullions:
        return None
    if len(side.mullions) != side.count - 1:
        return "mullion_count", {"given": len(side.mullions), "count": side.count, "need": side.count - 1}
    narrowest = min(_on_mullions(side, opening, width))
    return ("mullion_out", {}) if narrowest < GRID[unit] else None


def side_findings(side: SideBySide, opening: Opening, width: int, product: ProductFit) -> Iterator[Finding]:
    """Widths or mullions that do not fit, and the light between two cloths."""
    if side.count == 1:
        return
    wrong = _misfit(side, opening, width)
    if wrong is not None:
        yield finding(wrong[0], "mullions" if wrong[0].startswith("mullion") else "split", **wrong[1])
    if width - side.joints < side.count * GRID[opening.unit]:
        yield finding("side_full", "units_wanted", count=side.count, x=named(width, opening.unit))
    if side.between >= 0 and product.gaps and TABLE["families"][product.family]["shows_light_gap"]:
        sides = sorted(product.gaps.values())
        words = {
            "least": named(2 * sides[0] + side.between, opening.unit),
            "most": named(2 * sides[-1] + side.between, opening.unit),
        }
        yield finding("joint_light", "units_wanted", what=product.name, **words)
