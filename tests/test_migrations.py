"""A rename keeps its rows: no migration drops a field or a table and adds its like."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from django.db import models
from django.db.migrations import AddField, CreateModel, DeleteModel, Migration, RemoveField, SeparateDatabaseAndState
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState

from tests.backwards import KNOWN, breaking
from tests.test_layers import ORDER

MEANT: dict[tuple[str, str], str] = {}
"""Migrations that do drop one thing and add another of its kind: (app, name) and why that is no rename."""


def flat(operations: Iterable[Operation]) -> Iterable[Operation]:
    """What is done to the database; a state-only part moves nothing there."""
    for operation in operations:
        if isinstance(operation, SeparateDatabaseAndState):
            yield from flat(operation.database_operations)
        else:
            yield operation


def dropped_and_added(migration: Migration, before: ProjectState) -> list[str]:
    """Pairs that look like a rename that loses the rows, each as words."""
    operations = list(flat(migration.operations))
    added = [one for one in operations if isinstance(one, AddField)]
    created = [one for one in operations if isinstance(one, CreateModel)]
    found = []
    for gone in operations:
        if isinstance(gone, RemoveField):
            was = before.models[migration.app_label, gone.model_name_lower].fields.get(gone.name)
            found += [
                f"{gone.model_name}.{gone.name} -> {new.name}"
                for new in added
                if new.model_name_lower == gone.model_name_lower and alike(was, new.field)
            ]
        if isinstance(gone, DeleteModel):
            found += [f"{gone.name} -> {new.name}" for new in created]
    return found


def alike(was: models.Field | None, new: models.Field) -> bool:
    """Whether a field could be the other under another name; one made in the same migration is none of the old."""
    return was is not None and type(was) is type(new) and _leads_to(was) == _leads_to(new)


def _leads_to(field: models.Field) -> str:
    """The table a foreign key leads to, in lower case; nothing for other fields."""
    return str(getattr(field.remote_field, "model", "")).lower()


def test_no_migration_drops_what_it_should_rename() -> None:
    loader = MigrationLoader(None)
    found = {}
    for (app, name), migration in loader.disk_migrations.items():
        if app in ORDER:
            before = loader.project_state([(app, name)], at_end=False)
            if pairs := dropped_and_added(migration, before):
                found[app, name] = pairs

    assert {key: pairs for key, pairs in found.items() if key not in MEANT} == {}
    assert set(MEANT) <= set(found), "no longer there: take it out of MEANT"


# -- the check itself ----------------------------------------------------------------


def thing(*operations: Operation) -> list[str]:
    """What is found in a migration over one table with a name and a width."""
    before = ProjectState()
    fields = [("id", models.AutoField(primary_key=True)), ("name", models.CharField(max_length=9))]
    CreateModel("Thing", fields).state_forwards("app", before)
    migration = Migration("0002_it", "app")
    migration.operations = list(operations)
    return dropped_and_added(migration, before)


def test_a_field_dropped_beside_its_like_is_found() -> None:
    found = thing(RemoveField("thing", "name"), AddField("thing", "title", models.CharField(max_length=20)))

    assert found == ["thing.name -> title"]


def test_a_table_dropped_beside_a_new_one_is_found() -> None:
    assert thing(CreateModel("Other", []), DeleteModel("Thing")) == ["Thing -> Other"]


@pytest.mark.parametrize(
    "operations",
    [
        # another type
        [RemoveField("thing", "name"), AddField("thing", "size", models.IntegerField())],
        # another table
        [RemoveField("thing", "name"), AddField("other", "title", models.CharField(max_length=20))],
        # the state only: the table stays
        [SeparateDatabaseAndState(state_operations=[CreateModel("Other", []), DeleteModel("Thing")])],
    ],
)
def test_what_is_no_rename_passes(operations: list[Operation]) -> None:
    assert thing(*operations) == []


# -- old code on new tables: `./run lint` asks it of every migration --------------------


def test_a_dropped_column_breaks_the_version_before_it(transactional_db: None) -> None:
    known = KNOWN.keys() - {("measuring", "0004_remove_product_options")}

    assert breaking(known, ["measuring"]) == [("measuring", "0004_remove_product_options")]
