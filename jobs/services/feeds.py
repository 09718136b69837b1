"""Calendar addresses, and what is asked about a site before driving there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from django.db import transaction
from django.utils import timezone

from jobs.models import Appointment, CalendarFeed, Crew, ReadinessAnswer
from jobs.services.base import lock_appointment
from shared import audit
from shared.errors import Refused
from shared.models import Branch, User


@transaction.atomic
def open_feed(*, branch: Branch, by: User, crew: Crew | None = None, user: User | None = None) -> CalendarFeed:
    """A calendar address for a crew or a person."""
    if (crew is None) == (user is None):
        raise Refused("a calendar is of one crew or of one person")
    if crew is not None and crew.branch_id != branch.pk:
        raise Refused("this crew is of another branch", field="crew")
    if user is not None and user.branch_id != branch.pk:
        raise Refused("this person is of another branch", field="user")
    feed = CalendarFeed.objects.create(branch=branch, crew=crew, user=user, created_by=by)
    audit.record(by=by, action="opened a calendar address", subject=feed)
    return feed


@transaction.atomic
def revoke_feed(*, feed: CalendarFeed, by: User) -> CalendarFeed:
    """The address answers nothing any more."""
    if feed.revoked_at is None:
        feed.revoked_at = timezone.now()
        feed.save(update_fields=["revoked_at"])
        audit.record(by=by, action="revoked a calendar address", subject=feed)
    return feed


@transaction.atomic
def answer_readiness(
    *, appointment: Appointment, answers: Mapping[str, str], by: User | None, note: str = ""
) -> list[ReadinessAnswer]:
    """What was answered about the site, by the customer themselves where by nobody; an empty answer takes one back."""
    row = lock_appointment(appointment)
    known = {answer.question: answer for answer in row.readiness.all()}
    changes = {}
    for question, answer in answers.items():
        if question not in ReadinessAnswer.Question.values:
            raise Refused(f"{question} is not asked", field=question)
        if answer and answer not in ReadinessAnswer.Answer.values:
            raise Refused(f"{answer} is no answer", field=question, bound=", ".join(ReadinessAnswer.Answer.values))
        before = known[question].answer if question in known else ""
        if before == answer:
            continue
        changes[question] = [before, answer]
        if answer:
            ReadinessAnswer.objects.update_or_create(
                appointment=row,
                question=question,
                defaults={"answer": answer, "by": by, "at": timezone.now(), "note": note},
            )
        else:
            known[question].delete()
    if changes or note:
        audit.record(
            by=by, action="asked whether the site is ready" if by is not None else "said whether the site is ready",
            subject=row, job=row.job_id, changes=changes, note=note,
        )  # fmt: skip
    return list(row.readiness.all())


@transaction.atomic
def asked_ready(*, appointments: Iterable[Appointment], by: User) -> int:
    """The customers of these visits were asked, and everything that nobody had asked yet is ready; how many."""
    rows = sorted(appointments, key=lambda row: (row.job_id, row.pk))
    for row in rows:
        asked = set(row.readiness.values_list("question", flat=True))
        answers = {question: "yes" for question in ReadinessAnswer.Question.values if question not in asked}
        answer_readiness(appointment=row, answers=answers, by=by)
    return len(rows)
