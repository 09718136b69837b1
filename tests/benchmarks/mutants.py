"""
Mutation of rules and services: ``./run bench mutants --seed 1 --count 300``.

First each test of the rooms is run once and the functions it enters are noted; then one
change at a time is made to a copy of the code (a comparison, a sign, a number, a condition,
an and for an or), and the tests that enter the changed function are run until one fails. All
of it is kept in ``var/mutants``, so that a run that was ended goes on where it was.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import shutil
import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "var" / "mutants"
ROOMS = ("jobs", "measuring", "fabrication", "installs")
LEFT_OUT = ("browser", "benchmarks", "faults", "agreement", "kept", "fuzz")
MOST_TESTS = 40
"""Tests a mutant is shown to, those that enter fewest functions first."""
PATIENCE_S = 180

SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.Add: ast.Sub, ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult, ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip


# -- which tests enter which functions ----------------------------------------------------


class Noting:
    """A pytest plugin: the functions of rules and services that each test enters."""

    def __init__(self, out: Path) -> None:
        self.out = out

    def pytest_runtest_call(self, item: Any) -> None:
        """Listens from here to the end of the test."""
        self.entered: set[tuple[str, int]] = set()
        sys.setprofile(self._note)

    def pytest_runtest_teardown(self, item: Any) -> None:
        """Writes one line for the test."""
        sys.setprofile(None)
        with self.out.open("a") as file:
            file.write(json.dumps([item.nodeid, sorted(self.entered)]) + "\n")

    def _note(self, frame: Any, event: str, _argument: Any) -> None:
        code = frame.f_code
        if event == "call" and ("/rules/" in code.co_filename or "/services" in code.co_filename):
            self.entered.add((code.co_filename, code.co_firstlineno))


def note(where: Path, only: str) -> dict[tuple[str, int], list[str]]:
    """Tests by (module, first line of a function); each folder of tests (or `only` one) is noted once."""
    for folder in sorted(path for path in (ROOT / "tests").iterdir() if path.is_dir()):
        if only and folder.name != only:
            continue
        out = where / f"entered-{folder.name}.jsonl"
        if folder.name.startswith(("_", ".")) or folder.name in LEFT_OUT or not list(folder.rglob("test_*.py")):
            continue
        if not (where / f"{folder.name}.noted").exists():
            out.unlink(missing_ok=True)
            code = (
                f"import pytest; from tests.benchmarks.mutants import Noting; from pathlib import Path; "
                f"pytest.main(['-q', 'tests/{folder.name}'], plugins=[Noting(Path({str(out)!r}))])"
            )
            subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False, stdout=subprocess.DEVNULL)
            (where / f"{folder.name}.noted").touch()
    tests: dict[tuple[str, int], list[str]] = defaultdict(list)
    lines = [json.loads(line) for path in sorted(where.glob("entered-*.jsonl")) for line in path.open()]
    for test, entered in sorted(lines, key=lambda line: len(line[1])):
        for name, first in entered:
            tests[os.path.relpath(name, ROOT), first].append(test)
    return tests


# -- mutants --------------------------------------------------------------------------------


def changes(tree: ast.AST) -> Iterator[tuple[int, int, str]]:
    """(function's first line, number of the node in a walk, what would be done to it)."""
    first: dict[ast.AST, int] = {}
    for holder in ast.walk(tree):  # outer functions come before inner ones, which overwrite
        if isinstance(holder, ast.FunctionDef):
            line = min([holder.lineno, *(one.lineno for one in holder.decorator_list)])
            first.update(dict.fromkeys((node for part in holder.body for node in ast.walk(part)), line))
    for number, node in enumerate(ast.walk(tree)):
        if node not in first:
            continue
        if isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
            yield first[node], number, "compare"
        elif isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp) and type(node.op) in SWAPS:
            yield first[node], number, "operator"
        elif isinstance(node, ast.Constant) and type(node.value) is int:
            yield first[node], number, "number"
        elif isinstance(node, ast.If | ast.IfExp):
            yield first[node], number, "condition"


def changed(source: str, number: int) -> tuple[str, int, str]:
    """The mutated module, the line, and the change in words."""
    tree = ast.parse(source)
    node: Any = next(node for place, node in enumerate(ast.walk(tree)) if place == number)
    before = ast.unparse(node.test if isinstance(node, ast.If | ast.IfExp) else node)
    if isinstance(node, ast.Compare):
        node.ops[0] = SWAPS[type(node.ops[0])]()
    elif isinstance(node, ast.Constant):
        node.value += 1
    elif isinstance(node, ast.If | ast.IfExp):
        node.test = ast.UnaryOp(ast.Not(), node.test)
    else:
        node.op = SWAPS[type(node.op)]()
    after = ast.unparse(node.test if isinstance(node, ast.If | ast.IfExp) else node)
    return ast.unparse(ast.fix_missing_locations(tree)), node.lineno, f"{before}  ->  {after}"[:200]


def drawn(seed: int) -> Iterator[tuple[str, int, int]]:
    """(module, function's line, node) by turns over all modules, in an order of the seed's."""
    pick = Random(seed)
    ways: dict[str, list[tuple[int, int]]] = {}
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*.py")):
            name = os.path.relpath(path, ROOT)
            if "/rules/" in name or "/services" in name:
                found = [(first, number) for first, number, _ in changes(ast.parse(path.read_text()))]
                pick.shuffle(found)
                if found:
                    ways[name] = found
    while ways:
        names = sorted(ways)
        pick.shuffle(names)
        for name in names:
            yield (name, *ways[name].pop())
            if not ways[name]:
                del ways[name]


def tried(copy: Path, name: str, number: int, tests: list[str]) -> tuple[str, int, str]:
    """Killed, survived or untested; the line; the change."""
    source = (ROOT / name).read_text()
    mutant, line, what = changed(source, number)
    if not tests:
        return "untested", line, what
    (copy / name).write_text(mutant)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests[:MOST_TESTS]],
            cwd=copy, capture_output=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        return ("survived" if done.returncode == 0 else "killed"), line, what
    except subprocess.TimeoutExpired:
        return "killed", line, what
    finally:
        (copy / name).write_text(source)


def main() -> int:
    """Draws, tries, keeps; prints the survivors and the share killed."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--count", type=int, default=300)
    words.add_argument("--quick", action="store_true", help="20 mutants")
    words.add_argument("--folder", default="", help="of tests: only what they enter is changed")
    asked = words.parse_args()
    KEPT.mkdir(parents=True, exist_ok=True)
    tests = note(KEPT, asked.folder)
    copy = KEPT / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    skipped = shutil.ignore_patterns(".git", "var", "__pycache__", ".*_cache")
    shutil.copytree(ROOT, copy, symlinks=True, ignore=skipped)
    kept = KEPT / f"seed-{asked.seed}{asked.folder}.jsonl"
    done = [json.loads(line) for line in kept.open()] if kept.exists() else []
    count = 20 if asked.quick else asked.count
    ways = (way for way in drawn(asked.seed) if not asked.folder or tests.get(way[:2]))
    for place, (name, first, number) in enumerate(ways):
        if place >= count:
            break
        if place < len(done):
            continue
        became, line, what = tried(copy, name, number, tests.get((name, first), []))
        done.append({"became": became, "at": f"{name}:{line}", "change": what})
        with kept.open("a") as file:
            file.write(json.dumps(done[-1]) + "\n")
    for one in done:
        if one["became"] != "killed":
            print(f"{one['became']}: {one['at']}  {one['change']}")
    became_of = Counter(one["became"] for one in done)
    print(f"seed {asked.seed}: {len(done)} mutants, {dict(became_of)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
