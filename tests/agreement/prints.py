"""The packet as it comes out of the printer: the words of the PDF, beside the sheet it is set from."""

from __future__ import annotations

import re
from collections.abc import Iterator

from installs.models import Load
from tests.agreement.compare import Seen
from tests.agreement.pages import CLOCK, Eyes, minutes, moment, size, span

STOP = re.compile(
    rf"(J-\d+) \w+ \d+ · [\w -]+?(?: · promised ((?:\w+day [\w ,]+?, )?{CLOCK} to {CLOCK}))?"
    rf"(?: · expected ({CLOCK}))? · ([\dhmin ]+) on site"
)


NUMBER = r"\d+(?: \d+[ /]\d+)?"
"""A fraction stands in one line, or is set as two small figures."""
UNIT = re.compile(
    rf"· ([0-9A-Z]{{7}}) (?:(?!· [0-9A-Z]{{7}} ).)*?({NUMBER}) × ({NUMBER}) in finished, W × H · (\w+ mount)"
)
PDF = "packet's PDF"


def see_print(eyes: Eyes, which: int) -> Iterator[Seen]:
    """One of the packets, since setting it takes a second: that of the load whose turn it is."""
    loads = list(Load.objects.select_related("crew__branch").order_by("day", "crew"))
    load = loads[which % len(loads)]
    words, document = eyes.print_out("installs.packet", load), eyes.document("installs.packet", load)
    yield from _stops(load, words, len(document.all("section", "stop")))
    yield from _units(words, len(document.all("span", "unit-size")))


def _stops(load: Load, words: str, many: int) -> Iterator[Seen]:
    visits = load.crew.appointments.filter(day=load.day).select_related("job")
    keys = {row.job.number: str(row.pk) for row in visits}
    stops = list(STOP.finditer(words))
    assert len(stops) >= many, words
    for found in stops:
        visit, promised = keys[found[1]], found[2] or ""
        yield Seen("visit's window", visit, PDF, "" if "day " in promised else span(load.day, promised))
        yield Seen("visit's start", visit, PDF, moment(load.day, found[3] or ""))
        yield Seen("visit's minutes", visit, PDF, minutes(found[4]))


def _units(words: str, many: int) -> Iterator[Seen]:
    units = list(UNIT.finditer(words))
    assert len(units) >= many, words
    for code, width, height, mount in (found.groups() for found in units):
        yield Seen("unit's finished size", code, PDF, size(f"{_set(width)} × {_set(height)}"))
        yield Seen("unit's mount", code, PDF, mount)


def _set(number: str) -> str:
    """``33 3 8`` as it is written: ``33 3/8``."""
    whole, *fraction = number.replace("/", " ").split()
    return f"{whole} {'/'.join(fraction)}" if fraction else whole
