"""A customer's data erased: nobody is found by it any more, and what was done stays."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.db import connection, models
from django.test import Client
from django.utils import timezone

from installs.models import Stop, StopPhoto
from jobs.models import Customer, Job, Message
from jobs.services import booking, erasing
from jobs.services.search import find_customers
from shared import firm_data
from shared.errors import Refused
from shared.models import AuditEntry, Firm, User

pytestmark = pytest.mark.django_db
TRACES = ("Ottoline", "Fenwickstead", "555 0147", "otto@example.org", "19 Plover Close", "Mossy", "ring at the side")


@pytest.fixture
def job(owner: User) -> Job:
    made = booking.book_job(
        branch=owner.own_branch, by=owner,
        customer={"name": "Ottoline Fenwickstead", "phone": "555 0147", "email": "otto@example.org"},
        site={"street": "19 Plover Close", "town": "Millrace", "postcode": "60511", "pets": "Mossy, a dog"},
        job={"title": "Fenwickstead house", "note": "ring at the side", "openings_expected": 4},
    )  # fmt: skip
    booking.edit_customer(customer=made.customer, by=owner, note="Ottoline is hard of hearing")
    visit = made.appointments.get()
    Stop.objects.create(appointment=visit, signed_name="Ottoline F", signature=[[[1, 2]]])
    Message.objects.create(job=made, kind="done", occasion="x", channel="email", to="otto@example.org", body="Ottoline")
    booking.cancel_job(job=made, by=owner, reason="Ottoline Fenwickstead moved")
    return made


def everything() -> str:
    """All texts of all rows there are."""
    texts = []
    for model in firm_data.tables():
        names = [
            field.name
            for field in model._meta.concrete_fields
            if isinstance(field, models.CharField | models.TextField | models.JSONField)
        ]
        texts += [str(row) for row in model._base_manager.values_list(*names)]
    with connection.cursor() as cursor:
        for table in ("jobs_searchentry", "jobs_searchword"):
            cursor.execute(f"SELECT * FROM {table}")
            texts += map(str, cursor.fetchall())
    return "\n".join(texts).lower()


def test_no_trace_of_a_customer_is_left_anywhere_and_the_history_stays(
    job: Job, owner: User, django_capture_on_commit_callbacks: Any, settings: Any, tmp_path: Path
) -> None:
    settings.MEDIA_ROOT = tmp_path
    photo = StopPhoto(appointment=job.appointments.get(), taken_by=owner, caption="Ottoline's den")
    photo.file.save("den.jpg", ContentFile(b"den"))
    assert all(trace.lower() in everything() for trace in TRACES)
    done = AuditEntry.objects.count()

    with django_capture_on_commit_callbacks(execute=True):
        erasing.erase_customer(customer=job.customer, by=owner)

    found = everything()
    assert [trace for trace in TRACES if trace.lower() in found] == []
    assert not Path(photo.file.path).exists()
    assert find_customers(owner, "Fenwickstead", 5) == []
    job.refresh_from_db()
    assert (job.stage, job.openings_expected, job.site.town, job.site.postcode) == ("cancelled", 4, "Millrace", "60511")
    assert AuditEntry.objects.count() == done + 1
    assert AuditEntry.objects.filter(job_id=job.pk, action="booked the job", by=owner).exists()
    assert not job.customer_link.is_open()


def test_nobody_with_an_open_job_is_erased_and_only_an_owner_does_it(
    job: Job, owner: User, dispatcher: User, as_user: Callable[[User], Client]
) -> None:
    with pytest.raises(Refused, match="only an owner"):
        erasing.erase_customer(customer=job.customer, by=dispatcher)
    address = f"/customers/{job.customer_id}/erase/"
    assert as_user(dispatcher).post(address, {"sure": "on"}).status_code == 403
    as_user(owner).post(address)  # not sure
    booking.take_up_again(job=job, by=owner)
    as_user(owner).post(address, {"sure": "on"})
    assert Customer.objects.get(pk=job.customer_id).erased_at is None

    booking.cancel_job(job=job, by=owner, reason="over")
    as_user(owner).post(address, {"sure": "on"})

    assert Customer.objects.get(pk=job.customer_id).erased_at is not None


def test_the_firms_rule_erases_whoever_is_over_so_long_and_nobody_else(job: Job, owner: User) -> None:
    fresh = booking.new_customer(branch=owner.own_branch, by=owner, name="Fresh Caller")
    much_later = timezone.now() + dt.timedelta(days=400)
    assert erasing.erase_old(now=much_later) == 0  # no rule: kept

    Firm.objects.update_or_create(pk=1, defaults={"name": "Weir", "keep_months": 12})
    assert erasing.erase_old() == 0
    booking.edit_customer(customer=fresh, by=owner, note="called again")
    AuditEntry.objects.filter(subject_id=str(fresh.pk), action="changed the customer").update(at=much_later)
    assert erasing.erase_old(now=much_later) == 1

    assert Customer.objects.get(pk=job.customer_id).erased_at is not None
    assert Customer.objects.get(pk=fresh.pk).erased_at is None
