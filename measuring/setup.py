"""What measuring adds to the set-up of a firm: its range, as a step and in the firm's file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from measuring.forms import RangeForm
from measuring.models import Product
from measuring.services.starting_data import take_range
from shared.models import Branch, User
from shared.setup import Problem, Section, Step, add, add_section
from shared.setup.document import unknown


def register() -> None:
    """Called once, when the apps are ready."""
    add(Step("What you sell", "measuring:setup_range", 60, standing))
    add_section(Section("range", 40, problems, keep))


def standing(branch: Branch | None) -> str:
    """How many products there are."""
    count = Product.objects.filter(branch=branch, is_active=True).count() if branch else 0
    return f"{count} product{'' if count == 1 else 's'}" if count else ""


def _form(table: Mapping[str, Any]) -> RangeForm:
    data: dict[str, object] = {f"take_{key}": True for key in table["range"]}
    return RangeForm({**data, **{f"name_{key}": name for key, name in table["range"].items()}})


def problems(table: Mapping[str, object]) -> list[Problem]:
    """A key of the starting range to the firm's own name of it."""
    if not isinstance(table["range"], dict):
        return [("", "a table belongs here: key of the starting range = your name for it")]
    form = _form(table)
    found = unknown(table["range"], set(form.known))
    wrong = form.errors.get_json_data()
    return found + [(name.removeprefix("name_"), one["message"]) for name, errors in wrong.items() for one in errors]


def keep(table: Mapping[str, object], branch: Branch, by: User) -> list[str]:
    """Products there are not yet."""
    form = _form(table)
    form.full_clean()
    return [f"{product} is in the range" for product in take_range(branch=branch, names=form.names(), by=by)]
