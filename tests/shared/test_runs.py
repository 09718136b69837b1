"""Long work: taken once, finished once, found again when its worker died."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from django.conf import settings
from django.db import transaction
from django.utils import timezone

from shared import request_id, runs
from shared.broker import waiting
from shared.celery import app
from shared.models import AuditEntry, Run, User
from tests import servers
from tests.servers import Broker, Worker
from tests.shared import works  # noqa: F401 - registers what the runs here ask for

pytestmark = pytest.mark.django_db


def state_of(run: Run) -> str:
    run.refresh_from_db()
    return run.state


def test_a_run_is_done_and_keeps_its_result(dispatcher: User) -> None:
    run = runs.start("tests.add", by=dispatcher, params={"a": 2, "b": 3})

    assert runs.perform(run.pk) == "done"

    run.refresh_from_db()
    assert run.result["sum"] == 5
    assert (run.attempts, run.token, run.lease_until) == (1, None, None)
    assert run.started_at is not None
    assert run.ended_at is not None


def test_the_same_key_gives_the_active_run_again(dispatcher: User) -> None:
    first = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1}, key="sum of job 7")

    again = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1}, key="sum of job 7")

    assert again.pk == first.pk


def test_a_finished_run_gives_its_key_free(dispatcher: User) -> None:
    first = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1}, key="k")
    runs.perform(first.pk)

    assert runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1}, key="k").pk != first.pk


def test_a_run_that_is_taken_is_not_taken_again(dispatcher: User) -> None:
    run = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1})
    assert runs.take(run.pk) is not None

    assert runs.take(run.pk) is None
    assert runs.perform(run.pk) == "not taken"


def test_only_the_holder_of_the_token_writes_the_result(dispatcher: User) -> None:
    run = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1})
    token = runs.take(run.pk)
    assert token is not None
    slow = runs.Context(Run.objects.get(pk=run.pk), token)
    Run.objects.filter(pk=run.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    assert runs.take(run.pk) is not None

    with pytest.raises(runs.Lost), slow.finishing():
        AuditEntry.objects.create(action="must not be kept")
    slow.end(Run.State.FAILED, error="must not be kept")

    assert state_of(run) == "under way"
    assert not AuditEntry.objects.filter(action="must not be kept").exists()


def test_a_token_lost_while_writing_takes_the_writing_back(dispatcher: User) -> None:
    run = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1})
    token = runs.take(run.pk)
    assert token is not None
    ctx = runs.Context(Run.objects.get(pk=run.pk), token)

    def write_and_lose() -> None:
        with ctx.finishing():
            AuditEntry.objects.create(action="must not be kept")
            Run.objects.filter(pk=run.pk).update(token=None)

    with pytest.raises(runs.Lost):
        write_and_lose()

    assert not AuditEntry.objects.exists()


def test_a_failing_run_says_so_and_a_refusal_says_why(dispatcher: User) -> None:
    broken = runs.start("tests.add", by=dispatcher, params={"a": 1})
    refused = runs.start("tests.solve", by=dispatcher, params={"to": -1})

    assert runs.perform(broken.pk) == "failed"
    assert runs.perform(refused.pk) == "failed"

    broken.refresh_from_db()
    refused.refresh_from_db()
    assert "the log has the details" in broken.error
    assert refused.error == "must be 0 or more"


def test_unknown_work_fails_instead_of_waiting_for_ever(dispatcher: User) -> None:
    run = Run.objects.create(kind="nobody.does_this", by=dispatcher)

    assert runs.perform(run.pk) == "failed"


def test_a_waiting_run_stops_at_once(dispatcher: User) -> None:
    run = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1})

    runs.ask_to_stop(run=run, by=dispatcher)

    assert run.state == Run.State.STOPPED
    assert runs.perform(run.pk) == "not taken"


def test_work_that_looks_ends_as_stopped(dispatcher: User, tmp_path: Path) -> None:
    run = runs.start("tests.slow_write", by=dispatcher, params={"begun": str(tmp_path / "begun"), "seconds": 30})
    Run.objects.filter(pk=run.pk).update(stop_asked=True)

    assert runs.perform(run.pk) == "stopped"
    assert not AuditEntry.objects.exists()


def test_the_sweep_gives_up_after_all_attempts(dispatcher: User) -> None:
    past = timezone.now() - timedelta(hours=1)
    run = Run.objects.create(
        kind="tests.add",
        by=dispatcher,
        state=Run.State.UNDER_WAY,
        lease_until=past,
        attempts=settings.RUN_ATTEMPTS,
    )

    runs.sweep()

    assert state_of(run) == "failed"
    assert "not tried again" in run.error


def test_the_sweep_leaves_alone_what_is_under_way(dispatcher: User) -> None:
    run = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1})
    runs.take(run.pk)

    assert runs.sweep() == 0


def test_a_solver_answers_and_its_progress_shows(dispatcher: User) -> None:
    run = runs.start("tests.solve", by=dispatcher, params={"to": 4})

    runs.perform(run.pk)

    run.refresh_from_db()
    assert run.result == {"counted": 4}
    assert (run.done, run.total) == (4, 4)


def test_a_stopped_solver_gives_what_it_has(dispatcher: User) -> None:
    run = runs.start("tests.solve", by=dispatcher, params={"to": 10_000, "pause": 0.01})
    Run.objects.filter(pk=run.pk).update(stop_asked=True)

    assert runs.perform(run.pk) == "done"

    run.refresh_from_db()
    assert 0 < run.result["counted"] < 10_000


def test_a_crashed_solver_fails_the_run_alone(dispatcher: User) -> None:
    run = runs.start("tests.solve", by=dispatcher, params={"to": 1, "crash": True})

    assert runs.perform(run.pk) == "failed"


def test_people_see_their_own_runs_and_the_office_its_branch(cast: dict[str, User]) -> None:
    run = runs.start("tests.add", by=cast["installer"], params={"a": 1, "b": 1})

    seeing = {name for name, user in cast.items() if Run.objects.visible_to(user).filter(pk=run.pk).exists()}

    assert seeing == {"installer", "dispatcher", "workroom", "owner"}


def test_a_run_is_logged_with_the_request_that_asked_for_it(dispatcher: User, caplog: pytest.LogCaptureFixture) -> None:
    """The worker's lines had no request id: nobody could tell whose press had failed."""
    ids = []
    caplog.handler.addFilter(lambda record: ids.append((record.name, request_id.current())) or True)
    with request_id.work_for("asked-by-a-page-1"):
        run = runs.start("tests.add", by=dispatcher, params={"a": 1})

    runs.perform(run.pk)

    assert ("jambwise.runs", "asked-by-a-page-1") in ids
    assert request_id.current() == ""
    run.refresh_from_db()
    assert "under asked-by-a-page-1" in run.error


def test_what_the_site_promises_of_a_dead_worker_follows_from_its_settings() -> None:
    """A lease that ran out, then the next look: ten seconds at most."""
    from shared import settings as of_a_firm

    look = of_a_firm.CELERY_BEAT_SCHEDULE["send stale runs again"]["schedule"]

    assert of_a_firm.RUN_LEASE_SECONDS + look <= 9
    assert {runs.queue_of(kind) for kind in runs.works()} == set(settings.QUEUES)


# -- with a real broker and real workers ---------------------------------------------------------


@pytest.mark.worker
@pytest.mark.django_db(transaction=True)
def test_a_real_worker_does_what_a_commit_sent(worker: Worker, dispatcher: User) -> None:
    with transaction.atomic():
        run = runs.start("tests.add", by=dispatcher, params={"a": 20, "b": 22})

    servers.until(lambda: state_of(run) == "done", what="the run is done")
    assert run.result["sum"] == 42


@pytest.mark.worker
@pytest.mark.django_db(transaction=True)
def test_a_run_of_a_killed_worker_is_found_and_done_once(
    new_worker: Callable[..., Worker], dispatcher: User, tmp_path: Path
) -> None:
    """``kill -9`` of a whole worker mid-run: its lease runs out, the sweep sends it, one result. It took over 30 s."""
    begun = tmp_path / "begun"
    first = new_worker()
    run = runs.start("tests.slow_write", by=dispatcher, params={"begun": str(begun), "seconds": 60})
    servers.until(lambda: begun.exists() and begun.read_text(), what="the run has begun")
    new_worker(beat=True)
    killed = time.monotonic()
    first.kill()

    servers.until(lambda: len(begun.read_text().split()) == 2, what="another worker took it")
    assert time.monotonic() - killed < 10
    servers.until(lambda: state_of(run) == "done", what="another worker did it")
    assert run.attempts == 2
    assert len(begun.read_text().split()) == 2
    assert AuditEntry.objects.filter(action="wrote once").count() == 1


@pytest.mark.worker
@pytest.mark.django_db(transaction=True)
def test_a_run_sent_five_times_to_two_processes_is_done_once(
    new_worker: Callable[..., Worker], dispatcher: User, tmp_path: Path
) -> None:
    new_worker(processes=2)
    begun = tmp_path / "begun"
    run = runs.start("tests.slow_write", by=dispatcher, params={"begun": str(begun), "seconds": 1})
    for _ in range(4):
        runs.send(run.pk, run.kind)

    servers.until(lambda: state_of(run) == "done", what="the run is done")
    time.sleep(0.5)
    assert AuditEntry.objects.filter(action="wrote once").count() == 1
    assert len(begun.read_text().split()) == 1


@pytest.mark.worker
@pytest.mark.django_db(transaction=True)
def test_a_document_does_not_wait_behind_plans(
    broker: Broker, new_worker: Callable[..., Worker], dispatcher: User
) -> None:
    """Two long plans held both processes of the one worker."""
    numbers: dict[str, object] = {"a": 20, "b": 22}
    plans = [runs.start("tests.plan", by=dispatcher, params=numbers) for _ in range(2)]
    run = runs.start("tests.add", by=dispatcher, params=numbers)
    assert waiting() == {"documents": 1, "plans": 2, "bulk": 0}

    new_worker(queue="documents")

    servers.until(lambda: state_of(run) == "done", what="the document is done")
    assert [state_of(plan) for plan in plans] == ["waiting", "waiting"]
    assert waiting()["plans"] == 2


@pytest.mark.worker
@pytest.mark.django_db(transaction=True)
def test_a_run_whose_message_is_gone_is_sent_again_soon(broker: Broker, dispatcher: User) -> None:
    """A worker killed between being told of a run and taking it takes the message with it."""
    run = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1})
    Run.objects.filter(pk=run.pk).update(sent_at=timezone.now() - timedelta(seconds=runs.UNHEARD_SECONDS + 1))
    assert runs.sweep() == 0  # its message waits at the broker

    assert app.control.purge() == 1

    assert runs.sweep() == 1
    assert runs.sweep() == 0  # just sent


@pytest.mark.worker
@pytest.mark.django_db(transaction=True)
def test_a_broker_that_is_down_only_delays(broker: Broker, new_worker: Callable[..., Worker], dispatcher: User) -> None:
    """The page is answered, the run waits; the sweep of the next worker sends it."""
    broker.kill()
    began = time.monotonic()
    run = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1})
    took = time.monotonic() - began
    assert state_of(run) == "waiting"
    assert run.sent_at is None
    assert took < 20

    broker.start()
    new_worker()

    servers.until(lambda: state_of(run) == "done", what="the run is done")
