"""
Documents for the three engines by seed: valid ones at the edges of the contract, and broken ones.

Every document asks for few seconds, so that thousands can be tried; what an engine may say
to any of them is an answer, or an error that names a field and its bound.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from random import Random
from typing import Any

LARGEST = 32_512_000

HOSTILE: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2**31, 2**63, 10**30, -(10**18), 0.5, 1e-30, -0.0, "", " ", "0", "-1", "1/0", "1e9",
    "35 3/8", "35.5", "9" * 30, "½", "a\u0000b", "\ud800", "😀", "x" * 300, [], {}, [[]], [1, 2], {"": 1}, [None],
    [-1, 5], [5, -1], [0, 2**62], {"id": "a"}, {"crew": "a", "shift": 0}, {"from": 5, "to": 1, "minutes": 9},
)  # fmt: skip
TEXTS = ("NaN", "Infinity", "1e400", "1" + "0" * 50, '"\\ud800"', "tru", "[" * 2_000, '{"a":1,"a":2}', "\x00", "٣")

Document = dict[str, Any]


def document(engine: str, seed: int) -> str:
    """One document for ``cut``, ``route`` or ``size``; of three two are broken somewhere."""
    pick = Random(f"{engine} {seed}")
    made = MAKERS[engine](pick)
    if pick.random() < 0.4:
        return json.dumps(made)
    for _ in range(pick.randint(1, 3)):
        _spoil(made, pick)
    text = json.dumps(made)
    return _spoiled(text, pick) if pick.random() < 0.15 else text


def _spoil(made: Document, pick: Random) -> None:
    """Replaces, drops, adds, repeats or swaps one value somewhere."""
    places = list(_places(made))
    if not places:  # all of it was spoiled away
        return
    holder, key = pick.choice(places)
    kind = pick.random()
    if kind < 0.65:
        holder[key] = deepcopy(pick.choice(HOSTILE))
    elif kind < 0.75:
        del holder[key]
    elif kind < 0.85 and isinstance(holder, dict):
        holder[pick.choice(("", "x", "ID", key + " "))] = holder[key]
    elif isinstance(holder, list):
        holder.append(holder[key])
    else:
        other, its = pick.choice(places)
        if not isinstance(other[its], dict | list):
            holder[key] = other[its]


def _places(value: Any) -> Any:
    entries = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, entry in list(entries):
        yield value, key
        if isinstance(entry, dict | list):
            yield from _places(entry)


def _spoiled(text: str, pick: Random) -> str:
    """Damage below the level of values: cut off, or something in the midst of it."""
    at = pick.randrange(len(text))
    if pick.random() < 0.3:
        return text[:at]
    numbers = [position for position, character in enumerate(text) if character.isdigit()]
    at = pick.choice(numbers) if numbers and pick.random() < 0.7 else at
    return text[:at] + pick.choice(TEXTS) + text[at + 1 :]


def _length(pick: Random, most: int = LARGEST) -> str:
    """Any size there is: tiny, ordinary, on a coarse grid, the largest."""
    ways: tuple[Callable[[], int], ...] = (
        lambda: pick.randint(1, 9),
        lambda: pick.randint(1, 2_000),
        lambda: 127 * pick.randint(1, 20_000),
        lambda: pick.randint(1, most),
        lambda: most - pick.randint(0, 2),
    )
    return str(min(most, pick.choice(ways)()))


def _price(pick: Random) -> Any:
    return pick.choice((None, None, 0, 1, 0.1, 3.3333, 999_999.9999, 1_000_000))


def _cut(pick: Random) -> Document:
    is_roll = pick.random() < 0.5
    few = pick.random() < 0.97
    scale = pick.choice((100, 5_000, 60_000, LARGEST))
    side = lambda: str(pick.randint(1, scale)) if pick.random() < 0.9 else _length(pick)  # noqa: E731
    stock = [
        {"id": f"s{n}", "quantity": pick.choice((None, 0, 1, 3, 50)), "offcut": pick.random() < 0.3,
         "price": _price(pick)}
        | ({"width": side(), "length": pick.choice((None, _length(pick)))} if is_roll
           else {"length": str(max(1, int(scale * pick.uniform(0.5, 3)))) if scale < LARGEST else side()})
        for n in range(pick.choice((0, 1, 1, 2, 5, 9)) if few else pick.randint(1, 200))
    ]  # fmt: skip
    count = pick.choice((0, 1, 2, 8, 30)) if few else pick.randint(100, 2_000)
    pieces = [
        {"id": f"p{n}", "length": side(), "quantity": pick.choice((1, 1, 2, 9, 9, 500)) if count < 40 else 1}
        | ({"width": side(), "turn": pick.random() < 0.3, "group": pick.choice((None, None, "a", "b", f"g{n % 50}"))}
           if is_roll else {})
        for n in range(count)
    ]  # fmt: skip
    for roll in stock if is_roll else ():
        if roll["length"] is not None and pick.random() < 0.3:
            start = pick.randint(0, int(roll["length"]))
            roll["flaws"] = [{"start": str(start), "end": str(start + pick.randint(0, 500))}]
    made: Document = {"kind": "roll" if is_roll else "bar", "unit": "1", "stock": stock, "pieces": pieces}
    made |= {"kerf": pick.choice(("0", "1", "7", _length(pick))), "seconds": pick.choice((0, 0, 0.01)), "seed": 1}
    if not is_roll:
        made |= {"trim": pick.choice(("0", "2", _length(pick, 5_000))), "keep": pick.choice((None, "1", side()))}
    return made


def _route(pick: Random) -> Document:
    places = pick.randint(1, 12)
    far = pick.choice((5, 900, 10**6))
    matrix = [[0 if a == b else pick.randint(0, far) for b in range(places)] for a in range(places)]
    at = lambda: pick.randrange(places)  # noqa: E731
    time = lambda: pick.choice((0, 28_800, 36_000, 57_600, pick.randint(0, 10**5), 10**9))  # noqa: E731
    span = lambda: sorted((time(), time()))  # noqa: E731
    crews = [
        {"id": pick.choice((n, f"c{n}")), "start": at(), "end": pick.choice((None, at())),
         "shifts": [span() for _ in range(pick.randint(0, 3))], "skills": pick.sample(["a", "b"], pick.randint(0, 2)),
         "capacity": pick.choice((None, 0, 5)), "people": pick.choice((1, 2)),
         "lunch": pick.choice((None, {"from": 39_600, "to": 46_800, "minutes": pick.choice((0, 30, 1440))})),
         "overtime": pick.choice((None, 0, 3_600, {"minutes": 30}))}
        for n in range(pick.randint(0, 4))
    ]  # fmt: skip
    count = pick.choice((0, 1, 3, 8, 15))
    stops = [
        {"id": f"s{n}", "at": at(), "service": pick.choice((0, 1_800, 10**6)),
         "windows": [span() for _ in range(pick.choice((0, 0, 1, 3)))], "skills": pick.choice(([], ["a"], ["z"])),
         "load": pick.choice((0, 3, 10**6)), "priority": pick.choice((0, 1, 5, 10**6)),
         "required": pick.random() < 0.1, "promised": pick.choice((None, None, span())),
         "earliest": pick.choice((0, 30_000)), "people": pick.choice((1, 1, 2)),
         "meets": pick.choice((None,) * 9 + (f"s{pick.randrange(count)}",)),
         "follows": pick.choice((None,) * 9 + (f"s{pick.randrange(count)}",))}
        for n in range(count)
    ]  # fmt: skip
    for stop in stops:
        if crews and pick.random() < 0.1:
            stop["locked"] = {"crew": pick.choice(crews)["id"], "shift": pick.randint(0, 2)}
    previous = [
        {"crew": crew["id"], "shift": 0, "stops": [{"id": s["id"]} for s in pick.sample(stops, pick.randint(0, count))]}
        for crew in crews
    ]
    objective = {"drive": pick.choice((0, 1)), "paid": 1, "moved": 5, "late": pick.choice((0, 3)), "grace": 600}
    return {
        "unit": "s", "crews": crews, "stops": stops, "travel": {"matrix": matrix},
        "previous": pick.choice((None, previous)), "objective": pick.choice((None, objective)),
        "seconds": 0.001, "seed": pick.randint(0, 5),
    }  # fmt: skip


def _size(pick: Random) -> Document:
    unit = pick.choice(("in", "mm", "1"))
    size = lambda: {  # noqa: E731
        "in": pick.choice(("35 3/8", "35.3", "2' 11 3/8\"", "0", "400")),
        "mm": pick.choice(("904", "904.05", "12", "9000")), "1": str(pick.randint(0, 10**7)),
    }[unit]  # fmt: skip
    return {
        "unit": unit,
        "openings": [
            {"id": f"o{n}", "mount": pick.choice(("inside", "outside")), "room": pick.choice((None, "r")),
             "family": pick.choice(("roller", "solar", "sheer", "vertical", "slat", "cellular", "pleated", "roman")),
             "widths": {key: size() for key in ("top", "middle", "bottom") if pick.random() < 0.98},
             "heights": {key: size() for key in ("left", "center", "right") if pick.random() < 0.98},
             "depth": pick.choice((None, size())), "diagonals": pick.choice((None, [size(), size()])),
             "tape_case": pick.choice((None, {"length": size(), "fields": ["widths.top"]})),
             "cover": pick.choice((None, {"left": size()}))}
            for n in range(pick.randint(0, 4))
        ],
    }  # fmt: skip


MAKERS: dict[str, Callable[[Random], Document]] = {"cut": _cut, "route": _route, "size": _size}
