"""
What a test enters, noted in a copy of the code whose functions each say so: ``-p tests.benchmarks.mutants_noting``.

The words stand in the code itself, so threads, engines in processes of their own and Celery's workers note as well;
what a fixture of many tests enters goes to every test that has it. Compiled functions can't say anything.
"""

from __future__ import annotations

import ast
import json
import os
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

COMPILED = {"compiled", "inlined"}
_seen: set[str] = set()


def enter(which: str) -> None:
    """Notes a function (``module:name``) once a test and process."""
    if which not in _seen:
        _seen.add(which)
        _write([os.environ.get("MUTANTS_TEST", "import"), which])


def _write(line: list[Any]) -> None:
    where = os.open(os.environ["MUTANTS_NOTES"], os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    os.write(where, (json.dumps(line) + "\n").encode())
    os.close(where)


def _begin(test: str) -> str:
    before = os.environ.get("MUTANTS_TEST", "import")
    os.environ["MUTANTS_TEST"] = test
    _seen.clear()
    return before


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[Any]:
    """From a test's first fixture to its last."""
    _begin(item.nodeid)
    _write([item.nodeid, "uses", *getattr(item, "fixturenames", ())])
    return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(fixturedef: Any) -> Iterator[Any]:
    """A fixture of more than one test."""
    if fixturedef.scope == "function":
        return (yield)
    before = _begin(f"fixture {fixturedef.argname}")
    try:
        return (yield)
    finally:
        _begin(before)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """How each phase of a test ended, and after how many seconds."""
    if "PYTEST_XDIST_WORKER" in os.environ:
        _write([report.nodeid, "took", report.outcome, report.duration])


def functions(tree: ast.AST) -> list[ast.FunctionDef]:
    """Each function, outer ones before inner ones."""
    return [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]


def is_compiled(function: ast.FunctionDef) -> bool:
    """Whether numba has it."""
    return any(isinstance(one, ast.Name) and one.id in COMPILED for one in function.decorator_list)


def saying(source: str, name: str) -> str:
    """The module with a line in each function that says it was entered."""
    tree = ast.parse(source)
    for function in functions(tree):
        if not is_compiled(function):
            after = 1 if ast.get_docstring(function) is not None else 0
            function.body[after:after] = ast.parse(f"_mutants_enter('{name}:{function.name}')").body
    after = (
        next((position for position, one in enumerate(tree.body) if isinstance(one, ast.Import | ast.ImportFrom)), 0)
        + 1
    )
    tree.body[after:after] = ast.parse("from tests.benchmarks.mutants_noting import enter as _mutants_enter").body
    return ast.unparse(ast.fix_missing_locations(tree))


def noted(notes: Path) -> tuple[dict[str, set[str]], dict[str, float], set[str]]:
    """Tests by the function they enter, the seconds of every test that passed, what was entered before any test."""
    entered: dict[str, set[str]] = defaultdict(set)
    users: dict[str, set[str]] = defaultdict(set)
    seconds: dict[str, float] = defaultdict(float)
    wrong = set()
    for line in notes.read_text().splitlines():
        test, what, *more = json.loads(line)
        if what == "uses":
            for fixture in more:
                users[f"fixture {fixture}"].add(test)
        elif what == "took":
            seconds[test] += more[1]
            if more[0] != "passed":
                wrong.add(test)
        else:
            entered[what].add(test)
    good = set(seconds) - wrong
    imported = {what for what, tests in entered.items() if "import" in tests}
    for what, tests in entered.items():
        entered[what] = good & set().union(*(users.get(one, {one}) for one in tests))
    return entered, {test: seconds[test] for test in good}, imported
