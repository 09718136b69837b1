"""The packet as it comes out of the printer: the words of the PDF, beside the sheet it is set from."""

from __future__ import annotations

import re
from collections.abc import Iterator

from installs.models import Load
from tests.agreement.compare import Seen
from tests.agreement.pages import CLOCK, Eyes, minutes, moment, span

STOP = re.compile(
    rf"(J-\d+) \w+ \d+ · [\w -]+?(?: · promised ((?:\w+day [\w ,]+?, )?{CLOCK} to {CLOCK}))?"
    rf"(?: · expected ({CLOCK}))? · ([\dhmin ]+) on site"
)


def see_prints(eyes: Eyes) -> Iterator[Seen]:
    """Setting a packet takes a second, so this is looked at in some histories only."""
    for load in Load.objects.select_related("crew__branch").order_by("day", "crew"):
        words = eyes.print_out("installs.packet", load)
        visits = load.crew.appointments.filter(day=load.day).select_related("job")
        keys = {row.job.number: str(row.pk) for row in visits}
        stops = list(STOP.finditer(words))
        assert len(stops) >= len(eyes.paper("installs.packet", load).all("section", "stop")), words
        for found in stops:
            place, visit = "packet's PDF", keys[found[1]]
            promised = found[2] or ""
            yield Seen("visit's window", visit, place, "" if "day " in promised else span(load.day, promised))
            yield Seen("visit's start", visit, place, moment(load.day, found[3] or ""))
            yield Seen("visit's minutes", visit, place, minutes(found[4]))
