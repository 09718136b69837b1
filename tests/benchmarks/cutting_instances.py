"""Cut problems like those of a workroom, by seed: our own inventions, not copied benchmarks."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from random import Random

from fabrication.rules.cutting import BarPiece, BarProblem, BarStock, RollPiece, RollProblem, RollStock
from shared.lengths import EIGHTH, INCH, MM, QUARTER, SIXTEENTH, TICKS_PER_INCH, ZERO, Length

WINDOW_WIDTHS_IN = ((23, 4), (30, 6), (35, 7), (47, 6), (58, 8), (71, 9), (94, 8))
"""Middle and spread, in inches, of the sizes windows cluster at."""


def shade_widths(count: int, random: Random, grid: Length = EIGHTH) -> list[Length]:
    """Widths of shades: clusters around usual window sizes, alike within a house."""
    widths: list[Length] = []
    while len(widths) < count:
        middle, spread = random.choice(WINDOW_WIDTHS_IN)
        inches = min(max(random.gauss(middle, spread), 12), 118)
        width = Length(int(inches * TICKS_PER_INCH)).down(grid)
        widths.extend([width] * random.choice((1, 1, 1, 2, 2, 3)))
    return widths[:count]


def bars_of_one_stock(count: int, seed: int, stock_in: int = 216, grid: Length = EIGHTH) -> BarProblem:
    """So many pieces of one endless stock length, kerf 1/8 in, trim 1/4 in at each end."""
    widths = shade_widths(count, Random(seed), grid)
    return BarProblem((BarStock("new", INCH * stock_in),), _pieces(widths), EIGHTH, QUARTER, None, "in")


DAY_GROUPS = (  # name, which shades, what its parts are shorter than the shade by
    ("tube S", (0, 48), QUARTER * 5),
    ("tube M", (36, 84), QUARTER * 5),
    ("tube L", (84, 119), QUARTER * 5),
    ("rail A", (0, 72), EIGHTH),
    ("rail B", (60, 119), EIGHTH),
    ("bottom bar", (0, 119), EIGHTH * 11),
)


def shade_day(seed: int, shades: int = 400, offcuts: int = 30) -> dict[str, BarProblem]:
    """
    A day of shades: six materials, stock of 12, 16 and 18 ft, kerf, trim and offcuts of each.

    An offcut of 24 in or more is kept.
    """
    random = Random(seed)
    widths = shade_widths(shades, random)
    day = {}
    for name, (least, most), shorter in DAY_GROUPS:
        mine = [width - shorter for width in widths if INCH * least <= width < INCH * most]
        day[name] = BarProblem(
            _long_stock() + _offcuts(offcuts, random), _pieces(mine), EIGHTH, QUARTER, INCH * 24, "in"
        )
    return day


def _long_stock() -> tuple[BarStock, ...]:
    return tuple(BarStock(f"{feet} ft", INCH * (12 * feet)) for feet in (12, 16, 18))


def _offcuts(count: int, random: Random) -> tuple[BarStock, ...]:
    lengths = sorted(random.randint(24 * 16, 100 * 16) for _ in range(count))
    return tuple(BarStock(f"K{position}", SIXTEENTH * length, 1, True) for position, length in enumerate(lengths))


def _pieces(widths: list[Length]) -> tuple[BarPiece, ...]:
    counts = Counter(widths)
    return tuple(BarPiece(width.text(), width, counts[width]) for width in sorted(counts, reverse=True))


def small_bars(seed: int) -> BarProblem:
    """A problem small enough to enumerate: up to 7 pieces, a few stocks, plain integers."""
    random = Random(seed)
    longest = random.choice((10, 20, 30, 60))
    stock = [
        BarStock(
            f"s{position}",
            Length(random.randint(longest // 2, longest)),
            random.choice((None, None, 1, 2, 3)),
            random.random() < 0.3,
            None if random.random() < 0.8 else Fraction(random.randint(1, 4 * longest), 4),
        )
        for position in range(random.randint(1, 3))
    ]
    pieces: list[BarPiece] = []
    count, wanted = 0, random.randint(1, 7)
    while count < wanted:
        quantity = min(random.randint(1, 3), wanted - count)
        pieces.append(BarPiece(f"p{len(pieces)}", Length(random.randint(1, longest * 2 // 3)), quantity))
        count += quantity
    return BarProblem(
        tuple(stock),
        tuple(pieces),
        Length(random.choice((0, 0, 1, 2))),
        Length(random.choice((0, 0, 1))),
        random.choice((None, None, Length(random.randint(1, longest // 2)))),
    )


def panels(
    count: int, seed: int, roll_in: tuple[int, ...] = (118,), turn: bool = False, kerf: Length = ZERO
) -> RollProblem:
    """So many panels of cloth, on endless rolls of one or several widths."""
    random = Random(seed)
    sizes: Counter[tuple[Length, Length]] = Counter()
    narrowest = min(roll_in)
    while sum(sizes.values()) < count:
        width = random.choice(shade_widths(1, random, SIXTEENTH * 2))
        width = min(width, INCH * (narrowest - 4))
        inches = min(max(random.gauss(random.choice((42, 54, 66, 84)), 7), 20), 108)
        drop = Length(int(inches * TICKS_PER_INCH)).down(EIGHTH)
        sizes[width, drop] += min(random.choice((1, 1, 2, 3)), count - sum(sizes.values()))
    pieces = tuple(
        RollPiece(f"{width.text()} x {drop.text()}", width, drop, number, turn)
        for (width, drop), number in sorted(sizes.items(), reverse=True)
    )
    stock = tuple(
        RollStock(f"{width} in", INCH * width, price=None if len(roll_in) == 1 else Fraction(width))
        for width in roll_in
    )
    return RollProblem(stock, pieces, kerf, "in")


def rooms(
    count: int, rolls: int, seed: int, *, turn: bool = False, loose: int = 0, alike: bool = False, most: int = 6000
) -> RollProblem:
    """So many rooms, each of one dye lot, and `loose` panels of any, on finite rolls of at most `most` mm."""
    random = Random(seed)
    stock = []
    for position in range(rolls):
        width = 1180 if alike else random.choice((720, 980, 1180))
        length = most if alike else random.randint(most // 2, most)
        stock.append(RollStock(f"r{position:02}", MM * width, MM * length, 1, not alike and random.random() < 0.3))
    groups = [f"room {position}" for position in range(count) for _ in range(random.randint(2, 5))]
    pieces = tuple(
        RollPiece(
            f"p{position}",
            MM * random.randint(200, 700),
            MM * random.randint(400, 1200),
            random.randint(1, 2),
            turn,
            group,
        )
        for position, group in enumerate([*groups, *[None] * loose])
    )
    return RollProblem(tuple(stock), pieces, MM * 2, "mm")


def small_rolls(seed: int) -> RollProblem:
    """A roll problem small enough to enumerate: up to 5 panels, plain integers."""
    random = Random(seed)
    widest = random.choice((10, 20, 30))
    stock = []
    for position in range(random.randint(1, 2)):
        finite = random.random() < 0.4
        stock.append(
            RollStock(
                f"r{position}",
                Length(random.randint(widest // 2, widest)),
                Length(random.randint(widest, 3 * widest)) if finite else None,
                random.choice((1, 2)) if finite else None,
                finite and random.random() < 0.5,
                random.choice((None, None, Fraction(random.randint(1, 20), 10))),
            )
        )
    pieces: list[RollPiece] = []
    count, wanted = 0, random.randint(1, 5)
    turn = random.random() < 0.4
    while count < wanted:
        quantity = min(random.randint(1, 3), wanted - count)
        size = Length(random.randint(1, widest * 2 // 3)), Length(random.randint(1, widest))
        pieces.append(RollPiece(f"p{len(pieces)}", *size, quantity, turn and random.random() < 0.7))
        count += quantity
    return RollProblem(tuple(stock), tuple(pieces), Length(random.choice((0, 0, 1))))
