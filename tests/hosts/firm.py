"""A firm on several machines: database, broker, object store, web and worker hosts, which share only the wire."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from http.client import HTTPException
from pathlib import Path
from typing import Final

from shared.serve import broker_program
from tests import servers
from tests.hosts.network import Host, Network, network

LEASE_SECONDS: Final = 4
PAPER: Final = "jobs.confirmation"

PREPARE = """
import json
from django.test import Client
from tests.factories import make_appointment, make_branch, make_job, make_user
branch = make_branch()
person = make_user("dispatcher", branch=branch)
client = Client()
client.force_login(person)
visits = [make_appointment(make_job(branch, by=person)).pk for _ in range(%d)]
print(json.dumps({"session": client.cookies["sessionid"].value, "visits": visits}))
"""

BOOKS = """
import json
from collections import Counter
from shared.models import AuditEntry, Document, Run
print(json.dumps({
    "papers": sorted(Counter(int(one) for one in Document.objects.values_list("subject_id", flat=True)).items()),
    "entries": AuditEntry.objects.filter(action="printed").count(),
    "states": dict(Counter(Run.objects.filter(kind="shared.document").values_list("state", flat=True))),
}))
"""


@dataclass
class Firm:
    """Its machines, what they are told, and one dispatcher who is signed in."""

    net: Network
    env: dict[str, str]
    folder: Path
    laid: Path
    webs: list[Host]
    workers: list[Host]
    session: str = ""
    visits: list[int] = field(default_factory=list)
    token: str = "t" * 32
    """The half of the form token that a cookie holds; a page gives it back."""

    def python(self, code: str) -> str:
        """Runs code with Django set up, from this machine's place on the wire; what it printed."""
        begun = "import django; django.setup()\n"
        done = subprocess.run(
            [sys.executable, "-c", begun + code],
            cwd=servers.ROOT,
            env=self._env("here"),
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    def _env(self, name: str) -> dict[str, str]:
        place = self.folder / name
        if not place.exists():
            shutil.copytree(self.laid, place)
        return {**self.env, "JAMBWISE_DATA": str(place)}

    def start_web(self, host: Host) -> None:
        """Start gunicorn on a host and wait for it."""
        argv = ["-m", "gunicorn", "shared.wsgi", "-b", f"{host.address}:8000", "-w", "1", "--threads", "4"]
        argv += ["--log-level", "warning"]
        host.python(*argv, env=self._env(host.name), stderr=subprocess.DEVNULL)
        servers.until(lambda: self.get(host, "/healthz")[0] == 200, what=f"{host.name}")

    def start_worker(self, host: Host, processes: int = 1) -> None:
        """Start a worker with a clock of its own on a host: every host has one, and they know nothing of each other."""
        argv = ["-m", "celery", "-A", "shared.celery", "worker", "-P", "prefork", "-c", str(processes), "-l", "INFO"]
        argv += ["-n", f"{host.name}@%h", "--without-gossip", "--without-mingle", "-B"]
        argv += ["-s", str(self.folder / f"{host.name}.beat")]
        log = self.folder / f"{host.name}.log"
        with log.open("ab") as out:
            host.python(*argv, env=self._env(host.name), stdout=out, stderr=subprocess.STDOUT)
        servers.until(lambda: b"ready." in log.read_bytes(), what=f"the worker of {host.name} ({log})")

    def ask(self, web: Host, path: str, data: bytes | None = None) -> tuple[int, bytes]:
        """The answer of a host to the dispatcher: its status (0: none) and its body."""
        cookies = f"sessionid={self.session}; csrftoken={self.token}"
        headers = {"Cookie": cookies, "X-CSRFToken": self.token}
        request = urllib.request.Request(f"http://{web.address}:8000{path}", data, headers)
        try:
            with urllib.request.urlopen(request, timeout=8) as reply:
                return reply.status, reply.read()
        except urllib.error.HTTPError as error:
            return error.code, error.read()
        except (OSError, HTTPException):
            return 0, b""

    def get(self, web: Host, path: str) -> tuple[int, bytes]:
        """Look at a page."""
        return self.ask(web, path)

    def print(self, web: Host, visit: int) -> bool:
        """Press *Print* at a visit; whether the press was taken."""
        return self.ask(web, f"/documents/{PAPER}/{visit}/print/", b"")[0] == 200

    def paper(self, visit: int) -> int:
        """The number of a visit's paper."""
        return int(
            self.python(f"from shared.models import Document\nprint(Document.objects.get(subject_id='{visit}').pk)")
        )

    def books(self) -> dict[str, object]:
        """What stands in the database of papers and their runs."""
        return dict(json.loads(self.python(BOOKS)))

    def until_printed(self, visits: Sequence[int], seconds: float = 120) -> float:
        """Waits until each of these visits has its paper; the seconds it took."""
        begun = time.monotonic()

        def is_done() -> bool:
            papers = self.books()["papers"]
            assert isinstance(papers, list)
            return set(visits) <= {visit for visit, _ in papers}

        servers.until(is_done, seconds=seconds, what="all papers")
        return time.monotonic() - begun


def _start_database(host: Host, folder: Path, like: str) -> str:
    """A PostgreSQL cluster on a host, with the tables of another database; the URL of its own."""
    programs = servers.postgres_programs()
    assert programs is not None
    data, as_user = folder / "db", ["runuser", "-u", "postgres", "--"]
    data.mkdir()
    shutil.chown(data, "postgres")
    quiet = {"check": True, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": "/"}
    subprocess.run(
        [*as_user, str(programs / "initdb"), "-A", "trust", "-U", "postgres", "-N", "-E", "UTF8", "-D", str(data)],
        **quiet,
    )
    with (data / "pg_hba.conf").open("a") as rules:
        rules.write(f"host all postgres {host.address.rpartition('.')[0]}.0/24 trust\n")
    options = ["-c", f"listen_addresses={host.address}", "-c", "unix_socket_directories=", "-c", "fsync=off"]
    host.start([*as_user, str(programs / "postgres"), "-D", str(data), *options], dict(os.environ), **_silent())
    url = f"postgresql://postgres@{host.address}:5432/postgres"

    import psycopg

    def answers() -> bool:
        try:
            psycopg.connect(url, connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return True

    servers.until(answers, what="the database host")
    dump = folder / "tables.dump"
    subprocess.run([_client("pg_dump"), "-Fc", "-f", str(dump), like], **quiet)
    subprocess.run([_client("pg_restore"), "--no-owner", "--dbname", url, str(dump)], **quiet)
    return url


def _client(program: str) -> str:
    places = [*sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{program}"), reverse=True), shutil.which(program)]
    return str(next(place for place in places if place))


def _silent() -> dict[str, int]:
    return {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}


def start_broker(host: Host, folder: Path, address: str) -> None:
    """Start a broker on a host, at an address that the host has, with what its folder holds."""
    folder.mkdir(exist_ok=True)
    argv = [broker_program(), "--port", "6379", "--bind", address, "--protected-mode", "no"]
    argv += ["--dir", str(folder), "--appendonly", "yes", "--save", ""]
    host.start(argv, dict(os.environ), **_silent())


@contextmanager
def firm(*, webs: int, workers: int, visits: int) -> Iterator[Firm]:
    """
    A firm with so many web and worker hosts, besides one each for database, broker and files.

    Parameters
    ----------
    visits
        How many visits there are whose confirmation can be printed.
    """
    folder = Path(tempfile.mkdtemp(prefix="jw-hosts-"))
    folder.chmod(0o755)
    servers.tell_guard("folder", folder)
    with network() as net:
        database, broker, store = net.host("db"), net.host("mq"), net.host("s3")
        laid, like = servers.laid("postgresql", 0)
        url = _start_database(database, folder, like)
        start_broker(broker, folder / "mq", broker.address)
        files = servers.new_object_store(store.address, partial(store.start))
        files.start()
        env = {
            **servers.clean_environment(),
            "DATABASE_URL": url,
            "REDIS_URL": f"redis://{broker.address}:6379/0",
            "ALLOWED_HOSTS": "*",
            "SECRET_KEY": "one for all machines of a firm, of fifty characters or more",
            "RUN_LEASE_SECONDS": str(LEASE_SECONDS),
            **files.settings,
        }
        made = Firm(
            net,
            env,
            folder,
            laid,
            [net.host(f"web{n}") for n in range(webs)],
            [net.host(f"w{n}") for n in range(workers)],
        )
        known = json.loads(made.python(PREPARE % visits))
        made.session, made.visits = known["session"], known["visits"]
        for web in made.webs:
            made.start_web(web)
        for worker in made.workers:
            made.start_worker(worker)
        yield made
    shutil.rmtree(folder, ignore_errors=True)
