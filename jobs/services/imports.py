"""
Tables from other programs: what would become of each line first, then the lines that can be taken, then undone.

What a table can hold is a `Kind`; higher apps add theirs. A line is taken in one short transaction with its fate, so
that it is done once and others work meanwhile.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from django.apps import apps
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.db import IntegrityError, models, transaction

from jobs.models import Customer, ImportedLine, ImportMapping, Job, Site
from jobs.rules.columns import Cells, Column, matched
from jobs.services.search import forget_customer, keep_customer
from jobs.services.stages import recompute_stage
from shared import audit, roles, runs, spreadsheets
from shared.errors import Refused
from shared.models import AuditEntry, Branch, Run, User
from shared.spreadsheets import MOST_BYTES, rows_of

KIND: Final = "jobs.import"
UNDO: Final = "jobs.import_undo"
MOST_LINES: Final = 5_000
EXAMPLES: Final = 5
BREATH: Final = 4
"""After a line others may write for this part of the time it took."""
HANGS_ON_NOTHING: Final = frozenset({
    "jobs.SearchEntry", "jobs.ImportedLine", "jobs.JobDate", "jobs.CustomerLink", "jobs.Crew_skills",
})  # fmt: skip
"""What is written beside a row by itself and goes with it."""


class WrongCells(Exception):
    """What is wrong with a line, by column."""

    def __init__(self, cells: Mapping[str, str]) -> None:
        super().__init__("; ".join(f"{name}: {problem}" if name else problem for name, problem in cells.items()))
        self.cells = dict(cells)


@dataclass(slots=True)
class Importing:
    """For whom a table is read, and what earlier lines of it would bring."""

    branch: Branch
    by: User
    job: Job | None = None
    seen: set[tuple[str, ...]] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class Taken:
    """What a line became: in words, the rows it made (each before those that hang on it), and its job."""

    text: str
    rows: Sequence[models.Model] = ()
    job: Job | None = None


@dataclass(frozen=True, slots=True)
class Kind:
    """
    What a table can hold.

    Parameters
    ----------
    look
        What a line would become, in words; writes nothing. What is wrong stays in the cells, or is refused.
    take
        Takes the line in.
    """

    key: str
    title: str
    columns: tuple[Column, ...]
    look: Callable[[Importing, Cells], str]
    take: Callable[[Importing, Cells], Taken]
    roles: tuple[str, ...] = roles.OFFICE
    name_of: str = ""
    """The column that says what a line is about."""

    @property
    def needed(self) -> list[str]:
        return [one.name for one in self.columns if one.is_needed]


kinds: dict[str, Kind] = {}


def add(kind: Kind) -> None:
    """A higher app adds what its tables can hold."""
    kinds[kind.key] = kind


@dataclass(frozen=True, slots=True)
class Fate:
    """What became, or would become, of one line."""

    line: int
    customer: str
    fate: str
    is_wrong: bool = False
    job: int | None = None
    cells: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table as it was sent: its headings, its lines, and which heading is which column."""

    headings: list[str]
    lines: list[tuple[int, list[str]]]
    columns: dict[str, str]

    def values(self, cells: Sequence[str]) -> dict[str, str]:
        """A line by our columns."""
        return {
            self.columns[head]: cell for head, cell in zip(self.headings, cells, strict=False) if head in self.columns
        }

    def examples(self, at: int) -> list[str]:
        """The first cells of a column that say something."""
        cells = (cells[at] for _, cells in self.lines[:50] if at < len(cells) and cells[at])
        return list(dict.fromkeys(cells))[:3]


def read_sheet(
    kind: Kind, text: str, columns: Mapping[str, str] | None = None, kept: Mapping[str, str] | None = None
) -> Sheet:
    """
    The table of a text.

    Parameters
    ----------
    columns
        Which heading is which column, as somebody chose; None: as headings and cells tell.

    Raises
    ------
    Refused
        No heading, too many lines.
    """
    rows = rows_of(text)
    _, headings = next(rows, (0, []))
    lines = []
    for count, row in enumerate(rows):
        if count >= MOST_LINES:
            raise Refused(f"more than {MOST_LINES} lines", field="file", bound=str(MOST_LINES))
        lines.append(row)
    if columns is None:
        columns = matched(headings, [cells for _, cells in lines[:EXAMPLES]], kind.columns, kept)
    return Sheet(headings, lines, dict(columns))


def lacking(kind: Kind, sheet: Sheet) -> list[str]:
    """Columns that are needed and that no heading is."""
    return [name for name in kind.needed if name not in sheet.columns.values()]


def refuse_strange(kind: Kind, sheet: Sheet) -> None:
    """For who sends a table without a person looking on: every column is known, and those needed are there."""
    known = ", ".join(one.name for one in kind.columns)
    if missing := lacking(kind, sheet):
        raise Refused(f"the file lacks the column {', '.join(missing)}", field="file", bound=known)
    if strange := [head for head in sheet.headings if head not in sheet.columns]:
        raise Refused(f"no such column: {', '.join(strange)[:200]}", field="file", bound=known)


def text_of(file: UploadedFile[Any]) -> str:
    """A file that was sent, CSV or XLSX, as CSV text."""
    if (file.size or 0) > MOST_BYTES:
        raise Refused("the file is larger than 4 MB", field="file", bound="4 MB")
    return spreadsheets.text_of(file.read())


def table_lines(text: str, columns: Sequence[str], needed: Sequence[str]) -> Iterator[tuple[int, dict[str, str]]]:
    """Numbered lines of a table by column, empty ones left out; refuses a table that is none of ours."""
    rows = rows_of(text)
    names = [head.lower() for head in next(rows, (0, []))[1]]
    if lacks := [name for name in needed if name not in names]:
        raise Refused(f"the file lacks the column {', '.join(lacks)}", field="file", bound=", ".join(columns))
    if strange := [name for name in names if name not in columns]:
        raise Refused(f"no such column: {', '.join(strange)}", field="file", bound=", ".join(columns))
    for count, (line, cells) in enumerate(rows):
        if count >= MOST_LINES:
            raise Refused(f"more than {MOST_LINES} lines", field="file", bound=str(MOST_LINES))
        yield line, dict(zip(names, cells, strict=False))


def ask_for_import(
    *, branch: Branch, text: str, by: User, dry: bool, look: Run | None = None, kind: str = "jobs",
    columns: Mapping[str, str] | None = None, source: str = "", job: Job | None = None,
) -> Run:  # fmt: skip
    """
    Reads a table as a run: dry, nothing stays; else every line that can be is taken.

    Parameters
    ----------
    look
        The dry run it follows: asked again, the run that takes its lines already is given back.
    columns
        Which heading is which column; None: as the headings say, and a column nobody knows is refused.
    source
        Whose tables these are: what was chosen of its columns is kept, and taken the next time.
    job
        The one that its lines are of, where they do not say.
    """
    of = kinds.get(kind)
    if of is None:
        raise Refused(f"{kind} is nothing a table can hold", field="kind", bound=", ".join(kinds))
    if not by.has_role(*of.roles):
        raise Refused(f"{of.title} are not yours to bring in", field="kind")
    sheet = read_sheet(of, text, columns)
    if columns is None:
        refuse_strange(of, sheet)
    params: dict[str, object] = {
        "text": text, "dry": dry, "kind": kind, "columns": sheet.columns, "source": source,
        "job": job.pk if job is not None else None,
    }  # fmt: skip
    title = f"Look at an import: {of.title}" if dry else f"Import: {of.title}"
    if look is not None:
        keep_mapping(branch=branch, kind=of, source=source, columns=sheet.columns, headings=sheet.headings)
    return start_import(KIND, branch=branch, by=by, params=params, look=look, title=title)


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


def mapping_of(branch: Branch, kind: Kind, source: str) -> dict[str, str]:
    """What was chosen of the columns of a source before; a heading that is none of ours is empty."""
    row = ImportMapping.objects.filter(branch=branch, kind=kind.key, source=source).first()
    return dict(row.columns) if row is not None else {}


def keep_mapping(
    *, branch: Branch, kind: Kind, source: str, columns: Mapping[str, str], headings: Sequence[str]
) -> None:
    """Keeps for the next table of a source which heading is which column."""
    if source:
        chosen = {head: columns.get(head, "") for head in headings}
        ImportMapping.objects.update_or_create(
            branch=branch, kind=kind.key, source=source, defaults={"columns": chosen}
        )


@runs.long_work(KIND, title="Import", queue="bulk")
def import_file(ctx: runs.Context) -> None:
    """Line by line, each taken in a short transaction with its fate, so that others work meanwhile."""
    kind = kinds[ctx.params.get("kind", "jobs")]
    dry = bool(ctx.params["dry"])
    sheet = read_sheet(kind, ctx.params["text"], ctx.params.get("columns"))
    assert ctx.by is not None
    job = Job.objects.filter(pk=ctx.params["job"]).first() if ctx.params.get("job") else None
    to = Importing(Branch.objects.get(pk=ctx.params["branch"]), ctx.by, job)
    before = {} if dry else {fate.line: fate for fate in fates_of(ctx.run)}
    fates = []
    for done, (number, cells) in enumerate(sheet.lines if not lacking(kind, sheet) else ()):
        ctx.progress(done, len(sheet.lines), f"line {number}")
        ctx.raise_if_stopped()
        values = sheet.values(cells)
        fates.append(
            _look(kind, to, number, values) if dry else before.get(number) or _take(ctx.run, kind, to, number, values)
        )
    with ctx.finishing() as result:
        result.update(summary(fates, dry=dry))


def fates_of(run: Run) -> list[Fate]:
    """What became of the lines so far, of an import under way or one that was stopped."""
    rows = ImportedLine.objects.filter(run=run).order_by("line")
    return [Fate(row.line, row.customer, row.fate, row.is_wrong, row.job_id, row.cells or {}) for row in rows]


def summary(fates: list[Fate], *, dry: bool) -> dict[str, Any]:
    """The result as the page and the API show it."""
    wrong = sum(fate.is_wrong for fate in fates)
    return {"dry": dry, "taken": len(fates) - wrong, "wrong": wrong, "fates": [asdict(fate) for fate in fates]}


def _look(kind: Kind, to: Importing, number: int, values: dict[str, str]) -> Fate:
    """What would become of a line; nothing is written and nothing locked."""
    cells, name = Cells(values), values.get(kind.name_of, "")[:120]
    try:
        cells.demand(*kind.needed)
        words = kind.look(to, cells)
        if cells.wrong:
            raise WrongCells(cells.wrong)
    except (Refused, ValidationError, WrongCells) as error:
        wrong = _wrong(error, cells)
        return Fate(number, name, str(WrongCells(wrong))[:400], True, cells=wrong)
    return Fate(number, name, words[:400])


def _take(run: Run, kind: Kind, to: Importing, number: int, values: dict[str, str]) -> Fate:
    """Takes a line and keeps its fate, both or neither; another attempt's fate where there is one."""
    cells = Cells(values)

    def take() -> Taken:
        cells.demand(*kind.needed)
        if cells.wrong:
            raise WrongCells(cells.wrong)
        return kind.take(to, cells)

    return take_line(run, number, values.get(kind.name_of, ""), take, cells)


def take_line(run: Run, number: int, name: str, do: Callable[[], Taken], cells: Cells | None = None) -> Fate:
    """Does a line and keeps its fate, both or neither; another attempt's fate where there is one."""
    name, began = name[:120], time.monotonic()
    try:
        try:
            with transaction.atomic():
                row = ImportedLine.objects.create(run=run, line=number, customer=name)
                taken = do()
                row.fate, row.job = taken.text[:400], taken.job
                row.made = [[one._meta.label, str(one.pk)] for one in taken.rows]
                row.save(update_fields=["fate", "job", "made"])
        except (Refused, ValidationError, WrongCells) as error:
            wrong = _wrong(error, cells or Cells({}))
            row = ImportedLine(
                run=run, line=number, customer=name, fate=str(WrongCells(wrong))[:400], is_wrong=True, cells=wrong
            )
            with transaction.atomic():
                row.save(force_insert=True)
    except IntegrityError:
        row = ImportedLine.objects.get(run=run, line=number)
    time.sleep((time.monotonic() - began) / BREATH)
    return Fate(number, name, row.fate, row.is_wrong, row.job_id, row.cells or {})


def _wrong(error: Refused | ValidationError | WrongCells, cells: Cells) -> dict[str, str]:
    """All that is wrong with a line, by column; under the empty name what is about the whole of it."""
    if isinstance(error, WrongCells):
        return error.cells | cells.wrong
    if isinstance(error, ValidationError):
        return cells.wrong | {"": "; ".join(error.messages)}
    return {error.field: error.problem} | cells.wrong


# -- undone --------------------------------------------------------------------------------------


def ask_to_undo(*, run: Run, by: User) -> Run:
    """Takes back what an import made, line by line, where nothing hangs on it by now."""
    if run.kind != KIND or run.params.get("dry", True) or run.is_active():
        raise Refused("only an import that is over can be undone")
    return runs.start(
        UNDO, by=by, subject=run.subject, params={"of": str(run.pk)}, key=f"{UNDO}:{run.pk}", title="Undo an import"
    )


@runs.long_work(UNDO, title="Undo an import", queue="bulk")
def undo_import(ctx: runs.Context) -> None:
    """The last line first, each in a transaction of its own; what stays says why."""
    run = Run.objects.get(pk=ctx.params["of"])
    rows = list(ImportedLine.objects.filter(run=run, is_wrong=False, undone_at=None).order_by("-line"))
    undone = 0
    for done, row in enumerate(rows):
        ctx.progress(done, len(rows), f"line {row.line}")
        ctx.raise_if_stopped()
        undone += _undo(row, run, ctx.by)
    with ctx.finishing() as result:
        result.update(of=str(run.pk), undone=undone, kept=len(rows) - undone)
        audit.record(by=ctx.by, action=f"undid {undone} of {len(rows)} lines of an import", subject=run.subject)


@transaction.atomic
def _undo(line: ImportedLine, run: Run, by: User | None) -> bool:
    """Deletes what a line made, or keeps why it can't."""
    line = ImportedLine.objects.select_for_update().get(pk=line.pk)
    if line.undone_at is not None:
        return True
    rows = [row for label, pk in line.made or () if (row := apps.get_model(label)._base_manager.filter(pk=pk).first())]
    line.kept_because = hanging_on(rows, run)
    if not line.kept_because:
        _delete(rows, line.job)
        line.undone_at, line.job = models.functions.Now(), None
    line.save(update_fields=["kept_because", "undone_at", "job"])
    return not line.kept_because


def hanging_on(rows: Sequence[models.Model], run: Run) -> str:
    """What was done since to rows that an import made, in words; empty where nothing was."""
    own = {(row._meta.label, row.pk) for row in rows}
    for row in rows:
        for relation in row._meta.get_fields(include_hidden=True):
            if not isinstance(relation, models.ForeignObjectRel) or relation.many_to_many:
                continue
            model = relation.related_model
            if not isinstance(model, type) or model._meta.label in HANGS_ON_NOTHING:
                continue
            hung = model._base_manager.filter(**{relation.field.name: row.pk})
            if any((model._meta.label, pk) not in own for pk in hung.values_list("pk", flat=True)[:2000]):
                return f"{row} has {model._meta.verbose_name}"[:240]
        since = AuditEntry.objects.about(row).filter(at__gt=run.ended_at) if run.ended_at else AuditEntry.objects.none()
        if (entry := since.order_by("at").first()) is not None:
            return f"{row}: {entry.who} {entry.action}"[:240]
    return ""


def _delete(rows: Sequence[models.Model], job: Job | None) -> None:
    customers = [row if isinstance(row, Customer) else row.customer for row in rows if isinstance(row, Customer | Site)]
    for customer in customers:
        forget_customer(customer)
    for row in reversed(rows):
        row.delete()
    for left in Customer.objects.filter(pk__in=[one.pk for one in customers if one.pk]):
        keep_customer(left)
    if job is not None and Job.objects.filter(pk=job.pk).exists():
        recompute_stage(job=job, by=None)
