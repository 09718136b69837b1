"""Catalogs of other languages: whole, compiled, said to be unreviewed; and templates without an unmarked text."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from django.template.base import Lexer, TokenType

from shared.management.commands.catalogs import LANGUAGES, UNREVIEWED, catalogs, compiled, path_of, read, rooms

CUSTOMERS = sorted(path for room in rooms() for path in room.glob("templates/*/*your_*.html"))
"""Templates that are said in the reader's language; another page joins them by a line here."""
SAID = re.compile(r"\w\w")
BLANK = re.compile(r"%\(\w+\)s")


def wrong_with(catalog: Catalog) -> list[str]:
    """What is missing, not certain, or lacks a blank of its source."""
    texts = [message for message in catalog if message.id]
    missing = [f"{message.id}: missing" for message in texts if not all(_strings(message.string))]
    fuzzy = [f"{message.id}: fuzzy" for message in texts if message.fuzzy]
    blanks = [
        f"{message.id}: other blanks"
        for message in texts
        for one in _strings(message.string)
        if set(BLANK.findall(one)) != set(BLANK.findall(_strings(message.id)[-1]))
    ]
    return missing + fuzzy + blanks


def _strings(string: object) -> tuple[str, ...]:
    return string if isinstance(string, tuple) else (str(string or ""),)


def test_each_text_of_every_catalog_is_translated_and_compiled() -> None:
    found = list(catalogs())
    wrong = {str(path): lines for path, catalog in found if (lines := wrong_with(catalog))}
    stale = [str(path) for path, catalog in found if path.with_suffix(".mo").read_bytes() != compiled(catalog)]

    assert len(found) >= 8
    assert wrong == {}
    assert stale == [], "run manage.py catalogs"


def test_every_catalog_says_that_nobody_reviewed_it() -> None:
    heads = [path_of(room, language) for room in rooms() for language in LANGUAGES]

    assert {path.read_text().splitlines()[0] for path in heads if path.exists()} == {f"# {UNREVIEWED}"}


def test_what_is_missing_fuzzy_or_lacks_a_blank_is_named() -> None:
    catalog = Catalog("es")
    catalog.add("Save %(day)s")
    catalog.add("Send", "Enviar", flags=["fuzzy"])
    catalog.add("until %(day)s", "hasta", flags=["python-format"])

    assert [line.partition(":")[0] for line in wrong_with(catalog)] == [
        "Save %(day)s",
        "Send",
        "Save %(day)s",
        "until %(day)s",
    ]


class _Texts(HTMLParser):
    """Collects what somebody reads or hears of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        self.found.append(data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value or "" for name, value in attrs if name in {"alt", "aria-label", "placeholder", "title"}]


def unmarked(source: str) -> list[str]:
    """The texts of a template that no tag marks to be said in other languages."""
    plain, is_within = [], False
    for token in Lexer(source).tokenize():
        if token.token_type == TokenType.BLOCK:
            is_within = token.contents.startswith("blocktranslate") or (
                is_within and not token.contents.startswith("endblocktranslate")
            )
        elif token.token_type == TokenType.TEXT and not is_within:
            plain.append(token.contents)
    texts = _Texts()
    texts.feed("".join(plain))
    return [text.strip() for text in texts.found if SAID.search(text)]


@pytest.mark.parametrize("path", CUSTOMERS, ids=lambda path: path.name)
def test_the_customers_templates_mark_every_text(path: Path) -> None:
    assert unmarked(path.read_text(encoding="utf-8")) == []


def test_an_unmarked_text_is_found_in_the_page_and_in_its_attributes() -> None:
    marked = '{% translate "Save" %} {% blocktranslate %}Job {{ n }}{% endblocktranslate %} {{ n }}'
    plain = '<p aria-label="{% translate "Days" %}">Send</p><img alt="photo">'

    assert len(CUSTOMERS) >= 8
    assert unmarked(marked) == []
    assert unmarked(plain) == ["Send", "photo"]


def test_a_catalog_that_is_not_there_begins_empty(tmp_path: Path) -> None:
    assert len(read(tmp_path / "django.po", "es")) == 0
