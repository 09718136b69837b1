"""
A route packet of 12 stops and 60 units against bare WeasyPrint on the same HTML, in one run.

``python -m tests.benchmarks.packets``: seconds of processor time and peak memory, each in a process of
its own, so that neither has the other's imports or caches. The aim: at most 1.25 times.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

STOPS, UNITS = 12, 60
FAMILIES = ("roller", "slat", "vertical", "cellular", "roman")


def prepare() -> None:
    """A day of twelve stops in the database of the environment, its packet's HTML beside it."""
    import django

    django.setup()
    from django.core.management import call_command
    from django.template.loader import render_to_string
    from django.utils import timezone

    from installs.services import loads as services
    from shared.documents import kind_of
    from tests.factories import make_branch, make_job, make_user
    from tests.installs.makers import make_crew, make_unit, make_visit, stock_up, today

    call_command("migrate", verbosity=0)
    branch = make_branch()
    by, crew = make_user("dispatcher", branch=branch), make_crew(branch)
    stock_up(branch)
    for hour in range(STOPS):
        job = make_job(branch, by=by)
        for family in FAMILIES:
            make_unit(job, family=family, product=family, options={"control": "cordless"}, width="49 3/8")
        make_visit(job, crew, hour=6 + hour)
    load = services.refresh_load(crew=crew, day=today(branch), by=by)
    kind = kind_of("installs.packet")
    document = {"title": kind.title, "revision": 1, "printed_at": timezone.now(), "by": by}
    about = {"subject": load, "branch": branch, "unit": branch.unit, "document": document}
    with timezone.override(branch.tz):
        html = render_to_string(kind.template, {**kind.content(load).context, **about})
    Path(os.environ["JAMBWISE_DATA"], "packet.html").write_text(html, encoding="utf-8")


def ours() -> dict[str, Any]:
    """Gather from the database and render, as a worker does that has its modules imported already."""
    from importlib import import_module

    import django

    django.setup()
    import holidays
    import weasyprint  # noqa: F401 - imported before the clock starts, for both

    import_module("shared.urls")
    holidays.country_holidays("US")
    from installs.models import Load
    from shared.documents import kind_of, render

    load = Load.objects.select_related("crew__branch").get()
    kind = kind_of("installs.packet")
    begun = time.process_time()
    pdf, pages = render(kind, load, kind.content(load), revision=1, by=None)
    return figures(begun, pages, len(pdf))


def bare() -> dict[str, Any]:
    """WeasyPrint alone on the same HTML, with the same files at hand."""
    import django

    django.setup()
    from weasyprint import CSS, HTML

    from shared.documents import _own_files

    html = Path(os.environ["JAMBWISE_DATA"], "packet.html").read_text(encoding="utf-8")
    begun = time.process_time()
    source = HTML(string=html, base_url="static:", url_fetcher=_own_files())
    document = source.render(stylesheets=[CSS(string="@page { size: letter }")], pdf_variant="pdf/ua-1")
    pdf = document.write_pdf(pdf_variant="pdf/ua-1")
    return figures(begun, len(document.pages), len(pdf))


def figures(begun: float, pages: int, size: int) -> dict[str, Any]:
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"seconds": time.process_time() - begun, "memory": memory, "pages": pages, "kb": size // 1024}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--part", choices=("prepare", "ours", "bare"))
    options, _ = parser.parse_known_args()
    if options.part == "prepare":
        prepare()
        return
    if options.part:
        print(json.dumps({"ours": ours, "bare": bare}[options.part]()))
        return
    with tempfile.TemporaryDirectory() as folder:
        env = {**os.environ, "DJANGO_SETTINGS_MODULE": "shared.settings", "JAMBWISE_DATA": folder,
               "DATABASE_URL": f"sqlite:///{folder}/bench.sqlite3"}  # fmt: skip
        run(env, "prepare")
        print(f"{STOPS} stops, {UNITS} units; processor seconds and peak memory (MB), {options.rounds} rounds")
        rows: dict[str, list[dict[str, Any]]] = {"bare": [], "ours": []}
        for _round in range(options.rounds):
            for part, several in rows.items():
                several.append(json.loads(run(env, part)))
        best = {part: min(row["seconds"] for row in several) for part, several in rows.items()}
        for part, several in rows.items():
            row = several[0]
            print(f"{part}: {best[part]:.2f} s, {row['memory']:.0f} MB, {row['pages']} pages, {row['kb']} kB")
        print(f"ours / bare: {best['ours'] / best['bare']:.3f} of the time (the aim: at most 1.25)")


def run(env: dict[str, str], part: str) -> str:
    argv = [sys.executable, "-m", "tests.benchmarks.packets", "--part", part]
    return subprocess.run(argv, env=env, check=True, capture_output=True, text=True).stdout.strip()


if __name__ == "__main__":
    main()
