"""Scripts as they are served; every page in Chromium runs on them, since its site collects them so."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.template.loader import get_template

from shared.static_files import REMARKS, LighterStorage, lighter
from tests.servers import clean_environment
from tests.test_layers import ORDER, ROOT

SCRIPTS = sorted(path for app in ORDER for path in (ROOT / app / "static").rglob("*.js") if ".min." not in path.name)
TABLE = ROOT / "measuring" / "static" / "measuring" / "rules-table.json"


@pytest.mark.parametrize("path", SCRIPTS, ids=[path.name for path in SCRIPTS])
def test_a_script_loses_nothing_but_its_remarks(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    served = lighter(path.name, text)

    assert all(line.count("`") % 2 == 0 for line in text.splitlines())  # no text of several lines
    assert len(served) < len(text)
    lines = [line.lstrip(" ") for line in text.splitlines()]
    assert [line for line in lines if line in set(served.splitlines())] == served.splitlines()
    assert all(found.strip().startswith(("/*", "//")) for found in REMARKS.findall(text))


def test_a_script_is_collected_whole_under_both_its_names(tmp_path: Path) -> None:
    """Django saves the second copy, named by its hash, from a file that it has read to its end."""
    storage = LighterStorage(location=tmp_path)
    script = ContentFile(b"// why\nconst a = 1;\n")

    for name in ("a.js", "a.0123.js"):
        storage._save(name, script)
        script.read()

    assert {path.read_text() for path in tmp_path.iterdir()} == {"const a = 1;\n"}


def test_the_table_of_rules_is_served_whole_without_its_spaces() -> None:
    text = TABLE.read_text(encoding="utf-8")

    assert json.loads(lighter(TABLE.name, text)) == json.loads(text)
    assert len(lighter(TABLE.name, text)) < 0.75 * len(text)


def test_files_collected_by_hand_serve_a_firms_pages(tmp_path: Path, settings: Any) -> None:
    """Collected without JAMBWISE_DEBUG=off they had no table of names: every page failed, that of the 500 too."""
    env = {**clean_environment(), "JAMBWISE_DATA": str(tmp_path)}
    del env["JAMBWISE_DEBUG"]
    others = [f"--ignore={name}" for name in (*ORDER, "account", "mfa", "ht*-4*", "htmx-2.js") if name != "shared"]
    collect = [sys.executable, "manage.py", "collectstatic", "--noinput", "-v", "0", *others]
    subprocess.run(collect, cwd=ROOT, env=env, check=True)
    settings.STATIC_ROOT = tmp_path / "static"
    settings.STORAGES = {**settings.STORAGES, "staticfiles": {"BACKEND": "shared.static_files.LighterStorage"}}

    for name in ("500.html", "shared/sign_in.html"):
        assert "/static/shared/base." in get_template(name).render({})
