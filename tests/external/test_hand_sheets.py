"""
One unit of each family worked out by hand, beside what the program makes of it.

Every allowance, count and pitch is common practice, no published source; the arithmetic was done on
paper (C). W × H is the finished size: the order's less the clearance of an inside mount.
"""

import pytest

from fabrication.rules.own_cloth import as_own, length_taken
from fabrication.rules.recipes import UnitMake
from shared.lengths import Length, total
from tests.fabrication.rules.shop import MATERIALS, RECIPES, made, make_room, order

ROLLER = """
    Inside 47 1/2 × 72, clearance 1/8: W 47 3/8, H 72. Chain, exposed hem bar.
    tube                 1 |          | 46 1/4  | W − 1 1/8 of hardware (idle 1/2, drive 5/8)
    cloth                1 | 46 1/4   | 82 1/8  | as the tube; H + 7 1/8 (1 1/2 turns of π × 1 1/2) + 1 1/2 + 1 1/2
    double-sided tape    1 |          | 46 1/4  | as wide as the cloth
    hem bar              1 |          | 46 1/4  | exposed: as wide as the cloth
    hem bar caps         1 |          |         | a pair
    drive                1 |          |         | with the idle end a pair
    idle end             1 |          |         |
    control chain        1 |          | 96      | twice 2/3 H
    chain joiner         1 |          |         |
"""
SOLAR = """
    Outside 60 × 80: W 60, H 80. Spring, hem bar sealed in.
    tube                 1 |          | 58 7/8  | W − 1 1/8
    cloth                1 | 58 7/8   | 93 7/8  | H + 9 3/8 (1 1/2 turns of π × 50 mm = 9.28) + 3 + 1 1/2
    double-sided tape    1 |          | 58 7/8  |
    hem bar              1 |          | 58 3/4  | cloth − 1/8, caps included
    hem bar caps         1 |          |         |
    drive                1 |          |         |
    idle end             1 |          |         |
"""
SHEER = """
    Inside 40 × 60, clearance 3/16: W 39 13/16, H 60. Spring, bands of 3 and 2.
    headbox              1 |          | 39 9/16 | W − 1/4
    headbox end caps     1 |          |         |
    tube                 1 |          | 38 9/16 | W − 1 1/4
    cloth                1 | 38 9/16  | 145     | 2 H + 7 1/8 + 9 = 136 1/8, up to bands of 5: 140, 1 more to start
    double-sided tape    1 |          | 38 9/16 |
    bottom weight        1 |          | 38 7/16 | cloth − 1/8
    bottom weight caps   1 |          |         |
    drive                1 |          |         |
    idle end             1 |          |         |
"""
VERTICAL = """
    Inside 72 × 84, clearance 1/2 and 1/2: W 71 1/2, H 83 1/2. Fabric vanes, split draw, chain.
    track                1 |          | 71 1/2  | W
    track end set        1 |          |         |
    vanes               25 |          | 84 3/4  | 68 / 3 1/8 = 21.8, up, + 1 = 23, split 24, 1 spare; H − 1 3/4 + 3
    carriers            24 |          |         |
    carrier spacers     23 |          |         |
    vane clips          25 |          |         |
    vane weights        25 |          |         |
    bottom chains        2 |          | 78 11/16 | 1.1 W = 78.65, up to 1/16
    control chain        1 |          | 110     | twice the drop: 2/3 of 83 1/2 is 55
    traverse cord        1 |          | 253     | twice the track, twice the drop
    chain control        1 |          |         |
"""
SLAT = """
    Inside 48 × 60, clearance 1/2 and 1/4: W 47 1/2, H 59 3/4. Composite, corded, tilt left.
    headrail             1 |          | 47 1/2  | W
    headrail end caps    1 |          |         | a pair
    slats               33 |          | 47 3/8  | (59 3/4 − 2 1/4 − 3/4) / 1 3/4 = 32.4: 32, 1 spare; W − 1/8
    bottom rail          1 |          | 47 3/8  | as the slats
    ladders              3 |          | 60 3/4  | 5 from the ends, at most 22 apart; 56 3/4 + 4
    lift cords           3 |          | 150 1/8 | H + run to the far ladder 42 3/8 + pull 36 (2/3 H is 39) + 12
    tassels              3 |          |         | one a cord
    lift                 1 |          |         | cord lock
    tilter               1 |          |         |
    tilt rod             1 |          | 46      | headrail − 1 1/2
    tilt drums and cradles 3 |        |         | one a ladder
    tilt wand            1 |          |         |
    bottom rail plugs    1 |          |         |
    valance              1 |          | 47 7/8  | order width − 1/8
    valance clips        2 |          |         | one per 24, 2 at least
"""
CELLULAR = """
    Inside 36 × 66, clearance 3/8: W 35 5/8, H 66. Two-way.
    headrail             1 |          | 35 5/8  | W
    middle rail          1 |          | 35 5/8  | W
    cloth block          1 | 35 9/16  | 65 5/16 | W − 1/16; 1.03 × (66 − 2 − middle 3/4) / 11/16 = 94.8: 95
    bottom rail          1 |          | 35 5/8  | W
    inner cords          3 |          | 109 5/8 | 4 from the ends, at most 24 apart; H + run 31 5/8 + 12
    inner cords of the middle rail 3 | | 109 5/8 |
    lift                 1 |          |         |
    rail end caps        1 |          |         |
"""
PLEATED = """
    Outside 30 × 50: W 30, H 50. Cordless.
    headrail             1 |          | 30      | W
    cloth block          1 | 29 15/16 | 51      | W − 1/16; 1.05 × 48 / 3/4 = 67.2: 68 of 3/4
    bottom rail          1 |          | 30      | W
    inner cords          2 |          | 88      | H + run 26 + 12
    lift                 1 |          |         |
    rail end caps        1 |          |         |
"""
ROMAN = """
    Inside 42 × 60, clearance 1/2 and 1/8: W 41 1/2, H 59 7/8. Lined, spring.
    rail                 1 |          | 41 3/8  | W − 1/8
    hook-and-loop tape   1 |          | 41 1/4  | W − 1/4
    lift shaft           1 |          | 40 1/2  | W − 1
    spools               5 |          |         | ring columns: 1 1/2 from the edges, at most 12 apart
    face cloth           1 | 44 1/2   | 74 7/8  | W + 3; H + 10 + 4 pockets of 1 1/4
    lining               1 | 41       | 69 7/8  | W − 1/2; H + 5 + 5
    ribs                 4 |          | 41      | W − 1/2; 58 7/8 / 9 half folds = 6 9/16, so 4 ribs
    bottom bar           1 |          | 41      | W − 1/2
    rings               20 |          |         | 5 × 4
    lift cords, shrouded 5 |          | 71 7/8  | a column H + 12
    cord shrouds         5 |          | 52 5/16 | H − hem section 7 9/16
    lift                 1 |          |         |
    rail end set         1 |          |         |
"""

SHEETS = {
    "wren": (ROLLER, "47 1/2", "72", "inside", {"control": "chain", "hem_bar": "exposed"}),
    "heron": (SOLAR, "60", "80", "outside", {"control": "spring"}),
    "linnet": (SHEER, "40", "60", "inside", {"control": "spring"}),
    "plover": (VERTICAL, "72", "84", "inside", {"control": "chain", "stack": "split"}),
    "dunlin_composite": (SLAT, "48", "60", "inside", {"control": "corded", "tilt_side": "left"}),
    "siskin": (CELLULAR, "36", "66", "inside", {"control": "two_way"}),
    "snipe": (PLEATED, "30", "50", "outside", {"control": "cordless"}),
    "curlew": (ROMAN, "42", "60", "inside", {"control": "spring", "lining": "lined"}),
}


def by_hand(sheet: str) -> list[tuple[str, ...]]:
    """Name, quantity, width and length of each part of a sheet."""
    rows = [[cell.strip() for cell in line.split("|")] for line in sheet.strip().splitlines()[1:]]
    return [(*head.rsplit(maxsplit=1), width, length) for head, width, length, _ in rows]


def by_program(unit: UnitMake) -> list[tuple[str, ...]]:
    def text(side: object) -> str:
        return str(side).removesuffix(" in") if side is not None else ""

    return [(part.name, str(part.quantity), text(part.width), text(part.length)) for part in unit.parts]


@pytest.mark.parametrize("product", SHEETS)
def test_a_unit_of_each_family_is_cut_as_by_hand(product: str):
    """The old starting recipes lacked tapes, tilt rods, drums, spools, folds, pulls and a middle rail's height."""
    sheet, width, height, mount, options = SHEETS[product]

    assert by_program(made(product, width, height, mount=mount, options=options)) == by_hand(sheet)


def test_a_romans_folds_and_ribs_are_printed_from_the_bottom_edge():
    """42 × 60: hem section 6 9/16 + 1, then two half folds a rib; the top is what is left (C)."""
    unit = made("curlew", "42", "60")

    assert unit.figure("folds").text == "9 half folds of 6 9/16 in, hem section 7 9/16 in, top 6 3/8 in"
    assert unit.figure("ribs").text == "7 9/16, 20 11/16, 33 13/16, 46 15/16"


@pytest.mark.parametrize(
    ("repeat", "width", "first", "others", "in_all"),
    [
        # drops × ceil(cut length / repeat) × repeat, and one repeat to find the pattern's start (C):
        # 74 7/8 / 24 = 3.1: 4 repeats of 24 = 96; 3 × 96 + 24
        ("24", "54", "120", "96", "312"),
        # 74 7/8 / 25 = 2.995: 3 repeats of 25 = 75; 3 × 75 + 25
        ("25", "54", "100", "75", "250"),
        # one repeat to the tick
        ("74 7/8", "54", "149 3/4", "74 7/8", "299 1/2"),
        # no pattern: as they are
        (None, "54", "74 7/8", "74 7/8", "224 5/8"),
        # two of 44 1/2 side by side on a wide cloth: the first and one more, then the third
        ("24", "118", "120", "96", "216"),
    ],
)
def test_three_romans_of_a_customers_own_cloth_are_cut_as_by_hand(repeat, width, first, others, in_all):
    """Face cloth of the sheet above, 44 1/2 × 74 7/8, three in one room."""
    inch, options = Length.parse, SHEETS["curlew"][4]
    face = MATERIALS[made("curlew", "42", "60", options=options).part("face").material]
    own = as_own(face, name="her linen", width=inch(width), repeat=inch(repeat) if repeat else None)
    orders = [(RECIPES["curlew"], order("42", "60", mount="inside", options=options))] * 3

    room = make_room(orders, {**MATERIALS, own.key: own})

    cut = [next(part for part in unit.parts if part.name == "face cloth") for unit in room]
    assert [part.length for part in cut] == [inch(first), inch(others), inch(others)]
    assert {part.width for part in cut} == {inch("44 1/2")}
    assert length_taken([(part.width, part.length, 1) for part in cut], inch(width)) == inch(in_all)
    assert total(part.length for part in cut) >= inch(in_all)
