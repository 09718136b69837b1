"""Order sizes from readings, with every step that led there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from measuring.rules.families import GRID, HEIGHTS, SHAPES, SIDES, TABLE, WALL, WIDTHS, shown
from measuring.rules.opening import Bay, Opening
from measuring.rules.shapes import RISE, box, is_figure
from shared.lengths import Length

OPENING_SIZE: Final = "opening size"
FINISHED_SIZE: Final = "finished size"
_WHY: Final[Mapping[str, str]] = TABLE["steps"]


@dataclass(frozen=True, slots=True)
class Step:
    """One line of a derivation: what, from which readings or steps, how much, why."""

    what: str
    of: tuple[str, ...]
    ticks: int
    why: str

    def to_json(self, unit: str) -> dict[str, object]:
        """The contract's step."""
        return {"what": self.what, "from": list(self.of), "value": shown(self.ticks, unit), "why": self.why}


@dataclass(frozen=True, slots=True)
class OrderSize:
    """What the covering is ordered at, and how that was reached."""

    width: Length
    height: Length
    basis: str
    cut_height: Length
    """The height cloth is cut for; the order height where the family has no rule of its own."""
    steps: tuple[Step, ...]

    def to_json(self, unit: str) -> dict[str, object]:
        """The contract's keys of a size."""
        width, height = self.width.ticks, self.height.ticks
        return {
            "order_width": shown(width, unit),
            "order_height": shown(height, unit),
            "basis": self.basis,
            "ticks": {"width": width, "height": height},
            "steps": [step.to_json(unit) for step in self.steps],
        }


def order_size(opening: Opening) -> OrderSize:
    """
    The order size of an opening, by the row of its family and mount.

    Inside, the opening's own size is recorded and nothing is deducted: the width at the top
    only (roller, solar, sheer, vertical) or the narrowest of three; the shortest or the longest
    height. Outside, covers and the family's extra for cloth go on the widest and longest
    reading, or the size chosen at the opening is the order size.

    Parameters
    ----------
    opening
        With the readings its rule needs; `read_opening` has refused it otherwise.

    Returns
    -------
    OrderSize
        Exact lengths. Readings have gone down to the grid; covers and extras are added as given.

    References
    ----------
    .. [1] Common practice of the trade, no published source: rules-table.json.

    Examples
    --------
    >>> doc = {"id": "A", "family": "roller", "mount": "inside",
    ...        "widths": {"top": "35 3/8", "middle": "35 1/4", "bottom": "35 5/16"},
    ...        "heights": {"left": "60", "center": "60 1/8", "right": "60 1/4"}}
    >>> size = order_size(Opening.from_json(doc, "in"))
    >>> size.width.text(), size.height.text(), size.cut_height.text()
    ('35 3/8', '60', '60 1/4')
    """
    if opening.chosen is not None:
        return _chosen(opening)
    steps = _readings(opening)
    if opening.mount == "inside":
        return _inside(opening, steps)
    return _outside(opening, steps)


def _readings(opening: Opening) -> list[Step]:
    """A step for each reading that does not count as it was typed."""
    steps: list[Step] = []
    taken, unit = opening.taken, opening.unit
    for spot, counts in opening.readings.items():
        read, ticks = taken[spot], opening.first(spot) if spot in opening.again else counts
        if ticks == read:
            continue
        if spot not in opening.cased:
            steps.append(Step(spot, (spot,), ticks, _WHY["down"].format(read=shown(read, unit))))
            continue
        case = opening.case_ticks or 0
        why = _WHY["cased" if ticks == read + case else "cased_down"]
        why = why.format(read=shown(read, unit), case=shown(case, unit))
        steps.append(Step(spot, (spot, "tape_case.length"), ticks, why))
    return steps + _of_two(opening) if opening.again else steps


def _of_two(opening: Opening) -> list[Step]:
    """Which counts of two readings of one spot that are not the same."""
    steps = []
    for spot, counts in opening.readings.items():
        if spot not in opening.again or opening.first(spot) == opening.second(spot):
            continue
        both = {"first": opening.first(spot), "second": opening.second(spot)}
        words = {name: shown(ticks, opening.unit) for name, ticks in both.items()}
        which = "lower" if opening.mount == "inside" and spot in WIDTHS else "first"
        steps.append(Step(spot, (spot, f"again.{spot}"), counts, _WHY[f"again_{which}"].format(**words)))
    return steps


def _pick(readings: Mapping[str, int], spots: tuple[str, ...], which: str) -> tuple[str, int]:
    """The spot that counts and its ticks; the first one where several read alike."""
    read = [(spot, readings[spot]) for spot in spots if spot in readings]
    if which == "top":
        return read[0]
    if which in ("narrowest", "shortest"):
        return min(read, key=_by_ticks)
    return max(read, key=_by_ticks)


def _by_ticks(pair: tuple[str, int]) -> int:
    return pair[1]


def _inside(opening: Opening, steps: list[Step]) -> OrderSize:
    rule, family = opening.rule, opening.family
    if is_figure(opening.shape):
        steps += _of_the_box(opening, "order width", "order height")
        width, height = steps[-2].ticks, steps[-1].ticks
        return OrderSize(Length(width), Length(height), OPENING_SIZE, Length(height), tuple(steps))
    width_at, width = _pick(opening.readings, WIDTHS, rule.width)
    _, height = _pick(opening.readings, HEIGHTS, rule.height)
    of = (width_at,) if rule.width == "top" else WIDTHS
    steps.append(Step("order width", of, width, _WHY[f"order_{rule.width}"].format(family=family)))
    steps.append(Step("order height", HEIGHTS, height, _WHY[f"order_{rule.height}"].format(family=family)))
    cut = height
    if rule.cloth is not None:
        cut_at, cut = _pick(opening.readings, HEIGHTS, rule.cloth)
        if cut != height:
            steps.append(Step("cloth height", (cut_at,), cut, _WHY["cloth_longest"]))
    return OrderSize(Length(width), Length(height), OPENING_SIZE, Length(cut), tuple(steps))


def _of_the_box(opening: Opening, across: str, down: str) -> list[Step]:
    """Width and height of a shape that is no rectangle: of the least rectangle round it."""
    found = box(opening.shape, opening.readings)
    words = {"shape": str(SHAPES[opening.shape]["name"])}
    how = "shape_height"
    if opening.shape == "arch":
        how, rise = "shape_legs", opening.readings[RISE]
        words = {"leg": shown(found.height - rise, opening.unit), "rise": shown(rise, opening.unit), **words}
    return [
        Step(across, found.width_of, found.width, _WHY["shape_width"].format(**words)),
        Step(down, found.height_of, found.height, _WHY[how].format(**words)),
    ]


def _widest_and_longest(opening: Opening) -> list[Step]:
    """Height last, and the width before it: of the opening, or what the corners of a bay leave of a wall."""
    if is_figure(opening.shape):
        return _of_the_box(opening, "widest width", "longest height")
    rule, family = opening.rule, opening.family
    height_at, height = _pick(opening.readings, HEIGHTS, rule.height)
    longest = Step("longest height", (height_at,), height, _WHY["longest"].format(family=family))
    if opening.bay is not None:
        return [*_between_corners(opening.bay), longest]
    width_at, width = _pick(opening.readings, WIDTHS, rule.width)
    return [Step("widest width", (width_at,), width, _WHY["widest"].format(family=family)), longest]


def _outside(opening: Opening, steps: list[Step]) -> OrderSize:
    family, unit = opening.family, opening.unit
    cover = opening.cover or {}
    steps += _widest_and_longest(opening)
    width, height = steps[-2].ticks, steps[-1].ticks
    steps += [
        Step(f"cover {side}", (f"cover.{side}",), cover[side], _WHY["cover"].format(side=side))
        for side in _covered(opening)
    ]
    over = min(opening.over_floor, height - GRID[unit])
    if over:
        words = {"floor": TABLE["floors"][opening.floor]["name"]}
        steps.append(Step("over the floor", ("floor",), over, _WHY["over_floor"].format(**words)))
    extra = cloth_extra(opening) if opening.bay is None else 0
    if extra:
        why = _WHY["cloth_extra" if opening.cloth_extra_ticks is None else "cloth_extra_given"]
        steps.append(Step("cloth extra", ("cloth_extra",), extra, why.format(family=family)))
    taken = {step.what for step in steps}
    if opening.bay is None:
        across = [("widest width", width)]
        across += [(f"cover {side}", cover[side]) for side in ("left", "right") if side in cover]
        across += [("cloth extra", extra)] if extra else []
    else:
        across = [("wall", opening.bay.wall)]
        across += [(f"set-back {side}", -back.ticks) for side, back in opening.bay.backs.items()]
    down = [("longest height", height)]
    down += [(f"cover {side}", cover[side]) for side in ("top", "bottom") if f"cover {side}" in taken]
    down += [("over the floor", -over)] if over else []
    steps.append(_sum("order width", across, unit, least=GRID[unit] if opening.bay else None))
    steps.append(_sum("order height", down, unit))
    total_width, total_height = Length(steps[-2].ticks), Length(steps[-1].ticks)
    return OrderSize(total_width, total_height, FINISHED_SIZE, total_height, tuple(steps))


def _covered(opening: Opening) -> list[str]:
    """The sides that it covers beyond the opening: none to the floor, and none that a corner ends."""
    ends = {"bottom"} if opening.floor else set()
    ends |= {"left", "right"} if opening.bay else set()
    return [side for side in SIDES if side in (opening.cover or {}) and side not in ends]


def _between_corners(bay: Bay) -> list[Step]:
    """The wall, corner to corner, and what its unit stops short of each corner."""
    steps = [Step("wall", (WALL,), bay.wall, _WHY["wall"])]
    for side, back in bay.backs.items():
        why = _WHY["set_back"].format(side=side, why=back.why)
        steps.append(Step(f"set-back {side}", (WALL,), back.ticks, why))
    return steps


def _sum(what: str, terms: list[tuple[str, int]], unit: str, least: int | None = None) -> Step:
    """The terms added up; no less than `least`, where there is one."""
    added = "".join([f"{' − ' if ticks < 0 else ' + '}{shown(abs(ticks), unit)}" for _, ticks in terms])[3:]
    ticks = sum([ticks for _, ticks in terms])
    return Step(what, tuple([name for name, _ in terms]), ticks if least is None else max(ticks, least), added)


def cloth_extra(opening: Opening) -> int:
    """Ticks added to an outside width because cloth is narrower than its unit: as given, or the family's."""
    if opening.cloth_extra_ticks is not None:
        return opening.cloth_extra_ticks
    return int(opening.rule.limits["cloth_extra"])


def _chosen(opening: Opening) -> OrderSize:
    assert opening.chosen is not None
    width, height = opening.chosen
    steps = (
        Step("order width", ("chosen.width",), width, _WHY["chosen"]),
        Step("order height", ("chosen.height",), height, _WHY["chosen"]),
    )
    return OrderSize(Length(width), Length(height), FINISHED_SIZE, Length(height), steps)
