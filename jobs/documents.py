"""The confirmation: what a customer is told about a visit, on one sheet. The day sheet: a crew's stops in order."""

from __future__ import annotations

from jobs.drawings import route_map
from jobs.models import Appointment, DaySheet
from jobs.ports import ports
from jobs.schedule.day import DaySchedule, Stop, moment, read_day
from jobs.schedule.words import WHAT, clock, promise_text, stay_text, window_text
from shared.documents import Content, document_kind
from shared.formats.dates import long_day_year
from shared.roles import FIELD, OFFICE


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


@document_kind(
    "jobs.day_sheet",
    title="Day sheet",
    model="jobs.DaySheet",
    template="jobs/documents/day_sheet.html",
    roles=(*OFFICE, *FIELD),
    job=lambda sheet: None,
)
def day_sheet(sheet: DaySheet) -> Content:
    """A crew's day for any crew, measuring ones too: its stops in order with what to bring. No key, no code."""
    day = read_day(sheet.crew, sheet.day)
    bring = ports.bring(day.appointments)
    stops = [_sheet_stop(day, stop, bring[stop.key]) for stop in day.timeline.stops]
    tz = sheet.crew.branch.tz
    values = {
        "crew": sheet.crew.name,
        "day": long_day_year(sheet.day),
        "leaves": clock(moment(day.timeline.depart), tz) if stops else "",
        "back": clock(moment(day.timeline.back), tz) if stops else "",
        "drive_min": round(day.timeline.drive / 60),
        "note": day.work.note if day.work.works else day.work.why,
        "stops": stops,
    }
    return Content({**values, "map": route_map(day)}, values)


def _sheet_stop(day: DaySchedule, stop: Stop, bring: list[str]) -> dict[str, object]:
    row = day.rows[stop.key]
    job, site = row.job, row.job.site
    return {
        "starts": clock(moment(stop.start), day.crew.branch.tz),
        "drive_min": round(stop.driving / 60),
        "window": promise_text(row),
        "minutes": row.duration_min,
        "number": job.number,
        "customer": job.customer.name,
        "phone": job.customer.phone,
        "address": site.address,
        "what": row.get_purpose_display(),
        "openings": job.openings_expected if row.is_measuring() else 0,
        "rooms": job.rooms_expected if row.is_measuring() else "",
        "site": "; ".join(filter(None, (site.parking, site.dock_note, site.pets, site.door_contact))),
        "note": row.note,
        "caution": site.paint_caution,
        "bring": bring,
    }
