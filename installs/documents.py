"""Documents of the install day: route packet, load list, work order, completion record, return order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db.models.signals import post_save
from django.dispatch import receiver

from fabrication.services.own_cloth import given_back, own_text
from installs.adapters import packet
from installs.adapters.evaluation import rules_of, size_of, visit_units, with_needs, work_out
from installs.adapters.truck import left_behind, lines_of, list_at, packages_on, to_take_over
from installs.adapters.warranty import warranty_of
from installs.drawings import signature_drawing
from installs.models import HardwareUsed, Load, PrintedPacket, ReturnOwed, Stop, VisitUnit
from installs.rules.care import CARE
from installs.rules.causes import cause
from installs.rules.hardware import remote_map
from installs.services.loads import refresh_load
from jobs.models import INSTALLING, Appointment, Job, ServiceCall
from jobs.schedule.words import window_text
from measuring.adapters.changes import in_question
from measuring.models import Unit
from shared.documents import Content, document_kind, kind_of
from shared.models import Document, User
from shared.roles import DISPATCHER, INSTALLER, OWNER, WORKROOM

PACKET = "installs.packet"
NAMED_CHANGES = 2


def _listed(load: Load, by: User) -> Load:
    """With its list as the day stands."""
    return refresh_load(crew=load.crew, day=load.day, by=by)


def _with_its_load(visit: Appointment, by: User) -> Appointment:
    """A visit whose crew-day has a list finds it as the day stands."""
    load, _ = list_at(visit)
    if load is not None:
        _listed(load, by)
    return visit


@document_kind(
    PACKET,
    title="Route packet",
    model="installs.Load",
    template="installs/documents/packet.html",
    roles=(DISPATCHER, OWNER, INSTALLER),
    job=lambda load: None,
    prepare=_listed,
    why_stale=lambda load, values: _what_changed(load, values),
)
def route_packet(load: Load) -> Content:
    """A crew's day: the cover, then every stop."""
    summary = packet.day_summary(load)
    values = packet.packet_values(summary)
    context = {**values, "map": packet.day_map(summary), "changes": changes_since(load, values)}
    context["stops"] = [dict(stop) for stop in values["stops"]]
    for stop, drawn in zip(summary.stops, context["stops"], strict=True):
        drawn["units"] = [dict(unit) for unit in drawn["units"]]
        packet.draw_stop(stop, drawn)
    packet.give_pages(context, context["stops"])
    return Content(context, values)


def _what_changed(load: Load, values: object) -> str:
    """The first of what a packet that is no longer so says otherwise, in a line."""
    found = changes_since(load, dict(values)) if isinstance(values, Mapping) else None
    rows = found["rows"] if found else []
    named = [f"{what}: {now or 'not any more'}" for what, _, now in rows[:NAMED_CHANGES]]
    return "; ".join(named) + (f"; and {len(rows) - NAMED_CHANGES} more" if len(rows) > NAMED_CHANGES else "")


def changes_since(load: Load, values: dict[str, object]) -> dict[str, Any] | None:
    """What differs from the packet printed before; None for the first."""
    before = (
        PrintedPacket.objects.filter(document__in=Document.objects.about(load).filter(kind=PACKET))
        .select_related("document")
        .order_by("-document__revision")
        .first()
    )
    if before is None:
        return None
    rows = packet.changes_between(before.lines, packet.summary_lines(values))
    return {"revision": before.document.revision, "rows": rows}


@receiver(post_save, sender=Document)
def keep_summary_lines(instance: Document, created: bool, **kwargs: object) -> None:
    """In the transaction that keeps a packet: what it said, so that the next can say what changed."""
    if not created or instance.kind != PACKET:
        return
    load = Load.objects.select_related("crew__branch").filter(pk=instance.subject_id).first()
    if load is None:
        return
    values = packet.packet_values(packet.day_summary(load))
    kind = kind_of(PACKET)
    if kind.hash_of(Content({}, values)) == instance.content_hash:
        PrintedPacket.objects.create(document=instance, lines=packet.summary_lines(values))


@document_kind(
    "installs.load_list",
    title="Load list",
    model="installs.Load",
    template="installs/documents/load_list.html",
    roles=(DISPATCHER, OWNER, INSTALLER, WORKROOM),
    job=lambda load: None,
    prepare=_listed,
)
def load_list(load: Load) -> dict[str, Any]:
    """What goes on the truck, in the order it is put on, to tick off by hand."""
    sections: dict[str, list[dict[str, object]]] = {}
    lines = lines_of(load)
    on_hold = in_question(line.unit_id for line in lines if line.unit_id)
    for line in lines:
        sections.setdefault(line.section, []).append(
            {
                "is_left_behind": line.is_left_behind,
                "is_on_hold": line.unit_id in on_hold,
                "text": line.text,
                "room": str(line.unit.opening) if line.unit else "",
                "quantity": line.quantity,
                "why": line.why,
            }
        )
    elsewhere = [[where, [line.text for line in rows]] for where, rows in to_take_over(load)]
    return {
        **({"elsewhere": elsewhere} if elsewhere else {}),
        "crew": load.crew.name,
        "day": load.day.isoformat(),
        "sections": [{"name": name, "lines": rows} for name, rows in sections.items()],
        "left_behind": left_behind(lines),
        "gap_reason": load.gap_reason,
        "weight_g": load.weight_g,
        "findings": [finding["text"] for finding in load.findings],
    }


@document_kind(
    "installs.work_order",
    title="Install work order",
    model="jobs.Appointment",
    template="installs/documents/work_order.html",
    roles=(DISPATCHER, OWNER, INSTALLER),
    version=2,
    prepare=_with_its_load,
    who=lambda user, visit: visit.purpose in INSTALLING,
)
def work_order(visit: Appointment) -> Content:
    """One stop by itself."""
    summary = packet.stop_summary(visit, visit_units(visit), rules_of(visit.job.branch))
    packet.read_openings([summary])
    packages = packages_on(*list_at(visit), summary.worked, [visit])
    values = {**packet.stop_values(summary, packages), "when": window_text(visit)}
    drawn = {**values, "units": [dict(unit) for unit in values["units"]]}
    packet.draw_stop(summary, drawn)
    return Content({"stop": drawn}, values)


@document_kind(
    "installs.completion",
    title="Completion record",
    model="jobs.Job",
    template="installs/documents/completion.html",
    roles=(DISPATCHER, OWNER, INSTALLER),
    job=lambda job: job.pk,
    version=2,
)
def completion(job: Job) -> dict[str, Any]:
    """For the customer: what was installed and when, care, cords and children, remotes, who to call."""
    units = list(
        with_needs(Unit.objects.filter(opening__job=job, state=Unit.State.INSTALLED)).order_by(
            "opening__room__order", "opening__order", "number"
        )
    )
    worked = work_out(units, rules_of(job.branch))
    good = [one for one in worked if one.read is not None and one.hardware is not None]
    remotes, _ = remote_map([one.read for one in good if one.read is not None])
    families = sorted({unit.product.family for unit in units})
    owed = job.returns_owed.filter(state__in=["owed", "booked"]).select_related("unit__opening__room")
    tension = [entry.why for one in good if one.hardware for entry in one.hardware.tension]
    return {
        "number": job.number,
        "customer": job.customer.name,
        "address": job.site.address,
        "units": _installed(job, units),
        **_own_material(job),
        **_serviced(job),
        "owed": [f"{row.unit.opening}: {row.cause_text}" for row in owed],
        "care": [{"family": name, "text": CARE[name]} for name in families if name in CARE],
        "loops": tension,
        "corded": any(one.read and one.read.may_hang_a_cord for one in good),
        "motors": any(one.read and one.read.motor for one in good),
        "remotes": [
            {"remote": entry.remote, "channel": entry.channel, "units": list(entry.units)} for entry in remotes
        ],
        **_signed(job),
        **_done_on_site(job),
        **_motors_left(job),
        "warranty": warranty_of(job),
        "phone": job.branch.phone,
        "branch": job.branch.name,
    }


def _motors_left(job: Job) -> dict[str, Any]:
    """How each motor was left; nothing, not even a name, where nobody said."""
    rows = VisitUnit.objects.filter(appointment__job=job, outcome=VisitUnit.Outcome.INSTALLED).exclude(as_left={})
    lines = [f"{one.unit.opening}: {one.motor_text}" for one in rows.select_related("unit__opening__room")]
    return {"motors_left": lines} if lines else {}


def _own_material(job: Job) -> dict[str, Any]:
    """What the customer has back of their own material; nothing, not even a name, where there is none."""
    found = [own_text(item) for item in given_back(job)]
    return {"given_back": found} if found else {}


def _serviced(job: Job) -> dict[str, Any]:
    """What was done at service calls; not even a name where there was none."""
    calls = ServiceCall.objects.filter(appointment__job=job).exclude(result="").order_by("appointment__done_at", "pk")
    found = [
        {
            "what": str(call),
            "fault": call.fault,
            "done": call.done,
            "result": call.get_result_display(),
            "when": call.appointment.done_at or call.appointment.arrived_at,
        }
        for call in calls.select_related("appointment")
    ]
    return {"serviced": found} if found else {}


def _installed(job: Job, units: list[Unit]) -> list[dict[str, Any]]:
    rows = VisitUnit.objects.filter(appointment__job=job, outcome=VisitUnit.Outcome.INSTALLED).order_by(
        "marked_at", "pk"
    )
    when = {row.unit_id: row.marked_at for row in rows}
    found = []
    for unit in units:
        width, height = size_of(unit)
        found.append(
            {
                "code": unit.code,
                "opening": str(unit.opening),
                "product": unit.product.name,
                "width": width,
                "height": height,
                "installed": (when.get(unit.pk) or unit.installed_at),
            }
        )
    return found


def _done_on_site(job: Job) -> dict[str, Any]:
    """What was checked at the job's last closed stop, and what was used otherwise at any."""
    stop = Stop.objects.filter(appointment__job=job).exclude(closed_at=None).order_by("-closed_at", "-pk").first()
    used = HardwareUsed.objects.filter(appointment__job=job, undone_at=None).select_related("material", "unit")
    return {
        "checks": [_check_words(label, is_ticked, but) for _, label, is_ticked, but in stop.checks] if stop else [],
        "used": [row.text for row in used.order_by("at", "pk")],
    }


def _check_words(label: str, is_ticked: bool, but: list[str]) -> list[object]:
    """What was ticked, whether it was, and, only where there are any, the units it does not hold for."""
    return [label, is_ticked, *([", ".join(but)] if but else [])]


def _signed(job: Job) -> dict[str, Any]:
    """Who signed at the job's last stop, and with whom things were left."""
    visit = job.appointments.filter(stop__isnull=False).select_related("stop").order_by("-stop__pk").first()
    if visit is None:
        return {"signed": "", "left_with": "", "signature": None}
    stop = visit.stop
    signature = signature_drawing(stop.signature, stop.signed_name) if stop.signature else None
    return {"signed": stop.signed_name, "left_with": stop.left_with, "signature": signature}


@document_kind(
    "installs.return_order",
    title="Return order",
    model="installs.ReturnOwed",
    template="installs/documents/return_order.html",
    roles=(DISPATCHER, OWNER, INSTALLER, WORKROOM),
)
def return_order(owed: ReturnOwed) -> dict[str, Any]:
    """What is owed for one unit, why, what was decided, and what must be there first."""
    found, unit = cause(owed.cause), owed.waits_for
    job = owed.job
    visit = owed.appointment
    width, height = size_of(unit)
    return {
        "job": job.number,
        "customer": job.customer.name,
        "address": job.site.address,
        "opening": str(owed.unit.opening),
        "code": owed.unit.code,
        "product": owed.unit.product.name,
        "cause": owed.cause_text,
        "note": owed.note,
        "next_by": found.next_by,
        "next_step": found.next_step,
        "remake": owed.remake.code if owed.remake else "",
        "remeasure": owed.remeasure,
        "width": width,
        "height": height,
        "ready_on": owed.ready_on(),
        "visit": window_text(visit) if visit else "",
        "opened_on": owed.opened_at.date(),
        "state": owed.get_state_display(),
        "photos": owed.unit.install_photos.filter(removed_at=None).count(),
    }
