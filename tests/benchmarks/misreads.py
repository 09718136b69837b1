"""
How often slips are caught and honest openings questioned: a seeded simulation.

Run as ``python -m tests.benchmarks.misreads [--openings 20000] [--dry]``; the
table goes to docs/misreads.md, the model beside it. The simulation shares no arithmetic with the
rules: it builds four corners in float inches, and reads them.
"""

from __future__ import annotations

import argparse
import math
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

from measuring.rules.families import DIAGONALS, GRID, HEIGHTS, WIDTHS
from measuring.rules.misreads import misreads
from measuring.rules.opening import Opening
from shared.lengths import TICKS_PER_INCH

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "misreads.md"
SPOTS = (*WIDTHS, *HEIGHTS, *DIAGONALS)
SETS = {"widths": WIDTHS, "heights": HEIGHTS, "diagonals": DIAGONALS}
CASE = {"in": 26416, "mm": 80 * 320}  # 3 1/4 in, 80 mm
HALF_INCH = TICKS_PER_INCH // 2


@dataclass(frozen=True)
class Model:
    """Standard deviations in inches; all of them assumptions, see `MODEL_TEXT`."""

    taper: float = 1 / 8
    bow: float = 1 / 16
    lean: float = 1 / 4
    reader: float = 1 / 32
    rough_share: float = 0.1


MODEL_TEXT = """
| part of the model | figure | ground |
| --- | --- | --- |
| width, height | uniform, 18 to 96 and 24 to 96 in | assumption |
| taper of widths, of heights | normal, σ 1/8 in each | assumption |
| lean over the height | normal, σ 1/4 in | assumption |
| bow: middle off the straight, both sides together | normal, σ 1/16 in | assumption |
| rough openings, all of the above twice as large | 1 in 10 | assumption |
| reader and tape, each reading | normal, σ 1/32 in | assumption (a legal tape may be 1/32 in out [1]) |
| grid | down to 1/8 in, or to a whole millimetre | common practice, no published source |
| corners | the diagonals are read corner to corner in the plane of the sides | assumption |
| slips | each kind equally often, up or down alike; a case of 3 1/4 in (80 mm) | assumption |

[1] up to 6 ft: NIST Handbook 44 sec. 5.52 Table 2, second-hand.
"""


Frame = tuple[float, float] | None


def true_sizes(rng: random.Random, model: Model, frame: Frame = None) -> list[float]:
    """Three widths, three heights and two diagonals of one opening, in inches; of a `frame` where one is given."""
    rough = 2 if rng.random() < model.rough_share else 1
    width, height = frame or any_frame(rng)
    taper = [rng.gauss(0, model.taper * rough) for _ in range(2)]
    lean = rng.gauss(0, model.lean * rough)
    bows = [rng.gauss(0, model.bow * rough) for _ in range(2)]
    left_foot, right_foot = (0.0, 0.0), (width, 0.0)
    left_head, right_head = (lean, height), (lean + width + taper[0], height + taper[1])
    top, bottom = math.dist(left_head, right_head), math.dist(left_foot, right_foot)
    left, right = math.dist(left_foot, left_head), math.dist(right_foot, right_head)
    rising, falling = math.dist(left_foot, right_head), math.dist(left_head, right_foot)
    return [top, (top + bottom) / 2 + bows[0], bottom, left, (left + right) / 2 + bows[1], right, rising, falling]


def any_frame(rng: random.Random) -> tuple[float, float]:
    return rng.uniform(18, 96), rng.uniform(24, 96)


def readings(rng: random.Random, model: Model, unit: str, frame: Frame = None) -> dict[str, int]:
    """What an honest measurer writes down, in ticks."""
    grid = GRID[unit]
    read = (int((size + rng.gauss(0, model.reader)) * TICKS_PER_INCH) for size in true_sizes(rng, model, frame))
    return {spot: ticks // grid * grid for spot, ticks in zip(SPOTS, read, strict=True)}


# -- the rules' tables -------------------------------------------------------------------

STEPS, STRAY, STRAY_IN, UNSTEADY = 96, 1e-5, 1.0, 0.1
HOUSES = {"straight": 1, "crooked": 2}


def shapes() -> dict[str, dict]:
    """
    The model as the rules' tables: by tape and kind of house, hundredths of a nat off the likeliest.

    One opening in 1e5 strays by about an inch (Laplace); one reader in 10 is twice as unsteady.
    """
    model, found = Model(), {}
    for unit, grid in {"in": 1 / 8, "mm": 1 / 25.4}.items():
        steady, unsteady = (math.hypot(reader, grid / math.sqrt(12)) for reader in (model.reader, 2 * model.reader))
        tables: dict = {"square": _costs([(1 - UNSTEADY, steady), (UNSTEADY, unsteady)])}
        peaks: dict[str, float] = {}
        for house, crooked in HOUSES.items():
            deviations = {
                "taper": math.hypot(model.taper * crooked, steady * math.sqrt(2)),
                "bow": math.hypot(model.bow * crooked, steady * math.sqrt(1.5)),
                "lean": math.hypot(model.lean * crooked, steady),
            }
            tables[house] = {name: _costs([(1, sd)], peaks.setdefault(name, sd)) for name, sd in deviations.items()}
        found[unit] = tables
    return found


def _costs(mixture: list[tuple[float, float]], straight: float | None = None) -> list[int]:
    """
    By steps of 1/32 in: the density's logarithm less that of a straight house at nothing.

    Each is what it is more than the one before.
    """

    def density(off: float) -> float:
        normal = sum(share / sd * math.exp(-((off / sd) ** 2) / 2) for share, sd in mixture)
        return normal / math.sqrt(2 * math.pi) + STRAY / (2 * STRAY_IN) * math.exp(-off / STRAY_IN)

    peak = density(1 / 64) if straight is None else 1 / straight / math.sqrt(2 * math.pi)
    costs = [min(0, round(100 * math.log(density((step + 0.5) / 32) / peak))) for step in range(STEPS)]
    return [cost - before for before, cost in pairwise([0, *costs])]


# -- slips of the hand -------------------------------------------------------------------

Slip = Callable[[int, random.Random, str], int]


def shift(inches: float, millimetres: int) -> Slip:
    def slip(ticks: int, rng: random.Random, unit: str) -> int:
        step = int(inches * TICKS_PER_INCH) if unit == "in" else millimetres * 320
        return ticks + rng.choice((-1, 1)) * step

    return slip


def skipped(ticks: int, rng: random.Random, unit: str) -> int:
    return ticks + (TICKS_PER_INCH if unit == "in" else 100 * 320)


def digits(ticks: int, rng: random.Random, unit: str) -> int:
    """The last two digits of the whole inches, or the middle two of the millimetres, swapped."""
    per = TICKS_PER_INCH if unit == "in" else 320
    text = list(str(ticks // per))
    place = len(text) - (2 if unit == "in" else 3)
    if place < 0:
        return ticks
    text[place], text[place + 1] = text[place + 1], text[place]
    return int("".join(text)) * per + ticks % per


def wrong_side(ticks: int, rng: random.Random, unit: str) -> int:
    whole = TICKS_PER_INCH if unit == "in" else 3200
    part = ticks % whole
    return ticks - part + (whole - part) % whole if part else ticks


def forgotten(ticks: int, rng: random.Random, unit: str) -> int:
    return ticks - CASE[unit]


def twice(ticks: int, rng: random.Random, unit: str) -> int:
    return ticks + CASE[unit]


def other_scale(ticks: int, rng: random.Random, unit: str) -> int:
    """The centimetres of the tape written down as inches, to the half; inches as centimetres."""
    if unit == "in":
        return round(ticks * 2.54 / HALF_INCH) * HALF_INCH
    return round(ticks / 2.54 / 320) * 320


def some(ticks: int, rng: random.Random, unit: str) -> int:
    """Any other mistake, from half an inch to six inches."""
    off = int(rng.uniform(0.5, 6) * TICKS_PER_INCH)
    grid = GRID[unit]
    return ticks + rng.choice((-1, 1)) * -(-off // grid) * grid


SLIPS: dict[str, Slip] = {
    "whole inch (1 cm)": shift(1, 10),
    "whole foot (1 m)": shift(12, 1000),
    "half inch (5 mm)": shift(0.5, 5),
    "two digits swapped": digits,
    "wrong side of the inch (of the cm)": wrong_side,
    "first inch (100 mm) not taken off": skipped,
    "case forgotten": forgotten,
    "case added twice": twice,
    "inches for centimetres": other_scale,
    "any other, 1/2 to 6 in": some,
}


@dataclass
class Tally:
    """Openings tried, questioned, and questioned at the right reading with the right length."""

    tried: int = 0
    caught: int = 0
    named: int = 0

    def __add__(self, other: Tally) -> Tally:
        return Tally(self.tried + other.tried, self.caught + other.caught, self.named + other.named)

    def row(self) -> str:
        return f"{100 * self.caught / self.tried:.1f} / {100 * self.named / self.tried:.1f}"


@dataclass(frozen=True)
class Case:
    """One kind of opening to try: its house, its unit, what is read, and what else is known of the job."""

    model: Model
    unit: str
    diagonals: bool = True
    others: int = 0
    """Other openings of the job, honestly read, of any size."""
    alike: bool = False
    """They are of one frame with this opening."""

    def frame(self, rng: random.Random) -> Frame:
        return any_frame(rng) if self.alike else None

    def job(self, rng: random.Random, frame: Frame) -> list[Opening]:
        return [
            replace(opening_of(self.read(rng, frame), self.unit, has_case=False), room="another")
            for _ in range(self.others)
        ]

    def read(self, rng: random.Random, frame: Frame = None) -> dict[str, int]:
        taken = readings(rng, self.model, self.unit, frame)
        return {spot: ticks for spot, ticks in taken.items() if self.diagonals or spot not in DIAGONALS}


def opening_of(taken: dict[str, int], unit: str, has_case: bool) -> Opening:
    case = CASE[unit] if has_case else None
    return Opening(id="", family="slat", mount="inside", unit=unit, taken=taken, case_ticks=case)


def false_alarms(count: int, case: Case, seed: int) -> float:
    """Share of honest openings that are questioned."""
    rng = random.Random(seed)
    asked = 0
    for _ in range(count):
        frame = case.frame(rng)
        opening = opening_of(case.read(rng, frame), case.unit, has_case=rng.random() < 0.5)
        asked += bool(misreads(opening, case.job(rng, frame)))
    return asked / count


def slipped(taken: dict[str, int], slip: Slip, spots: tuple[str, ...], rng: random.Random, unit: str) -> dict[str, int]:
    """The same slip, the same way, in all these spots."""
    state = rng.getstate()
    changed = dict(taken)
    for spot in spots:
        rng.setstate(state)
        changed[spot] = slip(taken[spot], rng, unit)
    return changed


def detection(count: int, case: Case, slip: Slip, *, whole_set: bool = False, seed: int) -> Tally:
    """Slips that are questioned; one that happens to leave the reading as it was is none."""
    rng = random.Random(seed)
    tally = Tally()
    while tally.tried < count:
        frame = case.frame(rng)
        honest = case.read(rng, frame)
        sets = [spots for spots in SETS.values() if spots[0] in honest]
        # a reading is picked evenly, so that the three of a set weigh more than the two diagonals
        spots = rng.choice(sets) if whole_set else (rng.choice(list(honest)),)
        taken = slipped(honest, slip, spots, rng, case.unit)
        if any(taken[spot] <= 0 or taken[spot] == honest[spot] for spot in spots):
            continue
        opening = opening_of(taken, case.unit, has_case=rng.random() < 0.5)
        found = misreads(opening, case.job(rng, frame))
        tally += Tally(1, bool(found), is_named(found, honest, taken, spots, case.unit))
    return tally


def is_named(found: list, honest: dict[str, int], taken: dict[str, int], spots: tuple[str, ...], unit: str) -> bool:
    """Whether exactly the slipped spots are named, each nearer to the honest reading than half the slip."""
    said = {one.field: Opening.from_json(_one_width(one.more["would_be"]), unit).taken["widths.top"] for one in found}
    return set(said) == set(spots) and all(
        abs(said[p] - honest[p]) <= min(TICKS_PER_INCH // 4, abs(taken[p] - honest[p]) // 2) for p in spots
    )


def _one_width(text: str) -> dict:
    return {"id": "", "family": "slat", "mount": "outside", "widths": {"top": text}, "heights": {"left": "1"}}


STRAIGHT, CROOKED = Model(rough_share=0), Model(rough_share=1)
KINDS = {"new": STRAIGHT, "old": CROOKED}
OTHERS = 6


def report(count: int) -> Iterator[str]:
    """The document, line by line; every figure in it is measured here."""
    each = max(100, count // 20)
    yield "# How well slips are caught\n"
    yield "Written by `./run bench misreads`; do not edit by hand.\n"
    yield "A reading is questioned when a slip explains the readings better than the opening's own shape does"
    yield "(`measuring/rules/misreads.py`). These are the measured shares on simulated openings.\n"
    yield f"## The model\n\nSeed 1; {count} honest openings a row, {each} slipped openings for each slip and row."
    yield MODEL_TEXT
    yield "## Honest openings questioned, in per cent\n"
    yield f"*Alone*: nothing else of the job is read. *Others*: {OTHERS} openings of the same house are, of any size."
    yield "*Frames*: they are of one frame with it.\n"
    heads = [f"{evidence}, {what}" for what in ("diagonals", "none") for evidence in ("alone", "others", "frames")]
    yield "| house | unit | " + " | ".join(heads) + " |\n| --- | --- |" + " --- |" * len(heads)
    kinds = KINDS | {
        "new, 1 in 10 rough": Model(),
        "new, a reader twice as unsteady": replace(STRAIGHT, reader=1 / 16),
    }
    for house, model in kinds.items():
        for unit in ("in", "mm"):
            rates = [
                100 * false_alarms(count, Case(model, unit, diagonals, others, alike), seed=1)
                for diagonals in (True, False)
                for others, alike in ((0, False), (OTHERS, False), (OTHERS, True))
            ]
            yield f"| {house} | {unit} | " + " | ".join(f"{rate:.2f}" for rate in rates) + " |"
    yield "\nThe aim is 0.6 % at most in new houses and 3 % at most in old ones.\n"
    yield from slips_report(each)


def slips_report(each: int) -> Iterator[str]:
    yield "## Slips caught\n"
    yield "*Caught*: the opening is questioned. *Named*: exactly the slipped readings are named, and what they would"
    yield "be is nearer to the honest reading than 1/4 in and half the slip. In per cent, each beside the other.\n"
    one = {
        f"one, {what}, {evidence}": {"diagonals": what == "diagonals", "others": others}
        for what in ("diagonals", "none")
        for evidence, others in (("alone", 0), ("others", OTHERS))
    }
    sets = {
        "set, diagonals": {"diagonals": True, "others": 0},
        "set, none, frames": {"diagonals": False, "others": OTHERS, "alike": True},
    }
    heads = [*one, *sets]
    for house, model in KINDS.items():
        yield f"### In {house} houses\n"
        yield "| slip | unit | " + " | ".join(heads) + " |\n| --- | --- |" + " --- |" * len(heads)
        for unit in ("in", "mm"):
            sums = [Tally() for _ in heads]
            for name, slip in SLIPS.items():
                cases = [Case(model, unit, **what) for what in (*one.values(), *sets.values())]
                tallies = [
                    detection(each, case, slip, whole_set=number >= len(one), seed=1)
                    for number, case in enumerate(cases)
                ]
                sums = [total + tally for total, tally in zip(sums, tallies, strict=True)]
                yield f"| {name} | {unit} | " + " | ".join(tally.row() for tally in tallies) + " |"
            yield f"| **all of these** | {unit} | " + " | ".join(tally.row() for tally in sums) + " |"
        yield ""
    yield "The same slip in all of a set leaves no trace without diagonals, unless other openings look alike; the same"
    yield "slip in every reading of the opening leaves none at all without them. 5 mm is within what openings of one"
    yield "frame differ by: in all of a set only diagonals can tell it."


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--openings", type=int, default=20_000)
    parser.add_argument("--quick", action="store_true", help="a tenth of the openings, and no document")
    parser.add_argument("--dry", action="store_true", help=f"leave docs/{DOCUMENT.name} as it is")
    options, _ = parser.parse_known_args()
    began = time.monotonic()
    text = "\n".join(report(options.openings // 10 if options.quick else options.openings)) + "\n"
    print(text)
    print(f"{time.monotonic() - began:.0f} s")
    if not (options.dry or options.quick):
        DOCUMENT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
