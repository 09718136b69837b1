"""
Tries mutants in a copy of the code, which is its folder: a line of JSON in, a line of JSON out.

Django and the migrated database are set up once. Each mutant has a child, forked from there, in which the changed
function's code is put in the place of the old one's; the file is changed too, for what the tests start. A mutant
beside compiled functions, and one that lives though an import enters its function, has a fresh process.
"""

from __future__ import annotations

import ast
import gc
import json
import os
import resource
import select
import signal
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from functools import _lru_cache_wrapper
from importlib import import_module
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest

from tests.benchmarks.mutants import LEFT_OUT, changed, modules

ROOT = Path(__file__).resolve().parents[2]
WARM = "tests/shared/test_audit.py::test_an_entry_is_never_changed"
MOST_BYTES = 8 << 30
QUIET = ["-q", "-p", "no:cacheprovider", "-p", "no:faulthandler"]


class Chosen:
    """A pytest plugin: only these tests, in this order; which one failed."""

    def __init__(self, tests: list[str]) -> None:
        self.place = {test: position for position, test in enumerate(tests)}
        self.failed: list[str] = []

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """After everybody else's order."""
        items[:] = sorted((one for one in items if one.nodeid in self.place), key=lambda one: self.place[one.nodeid])

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """The first that failed comes first."""
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """A module that can't be read any more has failed too."""
        if report.failed:
            self.failed.append(report.nodeid)


def shown(tests: list[str], stop: Sequence[str] = ("-x",)) -> dict[str, Any]:
    """Runs them until one fails; ``by``, which failed."""
    plugin = Chosen(tests)
    files = list(dict.fromkeys(test.partition("::")[0] for test in tests))
    code = pytest.main([*QUIET, *stop, *files], plugins=[plugin])
    return {"by": plugin.failed, "code": int(code)}


def put(name: str, source: str, number: int) -> None:
    """Gives every function of the module that lives here its mutant's code, and forgets what was cached."""
    path = ROOT / name
    old, new = (compile(one, str(path), "exec") for one in (ast.parse(source), changed(source, number)[0]))
    code = dict(zip(_codes(old), _codes(new), strict=True))
    for one in gc.get_objects():  # by type: a lazy object asked for its class would wake
        if type(one) is FunctionType and one.__code__.co_filename == str(path) and one.__code__ in code:
            one.__code__ = code[one.__code__]
        elif type(one) is _lru_cache_wrapper and ("/rules/" in _file(one) or "/services" in _file(one)):
            one.cache_clear()


def _file(cached: Any) -> str:
    return str(getattr(getattr(cached.__wrapped__, "__code__", None), "co_filename", ""))


def _codes(code: CodeType) -> list[CodeType]:
    return [code, *(inner for one in code.co_consts if isinstance(one, CodeType) for inner in _codes(one))]


def in_child(ask: dict[str, Any], source: str) -> dict[str, Any]:
    """The mutant in a fork of this process."""
    ours, its = os.pipe()
    child = os.fork()
    if not child:
        try:
            os.setsid()
            _silent()
            put(ask["name"], source, ask["number"])
            os.write(its, json.dumps(shown(ask["tests"])).encode())
        except BaseException as error:
            os.write(its, json.dumps({"by": [], "code": -1, "error": repr(error)}).encode())
        os._exit(0)
    os.close(its)
    ready, _, _ = select.select([ours], [], [], ask["patience"])
    told = os.read(ours, 1 << 16) if ready else b""
    os.close(ours)
    _end(child)
    os.waitpid(child, 0)
    return json.loads(told) if told else {"by": ["late" if not ready else "died"], "code": 1}


def in_fresh(ask: dict[str, Any]) -> dict[str, Any]:
    """The mutant as the changed file, read by a new process."""
    with tempfile.TemporaryDirectory() as folder:
        more = {"NUMBA_CACHE_DIR": folder} if ask["compiled"] else {}
        argv = [sys.executable, "-c", "from tests.benchmarks.mutants_server import once; once()"]
        process = subprocess.Popen(
            argv, cwd=ROOT, env={**os.environ, **more}, text=True, start_new_session=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            out, _ = process.communicate(json.dumps(ask), timeout=ask["patience"] + (600 if ask["compiled"] else 60))
        except subprocess.TimeoutExpired:
            _end(process.pid)
            process.communicate()
            return {"by": ["late"], "code": 1}
        _end(process.pid)
    return json.loads(out.splitlines()[-1]) if out.strip() else {"by": ["died"], "code": 1}


def _silent() -> int:
    """What tests print goes nowhere; the old standard output."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    out, nothing = os.dup(1), os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(nothing, number)
    return out


def _end(head: int) -> None:
    """Ends a process of ours with all it started, those in groups of their own too."""
    parent = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            pid, _, rest = stat.read_text().partition(" (")
        except OSError:
            continue
        parent[int(pid)] = int(rest.rpartition(") ")[2].split()[1])
    tree = [head]
    for one in tree:
        tree += [pid for pid, its in parent.items() if its == one]
    for one in tree:
        try:
            os.kill(one, signal.SIGKILL)
        except ProcessLookupError:
            continue


def tried(ask: dict[str, Any]) -> dict[str, Any]:
    """What became of one mutant: ``by`` names the test that saw it."""
    path = ROOT / ask["name"]
    source, times = path.read_text(), path.stat()
    told: dict[str, Any] = {"by": []}
    path.write_text(ast.unparse(changed(source, ask["number"])[0]))
    try:
        if not ask["compiled"]:
            told = in_child(ask, source)
        return in_fresh(ask) if ask["compiled"] or (ask["imported"] and not told["by"]) else told
    finally:
        path.write_text(source)
        os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


def serve() -> None:
    """Answers until its input ends."""
    asks = os.fdopen(os.dup(0))
    out = _silent()
    pytest.main([*QUIET, "tests", *LEFT_OUT], plugins=[Chosen([WARM])])  # every test is read, one makes the database
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"  # two changes of one second and size would be taken for one another
    sys.dont_write_bytecode = True
    for name in modules():
        if not name.endswith("__main__.py"):
            import_module(name.removesuffix(".py").removesuffix("/__init__").replace("/", "."))
    for line in asks:
        os.write(out, (json.dumps(tried(json.loads(line))) + "\n").encode())


def once() -> None:
    """One answer, in a fresh process."""
    ask = json.loads(sys.stdin.read())
    out = _silent()
    os.write(out, json.dumps(shown(ask["tests"], ask.get("stop", ["-x"]))).encode())
    os._exit(0)
