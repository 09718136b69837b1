"""What docs/operating.md and the files beside it say of running a site, compared with the program."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml
from django.core.management import get_commands

from tests.servers import ROOT, unit_commands

GUIDE = (ROOT / "docs" / "operating.md").read_text()
READERS = {"text", "flag", "whole", "words", "address", "table", "folder"}


def read_settings() -> dict[str, str]:
    """Every variable that the settings read, with its default where that is written out."""
    found = {"JAMBWISE_ENV": ""}
    for node in ast.walk(ast.parse((ROOT / "shared" / "settings.py").read_text())):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in READERS:
            name, *rest = node.args
            if isinstance(name, ast.Constant):
                default = ast.unparse(rest[0]) if rest and node.func.id in {"flag", "whole", "text"} else ""
                found[str(name.value)] = default
    return found


def told_settings() -> dict[str, str]:
    """Every variable of the guide's table, with its default."""
    rows = re.findall(r"^\| (`[A-Z_`, ]+`) \| .* \| (.*) \|$", GUIDE, flags=re.MULTILINE)
    return {name: default for names, default in rows for name in re.findall(r"[A-Z_]+", names)}


def test_the_guide_lists_every_setting_with_its_default() -> None:
    read, told = read_settings(), told_settings()
    assert len(read) > 30
    assert set(told) == set(read)

    written = {"True": "on", "False": "off", "30 * 24 * 3600": str(30 * 24 * 3600)}
    for name, default in read.items():
        if re.fullmatch(r"True|False|[\d *]+|'[^']+'", default):
            assert written.get(default, default.strip("'")) == told[name].strip("`"), name


def test_the_guide_names_only_commands_and_files_that_are_there() -> None:
    commands = set(re.findall(r"manage\.py ([a-z_]+)", GUIDE))
    assert commands >= {"backup", "backup_key", "restore", "changepassword"}
    assert commands <= set(get_commands())

    named = re.findall(r"`((?:docs|tests|shared)/[\w/.-]+|[A-Z]\w+file)`", GUIDE)
    named += [f"docs/{name}" for name in re.findall(r"bench-\w+\.md", GUIDE)]
    assert [name for name in named if not (ROOT / name).exists()] == []


UNITS = sorted(path.name for path in (ROOT / "docs" / "systemd").iterdir())


@pytest.mark.parametrize("unit", UNITS)
def test_systemd_takes_the_units_and_they_are_hardened(unit: str, tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed")
    for name in UNITS:
        text = (ROOT / "docs" / "systemd" / name).read_text()
        (tmp_path / name).write_text(text.replace("/opt/jambwise/.venv/bin/python", shutil.which("true") or ""))

    looked = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", tmp_path / unit], capture_output=True, text=True, check=False
    )
    assert (looked.returncode, looked.stdout, looked.stderr) == (0, "", "")  # an unknown key is only said
    if unit.endswith(".service"):
        rated = subprocess.run(
            ["systemd-analyze", "security", "--offline=true", "--threshold=20", tmp_path / unit],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert rated.returncode == 0, rated.stdout[-200:]


def test_the_image_holds_what_it_runs_and_runs_what_the_unit_runs() -> None:
    """The unit itself is run by tests/shared/test_serve.py, that of the backup by tests/shared/test_backup.py."""
    text = (ROOT / "Containerfile").read_text().replace("\\\n", "")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    assert lines[0].startswith("ARG BASE=")
    assert lines[1] == "FROM ${BASE}"

    copied = {name for line in lines if line.startswith("COPY ") for name in line.split()[1:-1]}
    assert copied >= {"run", "manage.py", "requirements.txt", "shared", "jobs", "measuring", "fabrication", "installs"}
    assert all((ROOT / name).exists() for name in copied)

    ready, serve = unit_commands("jambwise.service", "ExecStartPre")[0], unit_commands("jambwise.service")[0]
    assert f"{' '.join(ready[1:])} && exec .venv/bin/python {' '.join(serve[1:])}" in lines[-1]


def test_the_compose_file_builds_that_image_and_sets_what_is_read() -> None:
    found = yaml.safe_load((ROOT / "docs" / "compose.yaml").read_text())
    site = found["services"]["site"]

    assert (ROOT / "docs" / site["build"]["context"] / site["build"]["dockerfile"]).resolve() == ROOT / "Containerfile"
    assert set(site["environment"]) <= set(read_settings())
    assert {volume.partition(":")[0] for volume in site["volumes"]} <= set(found["volumes"])
    for service in found["services"].values():
        assert service["restart"] == "unless-stopped"
