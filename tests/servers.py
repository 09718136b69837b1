"""Real servers for tests: PostgreSQL, the broker, Celery workers, the site itself. Nothing here is a stand-in."""

from __future__ import annotations

import fcntl
import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from typing import IO, Any

ROOT = Path(__file__).resolve().parent.parent
IS_ROOT = os.name == "posix" and os.geteuid() == 0


PORTS = range(20_000, 32_000)
"""Below those that a system gives to whoever calls out."""

_taken: list[IO[str]] = []
"""Locked files of the ports this process has; the system lets them go when it ends, however it ends."""


def free_port() -> int:
    """A port nobody listens on, and that no other process of any run of the suite will be given."""
    for port in random.SystemRandom().sample(PORTS, len(PORTS)):
        lock = Path(tempfile.gettempdir(), f"jw-port-{port}").open("w")  # noqa: SIM115 - held until we end
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with socket.socket() as probe:
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                probe.bind(("127.0.0.1", port))
        except OSError:
            lock.close()
            continue
        _taken.append(lock)
        return port
    raise AssertionError("no port is free")


# -- nothing outlives the run ------------------------------------------------------------------


@cache
def ground() -> Path:
    """
    The folder that all processes of this run of the suite share, with the guard that watches over the run.

    The first process to ask makes both, and hands them on in its environment.
    """
    if "JAMBWISE_TEST_GROUND" not in os.environ:
        folder = Path(tempfile.mkdtemp(prefix="jw-ground-"))
        os.environ["JAMBWISE_TEST_GROUND"] = str(folder)
        os.mkfifo(folder / "guard")
        subprocess.Popen(
            [sys.executable, "-m", "tests.guard", str(folder / "guard")], cwd=ROOT, stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        tell_guard("folder", folder)
    return Path(os.environ["JAMBWISE_TEST_GROUND"])


@cache
def _guard() -> int:
    """The guard's pipe, held open for as long as this process lives and by nobody it starts."""
    return os.open(ground() / "guard", os.O_WRONLY)


def tell_guard(what: str, which: object) -> None:
    """``group`` or ``server`` and a process to end with the run, ``folder`` or ``namespace`` to remove; ``ended``."""
    os.write(_guard(), f"{what} {which}\n".encode())


def launch(argv: list[str], **how: Any) -> subprocess.Popen[bytes]:
    """Start a process at the head of a group of its own, which ends with this run at the latest."""
    process = subprocess.Popen(argv, start_new_session=True, **how)
    tell_guard("group", process.pid)
    return process


def until(true: Callable[[], object], *, seconds: float = 180, what: str = "it") -> None:
    """Wait for something to be so, or fail saying what was not."""
    deadline = time.monotonic() + seconds
    while not true():
        if time.monotonic() > deadline:
            raise AssertionError(f"{what} not after {seconds} s")
        time.sleep(0.05)


def end(process: subprocess.Popen[bytes], how: int = signal.SIGTERM, seconds: float = 15) -> None:
    """
    Stop a process we started, with all it started (it leads a group of its own).

    SIGTERM goes to the head alone, which lets its children finish; SIGKILL to all at once.
    """
    if process.poll() is None and how != signal.SIGKILL:
        process.send_signal(how)
        with suppress(subprocess.TimeoutExpired):
            process.wait(timeout=seconds)
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait(timeout=60)
    tell_guard("ended", process.pid)


# -- as docs/ say that a site is run ------------------------------------------------------------


def unit_commands(unit: str, key: str = "ExecStart") -> list[list[str]]:
    """The commands of a systemd unit in docs, for this checkout and this Python."""
    lines = (ROOT / "docs" / "systemd" / unit).read_text().splitlines()
    commands = [line.partition("=")[2].split() for line in lines if line.startswith(f"{key}=")]
    assert all(command[0] == "/opt/jambwise/.venv/bin/python" for command in commands)
    return [[sys.executable, *command[1:]] for command in commands]


# -- PostgreSQL ---------------------------------------------------------------------------


def postgres_programs() -> Path | None:
    """The folder of the newest PostgreSQL server's programs, if there is one."""
    folders = [Path(found).parent for name in ("pg_ctl",) if (found := shutil.which(name))]
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: -int(path.parent.name))
    return next((path for path in folders if (path / "initdb").exists() and (path / "pg_ctl").exists()), None)


@dataclass
class Postgres:
    """A private PostgreSQL server on a free port of this machine."""

    folder: Path
    port: int
    made: int = 0

    @classmethod
    def start(cls) -> Postgres:
        """Set up and start one; as root it runs as the user postgres."""
        programs = postgres_programs()
        if programs is None:
            raise FileNotFoundError("no PostgreSQL server on this machine")
        folder = Path(tempfile.mkdtemp(prefix="jw-pg-"))
        as_user = ["runuser", "-u", "postgres", "--"] if IS_ROOT else []
        if IS_ROOT:
            shutil.chown(folder, "postgres")
        tell_guard("folder", folder)
        port = free_port()
        quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": "/"}
        data = str(folder / "data")
        subprocess.run(
            [*as_user, str(programs / "initdb"), "-A", "trust", "-U", "postgres", "-N", "-E", "UTF8", "-D", data],
            check=True,
            **quiet,
        )
        options = (
            f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories= -c fsync=off "
            "-c synchronous_commit=off -c full_page_writes=off -c max_connections=200"
        )
        subprocess.run(
            [*as_user, str(programs / "pg_ctl"), "-w", "-D", data, "-l", str(folder / "log"), "-o", options, "start"],
            check=True,
            **quiet,
        )
        tell_guard("server", (folder / "data" / "postmaster.pid").read_text().split()[0])
        return cls(folder, port)

    def copy(self) -> Postgres:
        """Another server that follows this one (streaming replication) and is read only."""
        found, folder, port = postgres_programs(), Path(tempfile.mkdtemp(prefix="jw-pg-")), free_port()
        assert found is not None
        programs = (found / "initdb").resolve().parent
        as_user = ["runuser", "-u", "postgres", "--"] if IS_ROOT else []
        if IS_ROOT:
            shutil.chown(folder, "postgres")
        tell_guard("folder", folder)
        data = str(folder / "data")
        quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": "/", "check": True}
        base = [str(programs / "pg_basebackup"), "-d", self.url("postgres"), "-D", data, "-R", "-c", "fast", "-N"]
        subprocess.run([*as_user, *base], **quiet)
        options = (
            f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories= -c fsync=off -c max_connections=200"
        )
        pg_ctl = [str(programs / "pg_ctl"), "-w", "-D", data, "-l", str(folder / "log"), "-o", options, "start"]
        subprocess.run([*as_user, *pg_ctl], **quiet)
        tell_guard("server", (folder / "data" / "postmaster.pid").read_text().split()[0])
        return Postgres(folder, port)

    def stop(self) -> None:
        """Stop it at once, if it still runs."""
        pid = self.folder / "data" / "postmaster.pid"
        if pid.exists():
            os.kill(int(pid.read_text().split()[0]), signal.SIGINT)
            until(lambda: not pid.exists(), what="PostgreSQL's end")

    def url(self, database: str) -> str:
        """The DATABASE_URL of a database."""
        return f"postgresql://postgres@127.0.0.1:{self.port}/{database}"

    def new_database(self, like: str = "") -> str:
        """A fresh database, empty or a copy of the one at the URL `like`; its URL."""
        import psycopg

        self.made += 1
        name = f"jambwise_{os.getpid()}_{self.made}"
        copied = f' TEMPLATE "{like.rpartition("/")[2]}"' if like else ""
        with psycopg.connect(self.url("postgres"), autocommit=True) as link:
            link.execute(f'CREATE DATABASE "{name}"{copied}')
        return self.url(name)


@contextmanager
def _one_at_a_time(what: str) -> Iterator[None]:
    """Only one process of the run is in here."""
    with (ground() / f"{what}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


@cache
def the_postgres() -> Postgres:
    """The one server of this run of the suite, which the first to ask starts; it ends with the run."""
    known = ground() / "postgres"
    with _one_at_a_time("postgres"):
        if not known.exists():
            server = Postgres.start()
            known.write_text(f"{server.port} {server.folder}")
    port, _, folder = known.read_text().partition(" ")
    return Postgres(Path(folder), int(port))


# -- the broker -----------------------------------------------------------------------------


@dataclass
class Broker:
    """A private Valkey (or Redis) server on a Unix socket, append-only file on."""

    folder: Path
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """What REDIS_URL takes."""
        return f"redis+socket://{self.folder / 'mq.sock'}?virtual_host=0"

    def start(self) -> None:
        """Start it, with what its file kept."""
        from shared.serve import broker_command

        self.process = launch(
            broker_command(self.folder / "mq.sock"), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until((self.folder / "mq.sock").exists, what="the broker's socket")

    def kill(self) -> None:
        """As a power cut would."""
        assert self.process is not None
        end(self.process, signal.SIGKILL)
        (self.folder / "mq.sock").unlink(missing_ok=True)

    def stop(self) -> None:
        """Stop it and remove its data."""
        if self.process is not None:
            end(self.process)
        shutil.rmtree(self.folder, ignore_errors=True)


def new_broker() -> Broker:
    """A broker that is not started yet."""
    folder = Path(tempfile.mkdtemp(prefix="jw-mq-"))
    tell_guard("folder", folder)
    return Broker(folder)


# -- the object store -----------------------------------------------------------------------


@dataclass
class ObjectStore:
    """A real S3-compatible store with one empty bucket, on one port, for whoever has its keys."""

    folder: Path
    port: int
    address: str = "127.0.0.1"
    starter: Callable[..., subprocess.Popen[bytes]] | None = None
    key: str = "tests"
    secret: str = field(default_factory=lambda: uuid.uuid4().hex)
    process: subprocess.Popen[bytes] | None = None

    @property
    def settings(self) -> dict[str, str]:
        """The environment of a site that keeps its files there."""
        return {
            "FILES_BUCKET": "files",
            "FILES_URL": f"http://{self.address}:{self.port}",
            "FILES_KEY": self.key,
            "FILES_SECRET": self.secret,
        }

    def start(self) -> None:
        """Start it and wait until its bucket stands."""
        argv = [str(Path(sys.executable).with_name("weed")), "server", f"-dir={self.folder}"]
        argv += [f"-ip={self.address}", f"-ip.bind={self.address}", "-master.telemetry=false"]
        argv += ["-master.electionTimeout=1s", "-master.volumeSizeLimitMB=64", "-volume.max=20"]
        argv += ["-filer", "-filer.disableHttp"]
        argv += [f"-filer.localSocket={self.folder / 'f.sock'}", "-s3", f"-s3.port={self.port}"]
        argv += ["-s3.port.iceberg=0", "-s3.port.lance=0"]
        argv += [f"-{part}.port={free_port()}" for part in ("master", "volume", "filer")]
        argv += [f"-{part}.port.grpc={free_port()}" for part in ("master", "volume", "filer", "s3")]
        keys = {"AWS_ACCESS_KEY_ID": self.key, "AWS_SECRET_ACCESS_KEY": self.secret}
        with (self.folder / "log").open("ab") as log:
            start = self.starter or partial(launch, cwd=self.folder)
            self.process = start(argv, env={**os.environ, **keys}, stdout=log, stderr=log)
        until(self._has_bucket, what=f"the object store ({self.folder / 'log'})")

    def kill(self) -> None:
        """``kill -9``; it keeps its data."""
        assert self.process is not None
        end(self.process, signal.SIGKILL)

    def client(self) -> Any:
        """Somebody with the keys."""
        import boto3
        from botocore.config import Config

        return boto3.client(
            "s3",
            endpoint_url=self.settings["FILES_URL"],
            region_name="us-east-1",
            aws_access_key_id=self.key,
            aws_secret_access_key=self.secret,
            config=Config(s3={"addressing_style": "path"}, retries={"total_max_attempts": 1}),
        )

    def _has_bucket(self) -> bool:
        from botocore.exceptions import BotoCoreError, ClientError

        try:
            self.client().create_bucket(Bucket="files")
        except ClientError as error:
            return error.response["Error"]["Code"] in {"BucketAlreadyExists", "BucketAlreadyOwnedByYou"}
        except BotoCoreError:
            return False
        return True


def new_object_store(
    address: str = "127.0.0.1", starter: Callable[..., subprocess.Popen[bytes]] | None = None
) -> ObjectStore:
    """An object store that is not started yet, at an address of the host that `starter` starts it on."""
    folder = Path(tempfile.mkdtemp(prefix="jw-s3-"))
    tell_guard("folder", folder)
    return ObjectStore(folder, free_port(), address, starter)


# -- Celery workers ---------------------------------------------------------------------------


@dataclass
class Worker:
    """A real prefork Celery worker for every queue or one, with beat when asked."""

    env: dict[str, str]
    processes: int = 1
    beat: bool = False
    queue: str = ""
    process: subprocess.Popen[bytes] | None = None
    log: Path = field(default_factory=lambda: Path(tempfile.mkstemp(prefix="worker-", suffix=".log", dir=ground())[1]))

    def start(self) -> Worker:
        """Start it and wait until it is ready for work."""
        argv = [sys.executable, "-m", "celery", "-A", "shared.celery", "worker", "-P", "prefork"]
        argv += ["-c", str(self.processes), "-l", "INFO", "-n", f"w{uuid.uuid4().hex[:8]}@%h"]
        argv += ["--without-gossip", "--without-mingle"]
        argv += ["-B", "-s", str(self.log) + ".beat"] if self.beat else []
        argv += ["-Q", self.queue] if self.queue else []
        offset = self.log.stat().st_size
        with self.log.open("ab") as out:
            self.process = launch(argv, cwd=ROOT, env=self.env, stdout=out, stderr=subprocess.STDOUT)
        until(lambda: b"ready." in self.log.read_bytes()[offset:], what=f"the worker ({self.log}) is ready")
        return self

    def kill(self) -> None:
        """``kill -9`` of the worker and its children."""
        assert self.process is not None
        end(self.process, signal.SIGKILL)

    def stop(self) -> None:
        """Stop it at once (nobody needs what it was at any more) and throw its log away."""
        if self.process is not None:
            end(self.process, signal.SIGKILL)
        self.log.unlink(missing_ok=True)


# -- the whole site -----------------------------------------------------------------------------


@dataclass
class Site:
    """The site as it runs for people: gunicorn, a worker with beat, a broker, a database of its own."""

    kind: str
    env: dict[str, str]
    folder: Path
    broker: Broker
    port: int
    web: subprocess.Popen[bytes] | None = None
    worker: Worker | None = None
    shell: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Where it listens; localhost, since a browser trusts that without TLS."""
        return f"http://localhost:{self.port}"

    def manage(self, *args: str, data: str | None = None) -> str:
        """Run a management command; its output."""
        done = subprocess.run(
            [sys.executable, "manage.py", *args], cwd=ROOT, env=self.env, input=data, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def python(self, code: str) -> str:
        """Run code with Django set up, on the site's own database, in one process kept for it; what it printed."""
        if self.shell is None:
            self.shell = launch(
                [sys.executable, "-m", "tests.shell"],
                cwd=ROOT,
                env=self.env,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
            )
        assert self.shell.stdin is not None
        assert self.shell.stdout is not None
        self.shell.stdin.write(json.dumps(code).encode() + b"\n")
        self.shell.stdin.flush()
        printed, error = json.loads(self.shell.stdout.readline())
        assert error is None, error
        return str(printed)

    def start_web(self) -> None:
        """Start gunicorn and wait for it to answer."""
        argv = [sys.executable, "-m", "gunicorn", "shared.wsgi", "-b", f"127.0.0.1:{self.port}", "-w", "1"]
        argv += ["--threads", "4", "--log-file", str(self.folder / "web.log"), "--log-level", "warning"]
        self.web = launch(argv, cwd=ROOT, env=self.env, stderr=subprocess.DEVNULL)
        until(self.answers, what=f"the site at {self.url}")

    def answers(self) -> bool:
        """Whether the site and its database answer."""
        try:
            with urllib.request.urlopen(f"{self.url}/healthz", timeout=2) as response:
                return bool(response.status == 200)
        except (urllib.error.URLError, OSError):
            return False

    def stop_web(self, how: int = signal.SIGTERM) -> None:
        """Stop gunicorn."""
        assert self.web is not None
        end(self.web, how)

    def stop(self) -> None:
        """Stop everything and remove its data."""
        if self.web is not None:
            self.stop_web()
        if self.worker is not None:
            self.worker.stop()
        if self.shell is not None:
            end(self.shell, signal.SIGKILL)
        self.broker.stop()
        shutil.rmtree(self.folder, ignore_errors=True)


def _manage(env: dict[str, str], *args: str) -> None:
    subprocess.run([sys.executable, "manage.py", *args], cwd=ROOT, env=env, check=True, stdout=subprocess.DEVNULL)


def _migrate_apart(url: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        _manage({**clean_environment(), "JAMBWISE_DATA": folder, "DATABASE_URL": url}, "migrate", "-v", "0")


@cache
def migrated(kind: str, migrate: Callable[[str], None] = _migrate_apart) -> str:
    """The URL of a migrated database to copy; the first process of a run of the suite to ask migrates it."""
    known = ground() / f"{kind}-url"
    with _one_at_a_time(kind):
        if not known.exists():
            if kind == "postgresql":
                url = the_postgres().new_database()
                _migrate_once(url, migrate)
            else:
                url = f"sqlite:///{ground()}/migrated.sqlite3"
                migrate(url)
            known.write_text(url)
    return known.read_text()


def migrate_ahead() -> None:
    """
    Migrates while the processes of a run still read its tests, so that none waits for another's tables.

    What fails here fails again, and is told, in the first process that needs the tables.
    """
    second_pass = os.environ.get("JAMBWISE_TEST_DATABASE") == "postgresql"
    with suppress(Exception):
        for kind in ("postgresql",) if second_pass else ("sqlite", "postgresql"):
            if kind == "sqlite" or postgres_programs() is not None:
                migrated(kind)


def _migrate_once(url: str, migrate: Callable[[str], None]) -> None:
    """The second pass of `./run test` takes the tables that the first one migrated, from the folder it names."""
    left, server = os.environ.get("JAMBWISE_TEST_LEFT"), postgres_programs()
    if left is None or server is None:
        return migrate(url)
    dump, programs = Path(left) / "migrated.dump", (server / "initdb").resolve().parent
    if dump.exists():
        subprocess.run([str(programs / "pg_restore"), "-d", url, str(dump)], check=True)
    else:
        migrate(url)
        subprocess.run([str(programs / "pg_dump"), "-Fc", "-f", str(dump), url], check=True)


def copy_of(url: str, folder: Path) -> str:
    """The URL of a copy of a database, which on SQLite is a file in that folder."""
    if url.startswith("postgresql"):
        return the_postgres().new_database(like=url)
    shutil.copyfile(url.removeprefix("sqlite:///"), folder / "jambwise.sqlite3")
    return f"sqlite:///{folder}/jambwise.sqlite3"


@cache
def laid(kind: str, jobs: int) -> tuple[Path, str]:
    """A data folder with static files, and the URL of a database with so many demo jobs: for copies, shared too."""
    folder = ground() / f"{kind}-{jobs}"
    bare = laid(kind, 0) if jobs else None
    with _one_at_a_time(folder.name):
        if not folder.exists():
            unfinished = folder.with_suffix(".unfinished")
            if bare is None:
                unfinished.mkdir()
            else:
                shutil.copytree(bare[0], unfinished)
            url = copy_of(bare[1] if bare else migrated(kind), unfinished)
            env = {**clean_environment(), "JAMBWISE_DATA": str(unfinished), "DATABASE_URL": url}
            if bare is None:
                _manage(env, "collectstatic", "--noinput", "-v", "0")
            else:
                _manage(env, "load_demo", "--jobs", str(jobs), "--seed", "1")
            (unfinished / "url").write_text(url.replace(str(unfinished), str(folder)))
            unfinished.rename(folder)
    return folder, (folder / "url").read_text()


def clean_environment() -> dict[str, str]:
    """This process's, without what was set for its own tests."""
    mine = {name for name in os.environ if name.startswith(("JAMBWISE_", "DATABASE_", "DJANGO_", "REDIS_"))}
    kept = {name: value for name, value in os.environ.items() if name not in mine}
    return {**kept, "DJANGO_SETTINGS_MODULE": "shared.settings", "JAMBWISE_DEBUG": "off", "JAMBWISE_ENV": ""}


def start_site(kind: str = "sqlite", *, jobs: int = 0, worker: bool = True, **settings: str) -> Site:
    """
    Start a whole site.

    Parameters
    ----------
    kind
        ``sqlite`` or ``postgresql``.
    jobs
        How many demo jobs to load (seed 1), where the command is there; 0 for an empty site.
    worker
        Whether a Celery worker with beat runs from the start.
    settings
        More environment variables.
    """
    folder = Path(tempfile.mkdtemp(prefix="jw-site-"))
    tell_guard("folder", folder)
    broker = new_broker()
    like, url = laid(kind, jobs)
    shutil.copytree(like, folder, dirs_exist_ok=True)
    copy = copy_of(url, folder)
    port = free_port()
    env = {
        **clean_environment(),
        "SITE_URL": f"http://localhost:{port}",
        "JAMBWISE_DATA": str(folder),
        "REDIS_URL": broker.url,
        "DATABASE_URL": copy,
        **settings,
    }
    site = Site(kind, env, folder, broker, port)
    try:
        broker.start()
        site.start_web()
        if worker:
            site.worker = Worker(env, processes=1, beat=True).start()
    except BaseException:
        site.stop()
        raise
    return site
