"""Customers, sites, jobs: taken on, changed, held, cancelled."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from jobs.models import Appointment, Customer, ImpossibleTime, Job, Project, Purpose, Site, Wish
from jobs.ports import ports
from jobs.services import places
from jobs.services.appointments import cancel_appointment, know_minutes_anew, new_appointment
from jobs.services.base import check_owner, save
from jobs.services.messages import notify
from jobs.services.stages import lock_job, lock_open_job, recompute_stage
from jobs.services.times import set_wishes
from shared import audit
from shared.errors import Refused
from shared.models import Branch, User

CUSTOMER_FIELDS: Final = ("name", "phone", "email", "takes_texts", "no_messages", "language", "note")
SITE_FIELDS: Final = (
    "name", "street", "line2", "town", "postcode", "latitude", "longitude", "year_built", "floor", "has_lift",
    "longest_in_lift", "longest_on_stair", "children", "pets", "parking", "access", "access_secret", "access_note",
    "door_contact", "door_phone", "notice_needed", "hours_from", "hours_until", "dock_note", "certificate_note",
    "certificate_until",
)  # fmt: skip
JOB_FIELDS: Final = (
    "title", "note", "openings_expected", "product_expected", "rooms_expected", "customer_measures", "policy",
    "wanted_by", "project", "phase",
)  # fmt: skip
HOLD_FIELDS: Final = ("hold", "hold_note", "hold_due", "hold_owner")
HOLD_DAYS: Final = 7
"""In how many days a hold is to be settled where nobody says a day: common practice, no published source."""


MOST_OFF_M: Final = 150
"""How far off a phone may say it is."""


def fill(row: Any, values: Mapping[str, Any], known: Sequence[str]) -> list[str]:
    """Sets what is given and checks the row; names of the fields set."""
    unknown = set(values) - set(known)
    if unknown:
        raise Refused(f"no such field: {', '.join(sorted(unknown))}", field=sorted(unknown)[0])
    for name, value in values.items():
        setattr(row, name, value)
    try:
        row.full_clean(validate_unique=False)
    except ValidationError as error:
        field, problems = next(iter(error.message_dict.items()))
        raise Refused(problems[0], field="" if field == "__all__" else field) from None
    return list(values)


# -- customers and sites -----------------------------------------------------------------


@transaction.atomic
def new_customer(*, branch: Branch, by: User, **values: Any) -> Customer:
    """Somebody who will pay."""
    row = Customer(branch=branch)
    fill(row, values, CUSTOMER_FIELDS)
    save(row, list(values), by=by, action="took on the customer")
    return row


@transaction.atomic
def edit_customer(*, customer: Customer, by: User, **values: Any) -> Customer:
    """Name, phone, email, which messages they take, note."""
    fields = fill(customer, values, CUSTOMER_FIELDS)
    save(customer, fields, by=by, action="changed the customer")
    return customer


@transaction.atomic
def new_site(*, customer: Customer, by: User, **values: Any) -> Site:
    """Where somebody will drive to."""
    row = Site(branch=customer.branch, customer=customer)
    fields = fill(row, values, SITE_FIELDS)
    if not row.has_coordinates():
        fields += places.place(row)
    save(row, fields, by=by, action="added the site")
    return row


@transaction.atomic
def edit_site(*, site: Site, by: User | None, job: Job | None = None, **values: Any) -> Site:
    """
    Anything about a site. The key's place or code never enters the trail, only that it changed.

    `job` is the one on whose page it was told, if on any.
    """
    fields = fill(site, values, SITE_FIELDS)
    if values.get("latitude") is not None:
        site.place_from, site.place_within_m = "", None
        fields += ["place_from", "place_within_m"]
    elif not site.has_coordinates() or (site.place_from and {"street", "town", "postcode"} & values.keys()):
        fields += places.place(site)
    if save(site, fields, by=by, action="changed the site", job=job):
        know_minutes_anew(Appointment.objects.filter(job__site=site))
    return site


@transaction.atomic
def place_again(*, site: Site) -> Site:
    """A site whose place is only about right, by what is known of its address since; its visits keep the time free."""
    row = Site.objects.select_for_update(of=("self",)).select_related("branch", "customer").get(pk=site.pk)
    if row.place_from or not row.has_coordinates():
        fields = places.place(row)
        if fields and save(row, fields, by=None, action="placed the site by its address"):
            know_minutes_anew(Appointment.objects.filter(job__site=row))
    return row


@transaction.atomic
def place_at_door(
    *, appointment: Appointment, latitude: float, longitude: float, accuracy_m: float, by: User
) -> Site:  # fmt: skip
    """The crew stands at the door and says where that is; only where the place was worked out from the address."""
    row = Appointment.objects.select_related("job__site__branch", "job__site__customer").get(pk=appointment.pk)
    site = row.job.site
    if row.state != Appointment.State.ARRIVED:
        raise Refused("say where the door is once you have arrived")
    if site.has_coordinates() and not site.place_from:
        raise Refused("somebody gave this site's place already")
    if not 0 <= accuracy_m <= MOST_OFF_M:
        raise Refused("the phone does not know its place well enough", field="accuracy_m", bound=f"0 to {MOST_OFF_M} m")
    return edit_site(site=site, by=by, job=row.job, latitude=latitude, longitude=longitude)


# -- jobs ----------------------------------------------------------------------------------


def next_number(branch: Branch) -> str:
    """The branch's next job number; call it with the branch's row locked."""
    last = Job.objects.filter(branch=branch).order_by("-pk").values_list("number", flat=True).first()
    digits = re.search(r"(\d+)$", last or "")
    number = int(digits[1]) + 1 if digits else 1001
    while Job.objects.filter(branch=branch, number=f"J-{number}").exists():
        number += 1
    return f"J-{number}"


@transaction.atomic
def book_job(
    *,
    branch: Branch,
    by: User,
    customer: Customer | Mapping[str, object],
    site: Site | Mapping[str, object],
    job: Mapping[str, object] | None = None,
    purpose: str | None = Purpose.MEASURE,
    duration_min: int | None = None,
    people: int = 1,
    possible: Sequence[tuple[dt.datetime, dt.datetime]] = (),
    impossible: Sequence[tuple[dt.datetime, dt.datetime]] = (),
    wishes: Sequence[Wish] = (),
) -> Job:
    """
    A job with its customer, its site and its first visit, all or nothing.

    Parameters
    ----------
    customer, site
        A row there is, or the fields of a new one.
    job
        Title, note, openings and rooms expected, policy, the customer's own date, project.
    purpose
        What the first visit is for; None books none. It is unplaced: a window comes next.
    people
        How many it takes.
    possible, impossible
        Windows the customer can take; stretches they can't be there.
    wishes
        When they can be there in any week.
    """
    Branch.objects.select_for_update().get(pk=branch.pk)
    payer = customer if isinstance(customer, Customer) else new_customer(branch=branch, by=by, **customer)
    place = site if isinstance(site, Site) else new_site(customer=payer, by=by, **site)
    if payer.branch_id != branch.pk or place.branch_id != branch.pk:
        raise Refused("customer and site must be of this branch")
    if place.customer_id != payer.pk:
        raise Refused("this site belongs to another customer", field="site")
    if not place.has_coordinates():
        edit_site(site=place, by=by)
    row = Job(branch=branch, customer=payer, site=place, number=next_number(branch), created_by=by)
    fill(row, job or {}, JOB_FIELDS)
    _check_project(row)
    _check_product(row)
    save(row, list(job or {}), by=by, action="booked the job")
    for begin, end in impossible:
        add_impossible_time(job=row, starts_at=begin, ends_at=end, by=by)
    if wishes:
        set_wishes(job=row, wishes=wishes, by=by)
    if purpose:
        new_appointment(job=row, purpose=purpose, by=by, duration_min=duration_min, people=people, possible=possible)
    return recompute_stage(job=row, by=by)


def faults(
    *, branch: Branch, by: User, customer: Customer | Mapping[str, Any], site: Site | Mapping[str, Any] | None,
    job: Mapping[str, Any] | None,
) -> dict[str, str]:  # fmt: skip
    """All that taking these values in would refuse, by field; writes nothing and locks nothing."""
    rows: list[tuple[Customer | Site | Job, Mapping[str, Any], set[str]]] = []
    if not isinstance(customer, Customer):
        rows.append((Customer(branch=branch), customer, set()))
    if site is not None and not isinstance(site, Site):
        rows.append((Site(branch=branch), site, {"customer"}))
    if job is not None:
        rows.append((Job(branch=branch, number="J-0", created_by=by), job, {"customer", "site"}))
    found: dict[str, str] = {}
    for row, values, without in rows:
        for name, value in values.items():
            setattr(row, name, value)
        try:
            row.full_clean(exclude=without, validate_unique=False)
        except ValidationError as error:
            found |= {name: problems[0] for name, problems in error.message_dict.items()}
    return found


def _check_project(job: Job) -> None:
    if job.project is not None and job.project.customer_id != job.customer_id:
        raise Refused("this project belongs to another customer", field="project")


def _check_product(job: Job) -> None:
    known = dict(ports.families)
    if job.product_expected and job.product_expected not in known:
        text = f"{job.product_expected} is no product family"
        raise Refused(text, field="product_expected", bound=", ".join(known))


@transaction.atomic
def edit_job(*, job: Job, by: User, **values: Any) -> Job:
    """Title, note, openings and rooms expected, policy, the customer's own date, project and phase."""
    row = lock_open_job(job)
    fields = fill(row, values, JOB_FIELDS)
    _check_project(row)
    _check_product(row)
    save(row, fields, by=by, action="changed the job", job=row)
    return row


@transaction.atomic
def new_project(*, customer: Customer, name: str, by: User, note: str = "") -> Project:
    """Many sites or phases under one customer."""
    row = Project(branch=customer.branch, customer=customer)
    fill(row, {"name": name, "note": note}, ("name", "note"))
    save(row, ["name", "note"], by=by, action="opened the project")
    return row


@transaction.atomic
def edit_project(*, project: Project, by: User, **values: Any) -> Project:
    """Name and note."""
    fields = fill(project, values, ("name", "note"))
    save(project, fields, by=by, action="changed the project")
    return project


@transaction.atomic
def add_impossible_time(*, job: Job, starts_at: dt.datetime, ends_at: dt.datetime, by: User) -> ImpossibleTime:
    """A stretch the customer said they can't be there."""
    if ends_at <= starts_at:
        raise Refused("it ends before it begins", field="ends_at")
    row = ImpossibleTime.objects.create(job=job, starts_at=starts_at, ends_at=ends_at)
    audit.record(by=by, action="noted when the customer can't", subject=job, job=job, note=str(row))
    return row


@transaction.atomic
def hold(
    *, job: Job, reason: str, by: User, note: str = "", due_on: dt.date | None = None, owner: User | None = None
) -> Job:
    """
    Pauses the job for a reason; its visits stay in the calendar.

    Parameters
    ----------
    due_on
        By when it is settled; without, in `HOLD_DAYS` days.
    owner
        Who settles it; without, who holds it.
    """
    row = lock_open_job(job)
    today = timezone.now().astimezone(row.branch.tz).date()
    if due_on is not None and due_on < today:
        raise Refused("this day is over", field="due_on", bound=f"{today} or later")
    check_owner(owner, row.branch_id)
    if reason not in Job.Hold.values:
        raise Refused(f"{reason} is no reason to hold a job", field="reason", bound=", ".join(Job.Hold.values))
    was, row.hold, row.hold_note = row.hold, reason, note
    row.hold_due, row.hold_owner = due_on or today + dt.timedelta(days=HOLD_DAYS), owner or by
    save(row, HOLD_FIELDS, by=by, action="held the job", job=row, note=note)
    if reason != was and reason in {Job.Hold.DEPOSIT, Job.Hold.APPROVAL}:
        notify(kind=reason, job=row, by=by)
    return recompute_stage(job=row, by=by)


@transaction.atomic
def unhold(*, job: Job, by: User | None, note: str = "") -> Job:
    """The job goes on; its stage is what its parts say by now."""
    row = lock_open_job(job)
    if not row.is_held():
        raise Refused("the job is not held")
    row.hold = row.hold_note = ""
    row.hold_due = row.hold_owner = None
    save(row, HOLD_FIELDS, by=by, action="let the job go on", job=row, note=note)
    return recompute_stage(job=row, by=by)


@transaction.atomic
def cancel_job(*, job: Job, by: User, reason: str) -> Job:
    """Cancels the job and every visit still to come. Nothing is deleted."""
    if not reason.strip():
        raise Refused("say why, for whoever reads the trail", field="reason")
    row = lock_job(job)
    if row.is_cancelled():
        return row
    over = [Appointment.State.DONE, Appointment.State.CANCELLED]
    for visit in row.appointments.exclude(state__in=over):
        cancel_appointment(appointment=visit, by=by, reason=reason)
    row.cancelled_at = timezone.now()
    save(row, ["cancelled_at"], by=by, action="cancelled the job", job=row, note=reason)
    return recompute_stage(job=row, by=by)


@transaction.atomic
def take_up_again(*, job: Job, by: User) -> Job:
    """Takes a cancelled job up again; its visits stay called off."""
    row = lock_job(job)
    if not row.is_cancelled():
        raise Refused("the job is not cancelled")
    row.cancelled_at = None
    save(row, ["cancelled_at"], by=by, action="took the job up again", job=row)
    return recompute_stage(job=row, by=by)
