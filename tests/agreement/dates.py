"""By when a job is installed: on its page, and what programs are told of it."""

from __future__ import annotations

from collections.abc import Iterator

from django.urls import reverse

from tests.agreement.compare import Seen
from tests.agreement.pages import Eyes, day

OFFICE = "dispatcher"
MOST = 5
"""Jobs that are looked at: what any crew or stock has to do moves every date, so that each is worked out anew."""


def see_dates(eyes: Eyes) -> Iterator[Seen]:
    """The one date of each job that has one, the day its customer was told, and whether it is confirmed."""
    rows = sorted(eyes.rows(OFFICE, reverse("api:job-list")), key=lambda row: not row["installed_by"])
    for row in rows[:MOST]:
        said = eyes.json(OFFICE, reverse("api:job-date", args=[row["id"]]))
        yield from _shown("API of jobs", row["id"], told=row["installed_by"])
        if not said:
            continue
        yield from _shown(
            "API of dates", row["id"], date=said["installed_by"], measured=said["measured_on"], told=said["told_on"],
            standing="confirmed" if said["is_confirmed"] else "estimated",
        )  # fmt: skip
        yield from job_page(eyes, row["id"])


def job_page(eyes: Eyes, job: int) -> Iterator[Seen]:
    part = eyes.page(OFFICE, reverse("jobs:job", args=[job])).one("section", id="date")
    measured, _, by = part.one("strong").text.partition(";")
    told = next((one.text.partition(":")[0] for one in part.all("p") if "was told" in one.text), "")
    yield from _shown(
        "job page", job, date=str(day(by) or ""), measured=str(day(measured) or ""), told=str(day(told) or ""),
        standing=part.one("span", "state").text,
    )  # fmt: skip


def _shown(place: str, job: int, **facts: str | None) -> Iterator[Seen]:
    """A day without its year, which pages leave out."""
    for fact, value in facts.items():
        yield Seen(f"job's {fact}", str(job), place, (value or "")[5:] if fact != "standing" else value or "")
