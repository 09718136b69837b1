"""
Finding anything: the whole request and the look-up alone, among 100,000 jobs.

Run as ``python -m tests.benchmarks.find [--jobs 100000] [--asks 60] [--database sqlite postgresql] [--dry]``; the
figures go to docs/bench-find.md. It starts a site of its own (gunicorn, one process) and asks it over HTTP.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import platform
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

from shared.demo import PASSWORD
from tests.benchmarks.offers import Phone
from tests.servers import start_site

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "bench-find.md"

FILL = """
import random, time
from jobs.models import Customer, Job, Site
from jobs.services import search
from tests.factories import make_branch, make_user

JOBS = {jobs}
rng = random.Random(1)
branch = make_branch()
by = make_user("dispatcher", branch=branch, username="bench")
by.set_password({password!r})
by.save()
SOUNDS = [a + b for a in "b br d dr f g h k l m n p r s st t th v w".split() for b in "a e i o u ar en il on".split()]

def words(count, parts):
    return ["".join(rng.choices(SOUNDS, k=parts)).title() for _ in range(count)]

given, family, streets = words(600, 2), words(15_000, 3), words(900, 3)
towns = words(60, 3)
ends = "Street Avenue Lane Road Court Drive".split()
customers = Customer.objects.bulk_create(
    [Customer(branch=branch, name=f"{{rng.choice(given)}} {{rng.choice(family)}}", email=f"c{{n}}@example.org",
              phone=f"({{rng.randint(201, 989)}}) 555-{{n % 10_000:04d}}") for n in range(JOBS)], batch_size=2000)
sites = Site.objects.bulk_create(
    [Site(branch=branch, customer=one, street=f"{{rng.randint(1, 2400)}} {{rng.choice(streets)}} {{rng.choice(ends)}}",
          town=rng.choice(towns), postcode=f"{{rng.randint(601, 629)}}{{n % 100:02d}}")
     for n, one in enumerate(customers)], batch_size=2000)
Job.objects.bulk_create(
    [Job(branch=branch, number=f"J-{{n}}", customer=site.customer, site=site, created_by=by)
     for n, site in enumerate(sites, 1001)], batch_size=2000)
began = time.perf_counter()
search.rebuild()
print(f"{{time.perf_counter() - began:.1f}}")
"""

ASKED = """
import json, random
from jobs.models import Job

rng = random.Random(2)

def mistyped(word):
    at = rng.randrange(1, len(word) - 2)
    return rng.choice([
        word[:at] + word[at + 1] + word[at] + word[at + 2:],
        word[:at] + word[at + 1:],
        word[:at] + rng.choice("aeiourstln") + word[at + 1:],
    ])

found = dict()
for pk in rng.sample(list(Job.objects.values_list("pk", flat=True)), {asks}):
    job = Job.objects.select_related("customer", "site").get(pk=pk)
    given, family = job.customer.name.split()
    house, street, end = job.site.street.split()
    digits = "".join(filter(str.isdigit, job.customer.phone))
    for kind, words in (
        ("job number", job.number.lower()),
        ("telephone, other marks", f"+1 {{digits[:3]}}.{{digits[3:6]}}.{{digits[6:]}}"),
        ("name", job.customer.name),
        ("street, short form, town", f"{{house}} {{street}} {{end[:2]}} {{job.site.town}}"),
        ("e-mail", job.customer.email),
        ("town alone", job.site.town),
        ("name and street, one mistyped", f"{{mistyped(family)}} {{street}}"),
        ("name and town, both mistyped", f"{{mistyped(family)}} {{mistyped(job.site.town)}}"),
        ("nobody's", f"{{family[::-1]}} {{street[::-1]}}"),
    ):
        found.setdefault(kind, []).append((words, job.number))
print(json.dumps(found))
"""

ALONE = """
import json, sys, time
from jobs.services import search
from shared.models import User

user = User.objects.get(username="bench")
search.find_jobs(user, "warm up", 25)
times = dict()
for kind, asked in json.loads({asked!r}).items():
    for words, number in asked:
        began = time.perf_counter()
        jobs, _, _ = search.find_jobs(user, words, 25)
        spent = (time.perf_counter() - began) * 1000
        times.setdefault(kind, []).append((spent, number in [job.number for job in jobs]))
print(json.dumps(times))
"""


class _Stay(urllib.request.HTTPRedirectHandler):
    """One thing found leads straight to its page, which is not what is measured."""

    def redirect_request(self, *args: Any, **kwargs: Any) -> None:
        return None


def request_ms(phone: Phone, words: str) -> float:
    """Milliseconds of one look over HTTP."""
    began = time.perf_counter()
    try:
        phone.opener.open(f"{phone.site.url}/find/?{urllib.parse.urlencode({'words': words})}").read()
    except urllib.error.HTTPError as answer:
        if answer.code != 302:
            raise
    return (time.perf_counter() - began) * 1000


def measure(kind: str, jobs: int, asks: int) -> tuple[float, list[tuple[str, list[float], list[float], int]]]:
    """Seconds that writing the index took; by kind of line the times alone, over HTTP, and how many were met."""
    site = start_site(kind, worker=False)
    try:
        filled = float(site.python(FILL.format(jobs=jobs, password=PASSWORD)).strip().splitlines()[-1])
        asked = site.python(ASKED.format(asks=asks)).strip().splitlines()[-1]
        alone = json.loads(site.python(ALONE.format(asked=asked)).strip().splitlines()[-1])
        phone = Phone(site, "bench", PASSWORD)
        phone.opener.add_handler(_Stay())
        request_ms(phone, "warm up")
        rows = []
        for name, lines in json.loads(asked).items():
            whole = sorted(request_ms(phone, words) for words, _number in lines)
            rows.append((name, sorted(ms for ms, _ in alone[name]), whole, sum(met for _, met in alone[name])))
        return filled, rows
    finally:
        site.stop()


def _quantiles(times: list[float]) -> str:
    return f"{times[len(times) // 2]:.1f} | {times[int(len(times) * 0.95)]:.1f} | {times[-1]:.1f}"


def report(asked: argparse.Namespace, load: tuple[float, ...]) -> str:
    """The page for docs."""
    now = dt.datetime.now(dt.UTC)
    parts = []
    for kind in asked.database:
        filled, rows = measure(kind, asked.jobs, asked.asks)
        lines = "\n".join(
            f"| {name} | {_quantiles(alone)} | {_quantiles(whole)} | {met} of {len(alone)} |"
            for name, alone, whole, met in rows
        )
        parts.append(
            f"## {kind}\n\nThe index of all was written in {filled:.0f} s.\n\n"
            "| what was typed | alone p50 | p95 | most | request p50 | p95 | most | the one meant is among 25 |\n"
            f"| --- | --- | --- | --- | --- | --- | --- | --- |\n{lines}\n"
        )
    return f"""# Finding anything, measured

{now:%Y-%m-%d %H:%M} UTC; {os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}, gunicorn of
one process; load average at the start {load[0]:.1f}, {load[1]:.1f}, {load[2]:.1f}. Made by
`python -m tests.benchmarks.find --jobs {asked.jobs} --asks {asked.asks} --database {" ".join(asked.database)}`:
{asked.jobs:,} jobs of as many customers and sites of made-up names (15,000 family names, 900 streets, 60 towns), each
line for {asked.asks} of them. Milliseconds; *alone* is the look-up in a process of its own, *request* the whole page
over HTTP. The aim is a p95 of 50 or less for the look-up. A mistyped word has two letters swapped, one left out or
one wrong; a town alone names some {asked.jobs // 60:,} jobs, of which the newest 25 are shown.

{chr(10).join(parts)}"""


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=100_000)
    parser.add_argument("--asks", type=int, default=60)
    parser.add_argument("--database", nargs="+", choices=["sqlite", "postgresql"], default=["sqlite", "postgresql"])
    parser.add_argument("--dry", action="store_true", help="print only")
    asked, _ = parser.parse_known_args()
    text = report(asked, os.getloadavg())
    print(text)
    if not asked.dry:
        DOCUMENT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
