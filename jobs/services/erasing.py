"""
A customer's data erased: who they were and where exactly is gone everywhere; what was done, when and how long stays.

The town and the postcode stay too: without them drives and figures of the past would mean nothing.
"""

from __future__ import annotations

import calendar
import datetime as dt
import json
from collections.abc import Sequence
from functools import partial
from typing import Final, TypeVar

from django.contrib.contenttypes.models import ContentType
from django.db import models, transaction
from django.db.models import Q
from django.utils import timezone

from jobs.models import (
    Appointment,
    Customer,
    CustomerLink,
    DaySheet,
    Handover,
    ImportedLine,
    Job,
    Message,
    Payment,
    Project,
    Question,
    ReadinessAnswer,
    ServiceCall,
    Site,
)
from jobs.ports import ports
from jobs.services import places
from jobs.services.search import keep_customer
from shared import audit, files, roles
from shared.errors import Refused
from shared.models import AuditEntry, Document, Firm, Run, User

M = TypeVar("M", bound=models.Model)
SITE_TEXTS: Final = (
    "name", "line2", "pets", "parking", "access_secret", "access_note", "door_contact", "door_phone",
    "notice_needed", "dock_note", "certificate_note",
)  # fmt: skip
KEPT_WORDS: Final = frozenset({
    "stage", "state", "hold", "crew", "day", "starts_at", "promised_from", "promised_until", "duration_min",
    "duration_safe_min", "people", "priority", "earliest_on", "purpose", "policy", "openings_expected",
    "product_expected", "product", "mount", "options", "order_width", "order_height", "due_on", "outcome", "cause",
})  # fmt: skip
"""Fields whose values in the trail name nobody; those of others are left out."""


@transaction.atomic
def erase_customer(*, customer: Customer, by: User | None) -> Customer:
    """
    Takes a customer's name, contact, addresses, notes, photos and signatures out of everything; it can't be undone.

    Raises
    ------
    Refused
        When a job of theirs is neither closed nor cancelled, or who asks is no owner.
    """
    if by is not None and not by.has_role(roles.OWNER):
        raise Refused("only an owner erases a customer's data")
    row = Customer.objects.select_for_update().select_related("branch").get(pk=customer.pk)
    if row.erased_at is not None:
        return row
    if open_job := row.jobs.open().order_by("pk").first():
        raise Refused(f"{open_job.number} is still open; close or cancel it first")
    names = [text for text in (row.name, row.phone, row.email) if text]
    gone = _erase_rows(row)
    jobs = Job.objects.filter(customer=row)
    gone += [name for hook in ports.erase_hooks for name in hook(jobs)]
    gone += _erase_documents(jobs)
    _erase_messages(jobs, names[0])
    _erase_trail(row, jobs, names)
    keep_customer(row)
    audit.record(by=by, action="erased the customer's data", subject=row)
    transaction.on_commit(partial(files.forget, gone))
    return row


def _erase_rows(row: Customer) -> list[str]:
    """Names of the files that are gone."""
    row.name, row.phone, row.email, row.note = f"Customer {row.pk}", "", "", ""
    row.takes_texts, row.no_messages, row.erased_at = False, True, timezone.now()
    row.save()
    for project in row.projects.all():
        Project.objects.filter(pk=project.pk).update(name=f"Project {project.pk}", note="")
    Handover.objects.filter(site__in=row.sites.all()).delete()
    for site in row.sites.all():
        places.forget(site)
        Site.objects.filter(pk=site.pk).update(
            street=f"Site {site.pk}", latitude=None, longitude=None, place_from="", place_within_m=None,
            **dict.fromkeys(SITE_TEXTS, ""),
        )  # fmt: skip
    jobs = Job.objects.filter(customer=row)
    jobs.update(title="", note="", rooms_expected="", hold_note="", phase="")
    Appointment.objects.filter(job__in=jobs).update(note="")
    Payment.objects.filter(job__in=jobs).update(note="")
    calls = ServiceCall.objects.filter(appointment__job__in=jobs)
    photos = list(calls.exclude(photo="").values_list("photo", flat=True))
    calls.update(product="erased", fault="erased", parts="", done="", photo="")
    Question.objects.filter(job__in=jobs).update(text="erased", about="")
    ReadinessAnswer.objects.filter(appointment__job__in=jobs).update(note="")
    for job in jobs:
        CustomerLink.objects.update_or_create(job=job, defaults={"revoked_at": row.erased_at})
    return photos


def _erase_messages(jobs: models.QuerySet[Job], name: str) -> None:
    Message.objects.filter(job__in=jobs).update(to="", subject="", body="", answer="")
    lines = ImportedLine.objects.filter(Q(job__in=jobs) | Q(customer=name[:120]))
    read = list(lines.values_list("run", flat=True).distinct())
    lines.update(customer="")
    for run in Run.objects.filter(pk__in=read):
        for one in Run.objects.filter(pk__in=[run.pk, run.params.get("look") or run.pk]):
            Run.objects.filter(pk=one.pk).update(params={**one.params, "text": ""}, result=None)


def _erase_documents(jobs: models.QuerySet[Job]) -> list[str]:
    """Papers about the jobs and their visits, and those of the days they stood in."""
    visits = Appointment.objects.filter(job__in=jobs)
    sheets = DaySheet.objects.filter(day__in=visits.values("day"), crew__in=visits.values("crew"))
    return [name for rows in (jobs, visits, sheets) for name in forget_documents_about(rows)]


def forget_documents_about(rows: models.QuerySet[M]) -> list[str]:
    """Takes papers about these rows out; names of their files, which are deleted once nothing points to them."""
    kind = ContentType.objects.get_for_model(rows.model)
    papers = Document.objects.filter(
        subject_type=kind, subject_id__in=[str(pk) for pk in rows.values_list("pk", flat=True)]
    )
    names = list(papers.values_list("file", flat=True))
    papers.delete()
    return names


def _erase_trail(customer: Customer, jobs: models.QuerySet[Job], names: Sequence[str]) -> None:
    """The one time that entries are changed: what was done and when stays, in whose home does not."""
    subjects = Q(job_id__in=list(jobs.values_list("pk", flat=True)))
    for model, keys in (
        (Customer, [customer.pk]),
        (Site, list(customer.sites.values_list("pk", flat=True))),
        (Project, list(customer.projects.values_list("pk", flat=True))),
    ):
        subjects |= Q(subject_type=ContentType.objects.get_for_model(model), subject_id__in=list(map(str, keys)))
    for entry in AuditEntry.objects.filter(subjects).iterator(chunk_size=500):
        personal = entry.subject_type in set(ContentType.objects.get_for_models(Customer, Site, Project).values())
        text = "" if personal else _nameless(entry.subject_text, names, str(customer))
        changes = {} if personal else {
            name: json.loads(_nameless(json.dumps(pair), names, str(customer)))
            for name, pair in entry.changes.items()
            if name in KEPT_WORDS
        }  # fmt: skip
        AuditEntry.objects.filter(pk=entry.pk).update(subject_text=text, changes=changes, note="")


def _nameless(text: str, names: Sequence[str], instead: str) -> str:
    for name in names:
        text = text.replace(name, instead)
    return text


# -- the firm's rule -------------------------------------------------------------------------


def erase_old(*, now: dt.datetime | None = None) -> int:
    """Erases whom the firm's rule no longer keeps; how many. Each for themselves, so that one stops no other."""
    firm = Firm.objects.filter(pk=1).first()
    if firm is None or firm.keep_months is None:
        return 0
    before = months_before(now or timezone.now(), firm.keep_months)
    erased = 0
    for customer in list(_over(before)[:500]):
        erase_customer(customer=customer, by=None)
        erased += 1
    return erased


def months_before(moment: dt.datetime, months: int) -> dt.datetime:
    """
    The same day and time so many months earlier, or that month's last day.

    >>> months_before(dt.datetime(2027, 3, 31), 13)
    datetime.datetime(2026, 2, 28, 0, 0)
    """
    year, month = divmod(moment.year * 12 + moment.month - 1 - months, 12)
    day = min(moment.day, calendar.monthrange(year, month + 1)[1])
    return moment.replace(year=year, month=month + 1, day=day)


def _over(before: dt.datetime) -> models.QuerySet[Customer]:
    """Customers nothing of whom is open or younger than that."""
    mine = Job.objects.filter(customer=models.OuterRef("pk"))
    younger = mine.filter(Q(created_at__gte=before) | Q(stage_since__gte=before))
    visits = Appointment.objects.filter(job__customer=models.OuterRef("pk"), day__gte=before.date())
    theirs = AuditEntry.objects.filter(
        subject_type=ContentType.objects.get_for_model(Customer),
        subject_id=models.functions.Cast(models.OuterRef("pk"), models.CharField()),
        at__gte=before,
    )
    return (
        Customer.objects.filter(erased_at=None)
        .exclude(models.Exists(mine.open()))
        .exclude(models.Exists(younger))
        .exclude(models.Exists(visits))
        .exclude(models.Exists(theirs))
        .order_by("pk")
    )
