"""
Kills whoever is at work by SIGKILL at one write after another: every kind of run, and presses of pages and of the API.

``python -m tests.faults.killing [--kills 200] [--cases NAME …]`` prints a line of JSON a case. ``DATABASE_URL`` names a
migrated SQLite database of one's own. The program is loaded once; each act is a process forked from it, killed just
before or just after one of its statements that write, or when all is written and nothing is answered. Then the site
does what it does by itself (a run whose lease is over is taken again) and the person what a person does (presses again
minutes later), and the tables must hold what they hold where nobody was killed.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

TOKEN: Final = "t" * 32
WRITES: Final = ("INSERT", "UPDATE", "DELETE", "REPLACE")
INFRASTRUCTURE: Final = frozenset(
    {"AnsweredRequest", "Session", "SignIn", "AccessAttempt", "AccessLog", "AccessFailureLog", "ContentType"}
)
"""Tables of sign-in and of presses: what they hold is not the firm's."""


@dataclass(frozen=True, slots=True)
class Case:
    """What somebody does: how it is made ready, done, and done again after the one who did it was killed."""

    name: str
    ready: Callable[[], dict[str, Any]]
    act: Callable[[dict[str, Any]], object]
    again: Callable[[dict[str, Any]], object]


def _person(*has: str) -> Any:
    from tests.factories import make_branch, make_user

    return make_user(*has, branch=make_branch())


# -- runs: ready asks, act is the worker's, again is the sweep's ------------------------------------


def _take_run(made: dict[str, Any]) -> object:
    from shared import runs

    return runs.perform(made["run"])


def _take_run_again(made: dict[str, Any]) -> object:
    from django.utils import timezone

    from shared import runs
    from shared.models import Run

    for _ in range(3):
        Run.objects.filter(pk=made["run"], state=Run.State.UNDER_WAY).update(lease_until=timezone.now())
        time.sleep(0.002)
        runs.perform(made["run"])
        if Run.objects.get(pk=made["run"]).state == Run.State.DONE:
            return None
    raise AssertionError(Run.objects.get(pk=made["run"]).error)


def _paper() -> dict[str, Any]:
    from shared import documents
    from tests.factories import make_appointment, make_job

    visit = make_appointment(make_job(by=_person("dispatcher")))
    run = documents.request_document(kind="jobs.confirmation", subject=visit, by=visit.job.created_by)
    return {"run": str(run.pk)}


def _firm_data() -> dict[str, Any]:
    from shared import firm_data
    from tests.factories import make_job, make_user

    make_job(by=_person("dispatcher"))
    owner = make_user("owner")
    return {"run": str(firm_data.take_out(by=owner).pk)}


def _answer() -> dict[str, Any]:
    from shared import runs

    return {"run": str(runs.start("shared.answer", by=_person("owner")).pk)}


LINES: Final = "customer,street,town,visit\n" + "".join(f"Ada {n},{n} Kiln Lane,Millrace,yes\n" for n in range(1, 6))


def _import() -> dict[str, Any]:
    from jobs.services import imports

    person = _person("dispatcher")
    run = imports.ask_for_import(branch=person.own_branch, text=LINES, by=person, dry=False)
    return {"run": str(run.pk), "by": person.pk}


def _undo() -> dict[str, Any]:
    from jobs.services import imports
    from shared import runs
    from shared.models import Run, User

    made = _import()
    assert runs.perform(made["run"]) == "done"
    return {"run": str(imports.ask_to_undo(run=Run.objects.get(pk=made["run"]), by=User.objects.get(pk=made["by"])).pk)}


def _range() -> dict[str, Any]:
    from fabrication.services.range_tables import ask_for_import, range_csv
    from fabrication.services.starting_data import load_materials

    person = _person("workroom", "owner")
    load_materials(person.own_branch)
    text = range_csv(person.own_branch, "materials")
    person.own_branch.materials.all().delete()
    run = ask_for_import(
        branch=person.own_branch, what="materials", text="\n".join(text.splitlines()[:9]), by=person, dry=False
    )
    return {"run": str(run.pk)}


def _routes() -> dict[str, Any]:
    from jobs.services import planning
    from tests.factories import a_monday, make_appointment, make_crew, make_job

    person = _person("dispatcher")
    crew = make_crew(person.own_branch)
    for _ in range(3):
        make_appointment(make_job(by=person))
    make_appointment(make_job(by=person), crew=crew, day=a_monday(), time="9:00")
    run = planning.ask_for_plan(
        branch=person.own_branch, from_on=a_monday(), until_on=a_monday(), by=person, seconds=1, with_unplaced=True
    )
    return {"run": str(run.pk)}


def _cuts() -> dict[str, Any]:
    from fabrication.services.batches import open_batch
    from fabrication.services.planning import plan_batch
    from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock

    person = _person("workroom")
    makes = [make_made_unit(person.own_branch, person) for _ in range(3)]
    bar = make_material(person.own_branch)
    make_stock(bar)
    for make in makes:
        make_part(make, bar, "60 1/4", quantity=2)
    batch = open_batch(branch=person.own_branch, makes=[make.pk for make in makes], by=person)
    return {"run": str(plan_batch(batch=batch, by=person, seconds=1)[0].pk)}


# -- presses: ready signs in, act presses, again presses minutes later --------------------------------


def _signed_in(person: Any, path: str, boxes: dict[str, Any], *, api: bool = False) -> dict[str, Any]:
    from django.test import Client

    client = Client()
    client.force_login(person)
    return {"session": client.cookies["sessionid"].value, "path": path, "boxes": boxes, "api": api}


def _press(made: dict[str, Any]) -> Any:
    from django.test import Client

    client = Client(enforce_csrf_checks=True)
    client.cookies["sessionid"], client.cookies["csrftoken"] = made["session"], TOKEN
    how: dict[str, Any] = {"headers": {"X-CSRFToken": TOKEN, "Idempotency-Key": '"one"'}}
    if made["api"]:
        answer = client.post(made["path"], json.dumps(made["boxes"]), content_type="application/json", **how)
    else:
        answer = client.post(made["path"], {**made["boxes"], "csrfmiddlewaretoken": TOKEN}, **how)
    assert answer.status_code < 400 or answer.status_code == 409, answer.content[:500]
    return answer


def _press_again(made: dict[str, Any]) -> object:
    from datetime import timedelta

    from django.utils import timezone

    from shared.models import AnsweredRequest

    AnsweredRequest.objects.update(at=timezone.now() - timedelta(minutes=3))
    return _press(made)


def _book() -> dict[str, Any]:
    from shared import roles
    from tests.jobs.test_pages import BOOKING

    return _signed_in(_person(*roles.ALL), "/jobs/book/", dict(BOOKING))


def _receive() -> dict[str, Any]:
    from django.urls import reverse

    from fabrication.services.starting_data import load_materials

    person = _person("workroom")
    load_materials(person.own_branch)
    bracket = person.own_branch.materials.filter(kind="piece")[0]
    return _signed_in(person, reverse("fabrication:stock_receive"), {"material": bracket.pk, "quantity": 7})


def _absence() -> dict[str, Any]:
    from django.urls import reverse

    from tests.factories import a_monday, make_crew

    person, day = _person("dispatcher"), a_monday().isoformat()
    boxes = {"from_day": day, "until_day": day, "reason": "flu"}
    return _signed_in(person, reverse("jobs:crew_absence", args=[make_crew(person.own_branch).pk]), boxes)


def _place() -> dict[str, Any]:
    from tests.factories import a_monday, at, make_appointment, make_crew, make_job

    person = _person("dispatcher")
    visit, crew = make_appointment(make_job(by=person)), make_crew(person.own_branch)
    boxes = {"crew": crew.pk, "starts_at": at(person.own_branch, a_monday(), "9:00").isoformat()}
    return _signed_in(person, f"/api/1/appointments/{visit.pk}/place/", boxes, api=True)


def _customer() -> dict[str, Any]:

    return _signed_in(_person("dispatcher"), "/api/1/customers/", {"name": "Ada Ashdown"}, api=True)


CASES: Final = (
    *(
        Case(name, ready, _take_run, _take_run_again)
        for name, ready in {
            "run: a paper": _paper,
            "run: the firm's data": _firm_data,
            "run: does a worker answer": _answer,
            "run: an import of jobs": _import,
            "run: an import undone": _undo,
            "run: an import of the range": _range,
            "run: routes": _routes,
            "run: a cut plan": _cuts,
        }.items()
    ),
    *(
        Case(name, ready, _press, _press_again)
        for name, ready in {
            "press: a booking": _book,
            "press: stock comes in": _receive,
            "press: an absence": _absence,
            "API: a visit is placed": _place,
            "API: a customer": _customer,
        }.items()
    ),
)


# -- processes, and the database they find ------------------------------------------------------------


def _forked(do: Callable[[], object]) -> tuple[int, Any]:
    """The status of a process that does this (minus the signal that ended it), and what it gave back."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        status = 0
        try:
            os.write(writing, json.dumps(do()).encode())
        except BaseException:
            traceback.print_exc()
            status = 1
        os._exit(status)
    os.close(writing)
    said = b""
    while part := os.read(reading, 65536):
        said += part
    os.close(reading)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), json.loads(said) if said else None


class Ground:
    """The database's file, as it was kept, to be put back."""

    def __init__(self) -> None:
        from django.conf import settings

        self.file = Path(settings.DATABASES["default"]["NAME"])

    def keep(self, name: str) -> None:
        self.put_away()
        shutil.copyfile(self.file, self.file.with_name(name))

    def put_back(self, name: str) -> None:
        self.put_away()
        shutil.copyfile(self.file.with_name(name), self.file)

    def put_away(self) -> None:
        """Whoever was killed leaves a write-ahead log, which the next to open reads."""
        import sqlite3

        link = sqlite3.connect(self.file)
        link.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        link.close()


@contextmanager
def _watched(kill_at: int) -> Iterator[list[int]]:
    """Counts the statements that write; at one place (two a statement: before, after) this process kills itself."""
    from django.db import connection

    place = [0]

    def look(execute: Any, sql: Any, params: Any, many: Any, context: Any) -> Any:
        if not str(sql).lstrip().upper().startswith(WRITES):
            return execute(sql, params, many, context)
        _at(place, kill_at)
        answer = execute(sql, params, many, context)
        _at(place, kill_at)
        return answer

    with connection.execute_wrapper(look):
        yield place


def _at(place: list[int], kill_at: int) -> None:
    if place[0] == kill_at:
        os.kill(os.getpid(), signal.SIGKILL)
    place[0] += 1


def books() -> dict[str, Any]:
    """How many rows each of the firm's tables holds, what is in stock, how runs ended, which files were left half."""
    from django.apps import apps
    from django.db import connection

    from fabrication.models import StockItem
    from shared.models import Run

    tables = set(connection.introspection.table_names())
    kinds = [kind for kind in apps.get_models() if kind.__name__ not in INFRASTRUCTURE]
    found: dict[str, Any] = {
        kind.__name__: kind._base_manager.count() for kind in kinds if kind._meta.db_table in tables
    }
    found["in stock"] = sum(StockItem.objects.values_list("quantity", flat=True))
    found["promised of it"] = sum(StockItem.objects.values_list("reserved", flat=True))
    found["runs"] = dict(Counter(Run.objects.values_list("state", flat=True)))
    with connection.cursor() as cursor:
        found["integrity"] = cursor.execute("PRAGMA integrity_check").fetchall()
        found["keys"] = cursor.execute("PRAGMA foreign_key_check").fetchall()
    return found


def _acted(case: Case, made: dict[str, Any], kill_at: int = -1) -> int:
    with _watched(kill_at) as place:
        case.act(made)
    _at(place, kill_at)  # all is written, nothing is answered
    return place[0]


@dataclass
class Told:
    """What became of one case."""

    case: str
    places: int
    killed: int = 0
    wrong: list[str] | None = None
    again_ms: float = 0.0


def play(case: Case, most: int, ground: Ground) -> Told:
    """Kills at up to so many places of one case, evenly spread."""
    from django.db import connection

    ground.put_back("bare.sqlite3")
    status, made = _forked(case.ready)
    assert status == 0, f"{case.name} can't be made ready"
    ground.keep("ready.sqlite3")
    status, places = _forked(lambda: _acted(case, made))
    assert status == 0, f"{case.name} fails undisturbed"
    status, wanted = _forked(books)
    told, times = Told(case.name, places, wrong=[]), []
    count = min(most, places)
    for number in range(count):
        kill_at = places - 1 - round(number * (places - 1) / max(1, count - 1))
        ground.put_back("ready.sqlite3")
        status, _ = _forked(lambda kill_at=kill_at: _acted(case, made, kill_at))  # type: ignore[misc]
        if status != -signal.SIGKILL:
            told.wrong.append(f"at {kill_at}: ended with {status}, not killed")  # type: ignore[union-attr]
            continue
        told.killed += 1
        begun = time.perf_counter()
        status, _ = _forked(lambda: case.again(made) and None)
        times.append(time.perf_counter() - begun)
        _, found = _forked(books)
        if status or found != wanted:
            differs = {name: (wanted[name], found[name]) for name in wanted if found and wanted[name] != found[name]}
            told.wrong.append(f"at {kill_at} of {places}: {differs or status}")  # type: ignore[union-attr]
    connection.close()
    told.again_ms = 1000 * sum(times) / max(1, len(times))
    return told


def main() -> int:
    """Play the cases, a line of JSON each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=220)
    parser.add_argument("--cases", nargs="*")
    chosen = parser.parse_args()
    import django

    django.setup()
    import weasyprint  # noqa: F401 - loaded once, not by every child
    from django.db import connection

    import shared.urls  # noqa: F401

    connection.close()
    ground = Ground()
    ground.keep("bare.sqlite3")
    cases = [case for case in CASES if not chosen.cases or case.name in chosen.cases]
    wrong, left = 0, chosen.kills
    for number, case in enumerate(cases):
        told = play(case, -(-left // (len(cases) - number)), ground)
        left -= told.killed
        wrong += len(told.wrong or ())
        print(json.dumps(vars(told)), flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
