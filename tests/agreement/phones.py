"""
Phones of two kinds: the page's own model in Chromium, and what the office does with the same entries.

`Pages` loads ``measuring/static/measuring/field/model.js`` and plays entries on a day that the office gave;
`Phone` sends the same entries through the receiver that the phone's parcels arrive at. Both say
of every opening its state, size, gaps and findings, in codes, so that they can be compared.
"""

from __future__ import annotations

import functools
import json
import threading
import uuid
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from django.utils import timezone

from measuring.adapters.evaluation import evaluate
from measuring.api import field
from measuring.models import Opening
from shared.devices import receiver
from shared.models import User
from shared.renames import fields_of, with_old_names

STATIC = Path(__file__).resolve().parents[2] / "measuring" / "static" / "measuring"
PAGE = (
    b'<!doctype html><title>phone</title><link rel="icon" href="data:,"><script type="module" src="/run.js"></script>'
)
RUN = (Path(__file__).parent / "phone_page.js").read_bytes()


class _Server(SimpleHTTPRequestHandler):
    def do_GET(self) -> None:
        own = {"/": (PAGE, "text/html"), "/run.js": (RUN, "text/javascript")}
        if self.path not in own:
            super().do_GET()
            return
        body, kind = own[self.path]
        self.send_response(200)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Security-Policy", "default-src 'self'; img-src 'self' data:")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *arguments: Any) -> None:
        pass


class Pages:
    """The phone's model on a page of its own."""

    def __init__(self, tab: Any) -> None:
        self.tab = tab

    def play(
        self, day: Mapping[str, Any], fresh: Sequence[Mapping[str, Any]], *, most: int | None = None
    ) -> dict[str, Any]:
        """
        Enter these on a day, one by one.

        What an entry leaves to the person's eye (its ``look``) is filled in from what the phone shows
        then; one with nothing to tap is left out, and so are those after the `most`-th. Back come
        ``fresh``, the entries as they wait, and ``after``, what is shown with them.
        """
        given: dict[str, Any] = {"day": day, "fresh": list(fresh)}
        if most is not None:
            given["most"] = most
        played: dict[str, Any] = json.loads(self.tab.evaluate("window.play", json.dumps(given)))
        for one in played["after"]["openings"].values():
            one["texts"].sort()
        return played

    def shown(self, day: Mapping[str, Any]) -> dict[str, Any]:
        """What a phone shows of a day with nothing waiting."""
        found: dict[str, Any] = self.play(day, [])["after"]
        return found


@contextmanager
def pages(chromium: Any) -> Iterator[Pages]:
    """A page with the phone's model, under a policy as strict as the site's."""
    from playwright.sync_api import expect

    server = ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(_Server, directory=STATIC))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    tab = chromium.new_page()
    tab.goto(f"http://127.0.0.1:{server.server_port}/")
    expect(tab).to_have_title("ready")
    yield Pages(tab)
    tab.close()
    server.shutdown()


class Phone:
    """The office's end of one device."""

    def __init__(self, user: User) -> None:
        self.user = user
        self.device, _ = receiver.register_device(user=user, name="phone of a test")
        self.sent = 0

    def send(self, entries: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
        """Send entries in their order; the office's replies."""
        numbered = [{**one, "place": self.sent + at} for at, one in enumerate(entries, start=1)]
        self.sent += len(numbered)
        return receiver.receive(device=self.device, sent=numbered)

    def day(self) -> dict[str, Any]:
        """The day as this phone fetches it, with the names that phones know."""
        names = {one.new: one.old for one in fields_of("/api/field/day/") if one.answered}
        day: dict[str, Any] = json.loads(json.dumps(with_old_names(field.day_of(self.user), names)))
        return day


def entry(kind: str, body: Mapping[str, Any], id_: str = "") -> dict[str, Any]:
    """One entry of a queue."""
    made = {"id": id_ or str(uuid.uuid4()), "kind": f"measuring.{kind}", "body": dict(body)}
    return {**made, "done_at": timezone.now().isoformat()}


def office_values(opening: Opening) -> dict[str, Any]:
    """What the office's rules say of an opening, in codes."""
    found = evaluate(opening)
    return {
        "state": opening.state,
        "size": [found.size.width.ticks, found.size.height.ticks] if found.size else None,
        "shares": [share.ticks for share in found.shares],
        "gaps": sorted([gap.code, gap.field, gap.turn] for gap in found.gaps),
        "findings": sorted([one["code"], one["field"], one["severity"]] for one in found.findings),
        "texts": sorted([*(gap.text for gap in found.gaps), *(one["text"] for one in found.findings)]),
    }


def all_office_values(day: Mapping[str, Any]) -> dict[str, Any]:
    """Every opening of a day as the office has it, by uid."""
    shown = {one["uid"] for visit in day["visits"] for one in visit["openings"]}
    rows = Opening.objects.filter(uid__in=shown).select_related("job__branch", "job__site", "room", "product")
    rows = rows.prefetch_related("units", "obstructions")
    return {str(row.uid): office_values(row) for row in rows}
