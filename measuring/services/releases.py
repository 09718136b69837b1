"""From sizes to the workroom: the customer's yes, and what must stand before anything is cut."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence

from django.db import transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.translation import gettext_noop

from jobs.models import Job
from jobs.services.booking import unhold
from measuring.adapters.evaluation import gaps_of
from measuring.adapters.options import Offer, offers, unresolved_options
from measuring.models import RELEASED_OR_LATER, Approval, Opening, Reading, SizeChange, Unit
from measuring.ports import ports
from measuring.rules.options import plain
from measuring.rules.safety import CORDS
from measuring.rules.visit import in_doubt
from measuring.services.base import lock_job, restage
from measuring.services.sizes import is_being_measured
from shared import audit
from shared.errors import Refused
from shared.models import User


def snapshot_of(unit: Unit) -> dict[str, object]:
    """What a customer says yes to: product, mount, size and options of one unit, and who answers for the size."""
    assert unit.order_width is not None
    assert unit.order_height is not None
    return {
        "unit": unit.pk,
        "code": unit.code,
        "opening": str(unit.opening),
        "product": unit.product.key,
        "product_name": unit.product.name,
        "mount": unit.mount,
        "width": unit.order_width.ticks,
        "height": unit.order_height.ticks,
        "longest_height": unit.longest_height.ticks if unit.longest_height else unit.order_height.ticks,
        "basis": unit.basis,
        "options": dict(sorted(unit.options.items())),
        "size_revision": unit.size_revision,
        "sizes_by": "customer" if unit.job.customer_measures else "firm",
    }


AGREED = ("product", "mount", "width", "height", "basis", "options")
"""What must still be equal at the release; a size that went away and came back is the same size."""


def standing_approval(unit: Unit) -> Approval | None:
    """The latest yes that was not withdrawn and names this unit."""
    standing = [row for row in unit.approvals.all() if row.withdrawn_at is None]
    return max(standing, key=lambda row: row.revision, default=None)


def is_still_approved(unit: Unit) -> bool:
    """Whether what was approved is what stands now."""
    approval = standing_approval(unit)
    if approval is None or not unit.is_sized():
        return False
    agreed = next((row for row in approval.snapshot.get("units", []) if row["unit"] == unit.pk), None)
    now = snapshot_of(unit)
    return agreed is not None and all(_means(agreed[key]) == _means(now[key]) for key in AGREED)


def _means(value: object) -> object:
    """A choice in another spelling is the same choice."""
    return {plain(key): plain(word) for key, word in value.items()} if isinstance(value, dict) else value


@transaction.atomic
def approve_sizes(
    *, job: Job, units: Iterable[Unit], approved_by: str, by: User | None, how: str = "", at: dt.datetime | None = None
) -> Approval:
    """
    Record the customer's yes to this revision of sizes and options.

    Raises
    ------
    Refused
        No name, no units, or a unit that is not sized, is released already, or whose options do
        not resolve to materials: one that is needed and not chosen, or that no list has any more.
    """
    job = lock_job(job)
    if not approved_by.strip():
        raise Refused(gettext_noop("say who said yes"), field="approved_by")
    rows = _units_of(job, units)
    if not rows:
        raise Refused("choose what is approved", field="units")
    offered = offers(unit.product for unit in rows)
    for unit in rows:
        if unit.state in RELEASED_OR_LATER:
            raise Refused(f"{unit.code} is {unit.get_state_display()} already", field="units")
        if not unit.is_sized():
            raise Refused(f"{unit.opening}: not sized yet", field="units")
        unresolved = unresolved_options(unit, offered[unit.product_id])
        if unresolved:
            raise Refused(f"{unit.code} {unit.opening}: {unresolved[0]}", field="units")
    made = record_approval(job=job, rows=rows, approved_by=approved_by, by=by, how=how, at=at)
    Unit.objects.filter(pk__in=[unit.pk for unit in rows]).update(state=Unit.State.APPROVED)
    restage(job, by)
    return made


def record_approval(
    *, job: Job, rows: Sequence[Unit], approved_by: str, by: User | None, how: str = "", at: dt.datetime | None = None
) -> Approval:
    """The next revision of a job's approvals, of these units as they stand; their states stay."""
    last = Approval.objects.filter(job=job).aggregate(last=Max("revision"))["last"] or 0
    made = Approval.objects.create(
        job=job,
        revision=last + 1,
        snapshot={"units": [snapshot_of(unit) for unit in rows]},
        approved_by=approved_by.strip()[:120],
        how=how.strip()[:60],
        recorded_by=by,
        approved_at=at or timezone.now(),
    )
    made.units.set(rows)
    audit.record(
        by=by,
        action=f"recorded approval {made.revision}",
        subject=made,
        job=job,
        changes={unit.code: [None, _size_text(unit)] for unit in rows},
        note=f"{made.approved_by}{', ' + made.how if made.how else ''}",
    )
    return made


@transaction.atomic
def approve_by_customer(*, job: Job, units: Iterable[Unit], name: str, by: User | None) -> Approval:
    """The customer's own yes on the page of their job; with it a hold for approval ends."""
    made = approve_sizes(job=job, units=units, approved_by=name, by=by, how="on their page")
    row = lock_job(job)
    if row.hold == Job.Hold.APPROVAL:
        unhold(job=row, by=by, note="the customer approved")
    return made


def _size_text(unit: Unit) -> str:
    branch_unit = unit.opening.job.branch.unit
    if unit.order_width is None or unit.order_height is None:
        return "not sized"
    return f"{unit.order_width.text(branch_unit)} × {unit.order_height.text(branch_unit)} {branch_unit.value}"


def _units_of(job: Job, units: Iterable[Unit]) -> list[Unit]:
    wanted = [unit.pk for unit in units]
    return list(
        Unit.objects.select_for_update(of=("self",))
        .select_related("product", "opening__product", "opening__room", "opening__job__branch", "opening__job__site")
        .filter(pk__in=wanted, opening__job=job)
        .live()
    )


@transaction.atomic
def withdraw_approval(*, approval: Approval, by: User, reason: str = "") -> Approval:
    """The customer takes it back; what is released already stays released."""
    job = lock_job(approval.job_id)
    approval = Approval.objects.select_for_update().get(pk=approval.pk)
    if approval.withdrawn_at is None:
        approval.withdrawn_at = timezone.now()
        approval.save(update_fields=["withdrawn_at"])
        approval.units.filter(state=Unit.State.APPROVED).update(state=Unit.State.SIZED)
        audit.record(by=by, action=f"withdrew approval {approval.revision}", subject=approval, job=job, note=reason)
        restage(job, by)
    return approval


def release_problems(unit: Unit, offer: Offer) -> list[str]:
    """
    Why a unit can't be released yet, each a sentence somebody can act on; none: it can.

    Its options are resolved anew: what the customer approved may be on no list any more. Only
    where they all resolve are the rooms above asked whether they can make it.
    """
    job = unit.opening.job
    problems: list[str] = []
    if job.is_cancelled():
        problems.append("the job is cancelled")
    if job.is_held():
        problems.append(f"the job is held: {job.get_hold_display()}")
    if unit.state in RELEASED_OR_LATER:
        return [f"it is {unit.get_state_display()} already"]
    gaps = [gap.text for gap in gaps_of(unit.opening, unit.opening.readings.all())]
    if not unit.is_sized():
        return [*problems, "it is not sized", *gaps]
    problems += gaps + [gap.text for gap in in_doubt(unit.findings)]
    if any(conflict.settled_at is None for conflict in unit.opening.fact_conflicts.all()):
        problems.append("two devices said different things of the opening; settle them")
    if unit.opening.state != Opening.State.MEASURED:
        word = unit.opening.get_state_display()
        ending = "; close out the visit" if is_being_measured(unit.opening) else ""
        problems.append(f"its opening is {word}{ending}")
    if unit.grade != Reading.Grade.FINAL:
        to_come = unit.opening.get_to_come_display() if unit.opening.to_come else ""
        why = f"the {to_come} is still to come" if to_come else "its readings are rough"
        problems.append(f"{why}; only final ones are cut by")
    problems += _too_old(unit.opening)
    problems += [f"{one['text']} {one.get('todo', '')}".strip() for one in unit.findings if one["severity"] == "stop"]
    unresolved = unresolved_options(unit, offer)
    problems += unresolved
    if standing_approval(unit) is None:
        problems.append("the customer has not approved it")
    elif not is_still_approved(unit):
        problems.append("it changed since the customer approved it")
    return problems if unresolved else problems + ports.why_not(unit)


def _too_old(opening: Opening) -> list[str]:
    """Of what was measured longer ago than the branch takes as final."""
    read = [one.confirmed_at or one.taken_at for one in opening.readings.all() if one.is_current()]
    days = opening.job.branch.final_days
    if not read or timezone.now() - min(read) <= dt.timedelta(days=days):
        return []
    return [f"it was measured more than {days} days ago; measure it again"]


def release_cautions(units: Iterable[Unit]) -> dict[str, list[str]]:
    """
    What is said of these units' cords and stops nothing: each sentence with the codes of its units.

    It stands where the release is decided, whoever lives at the site.
    """
    codes: dict[str, list[str]] = {}
    for unit in units:
        for one in unit.findings:
            if one["code"] in CORDS:
                codes.setdefault(f"{one['text']} {one.get('todo', '')}".strip(), []).append(unit.code)
    return codes


@transaction.atomic
def release_to_workroom(*, job: Job, units: Iterable[Unit], by: User, due_on: dt.date | None = None) -> list[Unit]:
    """
    Hand units over to the workroom, all of those named or none.

    The rooms above make parts of them in the same transaction (`measuring.ports.release_hooks`).

    Raises
    ------
    Refused
        The first unit that can't be released, and why; field ``units``.
    """
    job = lock_job(job)
    rows = _units_of(job, units)
    if not rows:
        raise Refused("choose what is released", field="units")
    offered = offers(unit.product for unit in rows)
    for unit in rows:
        problems = release_problems(unit, offered[unit.product_id])
        if problems:
            raise Refused(f"{unit.code} {unit.opening}: {problems[0]}", field="units")
    now = timezone.now()
    for unit in rows:
        unit.state, unit.released_at = Unit.State.RELEASED, now
        unit.due_on = due_on or unit.due_on
    Unit.objects.bulk_update(rows, ["state", "released_at", "due_on"])
    audit.record(
        by=by,
        action=f"released {len(rows)} unit{'s' if len(rows) != 1 else ''} to the workroom",
        subject=job,
        job=job,
        changes={unit.code: [None, _size_text(unit)] for unit in rows},
    )
    ports.released(rows, by)
    restage(job, by)
    return rows


@transaction.atomic
def cancel_unit(*, unit: Unit, by: User, reason: str) -> Unit:
    """A unit is not wanted any more: it leaves batch, purchase and visit; what is cut of it stays in the books."""
    job = lock_job(unit.opening.job_id)
    unit = Unit.objects.select_for_update(of=("self",)).get(pk=unit.pk)
    if unit.state in (Unit.State.INSTALLED, Unit.State.CANCELLED, Unit.State.REPLACED):
        raise Refused(f"{unit.code} is {unit.get_state_display()}")
    if not reason.strip():
        raise Refused("say why, in a few words", field="reason")
    was, unit.state = unit.get_state_display(), Unit.State.CANCELLED
    unit.save(update_fields=["state"])
    audit.record(
        by=by, action="cancelled the unit", subject=unit, job=job, changes={"state": [was, "cancelled"]}, note=reason
    )
    unit.size_changes.filter(state=SizeChange.State.OPEN).update(
        state=SizeChange.State.REFUSED, decided_by=by, decided_at=timezone.now(), decision_note="the unit was cancelled"
    )
    ports.cancelled(unit, by)
    restage(job, by)
    return unit
