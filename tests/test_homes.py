"""
Each fact is worked out in one place: nobody else imports, formats or recomputes it.

`HOMES` names the places, and how a breach looks in a module or a template. There is no list of exceptions.
"""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from tests.test_layers import ORDER, ROOT, imports, nodes, sources


@dataclass(frozen=True)
class Home:
    """What is worked out where, and how somebody else doing it looks."""

    what: str
    places: tuple[str, ...]
    imports: tuple[str, ...] = ()
    code: Callable[[ast.AST], bool] | None = None
    template: str = ""

    def is_at_home(self, path: str) -> bool:
        return any(path.startswith(place) for place in self.places)


# -- how it looks ------------------------------------------------------------------------------

DAY_CODES = re.compile(r"%-?[aAbBdeIjp]")
MACHINES = ("%Y-%m-%d", "%H:%M")
"""What spreadsheets and forms read: no person's words."""


def is_a_date_format(node: ast.AST) -> bool:
    """``f"{day:%a %d %b}"``, ``day.strftime(…)``."""
    if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
        spec = ast.unparse(node.format_spec)
        for one in MACHINES:
            spec = spec.replace(one, "")
        return bool(DAY_CODES.search(spec))
    return isinstance(node, ast.Attribute) and node.attr == "strftime"


def is_a_clock(node: ast.AST) -> bool:
    """``"am" if hour < 12 else "pm"``."""
    return isinstance(node, ast.Constant) and node.value in ("am", "pm", " am", " pm")


def is_money_rounded(node: ast.AST) -> bool:
    """``price.quantize(…)``."""
    return isinstance(node, ast.Attribute) and node.attr == "quantize"


def is_a_tick(node: ast.AST) -> bool:
    """The inch or the millimetre in ticks, written out."""
    return isinstance(node, ast.Constant) and node.value in (8128, 25.4, "25.4")


def is_a_mass(node: ast.AST) -> bool:
    """``f"{grams} kg"``, ``f"{pounds} lb"``."""
    return is_followed_by(node, r" (kg|lb|g|oz)\b")


def is_a_duration(node: ast.AST) -> bool:
    """``f"{minutes} min"``."""
    return is_followed_by(node, r" min\b")


def is_followed_by(node: ast.AST, unit: str) -> bool:
    """An f-string in which a value stands before this unit."""
    if not isinstance(node, ast.JoinedStr):
        return False
    return any(
        isinstance(value, ast.FormattedValue) and isinstance(text, ast.Constant) and re.match(unit, str(text.value))
        for value, text in pairwise(node.values)
    )


HOMES = (
    Home(
        "a crew-day's stops, drives and waits",
        places=("jobs/schedule/", "jobs/rules/"),
        imports=("jobs.rules.timeline",),
    ),
    Home(
        "the chance of a promise",
        places=("jobs/schedule/", "jobs/rules/"),
        imports=("jobs.rules.promises", "jobs.rules.spread"),
    ),
    Home(
        "what a change or a plan costs",
        places=("jobs/schedule/", "jobs/rules/"),
        imports=("jobs.rules.routing.timing", "jobs.rules.bounds"),
    ),
    Home(
        "a size, its gaps and its findings",
        places=(
            "measuring/rules/",
            "measuring/adapters/evaluation.py",
            "measuring/services/sizes.py",
            "measuring/demo.py",
        ),
        imports=("measuring.rules.sizing", "measuring.rules.findings", "measuring.rules.misreads"),
    ),
    Home(
        "how a unit is made",
        places=("fabrication/rules/", "fabrication/services/making.py", "fabrication/demo.py"),
        imports=("fabrication.rules.making", "fabrication.rules.families"),
    ),
    Home(
        "what is on the truck",
        places=("installs/rules/", "installs/services/loads.py"),
        imports=("installs.rules.loading",),
    ),
    Home(
        "what a day or a time looks like",
        places=("shared/formats/",),
        code=is_a_date_format,
        template=r"\|(?:date|time):(?!['\"](?:Y-m-d|H:i|c)['\"])",
    ),
    Home(
        "what the clock says",
        places=("shared/formats/",),
        code=is_a_clock,
    ),
    Home(
        "what money looks like",
        places=("shared/formats/", "jobs/schedule/", "fabrication/rules/", "installs/rules/"),  # rules round masses too
        code=is_money_rounded,
        template=r"(?:cost|material|price|total)\|floatformat:2",
    ),
    Home("what a length is", places=("shared/lengths.py",), code=is_a_tick),
    Home(
        "what a mass looks like",
        places=("shared/formats/",),
        code=is_a_mass,
        template=r"widthratio|\}\} (?:kg|lb|g)\b",
    ),
    Home(
        "how long something takes",
        places=("shared/formats/",),
        code=is_a_duration,
        template=r"\}\} min(?:utes)?\b",
    ),
)


# -- who does it --------------------------------------------------------------------------------


def breaches(home: Home) -> Counter[str]:
    """Files that do what is another's, and how often."""
    found: Counter[str] = Counter()
    for app in ORDER:
        for path in sources(app):
            name = path.relative_to(ROOT).as_posix()
            if not home.is_at_home(name):
                found[name] += sum(_in_module(home, path))
        for path in sorted((ROOT / app).rglob("*.html")):
            name = path.relative_to(ROOT).as_posix()
            if home.template and not home.is_at_home(name):
                found[name] += len(re.findall(home.template, path.read_text()))
    return +found


def _in_module(home: Home, path: Path) -> Iterator[int]:
    if home.imports:
        yield from (1 for name in set(reached(path)) if any(_within(name, one) for one in home.imports))
    if home.code is not None:
        yield from (1 for node in nodes(path.read_text()) if home.code(node))


def reached(path: Path) -> Iterator[str]:
    """The modules that a module takes something from, also where a package hands on what one of its own has."""
    for module, name in imports(path):
        yield module if name is None else _from(module, name.name)


def _from(module: str, name: str) -> str:
    """``jobs.rules.routing.timing`` for ``from jobs.rules.routing import plan_of``, and for ``import timing``."""
    folder = ROOT.joinpath(*module.split("."))
    if (folder / name).is_dir() or (folder / f"{name}.py").exists():
        return f"{module}.{name}"
    if (folder / "__init__.py").exists():
        for source, given in imports(folder / "__init__.py"):
            if given is not None and name == (given.asname or given.name) and source != module:
                return _from(source, given.name)
    return module


def _within(name: str, package: str) -> bool:
    return name == package or name.startswith(f"{package}.")


@pytest.mark.parametrize("home", HOMES, ids=lambda home: home.what)
def test_a_fact_is_worked_out_at_its_home_only(home: Home) -> None:
    """A breach is mended where it is; there is no list of exceptions."""
    assert dict(breaches(home)) == {}


@pytest.mark.parametrize(
    "line",
    [
        "from jobs.rules.routing.timing import plan_of",
        "from jobs.rules.routing import plan_of",  # which hands it on
        "from jobs.rules.routing import timing as clock",
        "import jobs.rules.routing.timing",
    ],
)
def test_no_way_of_importing_gets_past(line: str, tmp_path: Path) -> None:
    """A name that a package hands on counts as the module's that has it."""
    (tmp_path / "module.py").write_text(line)

    assert set(reached(tmp_path / "module.py")) == {"jobs.rules.routing.timing"}


def test_a_breach_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    monkeypatch.setattr("tests.test_layers.ROOT", tmp_path)
    (tmp_path / "jobs").mkdir()
    (tmp_path / "jobs" / "views.py").write_text(
        "from jobs.rules.timeline import drive_day\n"
        "def shown(day, price, grams, hour):\n"
        '    half = "am" if hour < 12 else "pm"\n'
        '    return f"{day:%a %d %b}", day.strftime("%d"), price.quantize(1), f"{grams} kg", 8128, half\n'
    )
    (tmp_path / "jobs" / "page.html").write_text(
        '{{ day|date:"D j M" }} {{ day|date:"Y-m-d" }} {{ cost|floatformat:2 }}'
    )

    found = {home.what: dict(breaches(home)) for home in HOMES if breaches(home)}

    module, page = "jobs/views.py", "jobs/page.html"
    assert found == {
        "a crew-day's stops, drives and waits": {module: 1},
        "what a day or a time looks like": {module: 2, page: 1},
        "what the clock says": {module: 2},
        "what money looks like": {module: 1, page: 1},
        "what a length is": {module: 1},
        "what a mass looks like": {module: 1},
    }


def test_no_script_of_the_day_words_a_state_by_itself() -> None:
    """Today's script said "on the way", the load's "Left the yard", whatever the office calls them."""
    from installs.models import Load
    from jobs.models import Appointment

    words = {label for states in (Appointment.State, Load.State) for label in states.labels if " " in label}
    said = {
        (path.name, word)
        for path in sorted((ROOT / "installs" / "static").rglob("*.js"))
        for text in re.findall(r'"(?:[^"\\\n]|\\.)*"|`[^`]*`', path.read_text())
        for word in words
        if word in text.lower()
    }

    assert len(words) > 3
    assert said == set()
