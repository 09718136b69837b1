"""Scripts as they are served; every page in Chromium runs on them, since its site collects them so."""

import json
from pathlib import Path

import pytest
from django.core.files.base import ContentFile

from shared.static_files import REMARKS, LighterStorage, lighter
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
