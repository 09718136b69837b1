"""What a person sees: pages, documents and answers fetched as somebody signed in, and read as text."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
from collections.abc import Callable, Iterator
from functools import cached_property
from html.parser import HTMLParser
from typing import Any, TypeVar

import icalendar
from django.template.loader import render_to_string
from django.test import Client
from django.utils import timezone
from pypdf import PdfReader

from shared.documents import Kind, branch_of, kind_of, render
from shared.lengths import Length
from tests.agreement.firm import TODAY, Firm
from tests.agreement.memory import Memory

T = TypeVar("T")

VOID = {"area", "base", "br", "col", "hr", "img", "input", "link", "meta", "source", "wbr"}


class Node:
    """An element with what is in it."""

    def __init__(self, tag: str, attrs: dict[str, str]) -> None:
        self.tag, self.attrs, self.inner = tag, attrs, list[Node | str]()

    def __getitem__(self, name: str) -> str:
        return self.attrs.get(name, "")

    @property
    def text(self) -> str:
        """Its words with all white space made one; a caption that only a machine keeps is left out."""
        return " ".join("".join(self._words()).split())

    def _words(self) -> Iterator[str]:
        for one in self.inner:
            if isinstance(one, str):
                yield one
            elif one.tag not in {"script", "style", "title"}:
                yield from one._words()
                if one.tag in BLOCKS:
                    yield " "

    def all(self, tag: str = "", look: str = "", **attrs: str) -> list[Node]:
        """Every element below with that tag, class and attributes (``data_pk="3"``), in order."""
        found = []
        for one in self.inner:
            if isinstance(one, Node):
                if one._is(tag, look, attrs):
                    found.append(one)
                found += one.all(tag, look, **attrs)
        return found

    def one(self, tag: str = "", look: str = "", **attrs: str) -> Node:
        """The first of them, or an element with nothing in it."""
        return next(iter(self.all(tag, look, **attrs)), Node("none", {}))

    def _is(self, tag: str, look: str, attrs: dict[str, str]) -> bool:
        return (
            (not tag or self.tag == tag)
            and (not look or look in self["class"].split())
            and all(self[name.replace("_", "-")] == value for name, value in attrs.items())
        )

    def fact(self, name: str) -> str:
        """The ``dd`` beside a ``dt`` of that name, any case."""
        for pair in self.all("div"):
            if pair.one("dt").text.lower() == name.lower():
                return pair.one("dd").text
        return ""

    def cell(self, label: str) -> Node:
        """A table's cell by its ``data-label``."""
        return next((one for one in self.all("td") if one["data-label"].lower() == label.lower()), Node("none", {}))


BLOCKS = {"address", "article", "dd", "div", "dl", "dt", "h1", "h2", "h3", "li", "p", "section", "td", "th", "tr",
          "br", "summary", "option", "text"}  # fmt: skip


class _Builder(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.root = Node("page", {})
        self.path = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        node = Node(tag, {name: value or "" for name, value in attrs})
        self.path[-1].inner.append(node)
        if tag not in VOID:
            self.path.append(node)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.path[-1].inner.append(Node(tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        for position in range(len(self.path) - 1, 0, -1):
            if self.path[position].tag == tag:
                del self.path[position:]
                return

    def handle_data(self, data: str) -> None:
        self.path[-1].inner.append(data)


def parsed(html: str) -> Node:
    builder = _Builder()
    builder.feed(html)
    return builder.root


class Body:
    """What an address answers; its reading is kept with it."""

    def __init__(self, raw: bytes) -> None:
        self.raw = raw

    @cached_property
    def page(self) -> Node:
        return parsed(self.raw.decode())

    @cached_property
    def json(self) -> Any:
        return json.loads(self.raw)


class Eyes:
    """Looks at the firm as its people do; a page is fetched once a look, and not at all where memory has it."""

    def __init__(self, firm: Firm, memory: Memory | None = None) -> None:
        self.firm, self.memory = firm, memory
        self.clients: dict[str, Client] = memory.clients if memory else {}
        self.seen: dict[Any, Any] = {}
        self.blink()

    def blink(self) -> None:
        """Forgets what was seen, since something was done meanwhile."""
        self.seen.clear()
        if self.memory is not None:
            self.memory.blink()

    def _client(self, role: str) -> Client:
        if role not in self.clients:
            self.clients[role] = Client()
            self.clients[role].force_login(self.firm.user(role))
        return self.clients[role]

    def _once(self, key: Any, make: Callable[[], T]) -> T:
        if key not in self.seen:
            self.seen[key] = self.memory.recall(key, make) if self.memory else make()
        return self.seen[key]

    def _body(self, role: str, url: str) -> Body:
        return self._once((role, url), lambda: self._fetched(role, url))

    def _fetched(self, role: str, url: str) -> Body:
        answer = self._client(role).get(url)
        assert answer.status_code == 200, f"{role} GET {url}: {answer.status_code}"
        return Body(b"".join(answer.streaming_content) if answer.streaming else answer.content)

    def page(self, role: str, url: str) -> Node:
        return self._body(role, url).page

    def json(self, role: str, url: str) -> Any:
        return self._body(role, url).json

    def rows(self, role: str, url: str) -> list[Any]:
        """Every row of a list of the API, page after page."""
        answer = self.json(role, url)
        if isinstance(answer, list):
            return answer
        found = list(answer["results"])
        while answer.get("next"):
            answer = self.json(role, answer["next"].partition("testserver")[2])
            found += answer["results"]
        return found

    def table_of(self, role: str, url: str) -> list[dict[str, str]]:
        """A CSV by its header."""
        return list(csv.DictReader(io.StringIO(self._body(role, url).raw.decode("utf-8-sig"))))

    def events(self, url: str) -> list[icalendar.Event]:
        found = icalendar.Calendar.from_ical(self._body("dispatcher", url).raw)
        return list(found.walk("VEVENT"))

    def document(self, kind_key: str, subject: Any) -> Node:
        """A sheet's own HTML, of which the PDF is set, as things stand now."""
        return self._once(("document", kind_key, subject.pk), lambda: self._set(kind_key, subject))

    def _set(self, kind_key: str, subject: Any) -> Node:
        kind, subject = self._asked(kind_key, subject)
        branch = branch_of(subject) or self.firm.row
        with timezone.override(branch.tz):
            document = {"title": kind.title, "revision": 1, "printed_at": timezone.now(), "by": None}
            values = {**kind.content(subject).context, "subject": subject, "branch": branch, "unit": branch.unit}
            return parsed(render_to_string(kind.template, values | {"document": document}))

    def _asked(self, kind_key: str, subject: Any) -> tuple[Kind, Any]:
        """The kind, and its subject as whoever asks for the document gets it."""
        kind, subject = kind_of(kind_key), again(subject)
        return kind, kind.prepare(subject, self.firm.user("dispatcher")) if kind.prepare else subject

    def print_out(self, kind_key: str, subject: Any) -> str:
        """The words of the PDF itself."""
        return self._once(("print", kind_key, subject.pk), lambda: self._printed(kind_key, subject))

    def _printed(self, kind_key: str, subject: Any) -> str:
        kind, subject = self._asked(kind_key, subject)
        pdf, _ = render(kind, subject, kind.content(subject), revision=1, by=None)
        return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


def again(row: T) -> T:
    """The row read anew: what it says is then among what memory asks."""
    return type(row).objects.get(pk=row.pk)


# -- what is read there, as a value ------------------------------------------------------------

CLOCK = r"\d{1,2}:\d{2} [ap]m"
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]


def clock(text: str) -> dt.time | None:
    """``9:05 am`` as a time."""
    found = re.search(r"(\d{1,2}):(\d{2}) ([ap])m", text)
    if not found:
        return None
    return dt.time(int(found[1]) % 12 + (12 if found[3] == "p" else 0), int(found[2]))


def day(text: str) -> dt.date | None:
    """``Mon 5 Apr``, ``Monday 5 April`` or ``Mon, Apr 5`` as a day of the firm's year."""
    found = re.search(r"\b(\d{1,2}) ([A-Z][a-z]{2})[a-z]*\b", text)
    if found and found[2] in MONTHS:
        return dt.date(TODAY.year, MONTHS.index(found[2]) + 1, int(found[1]))
    found = re.search(r"\b([A-Z][a-z]{2})[a-z]* (\d{1,2})\b", text)
    if found and found[1] in MONTHS:
        return dt.date(TODAY.year, MONTHS.index(found[1]) + 1, int(found[2]))
    return None


def moment(on: dt.date | None, text: str) -> str:
    """Day and time as one word: ``2027-04-05 09:00``; empty when either is missing."""
    at = clock(text)
    return f"{on} {at:%H:%M}" if on is not None and at is not None else ""


def span(on: dt.date | None, text: str) -> str:
    """``8:00 am to 10:00 am`` (or ``between … and …``) on a day."""
    found = re.search(rf"({CLOCK}) (?:to|and|–) ({CLOCK})", text)
    return f"{moment(on, found[1])} to {clock(found[2]):%H:%M}" if found and on is not None else ""


def instant(value: Any, tz: dt.tzinfo) -> str:
    """An instant of the API or a calendar file on the firm's clocks."""
    if not value:
        return ""
    when = value if isinstance(value, dt.datetime) else dt.datetime.fromisoformat(str(value).replace("Z", "+00:00"))
    return f"{when.astimezone(tz):%Y-%m-%d %H:%M}"


def instants(begin: Any, end: Any, tz: dt.tzinfo) -> str:
    return f"{instant(begin, tz)} to {instant(end, tz)[-5:]}" if begin and end else ""


def minutes(text: str) -> str:
    """``1 h 25 min``, ``2 h`` or ``40 min`` as minutes."""
    found = re.search(r"(\d+) h(?: (\d+) min)?|(\d+) min", text)
    if not found:
        return ""
    return found[3] or str(int(found[1]) * 60 + int(found[2] or 0))


LENGTH = r"(?:\d+ \d+/\d+|\d+/\d+|\d+)"


def size(text: str) -> str:
    """The first ``35 3/8 × 60`` in a text, in ticks."""
    found = re.search(rf"({LENGTH}) × ({LENGTH})", text)
    return f"{Length.parse(found[1]).ticks} × {Length.parse(found[2]).ticks}" if found else ""


def length(text: str) -> str:
    """The first length in a text, in ticks."""
    found = re.search(LENGTH, text)
    return str(Length.parse(found[0]).ticks) if found else ""


def ticks(*sent: Any) -> str:
    """Lengths of the API."""
    return " × ".join(str(one["ticks"]) for one in sent) if all(sent) else ""
