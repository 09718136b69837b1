"""
The second pair of eyes: which readings look like slips of the tape or the hand.

The readings of one opening say the same thing several times over. Three widths tell its taper
and its bow, three heights likewise, and two diagonals must fit both: in any quadrilateral the
squares of the diagonals add up to those of the four sides, but for a term of second order.
Each slip a measurer can make (a whole inch, two digits swapped, the case forgotten ..) is a
hypothesis: undo it, and see how much better the readings then go together. A slip is named
where that gain outweighs how rare the slip is. Taper and bow have a table of their own each,
apart from what the diagonals allow, so a crooked opening whose diagonals agree is no blunder.

How crooked an opening may be depends on its house. Two kinds are weighed, a straight one and a
crooked one, each with its tables (by the tape's grid), and the likelier one counts: what the
other openings of the job are like is evidence for one of them. A size that comes back in the job
is a frame of the same maker, and evidence about the sizes of this opening.

Everything is decided in integers (hundredths of a nat, from rules-table.json), so that the page's
script decides alike. No reading is ever changed.

References
----------
.. [1] Parallelogram law, and for other quadrilaterals Euler's: the four squared sides are the
       two squared diagonals plus four times the squared line between the diagonals' midpoints.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import isqrt
from typing import Final, NamedTuple

from measuring.rules.families import DIAGONALS, GRID, HEIGHTS, TABLE, WIDTHS, named, shown
from measuring.rules.finding import Finding, finding
from measuring.rules.opening import Opening

_TABLE: Final = TABLE["misreads"]
_STEP: Final[int] = _TABLE["step"]
_HOUSE: Final[dict[str, int]] = _TABLE["house"]
_ALIKE: Final[dict[str, int]] = _TABLE["alike"]
_SLIPS: Final[dict[str, dict[str, int]]] = _TABLE["slips"]
_LIKELIEST: Final = max(max(row.values()) for row in _SLIPS.values())
_LIKELIEST_SET: Final = max(row["set"] for row in _SLIPS.values())
_THRESHOLD: Final[dict[str, dict[str, int]]] = _TABLE["threshold"]

_FIELDS: Final = (*WIDTHS, *HEIGHTS, *DIAGONALS)
_SETS: Final = {"widths": (0, 1, 2), "heights": (3, 4, 5), "diagonals": (6, 7)}
_SET_OF: Final = ("widths",) * 3 + ("heights",) * 3 + ("diagonals",) * 2

Readings = list[int | None]
"""Ticks by spot, in the order of `_FIELDS`; None where nothing was read."""


@dataclass(frozen=True, slots=True)
class Tools:
    """What the measurer worked with: the grid, and lengths that can be forgotten, in ticks."""

    unit: str
    grid: int
    case: int | None
    cased: frozenset[str]
    laser: int | None


@dataclass(frozen=True, slots=True)
class Shape:
    """What an opening's own shape costs in one kind of house, by steps off the straight."""

    taper: Sequence[int]
    bow: Sequence[int]
    lean: Sequence[int]
    square: Sequence[int]
    near: int
    """How far openings of one frame may differ, in ticks."""


def _shape(unit: str, house: str) -> Shape:
    rows = _TABLE["shapes"][unit]
    kind = {name: list(accumulate(rows[house][name])) for name in ("taper", "bow", "lean")}
    return Shape(**kind, square=list(accumulate(rows["square"])), near=_ALIKE[house])


_SHAPES: Final = {
    unit: (_shape(_TABLE["shape_of"][unit], "straight"), _shape(_TABLE["shape_of"][unit], "crooked"))
    for unit in _TABLE["shape_of"]
}
"""By unit: the shape in a straight house, and in a crooked one."""


class Alike(NamedTuple):
    """What another opening of the job has to say: its size in ticks, how crooked it is, and if it is in the room."""

    size: tuple[int, int] | None
    crooked: int
    is_near: bool


class Guess(NamedTuple):
    """One slip undone: what these spots would read, and how rare the slip is."""

    slip: str
    spots: tuple[int, ...]
    would_be: tuple[int, ...]
    rarity: int


def misreads(opening: Opening, alikes: Iterable[Opening] = ()) -> list[Finding]:
    """
    Findings ``misread`` for the readings that look like slips.

    Parameters
    ----------
    opening
        Its readings as they count; a size chosen has nothing to doubt.
    alikes
        Other openings of the job. Those of the same room, and sizes that come back in the job, that
        agree with this one in width or height (or crosswise) are taken for look-alikes, and are
        evidence about the rest. All are evidence of how crooked the house is.

    Returns
    -------
    list[Finding]
        At most two slips, likeliest first; one finding per reading, each with `slip` and
        `would_be`, the length it would then be, as text in the opening's unit. Where a slip is as
        likely in one reading as in another, each of them has its finding.

    Examples
    --------
    >>> doc = {"id": "A", "family": "slat", "mount": "inside",
    ...        "widths": {"top": "35 1/4", "middle": "53 1/4", "bottom": "35 3/8"},
    ...        "heights": {"left": "60", "center": "60", "right": "60 1/8"}}
    >>> for found in misreads(Opening.from_json(doc, "in")):
    ...     print(found.field, found.more["slip"], found.more["would_be"])
    widths.middle digits 35 1/4
    >>> doc = {**doc, "family": "roller", "widths": {"top": "35", "bottom": "36"}}
    >>> [(found.field, found.more["would_be"]) for found in misreads(Opening.from_json(doc, "in"))]
    [('widths.top', '36'), ('widths.bottom', '35')]
    """
    readings: Readings = [opening.readings.get(spot) for spot in _FIELDS]
    job = [alike(other, is_near=other.room == opening.room) for other in alikes]
    return doubts_of(readings, opening, job)


def doubts_of(readings: Readings, opening: Opening, job: Sequence[Alike]) -> list[Finding]:
    """`misreads`, from what the job's other openings have to say; `readings` is changed."""
    others = look_alikes(readings, evident_sizes(job))
    crooked = max(-_HOUSE["most"], min(_HOUSE["most"], sum(one.crooked for one in job)))
    tools = Tools(opening.unit, GRID[opening.unit], opening.case_ticks, opening.cased, opening.laser_ticks)
    doubts: list[Finding] = []
    doubted: set[int] = set()
    for _ in range(_TABLE["most"]):
        guesses = likeliest(readings, tools, others, crooked)
        spots = {spot for guess in guesses for spot in guess.spots}
        if not guesses or doubted & spots:
            break
        for guess in guesses:
            doubts.extend(_doubts(guess, readings, tools.unit, bool(others)))
        doubted |= spots
        for spot, ticks in zip(guesses[0].spots, guesses[0].would_be, strict=True):
            readings[spot] = ticks
    return doubts


def likeliest(
    readings: Readings, tools: Tools, others: Sequence[tuple[int, int]] = (), crooked: int = 0
) -> tuple[Guess, ...]:
    """
    The slip that explains the readings best; none where the opening itself explains them better.

    Several where a slip in one reading explains them as well as one in another: which of the two
    is at fault nothing tells.

    Either kind of house may explain them, with or without a slip; `crooked` is what the rest of
    the job says for the crooked one, in hundredths of a nat.
    """
    kinds = [(_SHAPES[tools.unit][0], 0), (_SHAPES[tools.unit][1], _HOUSE["prior"] + crooked)]
    weighed = [_weighed(readings, tools, others, shape) for shape, _ in kinds]
    score = max(sum(costs) + prior for costs, (_, prior) in zip(weighed, kinds, strict=True))
    score += _THRESHOLD[tools.unit]["one" if _has_diagonals(readings) else "bare"]
    best: tuple[Guess, ...] = ()
    for (shape, prior), (across, down, agreement) in zip(kinds, weighed, strict=True):
        weigh = _Scale(readings, tools.grid, others, shape, across, down)
        best, found = _better(weigh, tools, agreement, best, score - prior)
        score = found + prior
    return best


def _weighed(readings: Readings, tools: Tools, others: Sequence[tuple[int, int]], shape: Shape) -> tuple[int, int, int]:
    """What widths and heights cost as they were read, and what they have against diagonals and look-alikes."""
    return (
        _side(shape, readings[0], readings[1], readings[2]),
        _side(shape, readings[3], readings[4], readings[5]),
        _diagonals(shape, readings, tools.grid) + (_unlike(shape.near, readings, others) if others else 0),
    )


def _better(
    weigh: _Scale, tools: Tools, agreement: int, best: tuple[Guess, ...], score: int
) -> tuple[tuple[Guess, ...], int]:
    """
    The best guesses in one kind of house, where they beat the score, and their score.

    A slip in one set can't mend what the other sets have against each other, and the same slip in
    a whole set only what the set has against the rest: what can't win is not tried.
    """
    if score > _LIKELIEST:
        return best, score  # no slip could gain enough
    readings, others = weigh.readings, weigh.others
    kept = {"widths": weigh.down, "heights": weigh.across, "diagonals": weigh.across + weigh.down}
    for name in sorted(_SETS, key=lambda name: -kept[name]):
        if _LIKELIEST + kept[name] >= score:
            best, score = weigh.better(_in_one(readings, name, tools), best, score)
    if agreement < _LIKELIEST_SET:
        best, score = weigh.better(_in_sets(readings, tools, bool(others)), best, score)
    return weigh.better(_crosswise(readings, bool(others)), best, score)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Weighs guesses about the same readings; `across` and `down` are what their sides cost as read."""

    readings: Readings
    grid: int
    others: Sequence[tuple[int, int]]
    shape: Shape
    across: int
    down: int

    def better(self, tried: Iterable[Guess], best: tuple[Guess, ...], score: int) -> tuple[tuple[Guess, ...], int]:
        """The best of `best` and the guesses tried, and its score; of equals the first, and its rivals."""
        readings = self.readings
        for guess in tried:
            _, spots, would_be, rarity = guess
            room = rarity - score
            if room < 0:
                continue
            changed = readings.copy()
            for spot, ticks in zip(spots, would_be, strict=True):
                changed[spot] = ticks
            first, last = spots[0], spots[-1]
            room += self.across if first > 2 else _side(self.shape, changed[0], changed[1], changed[2])
            if room < 0:
                continue  # no penalty is above zero, so the rest can't help
            room += self.down if last < 3 or first > 5 else _side(self.shape, changed[3], changed[4], changed[5])
            if room < 0:
                continue
            room += _diagonals(self.shape, changed, self.grid)
            if self.others:
                room += _unlike(self.shape.near, changed, self.others)
            if room > 0:
                best, score = (guess,), score + room
            elif room == 0 and _is_rival(guess, best):
                best += (guess,)
        return best, score


def _is_rival(guess: Guess, best: tuple[Guess, ...]) -> bool:
    """Whether it blames one other reading than the best guesses, which blame one each."""
    spots = [one.spots for one in best]
    return bool(best) and len(guess.spots) == len(spots[0]) == 1 and guess.spots not in spots


# -- how well readings go together ---------------------------------------------------


def _side(shape: Shape, first: int | None, middle: int | None, last: int | None) -> int:
    """Taper and bow of three parallel readings."""
    if first is None or last is None:
        end = last if first is None else first
        if end is None or middle is None:
            return 0
        return _at(shape.taper, abs(end - middle) * 2 // _STEP)
    total = _at(shape.taper, abs(last - first) // _STEP)
    if middle is not None:
        total += _at(shape.bow, abs(2 * middle - first - last) // (2 * _STEP))
    return total


def _at(row: Sequence[int], off: int) -> int:
    return row[off] if off < len(row) else row[-1]


def _diagonals(shape: Shape, readings: Readings, grid: int) -> int:
    """Whether the diagonals belong to the sides, and how far the opening would lean."""
    rising, falling = readings[6], readings[7]
    if rising is None or falling is None:
        return 0
    ends = _six(readings, grid)
    if ends is None:
        return 0
    top, bottom, left, right, rising, falling = ends
    up, across = rising * rising, falling * falling
    off = up + across - top * top - bottom * bottom - left * left - right * right
    total = _at(shape.square, abs(off) // (2 * (rising + falling)) // _STEP)
    return total + _at(shape.lean, abs(up - across) // (2 * (top + bottom)) // _STEP)


def _six(readings: Readings, grid: int) -> tuple[int, int, int, int, int, int] | None:
    """
    Four sides and two diagonals, each in the middle of the mark it was read down to.

    None where one of them has no reading at all.
    """
    half = grid // 2
    top, _, bottom, left, _, right, rising, falling = readings
    top = _ends(readings, 0) if top is None else top
    bottom = _ends(readings, 2) if bottom is None else bottom
    left = _ends(readings, 3) if left is None else left
    right = _ends(readings, 5) if right is None else right
    if top is None or bottom is None or left is None or right is None or rising is None or falling is None:
        return None
    return top + half, bottom + half, left + half, right + half, rising + half, falling + half


def excess(top: int, bottom: int, left: int, right: int, rising: int, falling: int) -> int:
    """
    Squared diagonals less squared sides, in square ticks; near zero when all are well read.

    Examples
    --------
    >>> excess(3, 3, 4, 4, 5, 5)
    0
    """
    sides = top * top + bottom * bottom + left * left + right * right
    return rising * rising + falling * falling - sides


def _ends(readings: Readings, spot: int) -> int | None:
    """The reading at this end of a side, or the nearest one read in its stead."""
    if readings[spot] is not None:
        return readings[spot]
    first = spot // 3 * 3
    for other in (first + 1, first, first + 2):
        if readings[other] is not None:
            return readings[other]
    return None


# -- look-alikes -----------------------------------------------------------------------


def middle_size(opening: Opening) -> tuple[int, int] | None:
    """The middle one of its widths and of its heights, in ticks; None where either was not read."""
    readings: Readings = [opening.readings.get(spot) for spot in _FIELDS]
    width, height = _median(readings, 0), _median(readings, 3)
    return None if width is None or height is None else (width, height)


def alike(opening: Opening, *, is_near: bool) -> Alike:
    """What an opening has to say about the others of its job; `is_near`: of the same room."""
    readings: Readings = [opening.readings.get(spot) for spot in _FIELDS]
    return Alike(middle_size(opening), _crooked(readings, opening.unit), is_near)


def _crooked(readings: Readings, unit: str) -> int:
    """How much likelier a crooked house is to have this opening; a slip in it says no more than so much."""
    straight, crooked = _SHAPES[unit]
    both = [
        _side(shape, *readings[0:3]) + _side(shape, *readings[3:6]) + _diagonals(shape, readings, GRID[unit])
        for shape in (crooked, straight)
    ]
    return max(-_HOUSE["each"], min(_HOUSE["each"], both[0] - both[1]))


def evident_sizes(job: Sequence[Alike]) -> list[tuple[int, int] | None]:
    """Sizes of the room, and those of the rest of the job that come back there."""
    near = _ALIKE["near"]
    sizes = [one.size for one in job if one.size is not None]
    return [
        one.size
        for one in job
        if one.is_near
        or (
            one.size is not None
            and sum(abs(size[0] - one.size[0]) <= near and abs(size[1] - one.size[1]) <= near for size in sizes) > 1
        )
    ]


def _median(readings: Readings, first: int) -> int | None:
    read = sorted(ticks for ticks in readings[first : first + 3] if ticks is not None)
    return read[len(read) // 2] if read else None


def look_alikes(readings: Readings, sizes: Iterable[tuple[int, int] | None]) -> list[tuple[int, int]]:
    """The sizes that share a width or a height with these readings, straight or crosswise."""
    width, height = _median(readings, 0), _median(readings, 3)
    if width is None or height is None:
        return []
    near = _ALIKE["near"]
    return [
        size
        for size in sizes
        if size is not None
        and (
            abs(size[0] - width) <= near
            or abs(size[1] - height) <= near
            or (abs(size[0] - height) <= near and abs(size[1] - width) <= near)
        )
    ]


def _unlike(near: int, readings: Readings, others: Sequence[tuple[int, int]]) -> int:
    """What it costs to be unlike the look-alikes, for width and for height."""
    total = 0
    for axis in (0, 1):
        own = _median(readings, 3 * axis)
        if own is None or any(abs(size[axis] - own) <= near for size in others):
            continue
        total += _ALIKE["more" if _agree(others, axis) else "one"]
    return total


def _agree(others: Sequence[tuple[int, int]], axis: int) -> bool:
    """Whether at least two look-alikes are there, and all of one mind."""
    values = [size[axis] for size in others]
    return len(values) > 1 and max(values) - min(values) <= _ALIKE["near"]


# -- the slips -------------------------------------------------------------------------


def _in_one(readings: Readings, name: str, tools: Tools) -> Iterator[Guess]:
    """Every slip undone in one reading of this set."""
    has_diagonals = _has_diagonals(readings)
    how = "one" if has_diagonals else "bare"
    for spot in _SETS[name]:
        ticks = readings[spot]
        if ticks is None or not (has_diagonals or _has_company(readings, spot)):
            continue
        for slip, would_be in undone(ticks, _FIELDS[spot], tools):
            if would_be > 0:
                yield Guess(slip, (spot,), (would_be,), _SLIPS[slip][how])
        for would_be in _fitting(readings, spot, tools.grid):
            if would_be > 0:
                slip = _slip_named(would_be, readings, spot)
                yield Guess(slip, (spot,), (would_be,), _SLIPS[slip][how])


def _has_diagonals(readings: Readings) -> bool:
    return readings[6] is not None and readings[7] is not None


def _has_company(readings: Readings, spot: int) -> bool:
    return sum(readings[other] is not None for other in _SETS[_SET_OF[spot]]) > 1


def undone(ticks: int, field: str, tools: Tools) -> Iterator[tuple[str, int]]:
    """What a reading would be with one slip undone, slip by slip, on the tape's grid."""
    steps = _TABLE["steps"][tools.unit]
    for slip in ("inch", "foot", "half"):
        yield slip, ticks + steps[slip]
        yield slip, ticks - steps[slip]
    yield "first_inch", ticks - steps["first_inch"]
    for other in _digits_swapped(ticks, tools.unit):
        yield "digits", other
    whole = steps["whole"]
    part = ticks % whole
    if part and 2 * part != whole:
        yield "side", ticks - part + (whole - part) // tools.grid * tools.grid
    yield from _forgotten(ticks, field, tools)
    yield "cm", ticks * 50 // 127 // tools.grid * tools.grid
    yield "cm", ticks * 127 // 50 // tools.grid * tools.grid


def _forgotten(ticks: int, field: str, tools: Tools) -> Iterator[tuple[str, int]]:
    if tools.case is not None:
        yield "case_twice", ticks - tools.case
        if field not in tools.cased:
            yield "case_forgotten", ticks + tools.case
    if tools.laser is not None:
        yield "laser_forgotten", ticks + tools.laser
        yield "laser_twice", ticks - tools.laser
    if tools.case is None and tools.laser is None:
        for case in _TABLE["usual_cases"][tools.unit]:
            yield "usual_case", ticks + case
            yield "usual_case", ticks - case


def _digits_swapped(ticks: int, unit: str) -> Iterator[int]:
    """Neighbouring digits of the whole inches (or of the millimetres) swapped."""
    per = TABLE["misreads"]["per_whole"][unit]
    whole, rest = ticks // per, ticks % per
    low = 1
    while low * 10 <= whole:
        right, left = whole // low % 10, whole // (low * 10) % 10
        if right != left:
            yield (whole + (right - left) * low * 9) * per + rest
        low *= 10


def _fitting(readings: Readings, spot: int, grid: int) -> Iterator[int]:
    """What the other readings say this one should be: from its own set, and from the diagonals."""
    if spot < 6:
        first = spot // 3 * 3
        company = [readings[n] for n in (first, first + 1, first + 2) if n != spot]
        read = [ticks for ticks in company if ticks is not None]
        if read:
            yield _nearest(sum(read) // len(read), grid)
    implied = _implied(readings, spot, grid)
    if implied is not None:
        yield _nearest(implied, grid)


def _nearest(ticks: int, grid: int) -> int:
    return (2 * ticks + grid) // (2 * grid) * grid


def _implied(readings: Readings, spot: int, grid: int) -> int | None:
    """What the diagonals (or for a diagonal, the sides) say this reading should be."""
    six, own = _six(readings, grid), readings[spot]
    if six is None or own is None or spot in (1, 4):
        return None
    half = grid // 2
    off = excess(*six)
    squared = (own + half) ** 2 + (-off if spot > 5 else off)
    return isqrt(squared) - half if squared > 0 else None


def _slip_named(would_be: int, readings: Readings, spot: int) -> str:
    """A reading that belongs to the other direction was swapped; else nobody knows."""
    if spot > 5:
        return "unknown"
    other = (3, 4, 5) if spot < 3 else (0, 1, 2)
    own, near = readings[spot] or 0, _ALIKE["near"]
    for n in other:
        ticks = readings[n]
        if ticks is not None and abs(ticks - own) <= near < abs(would_be - own):
            return "swapped"
    return "unknown"


def _in_sets(readings: Readings, tools: Tools, has_alikes: bool) -> Iterator[Guess]:
    """The same slip in all readings of a set, and in all readings of the opening."""
    every: dict[str, list[Guess]] = {}
    for name, spots in _SETS.items():
        read = tuple(spot for spot in spots if readings[spot] is not None)
        if not read or (name == "diagonals" and len(read) < 2):
            continue
        for guess in _in_set(readings, read, tools):
            yield guess
            every.setdefault(guess.slip, []).append(guess)
        shifted = _shifted(readings, name, read, tools.grid)
        if shifted is not None:
            yield Guess("unknown", read, shifted, _SLIPS["unknown"]["set"])
    if has_alikes:
        yield from _everywhere(every)


def _in_set(readings: Readings, spots: tuple[int, ...], tools: Tools) -> Iterator[Guess]:
    columns = [list(undone(readings[spot] or 0, _FIELDS[spot], tools)) for spot in spots]
    for slip, turns in _by_slip(columns).items():
        for would_be in turns:
            if min(would_be) > 0:
                yield Guess(slip, spots, would_be, _SLIPS[slip]["set"])


def _by_slip(columns: Sequence[Sequence[tuple[str, int]]]) -> dict[str, list[tuple[int, ...]]]:
    """The n-th way of each slip in every reading of a set; a slip some reading lacks is left out."""
    split: list[dict[str, list[int]]] = []
    for column in columns:
        ways: dict[str, list[int]] = {}
        for slip, would_be in column:
            ways.setdefault(slip, []).append(would_be)
        split.append(ways)
    out = {}
    for slip in split[0]:
        if all(slip in ways for ways in split):
            out[slip] = list(zip(*(ways[slip] for ways in split), strict=False))
    return out


def _shifted(readings: Readings, name: str, spots: tuple[int, ...], grid: int) -> tuple[int, ...] | None:
    """All of a set moved by what makes the diagonals fit."""
    six = _six(readings, grid)
    if six is None:
        return None
    top, bottom, left, right, rising, falling = six
    off = excess(*six)
    if name == "diagonals":
        moved = -off // (2 * (rising + falling))
    else:
        moved = off // (2 * (top + bottom if name == "widths" else left + right))
    moved = _nearest(moved, grid)
    would_be = tuple((readings[spot] or 0) + moved for spot in spots)
    return would_be if moved and min(would_be) > 0 else None


def _everywhere(every: dict[str, list[Guess]]) -> Iterator[Guess]:
    """A slip in widths, heights and diagonals alike: the n-th way of it in each set."""
    for slip in ("cm", "case_forgotten", "case_twice", "laser_forgotten", "laser_twice", "first_inch"):
        sets: dict[str, list[Guess]] = {}
        for guess in every.get(slip, []):
            sets.setdefault(_SET_OF[guess.spots[0]], []).append(guess)
        if len(sets) < 2:
            continue
        for ways in zip(*sets.values(), strict=False):
            spots = tuple(spot for guess in ways for spot in guess.spots)
            would_be = tuple(ticks for guess in ways for ticks in guess.would_be)
            yield Guess(slip, spots, would_be, _SLIPS[slip]["set"])


def _crosswise(readings: Readings, has_alikes: bool) -> Iterator[Guess]:
    """One width and one height in each other's place, or all of them."""
    for width in (0, 1, 2):
        for height in (3, 4, 5):
            across, down = readings[width], readings[height]
            if across is not None and down is not None and across != down:
                yield Guess("swapped", (width, height), (down, across), _SLIPS["swapped"]["one"])
    if has_alikes and all(ticks is not None for ticks in readings[:6]):
        turned = tuple(ticks or 0 for ticks in (*readings[3:6], *readings[:3]))
        yield Guess("swapped", (0, 1, 2, 3, 4, 5), turned, _SLIPS["swapped"]["set"])


# -- what is said ------------------------------------------------------------------------


def _doubts(guess: Guess, readings: Readings, unit: str, has_alikes: bool) -> Iterator[Finding]:
    words: dict[str, object] = {"slip": _TABLE["words"][unit][guess.slip]}
    sets = [name for name in _SETS if any(_SET_OF[spot] == name for spot in guess.spots)]
    code = "misread" if len(guess.spots) <= len(sets) else "misread_set"
    if code == "misread_set":
        words["set"] = " and ".join(sets)
        words["evidence"] = "the other openings or the diagonals" if has_alikes else "the diagonals"
        if "diagonals" in sets:
            words["evidence"] = "the sides"
    elif guess.slip == "unknown":
        code = "misread_unknown"
    for spot, would_be in zip(guess.spots, guess.would_be, strict=True):
        doubt = finding(
            code,
            _FIELDS[spot],
            read=named(readings[spot] or 0, unit),
            would_be=named(would_be, unit),
            **words,
        )
        more = {"slip": guess.slip, "would_be": shown(would_be, unit)}
        yield dataclasses.replace(doubt, code="misread", more=more)
