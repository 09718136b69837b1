"""Dependencies run one way: installs -> fabrication -> measuring -> jobs -> shared; rules know no Django."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
ORDER = ("shared", "jobs", "measuring", "fabrication", "installs")
NOT_IN_RULES = {"django", "rest_framework", "celery", "random", "time", "os", "socket", "subprocess"}
MAY_IMPORT = {
    # a seeded search with a limit in seconds; its own process, which starts another to compile it
    "jobs/rules/routing": {"random", "time", "os", "subprocess"},
    "fabrication/rules/cutting": {"random", "time", "os"},  # the same
}


def sources(app: str) -> Iterator[Path]:
    return (path for path in sorted((ROOT / app).rglob("*.py")) if "migrations" not in path.parts)


def imported(path: Path) -> Iterator[str]:
    """Full names of every module that a module imports, also inside functions; not for type checking only."""
    return (module for module, _ in imports(path))


def imports(path: Path) -> Iterator[tuple[str, ast.alias | None]]:
    """The same with each name that is taken from them; None where all of a module is."""
    yield from _imports(path.read_text(), path)


@cache
def nodes(text: str) -> list[ast.AST]:
    """All of a module's tree; read once, since many a test asks."""
    return list(ast.walk(ast.parse(text)))


@cache
def _imports(text: str, path: Path) -> list[tuple[str, ast.alias | None]]:
    return list(_found(nodes(text), path))


def _found(tree: list[ast.AST], path: Path) -> Iterator[tuple[str, ast.alias | None]]:
    skipped = {
        inner
        for node in tree
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for inner in ast.walk(node)
    }
    for node in tree:
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            yield from ((alias.name, None) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            package = path.relative_to(ROOT).parent.parts if node.level else ()
            above = package[: len(package) - node.level + 1]
            module = ".".join([*above, *(node.module or "").split(".")]).strip(".")
            yield from ((module, alias) for alias in node.names)


@pytest.mark.parametrize("app", ORDER)
def test_no_module_imports_from_a_higher_app(app: str) -> None:
    higher = set(ORDER[ORDER.index(app) + 1 :])

    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in sources(app)
        for name in imported(path)
        if name.split(".")[0] in higher
    ]

    assert wrong == []


def test_rules_import_no_django_clock_files_or_chance() -> None:
    wrong = []
    for app in ORDER:
        for path in sources(app):
            place = path.relative_to(ROOT).as_posix()
            if "/rules/" not in place:
                continue
            allowed = {name for folder, names in MAY_IMPORT.items() if place.startswith(folder) for name in names}
            banned = NOT_IN_RULES - allowed
            wrong += [f"{place} imports {name}" for name in imported(path) if name.split(".")[0] in banned]

    assert wrong == []


def test_rules_reach_only_rules_and_lengths() -> None:
    """What a notebook cannot import without Django's settings may not be reached from rules either."""
    pure = {"shared.lengths", "shared.contracts", "shared.codes", "shared.records"}
    pure |= {"shared.formats.mass", "shared.formats.durations", "shared.formats.languages", "shared.formats.money"}
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for app in ORDER
        for path in sources(app)
        if "/rules/" in path.as_posix()
        for name in imported(path)
        if name.split(".")[0] in ORDER and ".rules" not in name and name not in pure | {"shared"}
    ]

    assert wrong == []


def circle() -> list[str]:
    """Modules that import one another in a circle, also inside functions; nothing where there is none."""
    paths = {".".join(path.relative_to(ROOT).with_suffix("").parts): path for app in ORDER for path in sources(app)}
    paths = {name.removesuffix(".__init__"): path for name, path in paths.items()}
    graph = {}
    for name, path in paths.items():
        wanted = {f"{module}.{alias.name}" if alias else module for module, alias in imports(path)}
        wanted = {one if one in paths else one.rpartition(".")[0] for one in wanted}
        graph[name] = wanted & set(paths) - {name}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def test_no_modules_import_one_another_in_a_circle() -> None:
    assert circle() == []


def test_the_test_finds_a_circle(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    (tmp_path / "jobs").mkdir()
    (tmp_path / "jobs" / "one.py").write_text("from jobs import two\n")
    (tmp_path / "jobs" / "two.py").write_text("def f():\n    from jobs.one import g\n")

    assert set(circle()) == {"jobs.one", "jobs.two"}


def test_the_test_finds_an_upward_import(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    (tmp_path / "jobs").mkdir()
    (tmp_path / "jobs" / "views.py").write_text("def f():\n    from installs import models\n")

    with pytest.raises(AssertionError, match="imports installs"):
        test_no_module_imports_from_a_higher_app("jobs")
