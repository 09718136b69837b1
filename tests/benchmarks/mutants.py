"""
Mutation of rules and services: ``./run bench mutants --seed 1 --count 300``; writes docs/mutants.md.

First the suite is run once and what each test enters is noted. Then one change at a time is made to a copy of the
code (a comparison, a sign, a number, a condition, an and for an or), by turns over all modules, and the tests that
enter the changed function are run until one fails: the module's own first, then a few of each other file, quick
ones before slow ones. Left out are browsers, faults and kept databases, which are slow and enter what the others
enter; and a ``__repr__``, which nobody meets.
All is kept in ``var/mutants``, so that a run that was ended goes on; ``--again`` tries those again that lived.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import Queue
from random import Random
from typing import Any

from tests.benchmarks.mutants_noting import functions, is_compiled, noted, saying

ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "var" / "mutants"
ROOMS = ("jobs", "measuring", "fabrication", "installs")
LEFT_OUT = [f"--ignore=tests/{folder}" for folder in ("browser", "benchmarks", "faults", "kept")]
AT_A_TIME = 5
"""Tests of one file before those of the next."""
NEAR = 2
"""Words of its path that a module shares with a test of its own."""
NUMBA = {"NUMBA_CACHE_DIR": str(KEPT / "numba")}
SEARCH = "jobs/rules/routing/search.py:"
"""Who enters it enters the compiled functions."""
REASONS = Path(__file__).with_name("mutants_reasons.json")
"""By module and change: why it changes nothing (``equivalent``), or why it is let live (``lives``)."""

SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.Add: ast.Sub, ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult, ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip


# -- mutants --------------------------------------------------------------------------------


def modules() -> list[str]:
    """All modules of rules and services, by path."""
    paths = [os.path.relpath(path, ROOT) for room in ROOMS for path in sorted((ROOT / room).rglob("*.py"))]
    return [name for name in paths if "/rules/" in name or "/services" in name]


def changes(tree: ast.AST) -> Iterator[tuple[str, int]]:
    """(function, number of the node in a walk) of what can be changed."""
    holder: dict[ast.AST, str] = {}
    for function in functions(tree):  # outer ones come before inner ones, which overwrite
        holder.update(dict.fromkeys((node for part in function.body for node in ast.walk(part)), function.name))
    for number, node in enumerate(ast.walk(tree)):
        if holder.get(node, "__repr__") == "__repr__":
            continue
        if (
            (isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS)
            or (isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp) and type(node.op) in SWAPS)
            or (isinstance(node, ast.Constant) and type(node.value) is int)
            or isinstance(node, ast.If | ast.IfExp)
        ):
            yield holder[node], number


def changed(source: str, number: int) -> tuple[ast.Module, int, str]:
    """The mutated module, the line, and the change in words."""
    tree = ast.parse(source)
    node: Any = next(node for position, node in enumerate(ast.walk(tree)) if position == number)
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
    return ast.fix_missing_locations(tree), node.lineno, f"{before}  ->  {after}"[:200]


def drawn(seed: int, count: int) -> list[tuple[str, str, int]]:
    """(module, function, node) by turns over all modules; what is drawn of one module hangs on that module alone."""
    ways = []
    for name in modules():
        pick = Random(f"{seed} {name}")
        found = list(changes(ast.parse((ROOT / name).read_text())))
        pick.shuffle(found)
        ways += [(turn + pick.random() / 2, (name, *way)) for turn, way in enumerate(found)]
    return [way for _, way in sorted(ways)[:count]]


# -- tests ----------------------------------------------------------------------------------


def copied(to: str) -> Path:
    """The code of today in a folder of its own."""
    copy = KEPT / to
    shutil.rmtree(copy, ignore_errors=True)
    skipped = shutil.ignore_patterns(".git", "var", "__pycache__", ".*_cache")
    shutil.copytree(ROOT, copy, symlinks=True, ignore=skipped)
    return copy


def note() -> tuple[dict[str, set[str]], dict[str, float], set[str]]:
    """Tests by function (``module:name``), how long each takes, and what an import enters; the suite is run once."""
    notes = KEPT / "notes.jsonl"
    if not notes.exists():
        copy = copied("noting")
        for name in modules():
            path = copy / name
            path.write_text(saying(path.read_text(), name))
        unfinished = KEPT / "unfinished.jsonl"
        unfinished.unlink(missing_ok=True)
        subprocess.run(
            [sys.executable, "-m", "pytest", "-n", "2", "--dist", "loadfile", "-q", "-m", "not browser",
             "-p", "tests.benchmarks.mutants_noting", *LEFT_OUT],
            cwd=copy, check=False, stdout=(KEPT / "noting.txt").open("w"),
            env={**os.environ, **NUMBA, "MUTANTS_NOTES": str(unfinished)},
        )  # fmt: skip
        unfinished.rename(notes)
    return noted(notes)


def compiled(name: str) -> set[str]:
    """The functions of a module that numba compiles, which can't note who enters them."""
    return {function.name for function in functions(ast.parse((ROOT / name).read_text())) if is_compiled(function)}


def words(path: str) -> set[str]:
    """The words of a path."""
    return set(re.findall("[a-z]+", path)) - {"rules", "services", "init", "test", "tests", "py"}


def chosen(name: str, those: set[str], seconds: dict[str, float], most: float) -> list[str]:
    """The tests a mutant of a module is shown, in order, as many as take so many seconds."""
    before: Counter[str] = Counter()
    order = []
    for test in sorted(those, key=lambda test: (seconds[test], test)):
        file = test.partition("::")[0]
        near = len(words(name) & words(test)) >= NEAR
        order.append((0 if near else before[file] // AT_A_TIME + 1, seconds[test], test))
        before[file] += 1
    spent, tests = 0.0, []
    for _, took, test in sorted(order):
        spent += took
        if tests and spent > most:
            break
        tests.append(test)
    return tests


def asks(seed: int, count: int, most: float) -> Iterator[dict[str, Any]]:
    """What a server is asked about each mutant, and how the list names it."""
    entered, seconds, imported = note()
    searching = set().union(*(those for at, those in entered.items() if at.startswith(SEARCH)))
    for name, function, number in drawn(seed, count):
        hidden = compiled(name)
        tests = chosen(
            name, searching if function in hidden else entered.get(f"{name}:{function}", set()), seconds, most
        )
        _, line, change = changed((ROOT / name).read_text(), number)
        yield {
            "name": name, "number": number, "at": f"{name}:{line}", "change": change, "tests": tests,
            "compiled": bool(hidden), "imported": f"{name}:{function}" in imported,
            "patience": 60 + 15 * sum(seconds[test] for test in tests),
        }  # fmt: skip


# -- trying them ------------------------------------------------------------------------------


def key(mutant: dict[str, Any]) -> str:
    """What stays of a mutant when lines above it move."""
    return f"{mutant['name']} {mutant['number']} {mutant['change']}"


def try_all(todo: list[dict[str, Any]], processes: int, kept: Path) -> None:
    """Each by the next server that is free; answers are kept as they come."""
    servers: Queue[subprocess.Popen[str]] = Queue()
    for position in range(processes):
        argv = [sys.executable, "-c", "from tests.benchmarks.mutants_server import serve; serve()"]
        copy, pipe = copied(f"copy-{position}"), subprocess.PIPE
        servers.put(subprocess.Popen(argv, cwd=copy, text=True, stdin=pipe, stdout=pipe, env={**os.environ, **NUMBA}))

    def ask(mutant: dict[str, Any]) -> None:
        began = time.monotonic()
        told: dict[str, Any] = {"by": []}
        if mutant["tests"]:
            server = servers.get()
            assert server.stdin is not None
            assert server.stdout is not None
            print(json.dumps(mutant), file=server.stdin, flush=True)
            told = json.loads(server.stdout.readline())
            servers.put(server)
        assert told.get("code", 0) >= 0, told
        became = "killed" if told["by"] else "survived" if told.get("code") == 0 else "untested"
        shown = {"tests": len(mutant["tests"]), "seconds": round(time.monotonic() - began, 1)}
        with kept.open("a") as file:
            file.write(json.dumps({**mutant, **told, "became": became, **shown}) + "\n")

    with ThreadPoolExecutor(processes) as pool:
        list(pool.map(ask, todo))
    while not servers.empty():
        server = servers.get()
        server.communicate()


def wrong(found: list[dict[str, Any]]) -> list[str]:
    """Tests that saw a mutant and fail in a copy of the code without one too: they saw something else."""
    tests = sorted({test for one in found for test in one["by"] if "::" in test})
    argv = [sys.executable, "-c", "from tests.benchmarks.mutants_server import once; once()"]
    asked = json.dumps({"tests": tests, "stop": []})
    done = subprocess.run(
        argv,
        cwd=copied("copy-0"),
        input=asked,
        stdout=subprocess.PIPE,
        text=True,
        check=True,
        env={**os.environ, **NUMBA},
    )
    failed: list[str] = json.loads(done.stdout)["by"]
    return failed


def report(seed: int, found: list[dict[str, Any]]) -> str:
    """The page: figures, then who lives and why."""
    known = json.loads(REASONS.read_text())
    lives = [one for one in found if one["became"] != "killed"]
    for one in lives:
        at = f"{one['name']}: {one['change']}"
        one["became"] = "equivalent" if at in known["equivalent"] else one["became"]
        one["why"] = known["equivalent"].get(at) or known["lives"].get(at, "not looked at yet")
    became, late = Counter(one["became"] for one in found), sum(one["by"] == ["late"] for one in found)
    counted = len(found) - became["equivalent"]
    lines = [
        "# Mutants of the rules and services",
        "",
        f"Made by `./run bench mutants --seed {seed} --count {len(found)}`; `tests/benchmarks/mutants.py` says what "
        "is changed and which tests are run.",
        "",
        f"{len(found)} changes in {len({one['name'] for one in found})} modules: {became['killed']} seen by a test "
        f"(of these {late} only ran past their time), "
        f"{became['survived']} not seen, {became['untested']} that no test is noted to enter, "
        f"{became['equivalent']} that change nothing (reason beside each). "
        f"Seen of those that change something: {100 * became['killed'] / counted:.1f} %.",
    ]
    for kind in ("survived", "untested", "equivalent"):
        rows = [one for one in lives if one["became"] == kind]
        if rows:
            lines += ["", f"## {kind.capitalize()}", "", "| where | change | why |", "| --- | --- | --- |"]
            lines += [f"| {one['at']} | `{one['change'].replace('|', chr(92) + '|')}` | {one['why']} |" for one in rows]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Draws, tries, keeps; writes the page."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--count", type=int, default=300)
    words.add_argument("--processes", type=int, default=2)
    words.add_argument("--seconds", type=float, default=60, help="of tests for a mutant, as noted")
    words.add_argument("--quick", action="store_true", help="20 mutants")
    words.add_argument("--again", action="store_true", help="try those again that lived")
    words.add_argument("--out", type=Path, default=ROOT / "docs" / "mutants.md")
    asked = words.parse_args()
    KEPT.mkdir(parents=True, exist_ok=True)
    kept = KEPT / "tried.jsonl"
    done = {key(one): one for one in map(json.loads, kept.open() if kept.exists() else ())}
    mutants = list(asks(asked.seed, 20 if asked.quick else asked.count, asked.seconds))
    sure = {at for at, one in done.items() if one["became"] == "killed" and one["by"] != ["late"]}
    old = sure if asked.again else set(done)
    try_all([one for one in mutants if key(one) not in old], asked.processes, kept)
    done = {key(one): one for one in map(json.loads, kept.open())}
    found = [{**done[key(one)], "at": one["at"]} for one in mutants]
    page = report(asked.seed, found)
    print(page)
    if failed := wrong(found):
        print("These fail without a mutant, so that what they saw is not known:", *failed, sep="\n")
        return 1
    if not asked.quick:
        asked.out.write_text(page)
    return 0


if __name__ == "__main__":
    sys.exit(main())
