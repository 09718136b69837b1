"""
Long work.

``start`` writes a `Run` and nudges a worker when the transaction commits; a broker that is
down only delays the work, since a sweep sends waiting runs again. A worker takes a run by
compare-and-swap, and whatever it writes at the end goes through ``finishing``: one
transaction under the run's row lock that asks whether this attempt still holds the token.
So a run may be sent twice, or its worker may die at any line, and there is one result.
"""

from __future__ import annotations

import contextvars
import json
import logging
import subprocess
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from typing import IO, Any, Protocol

from celery import shared_task
from django.conf import settings
from django.contrib.contenttypes.models import ContentType
from django.core.serializers.json import DjangoJSONEncoder
from django.db import IntegrityError, close_old_connections, connection, models, transaction
from django.db.models import F, Q
from django.db.models.functions import Coalesce
from django.utils import timezone
from kombu.exceptions import OperationalError as BrokerDown

from shared import broker, request_id
from shared.errors import AWAY, FilesAway, Refused, let_go_of_a_dead_connection
from shared.models import Run, User

log = logging.getLogger("jambwise.runs")

PROGRESS_EVERY_SECONDS = 0.25
RESEND_SECONDS = 300
"""A waiting run that was sent is sent again after this long: the broker may have lost it."""
AFTER_THE_CLOCK = 3
"""A priority that lets what the clock asks for, the sweep above all, pass a queue full of runs."""
UNHEARD_SECONDS = 20
"""
The same where no message waits in its queue: the worker that had this run's was killed before it
took the run, or is about to take it.
"""
STOP_GRACE_SECONDS = 5
"""How long a solver whose input was closed has to give its best answer."""


class Stopped(Exception):
    """Somebody pressed stop and there is no answer worth keeping."""


class Lost(Exception):
    """Another attempt has taken this run; write nothing."""


@dataclass(frozen=True, slots=True)
class Work:
    """A kind of long work."""

    kind: str
    title: str
    queue: str
    function: Callable[[Context], object]


_works: dict[str, Work] = {}


def long_work(
    kind: str, *, title: str = "", queue: str = "documents"
) -> Callable[[Callable[[Context], object]], Callable[[Context], object]]:
    """
    Register the function that does this kind of work.

    It is called in a worker with a `Context`. What it returns (plain JSON) becomes the run's
    result; domain rows are written inside ``with ctx.finishing() as result:``. It may be
    called again for the same run after a worker died, so it begins from the database.
    A `Refused` it raises is shown to the person as it stands. `queue` is one of ``settings.QUEUES``.
    """

    def register(function: Callable[[Context], object]) -> Callable[[Context], object]:
        known = _works.get(kind)
        if known is not None and known.function.__qualname__ != function.__qualname__:
            raise ValueError(f"long work {kind} is registered twice")
        _works[kind] = Work(kind, title or kind.rpartition(".")[2].replace("_", " "), queue, function)
        return function

    return register


def works() -> dict[str, Work]:
    """Every kind of long work, by its name."""
    return dict(_works)


def queue_of(kind: str) -> str:
    """Whose worker does this kind; one of a release that is gone is refused by the first."""
    return _works[kind].queue if kind in _works else settings.QUEUES[0]


# -- asking for work ----------------------------------------------------------------


def start(
    kind: str,
    *,
    by: User | None,
    subject: models.Model | None = None,
    params: dict[str, object] | None = None,
    key: str = "",
    title: str = "",
) -> Run:
    """
    Ask for a piece of long work.

    Parameters
    ----------
    kind
        What `long_work` registered.
    by
        Who asked.
    subject
        What it is about.
    params
        Plain JSON for the work: keys of rows and choices, no rows themselves.
    key
        While a run with this key waits or is under way, that run is given back instead.
    title
        What the bar says; the kind's title by default.

    Returns
    -------
    Run
        The new run, or the active one of the same key.
    """
    work = _works[kind]
    wanted = {
        "kind": kind,
        "title": (title or work.title)[:200],
        "subject_type": ContentType.objects.get_for_model(subject) if subject is not None else None,
        "subject_id": "" if subject is None else str(subject.pk),
        "params": params or {},
        "key": key,
        "by": by,
        "request_id": request_id.current(),
    }
    for _ in range(5):  # the run that held the key may end between the two looks
        if key and (active := Run.objects.active().filter(key=key).first()):
            return active
        try:
            with transaction.atomic():
                run = Run.objects.create(**wanted)
        except IntegrityError:
            continue
        transaction.on_commit(partial(send, run.pk, kind))
        return run
    raise Refused("this is being done already; look again in a moment")


@shared_task(name="shared.tasks.work")
def work(run_id: str) -> str:
    """Do one run, if it is still to be done."""
    return perform(run_id)


def send(run_id: uuid.UUID, kind: str) -> bool:
    """Nudge a worker; false (and nothing lost) when the broker is down."""
    if not broker.is_there():
        log.warning("broker down, run %s waits for the sweep", run_id)
        return False
    try:
        work.apply_async(args=(str(run_id),), queue=queue_of(kind), priority=AFTER_THE_CLOCK, retry=False)
    except (BrokerDown, OSError) as error:
        log.warning("broker down, run %s waits for the sweep: %s", run_id, error)
        return False
    Run.objects.filter(pk=run_id).update(sent_at=timezone.now())
    return True


def ask_to_stop(*, run: Run, by: User) -> Run:
    """Stop a run: at once while it waits, else as soon as its work looks."""
    now = timezone.now()
    waiting = Run.objects.filter(pk=run.pk, state=Run.State.WAITING)
    if not waiting.update(state=Run.State.STOPPED, stop_asked=True, ended_at=now, message=f"stopped by {by}"[:200]):
        Run.objects.filter(pk=run.pk, state=Run.State.UNDER_WAY).update(stop_asked=True)
    run.refresh_from_db()
    return run


def sweep() -> int:
    """Send stale runs again, give up on those that used all their attempts; how many were sent."""
    now = timezone.now()
    empty = {queue for queue, count in broker.waiting().items() if not count}
    unheard = [kind for kind, work in _works.items() if work.queue in empty]
    stale = Run.objects.stale(now=now, sent_before=now - timedelta(seconds=RESEND_SECONDS))
    stale |= Run.objects.filter(kind__in=unheard).stale(now=now, sent_before=now - timedelta(seconds=UNHEARD_SECONDS))
    spent = Q(state=Run.State.UNDER_WAY, lease_until__lt=now, attempts__gte=settings.RUN_ATTEMPTS)
    given_up = Run.objects.filter(spent).update(
        state=Run.State.FAILED,
        ended_at=now,
        token=None,
        error=f"The worker died {settings.RUN_ATTEMPTS} times on this; it is not tried again.",
    )
    if given_up:
        log.error("gave up on %d runs", given_up)
    sent = 0
    for run_id, kind in stale.filter(attempts__lt=settings.RUN_ATTEMPTS).values_list("pk", "kind")[:200]:
        if not send(run_id, kind):
            break
        sent += 1
    return sent


# -- doing it -----------------------------------------------------------------------


def take(run_id: uuid.UUID | str) -> uuid.UUID | None:
    """Take a run by compare-and-swap: the token of this attempt, or none when it is somebody's."""
    now = timezone.now()
    token = uuid.uuid4()
    free = Q(state=Run.State.WAITING) | Q(state=Run.State.UNDER_WAY, lease_until__lt=now)
    taken = Run.objects.filter(free, pk=run_id, attempts__lt=settings.RUN_ATTEMPTS).update(
        state=Run.State.UNDER_WAY,
        token=token,
        lease_until=now + timedelta(seconds=settings.RUN_LEASE_SECONDS),
        attempts=F("attempts") + 1,
        started_at=Coalesce(F("started_at"), now),
        done=0,
        message="",
        error="",
    )
    return token if taken else None


def perform(run_id: uuid.UUID | str) -> str:
    """
    Do a run here and now: what the Celery task calls, and what a unit test may call.

    Returns the state it ended in, or ``not taken``.
    """
    token = take(run_id)
    if token is None:
        return "not taken"
    ctx = Context(Run.objects.select_related("by__branch").get(pk=run_id), token)
    with request_id.work_for(ctx.run.request_id), ctx.lease():
        try:
            work = _works.get(ctx.run.kind)
            if work is None:
                raise Refused(f"nobody does {ctx.run.kind} here; is the worker of the same release?")
            result = work.function(ctx)
            if not ctx.finished:
                with ctx.finishing() as kept:
                    kept.update(result if isinstance(result, dict) else {"value": result})
        except Lost:
            log.info("run %s was taken by another attempt", run_id)
            return "lost"
        except Stopped:
            ctx.end(Run.State.STOPPED)
        except AWAY as error:
            log.warning("run %s (%s) is put off", run_id, ctx.run.kind, exc_info=True)
            with suppress(*AWAY):  # the database is away still: the lease runs out
                ctx.put_off(error)
                return Run.objects.values_list("state", flat=True).get(pk=run_id)
            return "put off"
        except Refused as refusal:
            ctx.end(Run.State.FAILED, error=refusal.problem)
        except Exception:
            log.exception("run %s (%s) failed", run_id, ctx.run.kind)
            under = f" under {ctx.run.request_id}" if ctx.run.request_id else ""
            ctx.end(Run.State.FAILED, error=f"It failed for a reason of ours; the log has the details{under}.")
    return Run.objects.values_list("state", flat=True).get(pk=run_id)


PUT_OFF_SECONDS = 15
"""How long a run waits for files that are away: so long after its first attempt, twice that after its second."""


class Context:
    """
    What a long work has in hand.

    Attributes
    ----------
    run
        The run as it was when it was taken.
    params
        Its parameters.
    by
        Who asked; the acting user for services.
    """

    def __init__(self, run: Run, token: uuid.UUID) -> None:
        self.run, self.token = run, token
        self.params: dict[str, Any] = run.params
        self.by = run.by
        self.finished = False
        self._lost = False
        self._stop = False
        self._reported_at = 0.0

    @property
    def subject(self) -> Any:
        """The row it is about, fetched afresh."""
        return self.run.subject

    def _mine(self) -> models.QuerySet[Run]:
        return Run.objects.filter(pk=self.run.pk, token=self.token, state=Run.State.UNDER_WAY)

    def _renew(self, **fields: object) -> None:
        """Push the lease on and look whether the run is still ours and wanted."""
        until = timezone.now() + timedelta(seconds=settings.RUN_LEASE_SECONDS)
        if not self._mine().update(lease_until=until, **fields):
            self._lost = True
            return
        self._stop = self._mine().values_list("stop_asked", flat=True).first() or False

    def progress(self, done: int, total: int = 0, message: str = "") -> None:
        """Say how far it is; at most four times a second reach the database. Raises `Lost`."""
        now = time.monotonic()
        if now - self._reported_at >= PROGRESS_EVERY_SECONDS or (total and done >= total):
            self._reported_at = now
            self._renew(done=done, total=total, message=message[:200])
        self.raise_if_lost()

    def should_stop(self) -> bool:
        """Whether somebody pressed stop (as of the last renewal); raises `Lost`."""
        self.raise_if_lost()
        return self._stop

    def raise_if_stopped(self) -> None:
        """Give up here when somebody pressed stop."""
        if self.should_stop():
            raise Stopped

    def raise_if_lost(self) -> None:
        """End this attempt when another holds the run."""
        if self._lost:
            raise Lost

    @contextmanager
    def lease(self) -> Iterator[None]:
        """Renews the lease from a thread while the work computes."""
        over = threading.Event()

        def beat() -> None:
            try:
                while not over.wait(settings.RUN_LEASE_SECONDS / 3):
                    close_old_connections()
                    try:
                        self._renew()
                    except Exception:  # the database may be away for a moment; the lease has two more beats
                        log.warning("run %s: lease not renewed", self.run.pk, exc_info=True)
                    if self._lost:
                        return
            finally:
                connection.close()

        mine = contextvars.copy_context()
        thread = threading.Thread(target=mine.run, args=(beat,), name=f"lease {self.run.pk}", daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join(timeout=5)

    @contextmanager
    def finishing(self) -> Iterator[dict[str, object]]:
        """
        The one transaction in which a run writes what it leaves, and ends as done.

        Everything the work stores goes inside; the dict it yields becomes the run's result.
        Raises `Lost`, before anything is written, when another attempt holds the run.
        """
        result: dict[str, object] = {}
        with transaction.atomic():
            if self._mine().select_for_update().first() is None:
                raise Lost
            yield result
            now = timezone.now()
            ended = self._mine().update(
                state=Run.State.DONE,
                result=json.loads(json.dumps(result, cls=DjangoJSONEncoder)),
                done=Coalesce(F("total"), 0),
                ended_at=now,
                lease_until=None,
                token=None,
                stop_asked=False,
            )
            if not ended:
                raise Lost
        self.finished = True

    def end(self, state: str, *, error: str = "") -> None:
        """End without a result, when the run is still ours and not done already."""
        if not self.finished:
            self._mine().update(state=state, error=error, ended_at=timezone.now(), lease_until=None, token=None)

    def put_off(self, error: Exception) -> None:
        """Files or database are away: let go, to be taken again a while later, or give up after all attempts."""
        let_go_of_a_dead_connection()
        what = "Files" if isinstance(error, FilesAway) else "Rows"
        if self.run.attempts >= settings.RUN_ATTEMPTS:
            return self.end(Run.State.FAILED, error=f"{what} can't be kept: their place does not answer, or is full.")
        later = timezone.now() + timedelta(seconds=PUT_OFF_SECONDS * self.run.attempts)
        self._mine().update(token=None, lease_until=later, message=f"{what} can't be kept just now; it is tried again.")


# -- solvers as processes -------------------------------------------------------------


class Teller(Protocol):
    """Whom a solver's progress is told, and who says when it should stop: a `Context`, or what stands before one."""

    def progress(self, done: int, total: int, message: str = "") -> None: ...

    def should_stop(self) -> bool: ...


def run_process(ctx: Teller, argv: Sequence[str], problem: dict[str, object]) -> dict[str, object]:
    """
    Run a solver as a process of its own and pass its progress on.

    The problem goes in as one line of JSON, and the input stays open: closing it (stop was
    pressed, or this worker died) tells the solver to end with its best answer. It writes
    ``{"progress": {"done": 3, "total": 10, "message": ".."}}`` lines, and its answer last.

    Parameters
    ----------
    ctx
        The run's context.
    argv
        Program and arguments, such as ``[sys.executable, "-m", "jobs.rules.routing"]``.
    problem
        Plain JSON.

    Returns
    -------
    dict
        The solver's answer.

    Raises
    ------
    Refused
        When the solver refuses the problem (exit code 2); field and bound are its own.
    Stopped
        When stop was pressed and it had no answer.
    RuntimeError
        When it ended otherwise without an answer.
    """
    with (
        tempfile.TemporaryFile() as errors,
        subprocess.Popen(
            list(argv),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=errors,
            cwd=settings.BASE_DIR,
        ) as process,
    ):
        assert process.stdin is not None
        assert process.stdout is not None
        lines: list[bytes] = []
        reader = threading.Thread(target=_read_lines, args=(process.stdout, lines), daemon=True)
        reader.start()
        try:
            _hand_over(process.stdin, problem)
            stopped = _watch(ctx, process, reader, lines)
        except BaseException:
            process.kill()
            raise
        finally:
            _close(process.stdin)
        reader.join(timeout=5)
        errors.seek(0)
        return _answer(lines, process.wait(), errors.read(20_000).decode(errors="replace"), stopped)


def _read_lines(stream: IO[bytes], lines: list[bytes]) -> None:
    for line in stream:
        lines.append(line)  # noqa: PERF402 - the list is watched while it grows


def _hand_over(stdin: IO[bytes], problem: dict[str, object]) -> None:
    try:
        stdin.write(json.dumps(problem, cls=DjangoJSONEncoder).encode() + b"\n")
        stdin.flush()
    except BrokenPipeError:
        pass  # it refused early; its exit code and words tell why


def _close(stdin: IO[bytes]) -> None:
    with suppress(BrokenPipeError):
        stdin.close()


def _watch(ctx: Teller, process: subprocess.Popen[bytes], reader: threading.Thread, lines: list[bytes]) -> bool:
    """Passes progress on until the process has said all; whether it was told to stop."""
    seen, stopped_at = 0, None
    while reader.is_alive():
        reader.join(timeout=0.1)
        for line in lines[seen:]:
            seen += 1
            _pass_on(ctx, line)
        if stopped_at is None and ctx.should_stop():
            stopped_at = time.monotonic()
            assert process.stdin is not None
            _close(process.stdin)
        if stopped_at is not None and time.monotonic() - stopped_at > STOP_GRACE_SECONDS:
            process.kill()
    return stopped_at is not None


def _pass_on(ctx: Teller, line: bytes) -> None:
    try:
        sent = json.loads(line).get("progress")
    except (ValueError, AttributeError):
        return
    if isinstance(sent, dict):
        ctx.progress(int(sent.get("done") or 0), int(sent.get("total") or 0), str(sent.get("message") or ""))


def _answer(lines: list[bytes], code: int, errors: str, stopped: bool) -> dict[str, object]:
    for line in reversed(lines):
        try:
            answer = json.loads(line)
        except ValueError:
            continue
        if isinstance(answer, dict) and "progress" not in answer and code == 0:
            return answer
    if code == 2 and (refusal := _refusal(errors)):
        raise Refused(str(refusal["problem"]), field=str(refusal.get("field", "")), bound=str(refusal.get("bound", "")))
    if stopped:
        raise Stopped
    raise RuntimeError(f"the solver ended with {code} and no answer: {errors[-2000:]}")


def _refusal(errors: str) -> dict[str, object] | None:
    """The error object a solver wrote last on its standard error, if it did."""
    try:
        refusal = json.loads(errors.strip().splitlines()[-1])["error"]
    except (ValueError, KeyError, IndexError, TypeError):
        return None
    return refusal if isinstance(refusal, dict) and "problem" in refusal else None
