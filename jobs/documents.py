"""The confirmation: what the customer is told about a visit, on one sheet."""

from __future__ import annotations

from jobs.models import Appointment
from jobs.schedule.words import WHAT, stay_text, window_text
from shared.documents import document_kind
from shared.roles import OFFICE


@document_kind(
    "jobs.confirmation",
    title="Confirmation",
    model="jobs.Appointment",
    template="jobs/documents/confirmation.html",
    roles=OFFICE,
)
def confirmation(row: Appointment) -> dict[str, object]:
    """Plain values only, so that the sheet goes stale when any of them changes. No key, no code."""
    job, site = row.job, row.job.site
    return {
        "number": job.number,
        "customer": job.customer.name,
        "address": site.address,
        "what": WHAT[row.purpose],
        "window": window_text(row),
        "cancelled": row.state == Appointment.State.CANCELLED,
        "stays": stay_text(row),
        "rooms": job.rooms_expected,
        "openings": job.openings_expected,
        "is_measuring": row.is_measuring(),
        "door_contact": site.door_contact,
        "notice": site.notice_needed,
        "old_building": site.is_before_1978(),
        "branch_address": job.branch.address,
        "branch_phone": job.branch.phone,
    }
