"""
Windows offered on the phone: the whole request against a served site, and what it is made of.

Run as ``python -m tests.benchmarks.offers [--visits 2000] [--asks 60] [--database sqlite] [--dry]``; the
figures go to docs/bench-offers.md. It starts a site of its own (gunicorn, one process) and asks it over HTTP.
"""

from __future__ import annotations

import argparse
import datetime as dt
import http.cookiejar
import os
import platform
import random
import re
import time
import urllib.parse
import urllib.request
from pathlib import Path

from shared.demo import PASSWORD
from tests.servers import Site, start_site

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "bench-offers.md"
A_DAY = 4
WARM = 3

FILL = """
import datetime as dt, random
from django.utils import timezone
from jobs.schedule.availability import holidays_between
from jobs.models import Appointment, CalendarRules, Job, Site
from tests.factories import at, make_branch, make_crew, make_customer, make_user

VISITS, CREWS, A_DAY = {visits}, {crews}, {a_day}
rng = random.Random(1)
branch = make_branch()
by = make_user("dispatcher", branch=branch, username="bench")
by.set_password({password!r})
by.save()
crews = [make_crew(branch) for _ in range(CREWS)]
today = timezone.localdate()
days, day = [], today
while len(days) * CREWS * A_DAY < VISITS:
    day += dt.timedelta(days=1)
    if day.weekday() < 5 and not holidays_between(branch, day, day):
        days.append(day)
CalendarRules.objects.create(branch=branch, days_offered=(days[-1] - today).days + 1)
customer = make_customer(branch)
sites = Site.objects.bulk_create(
    [Site(branch=branch, customer=customer, street=f"{{n}} Kiln Lane", town="Larkmere",
          latitude=41.87 + rng.gauss(0, 0.06), longitude=-88.31 + rng.gauss(0, 0.08)) for n in range(VISITS)]
)
jobs = Job.objects.bulk_create(
    [Job(branch=branch, number=f"B-{{n}}", customer=customer, site=site, created_by=by) for n, site in enumerate(sites)]
)
slots = [(crew, day, hour) for day in days for hour in (8, 10, 13, 15) for crew in crews]
Appointment.objects.bulk_create(
    [Appointment(job=job, purpose="measure", state="promised", crew=crew, day=day, created_by=by,
                 starts_at=at(branch, day, f"{{hour}}:30"), duration_min=40, duration_safe_min=52,
                 promised_from=at(branch, day, f"{{hour}}:00"), promised_until=at(branch, day, f"{{hour + 2}}:00"))
     for job, (crew, day, hour) in zip(jobs, slots)]
)
"""


class Phone:
    """A dispatcher's browser: signs in, asks for windows, books one."""

    def __init__(self, site: Site, username: str, password: str) -> None:
        self.site = site
        cookies = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
        self.opener = urllib.request.build_opener(cookies)
        self._send("/sign-in/", self._token("/sign-in/") | {"username": username, "password": password})
        self.token = self._token("/jobs/book/")

    def _token(self, path: str) -> dict[str, str]:
        page = self.opener.open(self.site.url + path).read().decode()
        found = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)
        assert found is not None, page[:500]
        return {"csrfmiddlewaretoken": found[1]}

    def _send(self, path: str, values: dict[str, str]) -> str:
        body = urllib.parse.urlencode(values).encode()
        headers = {"HX-Request": "true", "Referer": self.site.url}
        with self.opener.open(urllib.request.Request(self.site.url + path, body, headers)) as reply:
            return str(reply.read().decode())

    def ask(self, latitude: float, longitude: float, openings: int) -> tuple[float, str]:
        """Milliseconds until the windows for an address are there, and the answer."""
        values = {
            **self.token, "customer-name": "Ada", "site-street": "7 Weir Street", "site-town": "Larkmere",
            "site-coordinates": f"{latitude:.5f}, {longitude:.5f}", "site-access": "met", "site-floor": "0",
            "openings_expected": str(openings),
        }  # fmt: skip
        began = time.perf_counter()
        answer = self._send("/jobs/book/windows/", values)
        return (time.perf_counter() - began) * 1000, answer

    def book(self, latitude: float, longitude: float, answer: str) -> None:
        """Takes the first window of an answer, so that a day changes before the next ask."""
        window = re.search(r'name="window"[^>]*? value="([^"]+)"', answer)
        assert window is not None, answer[:500]
        values = {
            **self.token, "customer-name": "Ada", "site-street": "7 Weir Street", "site-town": "Larkmere",
            "site-coordinates": f"{latitude:.5f}, {longitude:.5f}", "site-access": "met", "site-floor": "0",
            "openings_expected": "3", "window": window[1].replace("&amp;", "&"),
        }  # fmt: skip
        self._send("/jobs/book/", values)


def measure(site: Site, username: str, password: str, asks: int, centre: tuple[float, float]) -> dict[str, float]:
    """The first ask of a fresh process, then the quantiles of many; every fifth is booked in between."""
    rng = random.Random(5)
    phone = Phone(site, username, password)

    def somewhere() -> tuple[float, float]:
        return centre[0] + rng.gauss(0, 0.05), centre[1] + rng.gauss(0, 0.07)

    first, _ = phone.ask(*somewhere(), 3)
    for _ in range(WARM):
        phone.ask(*somewhere(), 3)
    times = []
    for number in range(asks):
        place = somewhere()
        spent, answer = phone.ask(*place, rng.randint(1, 12))
        assert answer.count('name="window"') >= 1, answer[:500]
        times.append(spent)
        if number % 5 == 4:
            phone.book(*place, answer)
    times.sort()
    return {"first": first, "p50": times[len(times) // 2], "p95": times[int(len(times) * 0.95)], "most": times[-1]}


def rows(kind: str, visits: int, asks: int) -> list[tuple[str, dict[str, float]]]:
    """A calendar with every crew's day full, small and large; and the demo of as many jobs."""
    found = []
    for count, crews in ((200, 10), (visits, 25)):
        site = start_site(kind, worker=False)
        try:
            site.python(FILL.format(visits=count, crews=crews, a_day=A_DAY, password=PASSWORD))
            name = f"{count} visits on {crews} crews' next {-(-count // crews // A_DAY)} working days, all offered"
            found.append((name, measure(site, "bench", PASSWORD, asks, (41.87, -88.31))))
        finally:
            site.stop()
    site = start_site(kind, jobs=visits, worker=False)
    try:
        name = f"the demo's {visits} jobs, 5 crews, 10 days offered"
        found.append((name, measure(site, "dispatcher", PASSWORD, asks, (41.618, -91.872))))
    finally:
        site.stop()
    return found


def report(found: list[tuple[str, dict[str, float]]], asked: argparse.Namespace, load: tuple[float, ...]) -> str:
    """The page for docs."""
    cores = os.cpu_count() or 1
    shared = " (more than its cores: the machine was shared, so times are upper figures)" if load[0] > cores else ""
    now = dt.datetime.now(dt.UTC)
    lines = "\n".join(
        f"| {name} | {row['p50']:.0f} | {row['p95']:.0f} | {row['most']:.0f} | {row['first']:.0f} |"
        for name, row in found
    )
    return f"""# Windows on the phone, measured

{now:%Y-%m-%d %H:%M} UTC; {cores} cores, {platform.machine()}, Python {platform.python_version()}, {asked.database},
gunicorn of one process; load average at the start {load[0]:.1f}, {load[1]:.1f}, {load[2]:.1f}{shared}.
Made by `python -m tests.benchmarks.offers --visits {asked.visits} --asks {asked.asks} --database {asked.database}`:
each ask is a whole request over HTTP from a signed-in dispatcher, for a new address and another number of
openings; the answer is the page's grid of the first seven days that have a time, each time with its cost, driving,
waiting, its own chance and what it takes from somebody else's, from 2,000 sampled days each.
After every fifth ask its first time is booked, so days change in between.

Milliseconds; the aim is a p95 of 100 or less at 2,000.

| calendar | p50 | p95 | most | first ask of a fresh process |
| --- | --- | --- | --- | --- |
{lines}
"""


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=2000)
    parser.add_argument("--asks", type=int, default=60)
    parser.add_argument("--database", choices=["sqlite", "postgresql"], default="sqlite")
    parser.add_argument("--dry", action="store_true", help="print only")
    asked, _ = parser.parse_known_args()
    load = os.getloadavg()
    text = report(rows(asked.database, asked.visits, asked.asks), asked, load)
    print(text)
    if not asked.dry:
        DOCUMENT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
