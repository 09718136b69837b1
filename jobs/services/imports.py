"""Jobs and sites from a CSV file, each line's fate shown before anything is written."""

from __future__ import annotations

import csv
import io
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.db import IntegrityError, transaction

from jobs.models import Customer, ImportedLine, Site
from jobs.services.booking import book_job, check_booking
from shared import runs
from shared.errors import Refused
from shared.models import Branch, Run, User

KIND: Final = "jobs.import"
MOST_LINES: Final = 5_000
MOST_BYTES: Final = 4_000_000
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
PLACED: Final = "place taken from its address"
BREATH: Final = 4
"""After a line others may write for this part of the time it took."""

WORDS: Final = {"yes": True, "y": True, "true": True, "1": True, "no": False, "n": False, "false": False, "0": False}


@dataclass(frozen=True, slots=True)
class Fate:
    """What became, or would become, of one line."""

    line: int
    customer: str
    fate: str
    is_wrong: bool = False
    job: int | None = None


def ask_for_import(*, branch: Branch, text: str, by: User, dry: bool, look: Run | None = None) -> Run:
    """
    Reads a file as a run: dry, nothing stays; else every line that can be is booked.

    `look` is the dry run it follows: asked again, the run that books it already is given back.
    """
    list(_lines(text))
    title = "Look at an import" if dry else "Import of jobs"
    return start_import(KIND, branch=branch, by=by, params={"text": text, "dry": dry}, look=look, title=title)


def start_import(
    kind: str, *, branch: Branch, by: User, params: Mapping[str, object], look: Run | None, title: str
) -> Run:
    """The run that reads a file; asked again after one look, the run that takes it already."""
    if look is not None:
        taken = Run.objects.filter(kind=kind, params__look=str(look.pk))
        if (there := taken.exclude(state__in=[Run.State.FAILED, Run.State.STOPPED]).first()) is not None:
            return there
    whole = {"branch": branch.pk, **params} | ({"look": str(look.pk)} if look is not None else {})
    return runs.start(kind, by=by, subject=branch, params=whole, key=f"{kind}:{look.pk}" if look else "", title=title)


@runs.long_work(KIND, title="Import of jobs", queue="bulk")
def import_file(ctx: runs.Context) -> None:
    """Line by line, each booked in a short transaction with its fate, so that others book meanwhile."""
    branch = Branch.objects.get(pk=ctx.params["branch"])
    dry = bool(ctx.params["dry"])
    lines = list(_lines(ctx.params["text"]))
    assert ctx.by is not None
    seen = _Seen(branch)
    before = {} if dry else {fate.line: fate for fate in fates_of(ctx.run)}
    fates = []
    for done, (number, values) in enumerate(lines):
        ctx.progress(done, len(lines), f"line {number}")
        ctx.raise_if_stopped()
        if dry:
            fates.append(_look(seen, number, values, ctx.by))
        else:
            fates.append(before.get(number) or _take(ctx.run, branch, number, values, ctx.by))
    with ctx.finishing() as result:
        result.update(summary(fates, dry=dry))


def text_of(file: UploadedFile[Any]) -> str:
    """A file that was sent, as text."""
    if (file.size or 0) > MOST_BYTES:
        raise Refused("the file is larger than 4 MB", field="file", bound="4 MB")
    try:
        return str(file.read().decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise Refused("the file is not UTF-8 text; save it as CSV UTF-8", field="file") from None


def fates_of(run: Run) -> list[Fate]:
    """What became of the lines so far, of an import under way or one that was stopped."""
    rows = ImportedLine.objects.filter(run=run).order_by("line")
    return [Fate(row.line, row.customer, row.fate, row.is_wrong, row.job_id) for row in rows]


def summary(fates: list[Fate], *, dry: bool) -> dict[str, Any]:
    """The result as the page and the API show it."""
    wrong = sum(fate.is_wrong for fate in fates)
    return {"dry": dry, "taken": len(fates) - wrong, "wrong": wrong, "fates": [asdict(fate) for fate in fates]}


def _lines(text: str) -> Iterator[tuple[int, dict[str, str]]]:
    return table_lines(text, tuple(COLUMNS), NEEDED)


def table_lines(text: str, columns: Sequence[str], needed: Sequence[str]) -> Iterator[tuple[int, dict[str, str]]]:
    """Numbered lines of a CSV file by column, empty ones left out; refuses a file that is no table of ours."""
    sample = text.lstrip("\ufeff")
    delimiter = ";" if sample.partition("\n")[0].count(";") > sample.partition("\n")[0].count(",") else ","
    reader = csv.DictReader(io.StringIO(sample), delimiter=delimiter)
    names = [(name or "").strip().lower() for name in reader.fieldnames or []]
    lacking = [name for name in needed if name not in names]
    if lacking:
        raise Refused(f"the file lacks the column {', '.join(lacking)}", field="file", bound=", ".join(columns))
    unknown = [name for name in names if name not in columns]
    if unknown:
        raise Refused(f"no such column: {', '.join(unknown)}", field="file", bound=", ".join(columns))
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


class _Seen:
    """Customers and sites as they would be known by a line, those of the lines before it included."""

    def __init__(self, branch: Branch) -> None:
        self.branch = branch
        self.customers: set[str] = set()
        self.sites: set[tuple[str, ...]] = set()

    def words(self, values: dict[str, str], customer: Customer | None, site: Site | None) -> list[str]:
        """How the line would find its customer and site; from then on they are known."""
        name = values["customer"].lower()
        place = (name, *(values.get(part, "").lower() for part in ("street", "town", "line2")))
        is_known = customer is not None or name in self.customers
        words = ["known customer" if is_known else "new customer"]
        words.append("known site" if site is not None or place in self.sites else "new site")
        self.customers.add(name)
        self.sites.add(place)
        return words


def _look(seen: _Seen, number: int, values: dict[str, str], by: User) -> Fate:
    """What would become of a line; nothing is written and nothing locked."""
    try:
        _demand_needed(values)
        asked = _asked(values)
        customer, site = _known(seen.branch, values)
        check_booking(
            branch=seen.branch, by=by, customer=customer or asked.customer, site=site or asked.site, job=asked.job
        )
        words = seen.words(values, customer, site)
    except (Refused, ValidationError) as error:
        return Fate(number, values.get("customer", "")[:120], _problem(error), True)
    if (site.place_from or site.latitude is None) if site is not None else asked.site["latitude"] is None:
        words.append(PLACED if seen.branch.latitude is not None else "no coordinates yet")
    return Fate(number, values["customer"][:120], f"a job: {', '.join(words)}")


def _take(run: Run, branch: Branch, number: int, values: dict[str, str], by: User) -> Fate:
    """Books a line and keeps its fate, both or neither; another attempt's fate where there is one."""
    return take_line(run, number, values.get("customer", ""), lambda: _book(branch, values, by))


def take_line(run: Run, number: int, name: str, do: Callable[[], tuple[str, int | None]]) -> Fate:
    """Does a line and keeps its fate (and job), both or neither; another attempt's fate where there is one."""
    name, began = name[:120], time.monotonic()
    try:
        try:
            with transaction.atomic():
                row = ImportedLine.objects.create(run=run, line=number, customer=name)
                row.fate, row.job_id = do()
                row.save(update_fields=["fate", "job"])
        except (Refused, ValidationError) as error:
            row = ImportedLine(run=run, line=number, customer=name, fate=_problem(error)[:400], is_wrong=True)
            with transaction.atomic():
                row.save(force_insert=True)
    except IntegrityError:
        row = ImportedLine.objects.get(run=run, line=number)
    time.sleep((time.monotonic() - began) / BREATH)
    return Fate(number, name, row.fate, row.is_wrong, row.job_id)


def _problem(error: Refused | ValidationError) -> str:
    if isinstance(error, ValidationError):
        return "; ".join(error.messages)
    return f"{error.field}: {error.problem}" if error.field else error.problem


def _demand_needed(values: dict[str, str]) -> None:
    for name in NEEDED:
        if not values.get(name):
            raise Refused("is empty", field=name)


def _known(branch: Branch, values: dict[str, str]) -> tuple[Customer | None, Site | None]:
    customer = Customer.objects.filter(branch=branch, name__iexact=values["customer"]).first()
    if customer is None:
        return None, None
    site = Site.objects.filter(
        customer=customer, street__iexact=values["street"], town__iexact=values["town"],
        line2__iexact=values.get("line2", ""),
    ).first()  # fmt: skip
    return customer, site


@dataclass(frozen=True, slots=True)
class _Asked:
    """A line's columns as `book_job` takes them."""

    customer: dict[str, Any]
    site: dict[str, Any]
    job: dict[str, Any]
    purpose: str | None


def _asked(values: dict[str, str]) -> _Asked:
    return _Asked(
        customer={name: values.get(column, "") for name, column in _CUSTOMER.items()},
        site=_site(values),
        job={
            "openings_expected": _whole(values, "openings", 1, 999) or 1,
            "rooms_expected": values.get("rooms", ""),
            "title": values.get("title", ""),
            "note": values.get("note", ""),
        },
        purpose="measure" if _truth(values, "visit", True) else None,
    )


def _book(branch: Branch, values: dict[str, str], by: User) -> tuple[str, int | None]:
    _demand_needed(values)
    asked = _asked(values)
    customer, site = _known(branch, values)
    words = ["known customer" if customer else "new customer", "known site" if site else "new site"]
    job = book_job(
        branch=branch, by=by, customer=customer or asked.customer, site=site or asked.site, job=asked.job,
        purpose=asked.purpose,
    )  # fmt: skip
    if job.site.place_from or job.site.latitude is None:
        words.append(PLACED if job.site.place_from else "no coordinates yet")
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
