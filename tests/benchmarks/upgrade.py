"""
The release before and today's code side by side, on today's tables.

``python -m tests.benchmarks.upgrade``: the last release that CHANGELOG.md names is checked out into a folder of its
own with a virtual environment of its own. The kept firm (`tests.kept`) is migrated to that release's tables, copied,
and the copy migrated on to today's, in PostgreSQL. Then that release answers everything that is asked of kept firms
(reads of the API as five people, offers, prices, days, decisions, two phones' queues) on its own tables and on
today's: any difference is a migration that it can't live with. Then today's code reads the firm after the older
one has written into it. At last the older release plays its own agreement tests (random histories of what people
do, and those worked out by hand) on tables that today's code has made.

``--python FILE`` takes an environment that stands already; ``--out FILE`` writes the table there.
"""

from __future__ import annotations

import argparse
import lzma
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests import servers
from tests.kept.asking import GROUPS, environment, read
from tests.kept.test_sqlite import HERE, RELEASES

ROOT = servers.ROOT
TABLES_OF_TODAY = """
import os, subprocess, sys
from functools import cache
from tests import servers

@cache
def migrated(kind, *_):
    url = servers.the_postgres().new_database() if kind == "postgresql" else f"sqlite:///{servers.ground()}/today.sqlite3"
    argv = [os.environ["TODAYS_PYTHON"], "manage.py", "migrate", "-v0"]
    others = {name: value for name, value in os.environ.items() if not name.startswith(("JAMBWISE_", "PYTHONPATH"))}
    settings = {"DATABASE_URL": url, "DJANGO_SETTINGS_MODULE": "shared.settings", "JAMBWISE_ENV": ""}
    subprocess.run(argv, cwd=os.environ["TODAYS_CODE"], env={**others, **settings}, check=True)
    return url

servers.migrated = migrated
"""
"""A plugin for an older release's tests: what they find is made by today's migrations."""


def last_release() -> tuple[str, str]:
    """The last version that CHANGELOG.md names, and the commit that headed it."""
    found = re.search(r"^## (\d+\.\d+\.\d+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    if found is None:
        raise SystemExit("CHANGELOG.md names no release")
    argv = ["git", "log", "--format=%H", f"-S## {found[1]}", "--", "CHANGELOG.md"]
    commits = subprocess.run(argv, cwd=ROOT, check=True, capture_output=True, text=True).stdout.split()
    if not commits:
        raise SystemExit("the history that holds the release is not here")
    return found[1], commits[-1]


@contextmanager
def checked_out(commit: str, python: str) -> Iterator[tuple[Path, str]]:
    """A folder with the code of a commit, and the Python that runs it."""
    folder = Path(tempfile.mkdtemp(prefix="jw-release-"))
    servers.tell_guard("folder", folder)
    place = folder / "code"
    subprocess.run(["git", "worktree", "add", "--quiet", "--detach", str(place), commit], cwd=ROOT, check=True)
    try:
        if not python:
            subprocess.run([sys.executable, "-m", "venv", str(folder / "venv")], check=True)
            python = str(folder / "venv" / "bin" / "python")
            wanted = ["-r", str(place / "requirements.txt"), "-r", str(place / "tests" / "requirements.txt")]
            subprocess.run([python, "-m", "pip", "install", "-q", *wanted], check=True)
        yield place, python
    finally:
        subprocess.run(["git", "worktree", "remove", "--force", str(place)], cwd=ROOT, check=False)
        shutil.rmtree(folder, ignore_errors=True)


def run(place: Path, python: str, url: str, *args: str) -> None:
    """Code of a release on a database."""
    done = subprocess.run([python, *args], cwd=place, env=environment(url), capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"{' '.join(args)} in {place}:\n{done.stdout[-2000:]}{done.stderr[-4000:]}")


def asked(place: Path, python: str, url: str, kept: Path, out: Path, *groups: str) -> dict[str, Any]:
    """What a release answers on a database."""
    run(place, python, url, "-m", "tests.kept.asking", str(kept), str(out), *groups)
    return dict(read(out))


def histories(place: Path, python: str, work: Path) -> tuple[str, str]:
    """What the older release's agreement tests come to on today's tables: pytest's last line, and all it said."""
    work.joinpath("tables_of_today.py").write_text(TABLES_OF_TODAY, encoding="utf-8")
    env = {
        **{name: value for name, value in os.environ.items() if name not in {"DATABASE_URL", "DJANGO_SETTINGS_MODULE"}},
        "JAMBWISE_TEST_DATABASE": "postgresql",
        "TODAYS_PYTHON": sys.executable,
        "TODAYS_CODE": str(ROOT),
        "PYTHONPATH": str(work),
    }
    tests = ["tests/agreement/test_histories.py", "tests/agreement/test_by_hand.py"]
    argv = [python, "-m", "pytest", "-p", "tables_of_today", *tests]
    done = subprocess.run(argv, cwd=place, env=env, capture_output=True, text=True)
    summary = re.findall(r"^\d+ (?:passed|failed|error).*$", done.stdout, re.MULTILINE)
    return (summary or ["did not run"])[-1], done.stdout + done.stderr


def main() -> int:
    """Compare, and say what differs."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--python", default="")
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    if servers.postgres_programs() is None or shutil.which("psql") is None:
        print("skipped: no PostgreSQL server, or no psql, is installed")
        return 0
    version, commit = last_release()
    server, kept = servers.the_postgres(), HERE / sorted(RELEASES)[-1]
    lines = [f"release {version} ({commit[:7]}) and today's code, the firm kept on {kept.name}", ""]
    with checked_out(commit, chosen.python) as (place, python), tempfile.TemporaryDirectory() as work:
        before = server.new_database()
        dump = lzma.decompress((kept / "firm.sql.xz").read_bytes())
        subprocess.run(
            ["psql", "-qX", "-v", "ON_ERROR_STOP=1", before], input=dump, check=True, stdout=subprocess.DEVNULL
        )
        run(place, python, before, "manage.py", "migrate", "-v0")
        after = server.new_database(before)
        begun = time.monotonic()
        run(ROOT, sys.executable, after, "manage.py", "migrate", "-v0")
        lines += [f"migrations from one to the other: {time.monotonic() - begun:.1f} s", ""]
        was = asked(place, python, before, kept, Path(work, "was.xz"))
        now = asked(place, python, after, kept, Path(work, "now.xz"))
        lines += ["| asked of the release | answers | differ on today's tables |", "| --- | --- | --- |"]
        differing = []
        for group in GROUPS:
            mine = [where for where in was if where.split()[0] == group]
            other = [where for where in mine if was[where] != now.get(where)]
            differing += other
            lines.append(f"| {group} | {len(mine)} | {len(other)} |")
        reads = asked(ROOT, sys.executable, after, kept, Path(work, "reads.xz"), "GET", "day", "decisions")
        broken = [where for where, one in reads.items() if isinstance(one, dict) and one.get("status", 200) >= 500]
        lines += ["", f"then read by today's code: {len(reads)} answers, {len(broken)} of them 5xx"]
        played, said = histories(place, python, Path(work))
        lines += ["", f"the older release's agreement tests on tables of today's migrations: {played}"]
    print("\n".join(lines))
    for where in differing[:20]:
        print(f"differs: {where}\n  {str(was[where])[:300]}\n  {str(now.get(where))[:300]}")
    is_red = " failed" in played or " error" in played or " passed" not in played
    if is_red:
        print(said[-6000:])
    if chosen.out:
        chosen.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 1 if differing or broken or is_red else 0


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    sys.exit(main())
