"""``manage.py create_firm``: the steps of the set-up from a file."""

from __future__ import annotations

import copy
import json
import tomllib
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from fabrication.models import Material, RecipeRevision
from installs.models import HardwareRules
from jobs.models import CalendarRules, Crew
from measuring.models import Jurisdiction, Product
from shared.models import AuditEntry, Branch, Firm, Invitation, User
from shared.services import invited_by
from shared.setup import document
from tests.servers import ROOT

pytestmark = pytest.mark.django_db

EXAMPLE = ROOT / "docs" / "firm.toml"


def create(path: Path) -> list[str]:
    said = StringIO()
    call_command("create_firm", str(path), stdout=said)
    return said.getvalue().splitlines()


def rows() -> dict[str, int]:
    kinds = (Branch, Crew, User, Product, Material, RecipeRevision, HardwareRules, Invitation, AuditEntry)
    return {kind.__name__: kind.objects.count() for kind in kinds}


def test_the_example_makes_a_firm_that_can_work() -> None:
    said = create(EXAMPLE)

    branch = Branch.objects.get()
    assert Firm.objects.get().name == "Weir & Daughters"
    assert (branch.currency, branch.latitude) == ("USD", 41.618)
    crew = Crew.objects.get(name="Una's crew")
    assert [str(row.ends) for row in crew.hours.all()] == ["16:30:00"] * 5
    assert [str(member.user) for member in crew.members.all()] == ["Una Reed"]
    assert CalendarRules.of(branch).holiday_country == "US"
    assert set(Product.objects.values_list("key", "name")) == {("wren", "Everyday roller"), ("siskin", "Single cell")}
    assert RecipeRevision.objects.filter(is_current=True).count() == 2
    assert HardwareRules.objects.filter(is_current=True).count() == 1
    assert Jurisdiction.objects.filter(key=branch.jurisdiction.lower()).exists()
    codes = {line.split(":")[0]: line.rpartition("code ")[2] for line in said if "code " in line}
    assert {name: str(invited_by(code).person) for name, code in codes.items()} == {name: name for name in codes}  # type: ignore[union-attr]
    assert set(codes) == {"Olive Orr", "Una Reed"}


def test_the_same_file_again_changes_nothing() -> None:
    create(EXAMPLE)
    before = rows()

    assert create(EXAMPLE) == ["Nothing is new."]
    assert rows() == before


def test_what_was_added_to_the_file_is_added(tmp_path: Path) -> None:
    create(EXAMPLE)
    table = tomllib.loads(EXAMPLE.read_text())
    table["branches"][0]["crews"].append({"name": "Third crew"})
    table["branches"].append({"name": "Second shop", "zone": "America/Denver"})
    path = tmp_path / "firm.json"
    path.write_text(json.dumps(table, default=str))

    create(path)

    assert Crew.objects.filter(name="Third crew").exists()
    assert Branch.objects.get(name="Second shop").zone == "America/Denver"


BAD: list[tuple[list[Any], Any, str]] = [
    (["firm"], {}, "firm.name: This field is required."),
    (["owner", "email"], "nowhere", "owner.email: Enter a valid"),
    (["branches", 0, "zone"], "Mars/Base", "branches[0].zone: Select a valid choice"),
    (["branches", 0, "coordinates"], "91, 0", "branches[0].coordinates: Latitude is within -90 to 90"),
    (["branches", 0, "crews", 0, "people"], 0, "branches[0].crews[0].people: Ensure this value is greater"),
    (["branches", 0, "working_days", "ends"], "07:00", "branches[0].working_days.ends: The day ends before it begins."),
    (["branches", 0, "people", 0, "crew"], "Nobody's", "branches[0].people[0].crew: Nobody's is no crew of"),
    (["branches", 0, "people", 0, "roles"], ["king"], "branches[0].people[0].roles: Select a valid choice"),
    (["branches", 0, "range", "wern"], "Roller", "branches[0].range.wern: nothing reads this; known here"),
    (["branches", 0, "colour"], "red", "branches[0].colour: nothing reads this"),
    (["staff"], [], "staff: nothing reads this"),
]  # fmt: skip


def test_all_that_is_wrong_is_said_at_once_and_nothing_is_kept(tmp_path: Path) -> None:
    table: Any = tomllib.loads(EXAMPLE.read_text())
    for path, value, _ in BAD:
        inner = table
        for key in path[:-1]:
            inner = inner[key]
        inner[path[-1]] = value
    file = tmp_path / "firm.json"
    file.write_text(json.dumps(table, default=str))

    with pytest.raises(CommandError) as refused:
        create(file)

    lines = str(refused.value).splitlines()
    assert [said for _, _, said in BAD if not any(line.startswith(said) for line in lines)] == []
    assert len(lines) == len(BAD)
    assert (Branch.objects.count(), User.objects.count()) == (0, 0)


@pytest.mark.parametrize("value", [None, [], "x", {"firm": 1, "owner": [], "branches": {}}, {"branches": [3, None]}])
def test_whatever_stands_in_the_file_is_refused_and_not_broken(value: Any) -> None:
    assert document.problems(copy.deepcopy(value))


def test_a_file_that_is_no_toml_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "firm.toml"
    path.write_text("firm = = 3")

    with pytest.raises(CommandError, match=r"firm\.toml: "):
        create(path)
