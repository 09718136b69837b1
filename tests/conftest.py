"""Fixtures of the whole suite."""

from __future__ import annotations

import gc
import os
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests import servers

if TYPE_CHECKING:
    from django.test import Client

    from shared.models import Branch, User
    from tests.servers import Broker, Postgres, Worker


def pytest_configure(config: pytest.Config) -> None:
    """The first process makes what all of them share, before it starts the others and beside them."""
    servers.ground()
    gc.set_threshold(100_000, 50, 100)
    if "JAMBWISE_TEST_LEFT" in os.environ and not hasattr(config, "workerinput"):  # all of `./run test`
        threading.Thread(target=servers.migrate_ahead, daemon=True).start()


def pytest_collection_finish() -> None:
    """What stands now stays to the end: without this, looking through it again and again took a tenth of the time."""
    gc.collect()
    gc.freeze()


LONGEST = (
    "browser/test_walk.py",
    "agreement",
    "faults",
    "browser",
    "kept",
    "test_permissions.py",
    "installs",
    "fuzz",
    "jobs",
)
"""Files and folders whose tests take longest, the longest first."""


PAPERS = ("test_documents", "test_packet", "test_day_sheets", "test_drawings")
"""What is printed and drawn; how a paper is asked for and kept, tests/shared/test_documents.py asks on both engines."""


def place_in_line(item: pytest.Item) -> int:
    """A file begun last that takes minutes would leave the other processes idle at the end."""
    path = item.path.relative_to(Path(__file__).parent).as_posix()
    return next((position for position, begin in enumerate(LONGEST) if path.startswith(begin)), len(LONGEST))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """
    Puts what takes longest first, and marks what touches the database, to be run again on PostgreSQL.

    Of these, ``page`` are the walks through pages and their permissions, and the rooms' papers: they read what services
    wrote, whichever the engine, and the second pass leaves them out.
    """
    items.sort(key=place_in_line)
    for item in items:
        if item.get_closest_marker("django_db") or "db" in getattr(item, "fixturenames", ()):
            item.add_marker("database")
        stem, room = item.path.stem, item.path.parent.name
        if stem == "test_permissions" or stem.endswith("pages") or (stem in PAPERS and room != "shared"):
            item.add_marker("page")


@pytest.fixture(scope="session")
def django_db_setup(django_test_environment: None, django_db_blocker: Any) -> None:
    """The tests' own database: a copy of the one that this run migrated, once for all its processes."""
    from django.conf import settings
    from django.core.management import call_command
    from django.db import connection

    def use(url: str) -> None:
        connection.close()
        name = url.rpartition("/")[2] if connection.vendor == "postgresql" else url.removeprefix("sqlite:///")
        connection.settings_dict["NAME"] = settings.DATABASES["default"]["NAME"] = name

    def migrate(url: str) -> None:
        use(url)
        with django_db_blocker.unblock():
            call_command("migrate", verbosity=0)
            connection.close()

    folder = servers.ground() / f"process-{os.getpid()}"
    folder.mkdir()
    use(servers.copy_of(servers.migrated(connection.vendor, migrate), folder))


# -- a fixed cast: one per role of one branch, and a stranger --------------------------------


@pytest.fixture
def branch(db: None) -> Branch:
    """The branch the cast works in: inches, Letter."""
    from tests.factories import make_branch

    return make_branch()


@pytest.fixture
def cast(branch: Branch) -> dict[str, User]:
    """One person per role, and ``stranger``: a dispatcher of another branch who must see nothing."""
    from tests.factories import make_cast

    return make_cast(branch)


@pytest.fixture(scope="module")
def module_rows(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """
    A transaction around the tests of a module: rows made under it are there for each, gone at its end.

    Each test takes back its own writes. Hand on keys, not objects, which one test would change for the next.
    """
    from django.db import transaction

    with django_db_blocker.unblock(), transaction.atomic():
        yield
        transaction.set_rollback(True)


@pytest.fixture
def dispatcher(cast: dict[str, User]) -> User:
    return cast["dispatcher"]


@pytest.fixture
def measurer(cast: dict[str, User]) -> User:
    return cast["measurer"]


@pytest.fixture
def workroom(cast: dict[str, User]) -> User:
    return cast["workroom"]


@pytest.fixture
def installer(cast: dict[str, User]) -> User:
    return cast["installer"]


@pytest.fixture
def owner(cast: dict[str, User]) -> User:
    return cast["owner"]


@pytest.fixture
def stranger(cast: dict[str, User]) -> User:
    return cast["stranger"]


@pytest.fixture
def calendar_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """The calendar without the rooms that close a visit's work: a tap is all that ends it."""
    from jobs.ports import ports

    monkeypatch.setattr(ports, "finish_sources", {})


@pytest.fixture
def timed() -> Iterator[None]:
    """What is timed pays for itself, not for looking through what the tests before it left behind."""
    gc.collect()
    gc.disable()
    yield
    gc.enable()


@pytest.fixture
def as_user() -> Callable[[User], Client]:
    """``as_user(dispatcher).get(...)``: a client signed in as somebody."""
    from django.test import Client

    def sign_in(user: User) -> Client:
        client = Client()
        client.force_login(user)
        return client

    return sign_in


@pytest.fixture
def api_as() -> Callable[[User], Any]:
    """The API's client, signed in as somebody."""
    from rest_framework.test import APIClient

    def sign_in(user: User) -> APIClient:
        client = APIClient()
        client.force_login(user)
        return client

    return sign_in


@pytest.fixture
def do_runs(django_capture_on_commit_callbacks: Any) -> Callable[[], list[str]]:
    """``do_runs()`` performs every waiting run here, as a worker would; the states they ended in."""
    from shared import runs
    from shared.models import Run

    def perform() -> list[str]:
        waiting = Run.objects.filter(state=Run.State.WAITING).order_by("created_at")
        return [runs.perform(pk) for pk in list(waiting.values_list("pk", flat=True))]

    return perform


# -- real servers ---------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def postgres_server() -> Postgres:
    """A private PostgreSQL server for this run of the suite."""
    if servers.postgres_programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    return servers.the_postgres()


@pytest.fixture
def broker(monkeypatch: pytest.MonkeyPatch) -> Iterator[Broker]:
    """A real broker; what this process sends goes there."""
    from shared.celery import app

    server = servers.new_broker()
    server.start()
    for name in ("broker_url", "broker_read_url", "broker_write_url"):
        monkeypatch.setitem(app.conf, name, server.url)
    _forget_connections(app)
    yield server
    _forget_connections(app)
    server.stop()


def _forget_connections(app: Any) -> None:
    """Celery keeps connections to the broker it was configured with first."""
    from kombu import pools

    pools.reset()
    app._pool = app.amqp._producer_pool = None


@pytest.fixture
def new_worker(transactional_db: None, broker: Broker) -> Iterator[Callable[..., Worker]]:
    """``new_worker(processes=1, beat=False)``: real workers on this test's database and broker."""
    from django.conf import settings
    from django.db import connection

    name = connection.settings_dict["NAME"]
    if connection.vendor == "postgresql":
        url = f"postgresql://postgres@127.0.0.1:{connection.settings_dict['PORT']}/{name}"
    else:
        url = f"sqlite:///{name}"
    env = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "tests.settings",
        "JAMBWISE_DATA": str(settings.DATA_DIR),
        "JAMBWISE_TEST_BROKER": broker.url,
        "JAMBWISE_TEST_WORKS": "1",
        "DATABASE_URL": url,
    }
    env.pop("JAMBWISE_TEST_DATABASE", None)
    started: list[Worker] = []

    def start(**how: Any) -> Worker:
        more = how.pop("env", {})
        started.append(servers.Worker({**env, **more}, **how))
        return started[-1].start()

    yield start
    for worker in started:
        worker.stop()


@pytest.fixture
def worker(new_worker: Callable[..., Worker]) -> Worker:
    """One real worker."""
    return new_worker()


# -- a real browser -----------------------------------------------------------------------------------

CHROMIUM = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None
)
CHROMIUM_ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """The system's Chromium, driven by Playwright."""
    if CHROMIUM is None:
        pytest.skip("no Chromium is installed")
    from playwright.sync_api import expect, sync_playwright

    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"  # Playwright's loop runs in this thread
    expect.set_options(timeout=30_000)  # a slow machine is no failure
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGS)
        yield browser
        browser.close()


PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 900}


@pytest.fixture
def new_page(chromium: Any) -> Iterator[Callable[..., Any]]:
    """``new_page(phone=True)``: a page of a fresh profile; its console errors fail the test at the end."""
    contexts: list[Any] = []
    errors: list[str] = []

    def listen(line: Any) -> None:
        if line.type == "error":
            errors.append(f"{line.text} {line.location}")

    def page(*, phone: bool = False, errors_allowed: bool = False, **options: Any) -> Any:
        context = chromium.new_context(
            viewport=PHONE if phone else DESK, has_touch=phone, is_mobile=phone, locale="en-US", **options
        )
        contexts.append(context)
        made = context.new_page()
        if not errors_allowed:
            made.on("console", listen)
            made.on("pageerror", lambda error: errors.append(str(error)))
        return made

    yield page
    for context in contexts:
        context.close()
    assert errors == []


@pytest.fixture
def page(new_page: Callable[..., Any]) -> Any:
    """A page at desk width."""
    return new_page()


@pytest.fixture
def new_site() -> Iterator[Callable[..., servers.Site]]:
    """``new_site("postgresql", jobs=20)``: a whole running site, see `tests.servers.start_site`."""
    started: list[servers.Site] = []

    def start(kind: str = "sqlite", **how: Any) -> servers.Site:
        if kind == "postgresql" and servers.postgres_programs() is None:
            pytest.skip("no PostgreSQL server is installed")
        started.append(servers.start_site(kind, **how))
        return started[-1]

    yield start
    for site in started:
        site.stop()


@pytest.fixture(scope="session")
def site() -> Iterator[servers.Site]:
    """One whole site with demo data on SQLite, shared by browser tests that only add to it."""
    running = servers.start_site("sqlite", jobs=12)
    yield running
    running.stop()


@pytest.fixture(scope="session")
def benchmarks() -> Path:
    """The folder of public benchmark instances, which the project does not carry."""
    folder = os.environ.get("JAMBWISE_BENCHMARKS", "")
    if not folder or not Path(folder).is_dir():
        pytest.skip("JAMBWISE_BENCHMARKS names no folder of benchmark instances")
    return Path(folder)
