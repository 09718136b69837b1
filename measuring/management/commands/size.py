"""Order sizes of a document of openings, from the shell and without a database."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import IO, Any

from django.core.management.base import BaseCommand, CommandParser

from measuring.rules.answers import answer
from measuring.rules.opening import Opening, read_opening
from shared.contracts import PLAIN, UNITS, ContractError, lines, parse_json, read_source, run_command
from shared.records import DOCUMENTS, Unit

MOST_OPENINGS = 1_000_000
MOST_IN_A_ROOM = 40


@dataclass(frozen=True)
class Document:
    """Openings in one unit; each is read on its own."""

    unit: Unit
    openings: Any


class Command(BaseCommand):
    help = "Order sizes and findings of openings: one JSON object in, one out (or JSON Lines)."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", nargs="?", default="-", help="a JSON document, or - for standard input")
        parser.add_argument("--lines", action="store_true", help="one opening a line, answered as it comes")
        parser.add_argument("--unit", choices=UNITS, default="in", help="of lines that name none")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            if options["lines"]:
                code = run_command(lambda: size_lines(options["file"], options["unit"]))
            else:
                code = run_command(lambda: size_document(options["file"]))
        except BrokenPipeError:  # whoever read the answers has gone away, as `head` does
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            code = 1
        if code:
            sys.exit(code)


def size_document(name: str) -> int:
    """Reads the whole document before the first word goes out: an error leaves standard output empty."""
    answers = size_answers(read_source(name))
    out = sys.stdout
    out.write('{"openings": [')
    for position, each in enumerate(answers):
        out.write(("" if position == 0 else ", ") + json.dumps(each))
    out.write("]}\n")
    out.flush()
    return 0


def size_answers(text: str | bytes) -> Iterator[dict[str, object]]:
    """The answers of a document, one after another; all of it is read and checked before the first."""
    openings = list(_openings(text))
    rooms = _rooms(openings)
    return (_answer(opening, rooms) for opening in openings)


def _rooms(openings: Sequence[Opening]) -> dict[str, list[Opening]]:
    rooms: dict[str, list[Opening]] = {}
    for opening in openings:
        if opening.room:
            rooms.setdefault(opening.room, []).append(opening)
    return rooms


def _answer(opening: Opening, rooms: Mapping[str, Sequence[Opening]]) -> dict[str, object]:
    """Openings of one room are evidence for each other; a "room" of very many is only a word."""
    room = rooms.get(opening.room, ())
    alikes = [other for other in room if other is not opening] if len(room) <= MOST_IN_A_ROOM else []
    return answer(opening, alikes)


def _openings(text: str | bytes) -> Iterator[Opening]:
    document = DOCUMENTS[PLAIN].read(Document, parse_json(text))
    entries = document.openings
    if not isinstance(entries, list):
        raise ContractError("openings", "a list belongs here", "[..]")
    if len(entries) > MOST_OPENINGS:
        raise ContractError("openings", f"{len(entries)} openings", f"at most {MOST_OPENINGS}")
    seen: set[str] = set()
    for position, entry in enumerate(entries):
        path = f"openings[{position}]"
        opening = read_opening(entry, document.unit, path)
        entries[position] = None  # what is read is let go, so that memory holds each opening once
        if opening.id in seen:
            raise ContractError(f"{path}.id", f"{opening.id} stands twice", "an id of its own")
        seen.add(opening.id)
        yield opening


def size_lines(name: str, unit: str) -> int:
    """Answers line by line in flat memory; an error ends it, after the lines before it went out."""
    out = sys.stdout
    with _source(name) as source:
        for number, line in lines(source):
            path = f"line {number}"
            values = parse_json(line, path)
            own = values.pop("unit", unit) if isinstance(values, dict) else unit
            own = DOCUMENTS[PLAIN].read(Unit, own, f"{path}.unit")
            out.write(json.dumps(answer(read_opening(values, own, path))) + "\n")
            out.flush()
    return 0


def _source(name: str) -> IO[bytes]:
    if name == "-":
        return sys.stdin.buffer
    try:
        return open(name, "rb")
    except OSError as error:
        raise ContractError("FILE", f"can't be read: {error.strerror}", "a readable file, or -") from None
