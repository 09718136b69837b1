"""
What is asked of a kept database, in a process of its own: ``python -m tests.kept.asking FOLDER ANSWERS [GROUP …]``.

``DATABASE_URL`` names the database, which is migrated already. An answer's group is the first word of where
it comes from; without groups everything is asked. The questions are those of the release that
made it; where a function that answers one has moved since, this is the one place to follow it.
"""

from __future__ import annotations

import datetime as dt
import json
import lzma
import os
import re
import sys
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any, Final

Answers = dict[str, Any]
"""Answers by where they come from: ``GET /api/jobs/ owner``."""

PEOPLE: Final = ("owner", "dispatcher", "measurer", "workroom", "installer")
GROUPS: Final = ("GET", "offers", "effect", "day", "decisions", "entry", "afterwards")
CODE: Final = re.compile(r"\b[2-9A-HJKMNP-Z]{7}\b")
SECRET: Final = "the key of a firm that nobody has, so it may stand here for everybody to read"
"""Calendar addresses are signed with it: those given out by the kept release must go on working."""


def read(path: Path) -> Any:
    """What `write` wrote."""
    return json.loads(lzma.decompress(path.read_bytes()))


def write(path: Path, what: Any) -> None:
    """Packed JSON, the same bytes for the same content."""
    text = json.dumps(what, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    path.write_bytes(lzma.compress(text.encode(), preset=9))


def environment(url: str) -> dict[str, str]:
    """For a process on the database at this URL."""
    return {**os.environ, "DATABASE_URL": url, "SECRET_KEY": SECRET, "DJANGO_SETTINGS_MODULE": "tests.settings"}


def ask(questions: dict[str, Any], groups: Collection[str] = GROUPS) -> Answers:
    """The questions, with the clock stopped at their moment; the phones' queues come last."""
    import time_machine

    from jobs.tasks import let_go_lapsed

    with time_machine.travel(dt.datetime.fromisoformat(questions["moment"]), tick=False):
        let_go_lapsed()  # beat has done so by then; the kept release did when its calendar was read
        answers: Answers = {}
        if "GET" in groups:
            answers |= _reads(questions["reads"])
        if "offers" in groups:
            answers |= _offers(questions["offers"])
        if "effect" in groups:
            answers |= _effects(questions["effects"])
        if "day" in groups:
            answers |= _days(questions["days"])
        if "decisions" in groups:
            answers |= _decisions()
        if "entry" in groups or "afterwards" in groups:
            known = _codes()
            answers |= _phones(questions["phones"])
        if "afterwards" in groups:
            reads = _reads(questions["afterwards"])
            answers |= {f"afterwards {where}": _masked(answer, known) for where, answer in reads}
    return {where: answer for where, answer in answers.items() if where.split()[0] in groups}


def _client(username: str) -> Any:
    from rest_framework.test import APIClient

    from shared.models import User

    client = APIClient()
    client.force_login(User.objects.get(username=username))
    return client


def _reads(paths: list[str]) -> Iterator[tuple[str, Any]]:
    """The API's GET routes, as everybody."""
    for username in PEOPLE:
        client = _client(username)
        for path in paths:
            yield f"GET {path} {username}", plain(client.get(path))


def plain(response: Any) -> dict[str, Any]:
    """Status and body of an answer; of a page only that it is one."""
    kind = response.headers.get("content-type", "")
    body = "a page" if "html" in kind else response.getvalue().decode()
    return {"status": response.status_code, "body": once(json.loads(body)) if "json" in kind and body else body}


def once(answer: Any) -> Any:
    """An answer as it was: without the new name of a field that stands there under its old one too."""
    from shared.renames import FIELDS

    if isinstance(answer, list):
        return [once(one) for one in answer]
    if not isinstance(answer, dict):
        return answer
    twice = {one.new for one in FIELDS if one.old in answer and answer.get(one.new) == answer[one.old]}
    return {name: once(value) for name, value in answer.items() if name not in twice}


def _offers(visits: list[int]) -> Answers:
    client = _client("dispatcher")
    return {f"offers {pk}": plain(client.get(f"/api/appointments/{pk}/offers/?most=12")) for pk in visits}


def _effects(asked: list[dict[str, Any]]) -> Answers:
    """The board's price for the same crew and start as an offer of the kept release."""
    client = _client("dispatcher")
    return {
        f"effect {one['appointment']} {one['crew']} {one['starts_at']}": plain(
            client.post(
                f"/api/appointments/{one['appointment']}/effect/",
                {"crew": one["crew"], "starts_at": one["starts_at"]}, format="json",
            )
        )
        for one in asked
    }  # fmt: skip


def _days(days: list[str]) -> Answers:
    """Every crew's day as the board has it: when each stop is reached, begun and left, in the firm's time."""
    from jobs.models import Crew
    from jobs.schedule.day import read_schedule
    from shared.models import Branch

    branch = Branch.objects.get()
    crews = list(Crew.objects.filter(is_active=True).select_related("branch").prefetch_related("skills").order_by("pk"))
    schedule = read_schedule(branch, crews, [dt.date.fromisoformat(day) for day in days])

    def clock(seconds: int) -> str:
        return dt.datetime.fromtimestamp(seconds, tz=branch.tz).strftime("%H:%M:%S")

    return {
        f"day {crew} {day}": {
            "stops": [
                {"visit": stop.key, "drive_s": stop.drive, "arrive": clock(stop.arrive), "start": clock(stop.start),
                 "leave": clock(stop.leave), "late_s": stop.late}
                for stop in one.timeline.stops
            ],
            "drive_s": one.timeline.drive,
        }
        for (crew, day), one in sorted(schedule.days.items())
    }  # fmt: skip


def _decisions() -> Answers:
    """Promises in danger and what else needs a decision."""
    from jobs.views.attention import decisions
    from shared.models import User

    found = decisions(User.objects.get(username="dispatcher"))
    return {"decisions": [[one.severity, one.text, one.url] for one in found]}


def _phones(phones: list[dict[str, Any]]) -> Answers:
    """Each phone sends its queue, two entries a time; the answer to each entry by its place."""
    from rest_framework.test import APIClient

    answers: Answers = {}
    for phone in phones:
        client = APIClient()
        client.credentials(HTTP_AUTHORIZATION=f"Device {phone['token']}")
        queue = phone["queue"]
        for first in range(0, len(queue), 2):
            sent = queue[first : first + 2]
            told = plain(client.post("/api/field/deeds/", {"deeds": sent}, format="json"))
            replies = told["body"].get("replies", []) if told["status"] == 200 else []
            for position, entry in enumerate(sent):
                reply = (
                    replies[position] if position < len(replies) else {"status": told["status"], "reply": told["body"]}
                )
                answers[f"entry {phone['name']} {entry['place']} {entry['kind']}"] = reply
    return answers


def _codes() -> set[str]:
    from fabrication.models import StockItem
    from measuring.models import Unit

    return {*Unit.objects.values_list("code", flat=True), *StockItem.objects.values_list("code", flat=True)}


def _masked(answer: Any, known: set[str]) -> Any:
    """Codes that were drawn only now are all alike."""
    text = json.dumps(answer)
    return json.loads(CODE.sub(lambda found: found[0] if found[0] in known else "NEWCODE", text))


def main(folder: str, out: str, *groups: str) -> None:
    """Ask the questions of `folder` and write the answers."""
    import django

    django.setup()
    write(Path(out), ask(read(Path(folder) / "questions.json.xz"), groups or GROUPS))


if __name__ == "__main__":
    main(*sys.argv[1:])
