"""
All that a firm has written, as tables that any program reads, and back onto an empty site.

The ZIP holds ``manifest.json`` (what is in it, with the SHA-256 of each part), ``tables/APP.TABLE.csv`` and
``files/`` with photos and documents. In the tables lengths are exact millimeters, times are in UTC, an empty cell is
nothing. Passwords and codes, sign-ins and what is worked out from the rest stay behind.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal, InvalidOperation
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import IO, Final, NamedTuple, NoReturn

from django.apps import apps
from django.contrib.auth.hashers import make_password
from django.contrib.contenttypes.models import ContentType
from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile, File
from django.core.files.storage import default_storage
from django.core.management.color import no_style
from django.db import connection, models, transaction
from django.utils import timezone

from shared import audit, files, roles, runs
from shared.errors import Refused
from shared.fields import LengthField
from shared.formats.cells import harmless
from shared.lengths import Length
from shared.models import Branch, Run, User

KIND: Final = "shared.data_out"
MANIFEST: Final = "manifest.json"
FORMAT: Final = 1
APPS: Final = ("auth", "shared", "jobs", "measuring", "fabrication", "installs")
LEFT_BEHIND: Final = frozenset({
    "auth.Permission", "auth.Group_permissions", "shared.User_user_permissions",
    "shared.Invitation", "shared.SignIn", "shared.ApiToken", "shared.AnsweredRequest",  # codes and sessions
    "jobs.SearchEntry", "jobs.SearchWord", "jobs.TravelLeg", "jobs.FoundPlace",  # worked out from the rest
})  # fmt: skip
SECRET_COLUMNS: Final = {"shared.User": {"password", "second_step_at"}, "shared.Firm": {"code_hash"}}
TICKS_A_MM: Final = Length.mm(1).ticks
AT_ONCE: Final = 500

read_in_hooks: list[Callable[[], object]] = []
"""What higher apps work out anew once the rows are in."""


class Written(NamedTuple):
    """How much went out or came in."""

    rows: int
    files: int


# -- what is carried ---------------------------------------------------------------------


def tables() -> list[type[models.Model]]:
    """The tables that go along."""
    found = (model for app in APPS for model in apps.get_app_config(app).get_models(include_auto_created=True))
    return [
        model
        for model in found
        if model._meta.managed and not model._meta.proxy and model._meta.label not in LEFT_BEHIND
    ]


def columns(model: type[models.Model]) -> list[models.Field[object, object]]:
    """The columns of a table that go along."""
    secret = SECRET_COLUMNS.get(model._meta.label, set())
    return [field for field in model._meta.concrete_fields if field.name not in secret]


def _cell(field: models.Field[object, object], row: models.Model) -> object:
    """
    A value as its cell has it; `_value` reads it back.

    Text that a spreadsheet would run gets an apostrophe before it, and so does text that begins with one.
    """
    value = field.value_from_object(row)
    if value is None:
        return ""
    if field.related_model is ContentType:
        return ".".join(ContentType.objects.get_for_id(int(str(value))).natural_key())
    if isinstance(value, Length):
        return format(Decimal(value.ticks) / TICKS_A_MM, "f")
    if isinstance(field, models.JSONField):
        return json.dumps(value, cls=field.encoder, ensure_ascii=False)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(field, models.CharField | models.TextField | models.FileField):
        text = str(value)
        return f"'{text}" if text.startswith("'") else harmless(text)
    return field.value_to_string(row)


def _value(field: models.Field[object, object], cell: str) -> object:
    """What a cell says; raises what the field's own reading raises."""
    if cell == "" and (field.null or not isinstance(field, models.CharField | models.TextField | models.FileField)):
        return None
    if field.related_model is ContentType:
        return ContentType.objects.get_by_natural_key(*cell.split(".")).pk
    if isinstance(field, LengthField):
        return Length(int(Decimal(cell) * TICKS_A_MM))
    if isinstance(field, models.JSONField):
        return json.loads(cell)
    if isinstance(field, models.BooleanField):
        return {"yes": True, "no": False}[cell]
    if isinstance(field, models.CharField | models.TextField | models.FileField):
        return cell.removeprefix("'")
    if isinstance(field, models.ForeignKey):
        return field.target_field.to_python(cell)
    return field.to_python(cell)


# -- out ---------------------------------------------------------------------------------


def write_out(path: Path) -> Written:
    """Writes the ZIP, as of one moment; what is half written never has its name."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    try:
        with open(os.open(part, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600), "wb") as whole:
            written = _write_zip(whole)
        part.rename(path)
    finally:
        part.unlink(missing_ok=True)
    return written


def _write_zip(whole: IO[bytes]) -> Written:
    manifest: dict[str, object] = {"format": FORMAT, "made_at": timezone.now().isoformat()}
    counts, sums, named, gone = {}, {}, set[str](), []
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as out:
        with _one_moment():
            for model in tables():
                name = f"tables/{model._meta.label}.csv"
                with out.open(name, "w", force_zip64=True) as part:
                    counts[model._meta.label], sums[name] = _write_table(model, part, named)
        for name in sorted(named):
            try:
                data = files.read(name)
            except files.FileGone:
                gone.append(name)
                continue
            sums[f"files/{name}"] = hashlib.sha256(data).hexdigest()
            out.writestr(zipfile.ZipInfo(f"files/{name}"), data)  # pictures and PDFs are small already
        manifest |= {"rows": counts, "parts": sums, "files_missing": gone}
        out.writestr(MANIFEST, json.dumps(manifest, indent=1))
    return Written(sum(counts.values()), len(named) - len(gone))


def _write_table(model: type[models.Model], part: IO[bytes], named: set[str]) -> tuple[int, str]:
    """A table's rows into its part; how many, and its sum. Names of files that its rows point to are added."""
    fields, count, digest = columns(model), 0, hashlib.sha256()
    kept = [field for field in fields if isinstance(field, models.FileField)]
    line = io.StringIO(newline="")
    writer = csv.writer(line)
    writer.writerow([field.name for field in fields])
    for row in model._base_manager.order_by("pk").iterator(chunk_size=AT_ONCE):
        writer.writerow([_cell(field, row) for field in fields])
        named.update(name for field in kept if (name := str(field.value_from_object(row))))
        count += 1
        if not count % AT_ONCE:
            _pour(line, part, digest)
    _pour(line, part, digest)
    return count, digest.hexdigest()


def _pour(line: io.StringIO, part: IO[bytes], digest: hashlib._Hash) -> None:
    data = line.getvalue().encode()
    part.write(data)
    digest.update(data)
    line.seek(0)
    line.truncate()


@contextmanager
def _one_moment() -> Iterator[None]:
    """What is read within stood at one moment, and nobody is kept from writing meanwhile."""
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "sqlite":  # Django's own transactions take the lock of writers at once
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            try:
                yield
            finally:
                cursor.execute("ROLLBACK")
    else:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            yield


# -- in ----------------------------------------------------------------------------------


def read_in(path: Path) -> Written:
    """
    Puts what `write_out` wrote onto a site where nobody has an account, all or nothing.

    People come back without their passwords. Long work that was under way begins again.

    Raises
    ------
    Refused
        When somebody has an account here, or the file is not whole, or of a newer program.
    """
    if User.objects.exists():
        raise Refused("Somebody has an account on this site. Data comes in on an empty one only.")
    try:
        with zipfile.ZipFile(path) as whole:
            manifest = _manifest(whole)
            with transaction.atomic():
                for model in reversed(tables()):
                    model._base_manager.all()._raw_delete(connection.alias)
                rows = sum(_read_table(whole, model, manifest) for model in tables())
                connection.check_constraints()
                _number_on()
            _read_files(whole, manifest)
    except (zipfile.BadZipFile, OSError, UnicodeDecodeError) as error:
        raise Refused(f"The file can't be read: {error}", field="path") from None
    for hook in read_in_hooks:
        hook()
    return Written(rows, sum(name.startswith("files/") for name in manifest))


def _manifest(whole: zipfile.ZipFile) -> dict[str, str]:
    """Each part's sum, once all of them were read and found right."""
    try:
        manifest = json.loads(whole.read(MANIFEST))
        parts: dict[str, str] = manifest["parts"]
        newer = manifest["format"] != FORMAT
    except (KeyError, ValueError, TypeError):
        raise Refused("This is no ZIP of a firm's data.", field="path") from None
    if newer:
        raise Refused("It is of a newer program.", field="path")
    unknown = {f"tables/{model._meta.label}.csv" for model in tables()} ^ {
        name for name in parts if name.startswith("tables/")
    }
    if surplus := sorted(unknown & set(parts)):
        raise Refused(f"{surplus[0]} is of a newer program.", field="path")
    for name, wanted in parts.items():
        inner = PurePosixPath(name)
        if inner.is_absolute() or ".." in inner.parts or inner.parts[0] not in {"tables", "files"}:
            raise Refused(f"{name} is no part of a firm's data.", field="path")
        try:
            with whole.open(name) as part:
                found = _sum(part)
        except KeyError:
            raise Refused(f"{name} is missing from it.", field="path") from None
        if found != wanted:
            raise Refused(f"{name} is not as it was written.", field="path")
    return parts


def _sum(part: IO[bytes]) -> str:
    digest = hashlib.sha256()
    while block := part.read(1 << 20):
        digest.update(block)
    return digest.hexdigest()


def _read_table(whole: zipfile.ZipFile, model: type[models.Model], parts: dict[str, str]) -> int:
    name = f"tables/{model._meta.label}.csv"
    if name not in parts:
        return 0  # of an older program: nobody had written any
    with whole.open(name) as part:
        lines = csv.reader(io.TextIOWrapper(part, "utf-8", newline=""))
        known = {field.name: field for field in columns(model)}
        heads = next(lines)
        if surplus := [head for head in heads if head not in known]:
            raise Refused(f"{name} has a column {surplus[0]}, which is of a newer program.", field="path")
        fields = [known[head] for head in heads]
        rows, count = (_row(model, fields, cells, f"{name}, row {at}") for at, cells in enumerate(lines, 2)), 0
        while some := list(islice(rows, AT_ONCE)):
            model._base_manager.bulk_create(some)
            count += len(some)
    return count


def _row(
    model: type[models.Model], fields: list[models.Field[object, object]], cells: list[str], where: str
) -> models.Model:
    try:
        row = model(**{field.attname: _value(field, cell) for field, cell in zip(fields, cells, strict=True)})
    except (ValidationError, ValueError, KeyError, InvalidOperation, ContentType.DoesNotExist) as error:
        raise Refused(f"{where} can't be read: {error}", field="path") from None
    if isinstance(row, User):
        row.password = make_password(None)
    if isinstance(row, Run) and row.is_active():
        row.state, row.token, row.lease_until, row.sent_at = Run.State.WAITING, None, None, None
    return row


def _number_on() -> None:
    """New rows are numbered after the highest that came in."""
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), tables()):
            cursor.execute(statement)


def _read_files(whole: zipfile.ZipFile, parts: dict[str, str]) -> None:
    for part in parts:
        if part.startswith("files/"):
            name = part.removeprefix("files/")
            default_storage.delete(name)
            default_storage.save(name, ContentFile(whole.read(part)))


# -- one press ---------------------------------------------------------------------------


def may_take_out(user: User) -> bool:
    """An owner who looks over every branch there is."""
    own = Branch.objects.visible_to(user).count()
    return user.has_role(roles.OWNER) and own == Branch.objects.count()


def demand_may(user: User) -> None:
    """Refuses whoever does not look over the whole firm."""
    if not may_take_out(user):
        _refuse()


def _refuse() -> NoReturn:
    raise Refused("The data of all branches is for an owner without a branch of their own.")


def take_out(*, by: User) -> Run:
    """Asks for the ZIP; one at a time."""
    demand_may(by)
    return runs.start(KIND, by=by, key=KIND, title="Your firm's data")


@runs.long_work(KIND, title="Your firm's data", queue="bulk")
def write_for_owner(ctx: runs.Context) -> None:
    """Writes the ZIP of a run; the ones before it go. No row names its file, so it is swept after a day."""
    before = Run.objects.filter(kind=KIND).exclude(pk=ctx.run.pk)
    with tempfile.TemporaryDirectory() as work:
        path = Path(work) / "firm.zip"
        written = write_out(path)
        size = path.stat().st_size
        for name in map(zip_of, (ctx.run, *before.order_by("-created_at")[:5])):
            default_storage.delete(name)
        with path.open("rb") as whole:
            default_storage.save(zip_of(ctx.run), File(whole))
    with ctx.finishing() as result:
        result.update(rows=written.rows, files=written.files, size=size)
        audit.record(by=ctx.by, action="took the firm's data out", subject=ctx.by)


def zip_of(run: Run) -> str:
    """The name of the file that a run's ZIP is, while it is kept."""
    return f"out/{run.pk}.zip"


def latest() -> Run | None:
    """The last run that was asked for."""
    return Run.objects.filter(kind=KIND).order_by("-created_at").first()
