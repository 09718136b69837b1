"""
What an edit was drawn from: of two people who change one thing, neither undoes the other unseen.

A page's form carries a mark of each value it showed. When it comes back, the row is locked and read again
(`held`, within `edits`): a value that somebody changed meanwhile stays theirs where the sender left it alone;
where both changed it, nothing is kept and the page shows both. Over the API a mark of the whole answer is its
``ETag``, and ``If-Match`` names the one a change was made from.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Mapping
from decimal import Decimal
from functools import wraps
from typing import Any, Final, TypeVar

from django.db import models, transaction
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext

from shared.models import AuditEntry

FIELD: Final = "drawn_from"
"""The hidden box of a form that carries the marks."""

M = TypeVar("M", bound=models.Model)
View = Callable[..., HttpResponseBase]


def edits(view: View) -> View:
    """A page that reads a row, compares and keeps it in one transaction when something is sent."""

    @wraps(view)
    def within(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if request.method != "POST":
            return view(request, *args, **kwargs)
        with transaction.atomic():
            return view(request, *args, **kwargs)

    return within


def held(row: M) -> M:
    """The row locked and as it stands now; as it is where no transaction is open, or it is new."""
    if row.pk is not None and not row._state.adding and transaction.get_connection().in_atomic_block:
        row.refresh_from_db(from_queryset=type(row)._base_manager.select_for_update())
    return row


def mark(value: object) -> str:
    """A short mark of a value, the same however a page or a column writes it."""
    return salted_hmac("shared.versions", json.dumps(_plain(value))).hexdigest()[:10]


def _plain(value: object) -> Any:
    """
    A value as text, without what is lost on the way through a page.

    Examples
    --------
    >>> _plain(None), _plain(Decimal("30.00")), _plain([2, 1]), _plain("a\\r\\nb ")
    ('', '30', ['1', '2'], 'a\\nb')
    """
    if value is None:
        return ""
    if isinstance(value, models.Model):
        return str(value.pk)
    if isinstance(value, bool):
        return str(value)
    if isinstance(value, int | float | Decimal):
        return f"{Decimal(str(value)).normalize():f}"
    if isinstance(value, dt.time):
        return value.isoformat("minutes")
    if isinstance(value, list | tuple | set | models.QuerySet):
        return sorted(_plain(one) for one in value)
    return "\n".join(str(value).split("\r\n")).strip()


def written(marks: Mapping[str, str]) -> str:
    """Marks as a hidden box carries them."""
    return json.dumps(dict(marks), separators=(",", ":"))


def read(text: str) -> dict[str, str]:
    """The same back; nothing where it is not ours."""
    try:
        found = json.loads(text or "{}")
    except ValueError:
        return {}
    return {str(name): str(one) for name, one in found.items()} if isinstance(found, dict) else {}


def who_changed(row: models.Model) -> str:
    """Who changed the row last, for a sentence."""
    entries = AuditEntry.objects.filter(subject_id=str(row.pk), subject_type__model=row._meta.model_name)
    last = entries.filter(subject_type__app_label=row._meta.app_label).select_related("by").order_by("-pk").first()
    return last.who if last is not None and (last.by is not None or last.by_customer) else gettext("Somebody")
