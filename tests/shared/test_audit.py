"""The audit trail: who, when, what it changed from; written once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from shared import audit
from shared.lengths import Length
from shared.models import AuditEntry, Branch, User
from shared.templatetags import jambwise
from tests.factories import make_branch

pytestmark = pytest.mark.django_db


def test_changed_names_only_what_differs(branch: Branch) -> None:
    branch.phone = "the new one"

    assert audit.changed(branch, ["name", "phone", "units"]) == {"phone": ["", "the new one"]}


def test_a_new_object_changes_from_nothing() -> None:
    branch = Branch(name="Weir House")

    assert audit.changed(branch, ["name", "phone"]) == {"name": [None, "Weir House"]}


def test_a_relation_is_named_by_its_row(dispatcher: User) -> None:
    old, new = dispatcher.branch, make_branch()
    dispatcher.branch = new

    assert audit.changed(dispatcher, ["branch"]) == {"branch": [str(old), str(new)]}


@pytest.mark.parametrize(
    ("value", "kept"),
    [
        (Length.parse("35 3/8"), "35 3/8 in"),
        (dt.datetime(2026, 3, 3, 14, 5, tzinfo=dt.timezone(dt.timedelta(hours=-6))), "2026-03-03T20:05:00+00:00"),
        (dt.date(2026, 3, 3), "2026-03-03"),
        (Decimal("12.50"), "12.50"),
        (
            {
                "a",
            },
            ["a"],
        ),
        (None, None),
    ],
)
def test_values_are_kept_as_people_read_them(value: Any, kept: Any) -> None:
    assert audit.plain(value) == kept


def test_an_entry_keeps_who_what_and_the_job(branch: Branch, dispatcher: User) -> None:
    audit.record(
        by=dispatcher, action="moved house", subject=branch, changes={"phone": ["1", "2"]}, job=1042, note="at last"
    )

    entry = AuditEntry.objects.get()
    assert (entry.by, entry.action, entry.subject, entry.subject_text) == (
        dispatcher,
        "moved house",
        branch,
        branch.name,
    )
    assert (entry.job_id, entry.changes, entry.note) == (1042, {"phone": ["1", "2"]}, "at last")
    assert AuditEntry.objects.about(branch).get() == entry


def test_an_entry_is_never_changed(branch: Branch, dispatcher: User) -> None:
    entry = audit.record(by=dispatcher, action="moved house", subject=branch)

    with pytest.raises(ValueError, match="never changed"):
        entry.save()


def test_the_trail_shows_what_it_was_before(branch: Branch, dispatcher: User, as_user: Callable[[User], Any]) -> None:
    audit.record(by=dispatcher, action="renamed", subject=branch, changes={"name": ["Old <b>", "New"]}, note="why not")

    page = as_user(dispatcher).get("/trail/").content.decode()

    assert "<del>Old &lt;b&gt;</del> <ins>New</ins>" in page
    assert "<q>why not</q>" in page
    assert str(dispatcher) in page


def test_the_trail_says_moments_in_the_branchs_zone_and_fields_in_words(
    branch: Branch, dispatcher: User, as_user: Callable[[User], Any], time_machine: Any
) -> None:
    time_machine.move_to(dt.datetime(2026, 11, 25, 4, 0, tzinfo=dt.UTC), tick=False)
    branch.zone = "America/Chicago"
    branch.save()
    changes = {"done_at": ["2025-07-01T12:05:00+00:00", "2026-11-25T03:17:38+00:00"]}
    audit.record(by=dispatcher, action="was done", subject=branch, changes=changes)

    page = as_user(dispatcher).get("/trail/").content.decode()

    assert "done at: <del>1 Jul 2025, 7:05 am</del> <ins>24 Nov, 9:17 pm</ins>" in page


def test_the_trail_names_fields_and_values_as_pages_do(
    branch: Branch, dispatcher: User, as_user: Callable[[User], Any]
) -> None:
    """It said "is locked: True", "colour", "version: 3" and "hold: site_not_ready"."""
    changes: audit.Changes = {
        "is_locked": [False, True],
        "colour": ["", "sand"],
        "version": [2, 3],
        "units": ["mm", Branch.Units.INCH],
    }
    audit.record(by=dispatcher, action="changed it", subject=branch, changes=changes)

    page = " ".join(as_user(dispatcher).get("/trail/").content.decode().split())

    for words in (
        "locked: <del>no</del> <ins>yes</ins>",
        "color: <ins>sand</ins>",
        f"<ins>{Branch.Units.INCH.label}</ins>",
    ):
        assert words in page
    assert "version" not in page


@pytest.mark.parametrize(
    "value", ["", None, 35, True, ["a"], "Tuesday", "2026-03-03", "2026-03-03T14:05:00", "35 3/8 in"]
)
def test_what_is_no_moment_stands_in_the_trail_as_it_was_kept(value: Any) -> None:
    assert jambwise.kept(value) == value


def test_the_trail_is_for_the_office_of_the_branch(
    branch: Branch, cast: dict[str, User], as_user: Callable[[User], Any]
) -> None:
    audit.record(by=cast["measurer"], action="measured K3", subject=branch)

    shown = {
        name: b"measured K3" in (answer := as_user(user).get("/trail/")).content and answer.status_code == 200
        for name, user in cast.items()
    }

    assert {name for name, seen in shown.items() if seen} == {"dispatcher", "owner"}
