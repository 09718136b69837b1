"""Settings: a fresh checkout runs, production refuses to start on a guess."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.servers import ROOT, copy_of, migrated

GOOD = {
    "JAMBWISE_PRODUCTION": "1",
    "SECRET_KEY": "z0-Wk3!pQ9vR7sT5uX2yB4nM6cL8jH1gF0dS-aE_iO9uY7tR5eW3qK",
    "ALLOWED_HOSTS": "jambwise.example",
    "SITE_URL": "https://jambwise.example",
}


def manage(tmp_path: Path, *args: str, **env: str) -> subprocess.CompletedProcess[str]:
    """A management command with this environment and nothing else."""
    clean = {key: os.environ[key] for key in ("PATH", "HOME", "LANG") if key in os.environ}
    return subprocess.run(
        [sys.executable, "manage.py", *args],
        cwd=ROOT,
        env={**clean, "JAMBWISE_DATA": str(tmp_path), "JAMBWISE_ENV": "", **env},
        capture_output=True,
        text=True,
    )


def test_a_fresh_checkout_runs_with_no_environment(tmp_path: Path) -> None:
    done = manage(tmp_path, "check")

    assert done.returncode == 0, done.stderr
    assert (tmp_path / "secret-key").stat().st_mode & 0o077 == 0


def test_the_made_secret_is_kept(tmp_path: Path) -> None:
    manage(tmp_path, "check")
    first = (tmp_path / "secret-key").read_text()

    manage(tmp_path, "check")

    assert (tmp_path / "secret-key").read_text() == first
    assert len(first) >= 50


def test_browsers_are_asked_to_ship_the_name_only_where_a_firm_says_so(tmp_path: Path) -> None:
    """A name once on that list can't be reached without TLS for months, whatever the firm does."""
    usual = manage(tmp_path, "diffsettings", "--all", **GOOD).stdout
    asked = manage(tmp_path, "diffsettings", "--all", **GOOD, JAMBWISE_HSTS_PRELOAD="on").stdout

    assert "SECURE_HSTS_PRELOAD = False" in usual
    assert "SECURE_HSTS_PRELOAD = True" in asked


@pytest.mark.parametrize("missing", ["SECRET_KEY", "ALLOWED_HOSTS"])
def test_production_refuses_to_start_without(tmp_path: Path, missing: str) -> None:
    done = manage(tmp_path, "check", **{key: value for key, value in GOOD.items() if key != missing})

    assert done.returncode != 0
    assert f"{missing} must be set in the environment" in done.stderr


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("SECRET_KEY", "short", "50 characters"),
        ("JAMBWISE_DEBUG", "on", "must be off"),
        ("JAMBWISE_PRODUCTION", "maybe", "neither on nor off"),
        ("DATABASE_URL", "mysql://x/y", "must begin with one of"),
        ("REDIS_URL", "amqp://x", "must begin with one of"),
        ("RUN_LEASE_SECONDS", "soon", "not a whole number"),
        ("RUN_LEASE_SECONDS", "0", "between 2 and 3600"),
        ("SITE_URL", "http://localhost:8000", "this machine only"),  # it was printed in every QR code
        ("SITE_URL", "", "this machine only"),
        ("ALLOWED_HOSTS", ",", "must name at least one"),
        ("JAMBWISE_TILES", "ftp://maps.example/{z}/{x}/{y}.png", "JAMBWISE_TILES must begin with"),
        ("JAMBWISE_TILES", "https://maps.example/{z}/{x}/{y}.png", "JAMBWISE_TILES_CREDIT must be set"),
    ],
)
def test_nonsense_is_refused_by_name(tmp_path: Path, name: str, value: str, says: str) -> None:
    done = manage(tmp_path, "check", **{**GOOD, name: value})

    assert done.returncode != 0
    assert name in done.stderr
    assert says in done.stderr


def test_check_deploy_is_clean_in_production(tmp_path: Path) -> None:
    done = manage(tmp_path, "check", "--deploy", "--fail-level", "WARNING", **GOOD)

    assert done.returncode == 0, done.stdout + done.stderr
    assert "no issues (1 silenced)" in done.stdout  # preload is the firm's to ask for


def test_a_long_data_path_still_gets_a_short_socket() -> None:
    """A Unix socket's path must stay under 108 bytes (unix(7))."""
    from shared.settings import broker_socket

    assert len(str(broker_socket(Path("/srv/" + "deep/" * 40)))) < 100


def test_times_come_from_the_pinned_tzdata() -> None:
    import zoneinfo

    import shared.settings  # noqa: F401

    assert zoneinfo.TZPATH == ()
    assert zoneinfo.ZoneInfo("America/Chicago").key == "America/Chicago"


def test_settings_are_read_from_a_file_and_the_environment_goes_before_it(tmp_path: Path) -> None:
    file = tmp_path / "firm.env"
    file.write_text("# our server\nSITE_URL=https://blinds.example\nJAMBWISE_PORT=8123\n")
    show = "from django.conf import settings; print(settings.SITE_URL, settings.PORT)"

    done = manage(tmp_path, "shell", "-v", "0", "-c", show, JAMBWISE_ENV=str(file), JAMBWISE_PORT="8200")

    assert done.stdout.strip() == "https://blinds.example 8200", done.stderr


PAGES = """
from django.test import Client
from shared.views import broken
print(Client(SERVER_NAME="localhost").get("/setup/").status_code, broken(None).status_code)
"""


def test_static_files_collected_with_debug_on_serve_a_site_with_it_off(tmp_path: Path) -> None:
    """Every page, the 500 page included, failed for want of staticfiles.json, which only a site without debug wrote."""
    copy_of(migrated("sqlite"), tmp_path)
    manage(tmp_path, "make_ready")
    again = manage(tmp_path, "make_ready")

    done = manage(tmp_path, "shell", "-v", "0", "-c", PAGES, JAMBWISE_DEBUG="off")

    assert done.stdout.split() == ["200", "500"], done.stderr
    assert "Collecting" not in again.stdout  # once, as long as nothing changed


def test_the_500_page_needs_no_collected_file(tmp_path: Path) -> None:
    show = "from shared.views import broken; print(broken(None).status_code)"

    done = manage(tmp_path, "shell", "-v", "0", "-c", show, JAMBWISE_DEBUG="off")

    assert done.stdout.strip() == "500", done.stderr
