"""Jobs and sites from a CSV file, each line's fate shown before anything is written."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Final

from django.core.exceptions import ValidationError
from django.db import transaction

from jobs.models import Customer, Site
from jobs.services.booking import book_job
from shared import runs
from shared.errors import Refused
from shared.models import Branch, Run, User

KIND: Final = "jobs.import"
MOST_LINES: Final = 5_000
NEEDED: Final = ("customer", "street", "town")
COLUMNS: Final = {
    # column: what it holds
    "customer": "who pays; needed",
    "street": "needed",
    "town": "needed",
    "phone": "",
    "email": "",
    "line2": "unit or floor",
    "postcode": "",
    "latitude": "degrees, with longitude",
    "longitude": "degrees, with latitude",
    "year_built": "",
    "children": "yes or no; yes when empty",
    "openings": "how many are expected; 1 when empty",
    "rooms": "",
    "title": "",
    "note": "",
    "visit": "yes: a measure visit, unplaced; no: none; yes when empty",
}
WORDS: Final = {"yes": True, "y": True, "true": True, "1": True, "no": False, "n": False, "false": False, "0": False}


@dataclass(frozen=True, slots=True)
class Fate:
    """What became, or would become, of one line."""

    line: int
    customer: str
    fate: str
    is_wrong: bool = False
    job: int | None = None


class _Undo(Exception):
    """Ends a dry run."""


def ask_for_import(*, branch: Branch, text: str, by: User, dry: bool) -> Run:
    """Reads a file as a run: dry, nothing stays; else every line that can be is booked."""
    list(_lines(text))
    params = {"branch": branch.pk, "text": text, "dry": dry}
    title = "Look at an import" if dry else "Import of jobs"
    return runs.start(KIND, by=by, subject=branch, params=params, title=title)


@runs.long_work(KIND, title="Import of jobs")
def import_file(ctx: runs.Context) -> None:
    """One transaction for the whole file, so that an attempt that died left nothing."""
    branch = Branch.objects.get(pk=ctx.params["branch"])
    dry = bool(ctx.params["dry"])
    lines = list(_lines(ctx.params["text"]))
    assert ctx.by is not None
    if dry:
        fates: list[Fate] = []
        try:
            with transaction.atomic():
                fates = _take_all(branch, lines, ctx)
                raise _Undo
        except _Undo:
            pass
        with ctx.finishing() as result:
            result.update(_summary(fates, dry=True))
        return
    with ctx.finishing() as result:
        fates = _take_all(branch, lines, None, by=ctx.by)
        result.update(_summary(fates, dry=False))


def _summary(fates: list[Fate], *, dry: bool) -> dict[str, object]:
    wrong = sum(fate.is_wrong for fate in fates)
    return {"dry": dry, "taken": len(fates) - wrong, "wrong": wrong, "fates": [asdict(fate) for fate in fates]}


def _lines(text: str) -> Iterator[tuple[int, dict[str, str]]]:
    """Numbered lines as columns; refuses a file that is no table of ours."""
    sample = text.lstrip("\ufeff")
    delimiter = ";" if sample.partition("\n")[0].count(";") > sample.partition("\n")[0].count(",") else ","
    reader = csv.DictReader(io.StringIO(sample), delimiter=delimiter)
    names = [(name or "").strip().lower() for name in reader.fieldnames or []]
    lacking = [name for name in NEEDED if name not in names]
    if lacking:
        raise Refused(f"the file lacks the column {', '.join(lacking)}", field="file", bound=", ".join(COLUMNS))
    unknown = [name for name in names if name not in COLUMNS]
    if unknown:
        raise Refused(f"no such column: {', '.join(unknown)}", field="file", bound=", ".join(COLUMNS))
    for count, row in enumerate(reader):
        if count >= MOST_LINES:
            raise Refused(f"more than {MOST_LINES} lines", field="file", bound=str(MOST_LINES))
        values = {
            name: (value or "").strip()
            for name, value in zip(names, row.values(), strict=False)
            if isinstance(value, str | None)
        }
        if any(values.values()):
            yield reader.line_num, values


def _take_all(
    branch: Branch, lines: list[tuple[int, dict[str, str]]], ctx: runs.Context | None, by: User | None = None
) -> list[Fate]:
    fates = []
    person = by or (ctx.by if ctx else None)
    assert person is not None
    for done, (number, values) in enumerate(lines):
        if ctx is not None and done % 20 == 0:
            ctx.progress(done, len(lines), f"line {number}")
            ctx.raise_if_stopped()
        fates.append(_take(branch, number, values, person))
    return fates


def _take(branch: Branch, number: int, values: dict[str, str], by: User) -> Fate:
    name = values.get("customer", "")
    try:
        with transaction.atomic():
            words, job = _book(branch, values, by)
    except Refused as refusal:
        field = f"{refusal.field}: " if refusal.field else ""
        return Fate(number, name, f"{field}{refusal.problem}", True)
    except ValidationError as error:
        return Fate(number, name, "; ".join(error.messages), True)
    return Fate(number, name, words, False, job)


def _book(branch: Branch, values: dict[str, str], by: User) -> tuple[str, int]:
    for name in NEEDED:
        if not values.get(name):
            raise Refused("is empty", field=name)
    customer = Customer.objects.filter(branch=branch, name__iexact=values["customer"]).first()
    site = None
    if customer is not None:
        site = Site.objects.filter(
            customer=customer, street__iexact=values["street"], town__iexact=values["town"],
            line2__iexact=values.get("line2", ""),
        ).first()  # fmt: skip
    words = ["known customer" if customer else "new customer", "known site" if site else "new site"]
    job = book_job(
        branch=branch,
        by=by,
        customer=customer or {name: values.get(column, "") for name, column in _CUSTOMER.items()},
        site=site or _site(values),
        job={
            "openings_expected": _whole(values, "openings", 1, 999) or 1,
            "rooms_expected": values.get("rooms", ""),
            "title": values.get("title", ""),
            "note": values.get("note", ""),
        },
        purpose="measure" if _truth(values, "visit", True) else None,
    )
    if job.site.latitude is None:
        words.append("no coordinates yet")
    return f"job {job.number}: {', '.join(words)}", job.pk


_CUSTOMER: Final = {"name": "customer", "phone": "phone", "email": "email"}


def _site(values: dict[str, str]) -> dict[str, object]:
    return {
        **{name: values.get(name, "") for name in ("street", "line2", "town", "postcode")},
        "latitude": _number(values, "latitude", 90),
        "longitude": _number(values, "longitude", 180),
        "year_built": _whole(values, "year_built", 1600, 2200),
        "children": _truth(values, "children", True),
    }


def _number(values: dict[str, str], name: str, most: float) -> float | None:
    text = values.get(name, "")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        raise Refused(f"{text} is no number", field=name, bound=f"-{most:g} to {most:g}") from None
    if not -most <= value <= most:
        raise Refused(f"{text} is out of bounds (-{most:g} to {most:g})", field=name)
    return value


def _whole(values: dict[str, str], name: str, least: int, most: int) -> int | None:
    text = values.get(name, "")
    if not text:
        return None
    if not text.isdigit() or not least <= int(text) <= most:
        raise Refused(f"{text} is no whole number from {least} to {most}", field=name)
    return int(text)


def _truth(values: dict[str, str], name: str, usual: bool) -> bool:
    text = values.get(name, "").lower()
    if not text:
        return usual
    if text not in WORDS:
        raise Refused(f"{text} is neither yes nor no", field=name)
    return WORDS[text]
