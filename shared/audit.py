"""The audit trail: who did what when, and what it changed from."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from decimal import Decimal
from typing import Any, Final

from django.contrib.contenttypes.models import ContentType
from django.db import models

from shared.lengths import Length
from shared.models import AnsweredRequest, AuditEntry, User

Changes = Mapping[str, Sequence[object]]
"""Field to [what it was, what it is], as plain values a person can read."""


FIELD_WORDS: dict[str, str] = {"colour": "color"}
"""What pages call a field whose name reads otherwise; each app adds its own. The rest is its name with spaces."""

UNSAID: Final = frozenset({"version"})
"""What counts changes for the program alone."""


def word_for(field: str) -> str:
    """
    A field as its page names it.

    Examples
    --------
    >>> word_for("colour"), word_for("is_locked"), word_for("done_at")
    ('color', 'locked', 'done at')
    """
    return FIELD_WORDS.get(field) or field.removeprefix("is_").removeprefix("has_").replace("_", " ")


def changes_in_words(made: AuditEntry) -> list[tuple[str, Any, Any]]:
    """What an entry changed: field, what it was, what it is, in the words of the subject's pages."""
    subject = made.subject_type_id and ContentType.objects.get_for_id(made.subject_type_id).model_class()
    choices = {
        (field.db_column or field.name).removesuffix("_id"): dict(field.flatchoices)
        for field in (subject._meta.fields if subject else ())
    }
    return [
        (word_for(name), *(_in_words(value, choices.get(name, {})) for value in pair))
        for name, pair in made.changes.items()
        if name not in UNSAID
    ]


def _in_words(value: object, choices: Mapping[object, object]) -> Any:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(str(_in_words(one, choices)) for one in value)
    return str(choices[value]) if isinstance(value, str) and value in choices else value


_done_at: ContextVar[dt.datetime | None] = ContextVar("done_at", default=None)


@contextmanager
def done_at(when: dt.datetime) -> Iterator[None]:
    """What is recorded within was done then, and is only now told of by a phone."""
    token = _done_at.set(when)
    try:
        yield
    finally:
        _done_at.reset(token)


_customers_job: ContextVar[int | None] = ContextVar("customers_job", default=None)


@contextmanager
def by_customer(job: int) -> Iterator[None]:
    """What is recorded of this job within by nobody of the firm was done by its customer; of others, by the program."""
    token = _customers_job.set(job)
    try:
        yield
    finally:
        _customers_job.reset(token)


_press: ContextVar[int | None] = ContextVar("press", default=None)


@contextmanager
def pressed(press: int | None) -> Iterator[None]:
    """What is recorded within was asked for by this press, which is marked as done in the same transaction."""
    token = _press.set(press)
    try:
        yield
    finally:
        _press.reset(token)


def presses(press: int) -> None:
    """From now on, within `pressed`, what is recorded was asked for by this press."""
    _press.set(press)


def _mark_press() -> None:
    press = _press.get()
    if press is not None:
        AnsweredRequest.objects.filter(pk=press).update(body=DONE)
        _press.set(None)


DONE: Final = b"done"
"""In the place of the answer to a press that did something and has none yet."""


def plain(value: object) -> Any:
    """A value as the trail keeps it: text, a number, a truth or nothing."""
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, Length):
        return str(value)
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat(timespec="seconds")
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, Iterable) and not isinstance(value, models.Model):
        return [plain(inner) for inner in value]
    return str(value)


def changed(obj: models.Model, fields: Sequence[str]) -> dict[str, list[object]]:
    """
    What saving `obj` will change, before it is saved.

    Compares the fields with the stored row (one query; none for a new object) and
    gives only those that differ. A foreign key is named by the row it points to.

    Examples
    --------
    >>> site.note = "ring twice"                        # doctest: +SKIP
    >>> changed(site, ["note", "year_built"])           # doctest: +SKIP
    {'note': ['', 'ring twice']}
    """
    stored = None if obj._state.adding else type(obj)._base_manager.filter(pk=obj.pk).first()
    found: dict[str, list[object]] = {}
    for name in fields:
        field = obj._meta.get_field(name)
        column = getattr(field, "attname", name)
        before = getattr(stored, column) if stored is not None else None
        if before != getattr(obj, column) and not (stored is None and getattr(obj, column) in (None, "")):
            # the trail's lines go on under a field's first name, which is its column
            first = (getattr(field, "db_column", None) or name).removesuffix("_id")
            found[first] = [plain(getattr(stored, name, None)), plain(getattr(obj, name))]
    return found


def entry(
    *,
    by: User | None,
    action: str,
    subject: models.Model | None,
    changes: Changes | None = None,
    job: models.Model | int | None = None,
    note: str = "",
) -> AuditEntry:
    """An entry that is not saved yet, for services that write many at once."""
    job_id = job.pk if isinstance(job, models.Model) else job
    return AuditEntry(
        done_at=_done_at.get(),
        by=by,
        by_customer=by is None and job_id is not None and job_id == _customers_job.get(),
        action=action,
        subject_type=ContentType.objects.get_for_model(subject) if subject is not None else None,
        subject_id="" if subject is None else str(subject.pk),
        subject_text="" if subject is None else str(subject)[:200],
        job_id=job_id,
        changes={name: [plain(old), plain(new)] for name, (old, new) in (changes or {}).items()},
        note=note,
    )


def record(
    *,
    by: User | None,
    action: str,
    subject: models.Model | None,
    changes: Changes | None = None,
    job: models.Model | int | None = None,
    note: str = "",
) -> AuditEntry:
    """
    Leave one entry; call it in the transaction of the action, after the subject has its key.

    Parameters
    ----------
    by
        Who did it; none for what the program does by itself, or the customer within `by_customer`.
    action
        What was done, in words of the trade, past tense: ``booked the measure``.
    subject
        What it was done to.
    changes
        Field to [old, new], from `changed`.
    job
        The job (or its number) on whose page the entry shows.
    note
        The person's own words, such as the reason of a hold.
    """
    made = entry(by=by, action=action, subject=subject, changes=changes, job=job, note=note)
    made.save(force_insert=True)
    _mark_press()
    return made


def record_all(entries: Iterable[AuditEntry]) -> None:
    """Leave many entries in a few statements."""
    AuditEntry.objects.bulk_create(entries, batch_size=500)
    _mark_press()
