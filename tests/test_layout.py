"""Every app has the same rooms: what may stand at its top level, and that its API imports no page."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.test_layers import ORDER, ROOT, imported, sources

MODULES = {
    "__init__", "access", "adapters", "apps", "demo", "documents", "drawings", "forms", "ics", "models", "ports",
    "registration", "setup", "tasks", "urls",
}  # fmt: skip
PACKAGES = {
    "adapters", "api", "data", "locale", "management", "migrations", "models", "rules", "services", "static",
    "templates", "templatetags", "views",
}  # fmt: skip
ITS_OWN = {"jobs": "schedule"}
"""The one package for what the app is about."""
SHARED = {
    # the project itself
    "__init__", "apps", "settings", "urls", "wsgi", "celery", "tasks", "serve", "status", "metrics",
    "broker", "checks", "backup", "firm_data", "replica", "error_reports",
    # what is exact
    "spreadsheets", "lengths", "fields", "contracts", "records", "codes", "formats", "drawings", "qr",
    # people and what they did
    "models", "roles", "access", "signins", "second_factor", "audit", "services", "errors",
    # long work and documents
    "runs", "documents", "paper", "files", "pictures", "messages",
    # the API
    "api", "schema", "paging", "parsers", "routes", "tokens", "idempotency", "renames",
    # the frame of every page
    "forms", "versions", "views", "pages", "menu", "panels", "finding", "context", "middleware", "request_id",
    "static_files",
    "demo", "devices", "setup", "templatetags", "templates", "static", "locale", "management", "migrations",
}  # fmt: skip


def rooms(app: str) -> set[str]:
    """Modules and packages at an app's top level; a package ends with a slash."""
    found = set()
    for path in (ROOT / app).iterdir():
        if path.suffix == ".py":
            found.add(path.stem)
        elif path.name != "__pycache__" and not path.name.startswith("."):
            found.add(f"{path.name}/")
    return found


@pytest.mark.parametrize("app", [app for app in ORDER if app != "shared"])
def test_an_app_holds_only_what_every_app_may(app: str) -> None:
    allowed = MODULES | {f"{name}/" for name in PACKAGES} | {f"{ITS_OWN[app]}/" for _ in (0,) if app in ITS_OWN}

    assert rooms(app) - allowed == set()


def test_shared_holds_only_what_its_list_names() -> None:
    assert {name.rstrip("/") for name in rooms("shared")} - SHARED == set()


def test_the_api_imports_no_page() -> None:
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for app in ORDER
        for path in sources(app)
        if _is_api(path)
        for name in imported(path)
        if name.split(".")[0] in ORDER and "views" in name.split(".")
    ]

    assert wrong == []


def _is_api(path: Path) -> bool:
    return path.name == "api.py" or "api" in path.relative_to(ROOT).parent.parts


def test_a_room_nobody_knows_and_an_api_with_a_page_are_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    monkeypatch.setattr("tests.test_layers.ROOT", tmp_path)
    (tmp_path / "jobs" / "api").mkdir(parents=True)
    (tmp_path / "jobs" / "helpers.py").touch()
    (tmp_path / "jobs" / "api" / "jobs.py").write_text("def f():\n    from jobs.views.jobs import page\n")

    with pytest.raises(AssertionError, match="helpers"):
        test_an_app_holds_only_what_every_app_may("jobs")
    with pytest.raises(AssertionError, match="imports jobs"):
        test_the_api_imports_no_page()
