"""
A firm from a file: the same steps, forms and services as the pages of the set-up.

All that is wrong is said at once, each by its path (``branches[0].crews[1].name``). What stands
already is left as it is, so that the same file can be read again when something was added to it.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from django.db import transaction
from django.forms import BaseForm

from shared import setup
from shared.forms import BranchForm, PersonForm, free_username
from shared.models import Branch, User
from shared.services import add_branch, invite
from shared.setup import Problem, services
from shared.setup.forms import FirmForm


class Wrong(ValueError):
    """A file that can't be kept, with everything that is wrong in it."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("; ".join(f"{path}: {words}" for path, words in problems))
        self.problems = problems


def read(path: Path) -> Any:
    """The file as plain values: JSON where its name says so, else TOML."""
    try:
        text = path.read_text(encoding="utf-8")
        return json.loads(text) if path.suffix == ".json" else tomllib.loads(text)
    except (OSError, ValueError) as error:
        raise Wrong([(str(path), str(error))]) from None


def keep(document: Any) -> list[str]:
    """
    Set a firm up from a file's values, all of it or nothing; gives lines that say what was done.

    Raises
    ------
    Wrong
        With every problem there is.
    """
    if found := problems(document):
        raise Wrong(found)
    with transaction.atomic():
        return _keep(document)


# -- what is wrong -------------------------------------------------------------------


def problems(document: object) -> list[Problem]:
    """Everything that is wrong in a file's values."""
    if not isinstance(document, dict):
        return [("document", "an object with firm, owner and branches belongs here")]
    found = unknown(document, {"firm", "owner", "branches"})
    found += below("firm", form_problems(FirmForm(table_of(document.get("firm"))), document.get("firm")))
    found += below("owner", form_problems(person_form(document.get("owner")), document.get("owner"), PERSON))
    branches = document.get("branches")
    if not isinstance(branches, list) or not branches:
        return [*found, ("branches", "one or more belong here")]
    for n, table in enumerate(branches):
        found += below(f"branches[{n}]", _branch_problems(table))
    return found


PERSON = {"name", "username", "roles", "email", "phone"}


def _branch_problems(table: object) -> list[Problem]:
    rows = table_of(table)
    parts = setup.sections()
    form = _branch_form(rows)
    found = form_problems(form, table, {*form.fields, *parts})
    for key, part in parts.items():
        if key in rows:
            found += below(key, part.problems(rows))
    return found


def form_problems(form: BaseForm, table: object, known: Iterable[str] | None = None) -> list[Problem]:
    """What a form refuses of a table of the file, and names that it does not know."""
    if not isinstance(table, dict):
        return [("", "a table belongs here")]
    found = unknown(table, set(form.fields) if known is None else set(known))
    for name, errors in form.errors.get_json_data().items():
        key = {"role_names": "roles", "__all__": ""}.get(name, name)
        found += [(key, one["message"]) for one in errors]
    return found


def unknown(table: Mapping[str, object], known: set[str]) -> list[Problem]:
    """Names that nothing reads."""
    words = "nothing reads this; known here: " + ", ".join(sorted(known))
    return [(str(key), words) for key in table if key not in known]


def below(path: str, found: Iterable[Problem]) -> list[Problem]:
    """Problems with the path of the part they are in."""
    return [(path + (f".{key}" if key and not key.startswith("[") else key), words) for key, words in found]


def many_problems(rows: object, problems_of: Callable[[Any], list[Problem]]) -> list[Problem]:
    """What is wrong with each entry of a list of the file."""
    if not isinstance(rows, list):
        return [("", "a list belongs here")]
    return [one for n, row in enumerate(rows) for one in below(f"[{n}]", problems_of(row))]


def table_of(value: object) -> dict[str, object]:
    return value if isinstance(value, dict) else {}


def _there(table: Mapping[str, object]) -> Branch | None:
    """The branch of this name, where there is one."""
    return Branch.objects.filter(name__iexact=str(table.get("name", "")).strip()).first()


def _branch_form(table: Mapping[str, object]) -> BranchForm:
    return BranchForm(_with_defaults(table), instance=_there(table) or Branch())


def _with_defaults(table: Mapping[str, object]) -> dict[str, object]:
    """A branch's facts as its form takes them: what the file leaves out is as the pages have it at first."""
    form = BranchForm(instance=Branch())
    return {name: form.get_initial_for_field(field, name) for name, field in form.fields.items()} | dict(table)


def person_form(table: object) -> PersonForm:
    rows = table_of(table)
    return PersonForm({**rows, "role_names": rows.get("roles", []), "is_active": True})


# -- keeping it -----------------------------------------------------------------------


def _keep(document: Mapping[str, Any]) -> list[str]:
    done = []
    owner = _first_owner(document)
    if owner is None:
        services.name_firm(name=document["firm"]["name"], by=None)
        first = document["branches"][0]
        branch = _there(first) or services.open_first_branch(by=None, **_facts(first))
        owner = _make_owner(document["owner"], branch)
        done.append(f"{owner}: username {owner.username}, code {invite(person=owner, by=owner)}")
    else:
        services.name_firm(name=document["firm"]["name"], by=owner)
    for table in document["branches"]:
        branch = _there(table) or add_branch(by=owner, **_facts(table))
        for key, part in setup.sections().items():
            if key in table:
                done += part.keep(table, branch, owner)
    return done


def _facts(table: Mapping[str, object]) -> dict[str, object]:
    form = _branch_form(table)
    form.full_clean()
    return form.facts()


def _first_owner(document: Mapping[str, Any]) -> User | None:
    """Whoever owns the firm already: by the username of the file, else anybody who does."""
    owners = User.objects.filter(groups__name="owner", is_active=True)
    named = owners.filter(username__iexact=document["owner"].get("username", ""))
    return named.first() or owners.first()


def _make_owner(table: Mapping[str, Any], branch: Branch) -> User:
    return services.give_first_owner(
        branch=branch,
        username=table.get("username") or free_username(table["name"]),
        role_names=table.get("roles", []),
        **{name: table[name] for name in ("name", "email", "phone") if name in table},
    )
