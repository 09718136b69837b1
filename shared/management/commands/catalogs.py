"""Catalogs of other languages: what the rooms mark to be said, its translations, and what Django reads of them."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from django.conf import settings
from django.core.management.base import BaseCommand
from django.utils.translation import templatize, to_locale

LANGUAGES: Final = ("es", "fr-ca")
MARKS: Final[dict[str, Any]] = {
    "gettext": None,
    "gettext_lazy": None,
    "gettext_noop": None,
    "translatable": None,
    "ngettext": (1, 2),
    "ngettext_lazy": (1, 2),
    "pgettext": ((1, "c"), 2),
    "npgettext": ((1, "c"), 2, 3),
}
"""The calls whose text is said in other languages."""
UNREVIEWED: Final = "Unreviewed: written by the program's makers; nobody who speaks it at home read it yet."


def rooms() -> list[Path]:
    """The apps of this project, which each have their own catalogs."""
    base = Path(settings.BASE_DIR)
    return [base / name for name in settings.INSTALLED_APPS if "." not in name and (base / name / "apps.py").exists()]


def marked(room: Path) -> Catalog:
    """Every text that a room marks, and where."""
    found = Catalog()
    for path in sorted([*room.rglob("*.py"), *room.rglob("*.html")]):
        if "migrations" in path.parts:
            continue
        source, kind = path.read_text(encoding="utf-8"), "python"
        if path.suffix == ".html":
            if "translate" not in source:
                continue
            source, kind = templatize(source), "javascript"
        for _, message, _, context in extract(kind, io.BytesIO(source.encode()), MARKS):
            found.add(message, locations=[(str(path.relative_to(room.parent)), 0)], context=context)
    return found


def path_of(room: Path, language: str) -> Path:
    """Where a room's catalog of a language is."""
    return room / "locale" / to_locale(language) / "LC_MESSAGES" / "django.po"


def read(path: Path, language: str) -> Catalog:
    """A catalog as it is written; empty where there is none."""
    if not path.exists():
        return Catalog(
            to_locale(language), header_comment=f"# {UNREVIEWED}", project="Jambwise", version="", fuzzy=False,
            msgid_bugs_address="", last_translator="unreviewed", language_team="unreviewed",
        )  # fmt: skip
    with path.open("rb") as file:
        return read_po(file, locale=to_locale(language))


def compiled(catalog: Catalog) -> bytes:
    """What Django reads; the same bytes for the same catalog."""
    written = io.BytesIO()
    write_mo(written, catalog)
    return written.getvalue()


def catalogs() -> Iterator[tuple[Path, Catalog]]:
    """Every catalog with what the rooms mark now; what nobody marks any more is gone."""
    for room in rooms():
        found = marked(room)
        for language in LANGUAGES if len(found) else ():
            path = path_of(room, language)
            catalog = read(path, language)
            catalog.update(found, no_fuzzy_matching=True, update_header_comment=False, update_creation_date=False)
            catalog.obsolete.clear()
            yield path, catalog


class Command(BaseCommand):
    help = "Writes what is marked to be said in other languages into the rooms' catalogs, and compiles them."

    def handle(self, *args: Any, **options: Any) -> None:
        for path, catalog in catalogs():
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("wb") as file:
                write_po(file, catalog, width=110, sort_by_file=True, include_lineno=False)
            path.with_suffix(".mo").write_bytes(compiled(catalog))
            missing = [message.id for message in catalog if message.id and not message.string]
            self.stdout.write(f"{path.relative_to(settings.BASE_DIR)}: {len(catalog)} texts, {len(missing)} missing")
