"""Tables that somebody sends: CSV as any spreadsheet writes it, or the first filled sheet of an XLSX, as CSV text."""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
from collections.abc import Iterable, Iterator
from typing import Final

import openpyxl
from openpyxl.utils.exceptions import InvalidFileException

from shared.errors import Refused

MOST_BYTES: Final = 4_000_000
MOST_UNPACKED: Final = 80_000_000
"""An XLSX is a ZIP: what it unpacks to is counted before anything is unpacked."""
MOST_ROWS: Final = 5_001
MOST_COLUMNS: Final = 60
LONGEST_CELL: Final = 2_000


def text_of(data: bytes) -> str:
    """
    A file as CSV text with commas.

    Raises
    ------
    Refused
        Field ``file``: too large, no table, or in no encoding that spreadsheets write.
    """
    if len(data) > MOST_BYTES:
        raise Refused("the file is larger than 4 MB", field="file", bound="4 MB")
    if data[:4] == b"PK\x03\x04":
        return _written(_sheet(data))
    if data[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        raise Refused("this is an old XLS file; save it as XLSX or CSV", field="file")
    for encoding in ("utf-16", "utf-8-sig") if data[:2] in {b"\xff\xfe", b"\xfe\xff"} else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise Refused("this is no CSV and no XLSX file", field="file")


def rows_of(text: str) -> Iterator[tuple[int, list[str]]]:
    """The filled rows of CSV text with commas, semicolons or tabs, each with the number of its line."""
    first = text.lstrip("\ufeff").partition("\n")[0]
    reader = csv.reader(io.StringIO(text.lstrip("\ufeff"), newline=""), delimiter=max(",;\t", key=first.count))
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield reader.line_num, [cell.strip()[:LONGEST_CELL] for cell in cells[:MOST_COLUMNS]]
    except csv.Error as error:
        raise Refused(f"line {reader.line_num} can't be read: {error}", field="file") from None


def _written(rows: Iterable[Iterable[str]]) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def _sheet(data: bytes) -> Iterator[list[str]]:
    """The cells of the first sheet that has any."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            if sum(part.file_size for part in parts.infolist()) > MOST_UNPACKED:
                raise Refused("the file unpacks to more than 80 MB", field="file", bound="80 MB")
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        for sheet in book.worksheets:
            rows = sheet.iter_rows(max_row=MOST_ROWS, max_col=MOST_COLUMNS, values_only=True)
            found = [[_shown(cell) for cell in row] for row in rows]
            if any(any(row) for row in found):
                return iter(found)
    except (zipfile.BadZipFile, InvalidFileException, KeyError, ValueError, TypeError, OSError) as error:
        if isinstance(error, Refused):
            raise
        raise Refused("this XLSX file can't be read; save it again, or as CSV", field="file") from None
    raise Refused("no sheet of this file has anything in it", field="file")


def _shown(cell: object) -> str:
    """
    A cell's value as somebody would type it.

    >>> _shown(36.0), _shown(35.375), _shown(True), _shown(dt.datetime(2027, 3, 1)), _shown(None)
    ('36', '35.375', 'yes', '2027-03-01', '')
    """
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat() if cell.time() == dt.time() else cell.isoformat(" ", "minutes")
    return str(cell)
