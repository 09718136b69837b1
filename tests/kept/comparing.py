"""Small differences between what was kept and what there is now."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tests.kept.changes import Change, RowChange

SHOWN = 25
NAMING = ("id", "key", "window", "visit")
"""Fields that name the rows of a list: they are compared by name, and their order by itself."""
NOTHING = object()
Row = dict[str, Any]
Rows = dict[str, dict[Any, Row]]
"""Rows by table and key."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One value that is not as it was."""

    where: str
    was: Any
    now: Any

    def __str__(self) -> str:
        return f"{self.where}: {_short(self.was)} → {_short(self.now)}"


def _short(value: Any) -> str:
    text = "nothing" if value is NOTHING else repr(value)
    return text if len(text) <= 100 else f"{text[:97]}…"


def differences(was: Any, now: Any, where: str = "") -> Iterator[Difference]:
    """Every leaf that differs, named by its way down: ``body.results.7.stage`` of the row 7."""
    if isinstance(was, dict) and isinstance(now, dict):
        for key in sorted(was.keys() | now.keys()):
            yield from differences(was.get(key, NOTHING), now.get(key, NOTHING), f"{where}.{key}")
    elif isinstance(was, list) and isinstance(now, list) and (name := _naming(was, now)):
        yield from differences(_named(was, name), _named(now, name), where)
        orders = [[str(row[name]) for row in rows] for rows in (was, now)]
        if (before := [key for key in orders[0] if key in orders[1]]) != [key for key in orders[1] if key in orders[0]]:
            yield Difference(f"{where}.order", before, orders[1])
    elif isinstance(was, list) and isinstance(now, list):
        for position in range(max(len(was), len(now))):
            before, after = (rows[position] if position < len(rows) else NOTHING for rows in (was, now))
            yield from differences(before, after, f"{where}.{position}")
    elif was != now:
        yield Difference(where, was, now)


def _naming(was: list[Any], now: list[Any]) -> str | int | None:
    """The field that names every row of both lists, if there is one; of rows of texts, the second."""
    if all(
        rows
        and all(isinstance(row, list) and len(row) == 3 and isinstance(row[1], str) for row in rows)
        and len({row[1] for row in rows}) == len(rows)
        for rows in (was, now)
    ):
        return 1
    for name in NAMING:
        if all(
            rows
            and all(isinstance(row, dict) and name in row for row in rows)
            and len({str(row[name]) for row in rows}) == len(rows)
            for rows in (was, now)
        ):
            return name
    return None


def _named(rows: list[Any], name: str | int) -> dict[str, Any]:
    return {str(row[name]): row for row in rows}


def undeclared(was: Mapping[str, Any], now: Mapping[str, Any], changes: Sequence[Change]) -> str:
    """What differs and nobody declared, and what was declared and does not differ; empty when all is well."""
    patterns = [(one, _pattern(one.where)) for one in changes]
    met: set[str] = set()
    found: list[str] = []
    for name in sorted(was.keys() | now.keys()):
        for one in differences(was.get(name, NOTHING), now.get(name, NOTHING)):
            named = Difference(f"{name} {one.where.strip('.')}".strip(), one.was, one.now)
            by = [
                change.where
                for change, pattern in patterns
                if pattern.fullmatch(named.where) and _is_as_declared(one, change)
            ]
            met.update(by)
            if not by:
                found.append(str(named))
    return _report(found, [one.where for one in changes if one.where not in met])


def _is_as_declared(found: Difference, change: Change) -> bool:
    if change.said != ("", ""):
        return isinstance(found.was, str) and found.was.replace(*change.said) == found.now
    return found.was is NOTHING or not change.is_new


def _pattern(where: str) -> re.Pattern[str]:
    return re.compile(re.escape(where).replace(r"\*", ".*"))


def _report(found: Sequence[str], stale: Sequence[str]) -> str:
    lines = [*found[:SHOWN]]
    if len(found) > SHOWN:
        lines.append(f"and {len(found) - SHOWN} more")
    lines += [f"declared in changes.py, but it does not differ: {where}" for where in stale]
    return "\n".join(lines)


def lost_rows(was: Rows, now: Rows, changes: Sequence[RowChange]) -> str:
    """Tables, rows and values that are gone or changed without a word; empty when all is well."""
    moved = {one.where: one.to for one in changes}
    met: set[str] = set()
    found: list[str] = []
    for table, rows in sorted(was.items()):
        there = moved.get(table, table)
        if table in moved and there != table and table not in now:
            met.add(table)
        if there is None:
            continue
        if there not in now:
            found.append(f"{table}: the table is gone")
            continue
        for key, row in rows.items():
            if key not in now[there]:
                found.append(f"{table} {key}: the row is gone")
                continue
            found += _lost_values(table, key, row, now[there][key], moved, met)
    return _report(found, [one.where for one in changes if one.where not in met])


def _lost_values(
    table: str, key: Any, was: Row, now: Row, moved: Mapping[str, str | None], met: set[str]
) -> Iterator[str]:
    for column, value in was.items():
        where = f"{table}.{column}"
        there = moved.get(where, column)
        is_declared = where in moved
        if is_declared and there != column and column not in now:
            met.add(where)
        if there is None:
            if column in now:
                yield f"{where}: declared gone, but it is there"
        elif there not in now:
            yield f"{where}: the column is gone"
        elif now[there] != value and is_declared and there == column:
            met.add(where)
        elif now[there] != value:
            yield f"{where} {key}: {_short(value)} → {_short(now[there])}"
