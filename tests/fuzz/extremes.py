"""The largest documents that the contracts of ``cut`` and ``route`` allow, each at another edge."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from random import Random
from typing import Any

Document = dict[str, Any]

LONGEST = 32_512_000
LONGEST_ROLL = 10 * LONGEST
ENTRIES, PIECES, STOCKS, STRETCHES = 3_000, 20_000, 200, 20_000


def _sizes(pick: Random, low: int, high: int, count: int) -> list[int]:
    return pick.sample(range(low, high), count)


def _bars(stock: Iterable[int], pieces: Iterable[tuple[int, int]], **more: Any) -> Document:
    return {
        "kind": "bar", "unit": "1",
        "stock": [{"id": f"s{n}", "length": str(length)} for n, length in enumerate(stock)],
        "pieces": [
            {"id": f"p{n}", "length": str(length), "quantity": count} for n, (length, count) in enumerate(pieces)
        ],
    } | more  # fmt: skip


def _rolls(stock: Iterable[Document], pieces: Iterable[tuple[int, int, int]], **more: Any) -> Document:
    turn, groups = more.pop("turn", False), more.pop("groups", 0)
    return {
        "kind": "roll", "unit": "1",
        "stock": [{"id": f"r{n}"} | roll for n, roll in enumerate(stock)],
        "pieces": [
            {"id": f"p{n}", "width": str(width), "length": str(length), "quantity": count, "turn": turn,
             "group": f"g{n % groups}" if groups else None}
            for n, (width, length, count) in enumerate(pieces)
        ],
    } | more  # fmt: skip


def _many(pick: Random, low: int, high: int) -> list[tuple[int, int]]:
    return [(size, PIECES // ENTRIES) for size in _sizes(pick, low, high, ENTRIES)]


def cuts(seed: int = 1) -> dict[str, Callable[[], Document]]:
    """Documents for ``cut`` by name; ``seconds`` is for the caller to set."""
    pick = Random(seed)
    big = lambda: str(pick.randint(LONGEST // 2, LONGEST))  # noqa: E731
    panels = lambda low, high: [  # noqa: E731
        (width, drop, PIECES // ENTRIES)
        for width, drop in zip(_sizes(pick, low, high, ENTRIES), _sizes(pick, low, high, ENTRIES), strict=True)
    ]
    flawed = lambda: {  # noqa: E731
        "width": big(), "length": str(LONGEST_ROLL), "quantity": 1,
        "flaws": [{"start": str(n * 3_000_000), "end": str(n * 3_000_000 + 1)} for n in range(99)],
    }  # fmt: skip
    return {
        "bar, one size, all pieces on one": lambda: _bars([LONGEST], [(1, PIECES)], kerf="1"),
        "bar, all sizes tiny": lambda: _bars([LONGEST], _many(pick, 1, 6_000), kerf="7"),
        "bar, all sizes, all stock": lambda: _bars(
            _sizes(pick, 10**6, LONGEST, STOCKS), _many(pick, 1, 10**6), kerf="7"
        ),
        "bar, all sizes, all stock, kept": lambda: _bars(
            _sizes(pick, 10**6, LONGEST, STOCKS), _many(pick, 1, 10**6), kerf="7", keep="1"
        ),
        "bar, largest table, few sizes": lambda: _bars([3_999_998], [(n * 400_001 + 7, 1) for n in range(1, 7)]),
        "bar, largest table, many copies": lambda: _bars(
            [1_999_999], [(333_333, 9_000), (777_777, 9_000), (99_991, 9)]
        ),
        "bar, most types that are searched": lambda: _bars(
            [11_000], [(size, 10) for size in _sizes(pick, 3_000, 5_400, 2_000)], kerf="1"
        ),
        "bar, most types, small": lambda: _bars([6_000], [(size, 10) for size in _sizes(pick, 100, 5_900, 2_000)]),
        "bar, many stocks, kept, table": lambda: _bars(
            _sizes(pick, 50_000, 100_000, STOCKS), [(size, 200) for size in _sizes(pick, 10_000, 40_000, 40)],
            keep="2000", kerf="3",
        ),
        "bar, deep patterns": lambda: _bars([100_000], [(size, 200) for size in _sizes(pick, 100, 400, 100)], kerf="1"),
        "bar, dear": lambda: {
            **_bars([50_000, 40_000, 31_000], [(size, 100) for size in _sizes(pick, 900, 20_000, 200)], keep="50"),
            "stock": [{"id": f"s{n}", "length": str(50_000 - 9_001 * n), "price": 999_999.9999 - n} for n in range(3)],
        },
        "bar, stock runs out": lambda: {
            **_bars([], [(size, 10) for size in _sizes(pick, 3_000, 9_000, 2_000)]),
            "stock": [{"id": f"s{n}", "length": str(9_000 + n), "quantity": 10} for n in range(STOCKS)],
        },
        "bar, long ids": lambda: {
            **_bars([LONGEST], []),
            "pieces": [{"id": f"{n:0>200}", "length": "9", "quantity": 6} for n in range(ENTRIES)],
        },
        "roll, one panel": lambda: _rolls([{"width": "1000"}], [(7, 9, PIECES)]),
        "roll, all sizes, all stock, turned": lambda: _rolls(
            [{"width": big()} for _ in range(STOCKS)], panels(1, 10**6), kerf="7", turn=True
        ),
        "roll, groups on all stock": lambda: _rolls(
            [{"width": big()} for _ in range(STOCKS)], panels(1, 10**6), kerf="7", turn=True, groups=200
        ),
        "roll, groups on finite stock": lambda: _rolls(
            [{"width": str(99_000 + n), "length": str(LONGEST), "quantity": 100} for n in range(STOCKS)],
            panels(1_000, 90_000), turn=True, groups=200,
        ),
        "roll, stretches": lambda: _rolls([flawed() for _ in range(STOCKS)], panels(1, 10**6), turn=True),
        "roll, one stock of many": lambda: _rolls(
            [{"width": "10000", "length": "20000", "quantity": PIECES}], [(4_001, 9_999, PIECES)]
        ),
        "roll, most types that are searched": lambda: _rolls(
            [{"width": "10000"}],
            zip(_sizes(pick, 2_000, 5_000, 1_000), _sizes(pick, 2_000, 9_000, 1_000), [20] * 1_000, strict=True),
            turn=True,
        ),
        "roll, largest table": lambda: _rolls([{"width": "3999999"}], [(n * 399_989, n * 7, 1) for n in range(1, 7)]),
        "roll, groups, searched": lambda: _rolls(
            [{"width": str(900 + n)} for n in range(STOCKS)],
            zip(_sizes(pick, 100, 800, 400), _sizes(pick, 100, 800, 400), [50] * 400, strict=True),
            turn=True, groups=200,
        ),
        "roll, deep lays": lambda: _rolls(
            [{"width": "100000"}],
            zip(_sizes(pick, 100, 400, 100), _sizes(pick, 100, 9_000, 100), [200] * 100, strict=True),
        ),
    }  # fmt: skip


STOPS, WINDOWS, CREWS, CREW_DAYS, PLACES, LINKED = 2_500, 60, 500, 2_000, 3_000, 50
DAY = 86_400


def _crews(count: int, shifts: int, **more: Any) -> list[Document]:
    return [
        {"id": f"c{n}", "start": n % 3, "end": n % 2, "team": f"t{n % 7}",
         "shifts": [[day * DAY + 28_800, day * DAY + 57_600] for day in range(shifts)]} | more
        for n in range(count)
    ]  # fmt: skip


def _stops(count: int, places: int, **more: Any) -> list[Document]:
    return [{"id": f"s{n}", "at": n % places, "service": 1_800} | more for n in range(count)]


def _spread(pick: Random, count: int) -> list[list[int]]:
    starts = sorted(pick.sample(range(0, 4 * DAY, 1_200), count))
    return [[start, start + 600] for start in starts]


def routes(seed: int = 1) -> dict[str, Callable[[], Document]]:
    """Documents for ``route`` by name; ``seconds`` is for the caller to set."""
    pick = Random(seed)
    near = lambda size: {  # noqa: E731
        "matrix": [[0 if a == b else (a * 7 + b * 11) % 700 + 300 for b in range(size)] for a in range(size)]
    }
    crowd = _crews(CREWS, CREW_DAYS // CREWS)
    lunch = {"from": 39_600, "to": 46_800, "minutes": 30}

    def linked(name: str, per: int) -> list[Document]:
        stops = _stops(STOPS, 50)
        for n, stop in enumerate(stops):
            if n % per:
                stop[name] = f"s{n - 1}"
        return stops

    def windowed(**more: Any) -> list[Document]:
        return [stop | {"windows": _spread(pick, WINDOWS)} for stop in _stops(STOPS, 900, **more)]

    def made(crews: list[Document], stops: list[Document], travel: Document, **more: Any) -> Document:
        return {"crews": crews, "stops": stops, "travel": travel} | more

    plane = {"metric": "euclidean", "scale": 3}
    points = lambda count, **more: [  # noqa: E731
        stop | {"at": [pick.randint(0, 900), pick.randint(0, 900)]} for stop in _stops(count, 1, **more)
    ]
    at_points = [crew | {"start": [0, 0], "end": [9, 9]} for crew in crowd]
    return {
        "largest matrix": lambda: made(crowd, _stops(STOPS, 2_800), near(2_800)),
        "most places": lambda: made(
            crowd, _stops(STOPS, PLACES),
            {"matrix": [[0 if a == b else 90 + (a + b) % 9 for b in range(PLACES)] for a in range(PLACES)]},
        ),
        "largest numbers": lambda: made(
            [{**crew, "shifts": [[0, 10**9]]} for crew in crowd],
            _stops(STOPS, 900, service=10**6, priority=10**6),
            {"matrix": [[0 if a == b else 10**9 for b in range(1_600)] for a in range(1_600)]},
        ),
        "all windows": lambda: made(crowd, windowed(), near(900)),
        "all windows, lunch, price of lateness": lambda: made(
            _crews(CREWS, 4, lunch=lunch, overtime=3_600), windowed(promised=[0, 9 * DAY]), near(900),
            objective={"drive": 1, "paid": 1, "late": 3, "grace": 600, "moved": 9},
        ),
        "points": lambda: made(at_points, points(STOPS), plane),
        "points, road": lambda: made(
            [crew | {"start": [9, 9], "end": [9, 9.1]} for crew in crowd],
            [stop | {"at": [9 + pick.random() / 9, 9 + pick.random() / 9]} for stop in _stops(STOPS, 1)],
            {"metric": "road"},
        ),
        "one day, one crew": lambda: made(_crews(1, 1), _stops(STOPS, 900, service=0), near(900)),
        "one crew, one endless day": lambda: made(
            [{"id": "c", "start": 0, "shifts": [[0, 10**9]]}], _stops(STOPS, 900, service=5), near(900)
        ),
        "pairs that meet": lambda: made(crowd, linked("meets", 2), near(50)),
        "all meet in fifties": lambda: made(
            [crew | {"team": None} for crew in crowd], linked("meets", LINKED), near(50)
        ),
        "pairs that follow": lambda: made(crowd, linked("follows", 2), near(50)),
        "chains of fifty": lambda: made(crowd, linked("follows", LINKED), near(50)),
        "previous, all linked": lambda: made(
            crowd, linked("meets", 2), near(50),
            previous=[
                {"crew": f"c{n}", "shift": 0, "stops": [{"id": f"s{m}"} for m in range(n * 5, n * 5 + 5)]}
                for n in range(CREWS)
            ],
        ),
        "previous, one route": lambda: made(
            crowd, _stops(STOPS, 900, service=0), near(900),
            previous=[{"crew": "c0", "shift": 0, "stops": [{"id": f"s{m}"} for m in range(STOPS)]}],
        ),
        "skills, a set of crews each": lambda: made(
            [crew | {"skills": [f"k{n}"]} for n, crew in enumerate(crowd)],
            [stop | {"skills": [f"k{n % CREWS}"]} for n, stop in enumerate(_stops(STOPS, 900))], near(900),
        ),
        "nobody able": lambda: made(crowd, _stops(STOPS, 900, skills=["none"]), near(900)),
    }  # fmt: skip
