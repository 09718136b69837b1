"""
What may befall one machine, each as a function that says what was seen: ``./run bench faults`` plays all of it.

Every one ends in `assert`: nothing half, lost or doubled. ``part`` makes it smaller, for a look while something is
changed.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tests import servers
from tests.faults.office import Caller, prepared
from tests.servers import ROOT, Site, launch, until


@dataclass(frozen=True, slots=True)
class Seen:
    """One line of the table."""

    what: str
    done: str
    recovery: str


def _counted(site: Site, code: str) -> Any:
    return json.loads(site.python(f"import json\n{code}").strip().splitlines()[-1])


# -- the disk is full ---------------------------------------------------------------------------------


@contextmanager
def _small_disk(megabytes: int) -> Iterator[tuple[list[str], Path]]:
    """A folder with so much room, which only processes begun with these words see."""
    folder = Path(tempfile.mkdtemp(prefix="jw-disk-"))
    servers.tell_guard("folder", folder)
    holder = launch(
        ["unshare", "-m", "sh", "-c", f"mount -t tmpfs -o size={megabytes}m none {folder} && echo there && exec cat"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == b"there\n", "no mount namespace here: root is needed"
    try:
        yield ["nsenter", "-t", str(holder.pid), "-m", f"--wd={ROOT}", "--"], folder
    finally:
        servers.end(holder, signal.SIGKILL)
        shutil.rmtree(folder, ignore_errors=True)


FILL: Final = """
import os, sys
with open(sys.argv[1], "wb", buffering=0) as file:
    for size in (1 << 20, 4096, 512, 1):
        while True:
            try:
                file.write(b"x" * size)
            except OSError:
                break
"""


def disk_full(part: bool = False) -> Seen:
    """The disk fills while people press: pages open, presses are refused in words, and go well once it is freed."""
    laid, _ = servers.laid("sqlite", 0)
    port, broker = servers.free_port(), servers.new_broker()
    with _small_disk(64) as (within, folder):
        subprocess.run([*within, "cp", "-r", f"{laid}/.", str(folder)], check=True)
        env = {
            **servers.clean_environment(), "JAMBWISE_DATA": str(folder), "REDIS_URL": broker.url,
            "DATABASE_URL": f"sqlite:///{folder}/jambwise.sqlite3", "SITE_URL": f"http://localhost:{port}",
        }  # fmt: skip
        shell = launch(
            [*within, sys.executable, "-m", "tests.shell"], cwd=ROOT, env=env, stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )  # fmt: skip
        site = Site("sqlite", env, folder, broker, port, shell=shell)
        broker.start()
        argv = [*within, sys.executable, "-m", "gunicorn", "shared.wsgi", "-b", f"127.0.0.1:{port}", "--threads", "4"]
        site.web = launch([*argv, "--log-level", "critical"], cwd=ROOT, env=env, stderr=subprocess.DEVNULL)
        try:
            until(site.answers, what="the site on its small disk")
            made = prepared(site.python)
            caller = Caller(site.url, made["session"])
            caller.get("/jobs/")  # notes that the session is in use
            subprocess.run([*within, sys.executable, "-c", FILL, f"{folder}/filling"], check=True)
            job, note = (
                f"/jobs/{made['jobs'][0]}/edit/",
                {"openings_expected": 3, "policy": "together", "note": "n" * 900},
            )
            notes = [
                caller.call(f"/api/1/customers/{pk}/", {"note": "n" * 1900}, method="PATCH")
                for pk in made["customers"] * 40
            ]
            full = [caller.press(job, **note), *notes]
            statuses = Counter(answer.status for answer in full)
            pages = Counter(caller.get(page).status for page in ("/jobs/", "/calendar/", "/attention/", job))
            photo = _photo(caller, made["stop"])
            assert set(statuses) <= {200, 302, 503}, statuses
            assert 503 in statuses, "the disk was not full"
            assert all(b"disk is full" in answer.body for answer in full if answer.status == 503), full[-1].body[:400]
            assert set(pages) == {200}, pages
            assert photo.status == 503, (photo.status, photo.body[:300])
            half = _counted(
                site,
                "import pathlib; from django.conf import settings\n"
                "print(json.dumps([str(p) for p in pathlib.Path(settings.MEDIA_ROOT).rglob('.new-*')]))",
            )
            assert half == []
            subprocess.run([*within, "rm", f"{folder}/filling"], check=True)
            freed = time.monotonic()
            until(lambda: caller.press(job, **note).status == 302, what="the same press goes well", seconds=30)
            took = time.monotonic() - freed
            assert _photo(caller, made["stop"]).status == 302
            books = _counted(
                site,
                "from django.db import connection\nfrom installs.models import StopPhoto\n"
                "from jobs.models import Job\nc = connection.cursor()\n"
                "print(json.dumps([c.execute('PRAGMA integrity_check').fetchall(), StopPhoto.objects.count(),"
                f" len(Job.objects.get(pk={made['jobs'][0]}).note)]))",
            )
            assert books == [[["ok"]], 1, 900], books
        finally:
            site.web and site.stop_web()
            servers.end(shell, signal.SIGKILL)
            broker.stop()
    said = f"{statuses[503]} of {sum(statuses.values())} presses and calls, and a photo, refused in words (503); "
    return Seen(
        "disk full, then freed (SQLite and photos on 64 MB)", said + "every page opened; nothing half", f"{took:.1f} s"
    )


def _photo(caller: Caller, stop: int) -> Any:
    import io

    from PIL import Image

    out = io.BytesIO()
    Image.effect_noise((700, 500), 90).convert("RGB").save(out, "JPEG", quality=95)
    edge = "photoedge"
    head = f'--{edge}\r\nContent-Disposition: form-data; name="photo"; filename="a.jpg"\r\n'
    head += "Content-Type: image/jpeg\r\n\r\n"
    body = head.encode() + out.getvalue() + f"\r\n--{edge}--\r\n".encode()
    return caller.ask("POST", f"/stops/{stop}/photos/", body, Content_Type=f"multipart/form-data; boundary={edge}")


# -- many writers -------------------------------------------------------------------------------------


def eight_writers(part: bool = False) -> Seen:
    """Eight people who write without a pause into one SQLite file, through the site."""
    writes = 400 if part else 10_000
    site = servers.start_site("sqlite", worker=False)
    try:
        made = prepared(site.python)
        left, statuses, slowest = iter(range(writes)), Counter[int](), [0.0]
        lock = threading.Lock()

        def write(_: int) -> None:
            caller = Caller(site.url, made["session"])
            while True:
                with lock:
                    number = next(left, None)
                if number is None:
                    return
                begun = time.monotonic()
                answer = caller.call("/api/1/customers/", {"name": f"Ada {number}"}, key=f"w{number}")
                with lock:
                    statuses[answer.status] += 1
                    slowest[0] = max(slowest[0], time.monotonic() - begun)

        begun = time.monotonic()
        with ThreadPoolExecutor(8) as crowd:
            list(crowd.map(write, range(8)))
        took = time.monotonic() - begun
        there = _counted(
            site,
            "from jobs.models import Customer\n"
            "print(json.dumps(Customer.objects.filter(name__regex='Ada [0-9]').values('name').distinct().count()))",
        )
        assert set(statuses) == {201}, statuses
        assert there == writes, there
    finally:
        site.stop()
    done = f"{writes:,} writes, none answered 5xx, each there once; "
    done += f"{writes / took:.0f} a second, the slowest {slowest[0]:.1f} s"
    return Seen("SQLite under 8 writers", done, "none needed")


# -- PostgreSQL restarted -----------------------------------------------------------------------------


def postgres_restarted(part: bool = False) -> Seen:
    """The database is stopped hard in mid-write and started again; what was acknowledged is there, once."""
    server = servers.Postgres.start()
    programs = servers.postgres_programs()
    as_user = ["runuser", "-u", "postgres", "--"] if servers.IS_ROOT else []
    import psycopg

    url = server.new_database()
    with psycopg.connect(server.url("postgres"), autocommit=True) as link:
        link.execute(f'ALTER DATABASE "{url.rpartition("/")[2]}" SET synchronous_commit = on')
    site = servers.start_site("sqlite", worker=False)
    site.stop_web()
    site.env["DATABASE_URL"] = url
    site.manage("migrate", "-v0")
    site.start_web()
    try:
        made = prepared(site.python)
        over, taken, statuses, lock = threading.Event(), set[str](), Counter[int](), threading.Lock()

        def write(who: int) -> None:
            caller = Caller(site.url, made["session"])
            for number in range(100_000):
                name = f"Ada {who}-{number}"
                while not over.is_set():
                    answer = caller.call("/api/1/customers/", {"name": name}, key=name.replace(" ", "-"))
                    with lock:
                        statuses[answer.status] += 1
                        if answer.status == 201:
                            taken.add(name)
                            break
                    time.sleep(0.05)
                if over.is_set():
                    return

        back = []
        with ThreadPoolExecutor(4) as crowd:
            crowd.map(write, range(4))
            try:
                for mode in ("immediate", "fast"):
                    time.sleep(2)
                    data = ["-D", str(server.folder / "data")]
                    subprocess.run(
                        [*as_user, f"{programs}/pg_ctl", "-w", *data, "-m", mode, "stop"],
                        check=True,
                        stdout=subprocess.DEVNULL,
                        cwd="/",
                    )
                    time.sleep(1)
                    begun, before = time.monotonic(), len(taken)
                    options = f"-p {server.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories= "
                    options += "-c max_connections=200"
                    subprocess.run(
                        [
                            *as_user,
                            f"{programs}/pg_ctl",
                            "-w",
                            *data,
                            "-l",
                            str(server.folder / "log"),
                            "-o",
                            options,
                            "start",
                        ],
                        check=True,
                        stdout=subprocess.DEVNULL,
                        cwd="/",
                    )
                    until(lambda before=before: len(taken) > before, what="a write goes well", seconds=60)  # type: ignore[misc]
                    back.append(time.monotonic() - begun)
                time.sleep(1)
            finally:
                over.set()  # or the writers go on for ever
        site.shell and servers.end(site.shell, signal.SIGKILL)
        site.shell = None
        names = _counted(
            site,
            "from jobs.models import Customer\n"
            "print(json.dumps(list(Customer.objects.filter(name__contains='-').values_list('name', flat=True))))",
        )
        doubled = [name for name, count in Counter(names).items() if count > 1]
        assert taken - set(names) == set(), "an acknowledged write is lost"
        assert doubled == []
        assert set(statuses) <= {201, 503, 409, 0}, statuses
    finally:
        site.stop()
        with suppress(Exception):
            subprocess.run(
                [*as_user, f"{programs}/pg_ctl", "-D", str(server.folder / "data"), "-m", "immediate", "stop"],
                check=False,
                stdout=subprocess.DEVNULL,
                cwd="/",
            )
    done = f"{len(taken):,} acknowledged writes there once each; meanwhile {statuses[503]} refused in words (503)"
    return Seen(
        "PostgreSQL stopped (immediate, then fast) under 4 writers", done, " and ".join(f"{s:.1f} s" for s in back)
    )


# -- the broker ---------------------------------------------------------------------------------------


def broker_away(part: bool = False) -> Seen:
    """The broker killed and back with its file, killed and wiped, frozen for five seconds; papers are asked for."""
    site = servers.start_site("sqlite", worker=True, RUN_LEASE_SECONDS="4")
    try:
        made = prepared(site.python, jobs=12)
        caller, times = Caller(site.url, made["session"]), []
        visits = iter(made["visits"])

        def papers() -> int:
            return int(_counted(site, "from shared.models import Document\nprint(Document.objects.count())"))

        def asked(count: int = 3) -> int:
            before = papers()
            for _ in range(count):
                begun = time.monotonic()
                answer = caller.press(f"/documents/jobs.confirmation/{next(visits)}/print/")
                assert answer.status in {200, 302}, answer.status
                assert time.monotonic() - begun < 10
            return before + count

        def until_there(wanted: int) -> None:
            begun = time.monotonic()
            until(lambda: papers() == wanted, what="the papers", seconds=120)
            times.append(time.monotonic() - begun)

        site.broker.kill()
        wanted = asked()
        site.broker.start()
        until_there(wanted)

        site.broker.kill()
        shutil.rmtree(site.broker.folder)
        wanted = asked()
        site.broker.folder.mkdir()
        site.broker.start()
        until_there(wanted)

        assert site.broker.process is not None
        os.killpg(site.broker.process.pid, signal.SIGSTOP)
        wanted = asked()
        time.sleep(5)
        os.killpg(site.broker.process.pid, signal.SIGCONT)
        until_there(wanted)
        doubled = _counted(
            site,
            "from django.db.models import Count\nfrom shared.models import AuditEntry, Run\n"
            "print(json.dumps([AuditEntry.objects.filter(action='printed').count(),"
            " list(Run.objects.exclude(state='done').values_list('state', flat=True))]))",
        )
        assert doubled == [9, []], doubled
    finally:
        site.stop()
    return Seen(
        "broker killed; killed and wiped; frozen 5 s",
        "9 papers, each made once; every press answered within 10 s",
        " · ".join(f"{s:.1f} s" for s in times),
    )


# -- the clock ----------------------------------------------------------------------------------------


def clock_jumps(part: bool = False) -> Seen:
    """The machine's clock jumps an hour on, then two back, under web and worker; a paper is asked for after each."""
    if shutil.which("faketime") is None:
        return Seen("clock jumps", "left out: faketime is not installed", "")
    library = next(Path("/usr/lib").rglob("libfaketimeMT.so.1"))
    clock = Path(tempfile.mkdtemp(prefix="jw-clock-")) / "now"
    servers.tell_guard("folder", clock.parent)
    clock.write_text("+0\n")
    false = {
        "LD_PRELOAD": str(library), "FAKETIME_TIMESTAMP_FILE": str(clock), "FAKETIME_CACHE_DURATION": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }  # fmt: skip
    site = servers.start_site("sqlite", worker=True, RUN_LEASE_SECONDS="4", **false)
    try:
        made = prepared(site.python, jobs=6)
        caller, visits, times = Caller(site.url, made["session"]), iter(made["visits"]), []
        for number, jump in enumerate(("+0", "+3600", "-3600"), 1):
            clock.write_text(jump + "\n")
            time.sleep(1.5)
            begun = time.monotonic()
            assert caller.press(f"/documents/jobs.confirmation/{next(visits)}/print/").status in {200, 302}
            until(
                lambda number=number: (
                    _counted(site, "from shared.models import Document\nprint(Document.objects.count())") == number
                ),  # type: ignore[misc]
                what=f"the paper after {jump}",
                seconds=120,
            )
            times.append(time.monotonic() - begun)
        states = _counted(
            site, "from shared.models import Run\nprint(json.dumps(list(Run.objects.values_list('state', 'attempts'))))"
        )
        assert {state for state, _ in states} == {"done"}, states
    finally:
        site.stop()
    return Seen(
        "clock jumps +1 h, then −2 h",
        "a paper asked for after each is made, once; signed in throughout",
        " · ".join(f"{s:.1f} s" for s in times[1:]),
    )


# -- phones -------------------------------------------------------------------------------------------

PHONES: Final = """
import json
from measuring.services import visits
from shared.devices.receiver import register_device
from tests.factories import make_branch, make_user
from tests.measuring.makers import make_appointment, make_job, make_opening
person = make_user("measurer", branch=make_branch())
told = []
for _ in range({count}):
    appointment = make_appointment(make_job(person), person, person)
    visit = visits.open_visit(appointment=appointment, by=person)
    opening = make_opening(appointment.job, person, visit=visit, readings={{}})
    told.append([register_device(user=person, name="phone")[1], str(opening.uid)])
print(json.dumps(told))
"""


def many_phones(part: bool = False) -> Seen:
    """Phones come into signal at once with their readings; a third sends twice, a third hangs up before the answer."""
    import uuid
    from datetime import UTC, datetime

    count = 24 if part else 500
    site = servers.start_site("sqlite", worker=False)
    try:
        phones = _counted(site, PHONES.format(count=count))
        statuses, lock = Counter[int](), threading.Lock()
        spots = ("depth", "depth", "depth", "depth")

        def close_out(number: int) -> None:
            token, opening = phones[number]
            entries = [
                {
                    "id": str(uuid.uuid4()), "place": place, "kind": "measuring.reading",
                    "body": {"opening": opening, "spot": spot, "typed": str(2 + place), "seen": None},
                    "done_at": datetime.now(UTC).isoformat(),
                }
                for place, spot in enumerate(spots, 1)
            ]  # fmt: skip
            body, how = (
                json.dumps({"entries": entries}).encode(),
                {"Authorization": f"Device {token}", "Content_Type": "application/json"},
            )
            tries = [60.0, 60.0] if number % 3 == 1 else [0.05, 60.0] if number % 3 == 2 else [60.0]
            for patience in tries:
                answer = Caller(site.url, "", patience).ask("POST", "/api/field/entries/", body, **how)
                while patience > 1 and answer.status in (0, 503, 429):
                    with lock:
                        statuses[answer.status] += 1
                    time.sleep(0.5)
                    answer = Caller(site.url, "", patience).ask("POST", "/api/field/entries/", body, **how)
                with lock:
                    statuses[answer.status] += 1
                if patience > 1:
                    replies = [reply["status"] for reply in json.loads(answer.body)["replies"]]
                    assert replies == [200] * len(spots), answer.body[:500]

        begun = time.monotonic()
        with ThreadPoolExecutor(min(count, 100)) as crowd:
            for done in [crowd.submit(close_out, number) for number in range(count)]:
                done.result()
        took = time.monotonic() - begun
        rows = _counted(
            site,
            "from measuring.models import Reading\nfrom shared.devices.models import DeviceEntry\n"
            "print(json.dumps([Reading.objects.count(), DeviceEntry.objects.count()]))",
        )
        assert rows == [count * len(spots)] * 2, rows
        assert not [status for status in statuses if status >= 500], statuses
    finally:
        site.stop()
    hung = statuses[0]
    done = f"{count * len(spots):,} entries there once each, {count // 3} parcels sent twice, "
    done += f"{hung} hung up before the answer; none 5xx"
    return Seen(f"{count} phones close out at once", done, f"all in after {took:.0f} s")


# -- killed -------------------------------------------------------------------------------------------


def killed_runs(part: bool = False) -> Seen:
    """SIGKILL at one write after another of every kind of run (`tests.faults.killing`)."""
    return _killed("SIGKILL of a run in mid-write", "run: ", 12 if part else 112)


def killed_presses(part: bool = False) -> Seen:
    """The same of presses of pages and calls of the API."""
    return _killed("SIGKILL of a press or call in mid-write", "", 12 if part else 112)


def _killed(what: str, begin: str, count: int) -> Seen:
    from tests.faults.killing import CASES

    names = [one.name for one in CASES if one.name.startswith("run: ") == bool(begin)]
    told = kills(count, *names)
    wrong = [line for one in told for line in one["wrong"]]
    assert wrong == [], "\n".join(wrong)
    kinds = ", ".join(one["case"].partition(": ")[2] for one in told)
    done = f"{sum(one['killed'] for one in told)} kills ({kinds}): every table as where nobody was killed"
    return Seen(
        what, done, f"done again in {max(one['again_ms'] for one in told):.0f} ms on average of the slowest kind"
    )


def kills(count: int, *cases: str) -> list[dict[str, Any]]:
    """What `tests.faults.killing` says of each case, on a database of its own."""
    with tempfile.TemporaryDirectory() as folder:
        url = servers.copy_of(servers.migrated("sqlite"), Path(folder))
        env = {**os.environ, "DJANGO_SETTINGS_MODULE": "tests.settings", "DATABASE_URL": url, "JAMBWISE_DATA": folder}
        env.pop("JAMBWISE_TEST_DATABASE", None)
        argv = [sys.executable, "-m", "tests.faults.killing", "--kills", str(count)]
        done = subprocess.run(
            [*argv, *(["--cases", *cases] if cases else [])], cwd=ROOT, env=env, capture_output=True, text=True
        )
    lines = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    assert lines, done.stderr[-3000:]
    return lines


ALL: Final[dict[str, Callable[[bool], Seen]]] = {
    "disk": disk_full,
    "writers": eight_writers,
    "postgresql": postgres_restarted,
    "broker": broker_away,
    "clock": clock_jumps,
    "phones": many_phones,
    "runs": killed_runs,
    "presses": killed_presses,
}
