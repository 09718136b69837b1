"""The demo's rooms, openings, readings and units: in bulk, sized by the real rules."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from typing import Any, Final, TypeVar

from django.db import transaction

from jobs.demo import Made
from jobs.models import Appointment, Job
from measuring.adapters.options import Offer, offers
from measuring.models import (
    Approval,
    FixedTo,
    MeasureVisit,
    Mount,
    Opening,
    Product,
    Reading,
    Room,
    Spot,
    Substrate,
    Tape,
    Unit,
    VisitOpening,
)
from measuring.rules.opening import Opening as Measured
from measuring.rules.sizing import order_size
from measuring.services.releases import snapshot_of
from measuring.services.starting_data import load_jurisdictions, load_products
from shared import audit
from shared.codes import new_code
from shared.demo import Demo
from shared.lengths import EIGHTH, Length
from shared.models import AuditEntry

M = TypeVar("M")

CHUNK: Final = 500
"""Jobs at a time: bounded memory, whatever the size of the demo."""

UNIT_STATES: Final = {
    Job.Stage.MEASURED: Unit.State.SIZED,
    Job.Stage.PAUSED: Unit.State.SIZED,
    Job.Stage.RELEASED: Unit.State.RELEASED,
    Job.Stage.IN_WORKROOM: Unit.State.RELEASED,  # the workroom's loader puts these into batches
    Job.Stage.MADE: Unit.State.MADE,
    Job.Stage.TO_INSTALL: Unit.State.MADE,
    Job.Stage.INSTALLED: Unit.State.INSTALLED,
    Job.Stage.CLOSED: Unit.State.INSTALLED,
}
WIDTHS: Final = (23, 26, 29, 31, 34, 35, 37, 40, 46, 52, 58, 70)  # whole inches, before taper
HEIGHTS: Final = (36, 42, 48, 54, 60, 66, 72)
DOOR: Final = (72, 80)


def load(demo: Demo) -> None:
    """The range, a tape for the measurer, then every job's openings as far as its stage says."""
    made = demo.made["jobs"]
    products = load_products(made.branch)
    load_jurisdictions()
    tape = Tape.objects.create(user=made.people["measurer"], label="yellow, 25 ft", case_length=Length.inches("27/8"))
    demo.made["units"] = 0
    for start in range(0, len(made.jobs), CHUNK):
        with transaction.atomic():
            _load_chunk(demo, made.jobs[start : start + CHUNK], _by_room(products), tape)
    demo.say(f"{demo.made['units']} units in {Opening.objects.count()} openings")


def _by_room(products: Iterable[Product]) -> list[Product]:
    """Active products that suit a window; doors get the vertical ones."""
    return [product for product in products if product.is_active]


def _load_chunk(demo: Demo, jobs: list[Job], products: list[Product], tape: Tape) -> None:
    rooms = Room.objects.bulk_create(chain_of(_rooms(demo, job) for job in jobs))
    by_job: dict[int, list[Room]] = {}
    for room in rooms:
        by_job.setdefault(room.job_id, []).append(room)
    openings = Opening.objects.bulk_create(chain_of(_openings(demo, job, by_job[job.pk], products) for job in jobs))
    made = demo.made["jobs"]
    visits = _visits(made, jobs, tape)
    VisitOpening.objects.bulk_create(
        VisitOpening(appointment=made.measures[opening.job_id], opening=opening) for opening in openings
    )
    chosen = ((opening, opening.product) for opening in openings if opening.state == Opening.State.MEASURED)
    offered = offers(products)
    readings: list[Reading] = []
    units: list[Unit] = []
    for opening, product in chosen:
        if product is None:
            continue
        document = _document(demo, opening, product.family)
        readings += _readings(made, opening, document, visits[opening.job_id])
        units.append(_unit(demo, opening, document, offered[product.pk]))
    Reading.objects.bulk_create(readings, batch_size=2000)
    units = Unit.objects.bulk_create(units, batch_size=1000)
    demo.made["units"] += len(units)
    _approve(made, units)


def chain_of(rows: Iterable[Iterable[M]]) -> list[M]:
    return [row for several in rows for row in several]


def _rooms(demo: Demo, job: Job) -> Iterator[Room]:
    names = job.rooms_expected.split(", ")
    for order, name in enumerate(names):
        yield Room(job=job, name=name, floor="1" if order == 0 else "2", order=order)


def _openings(demo: Demo, job: Job, rooms: list[Room], products: list[Product]) -> Iterator[Opening]:
    random = demo.random
    is_measured = job.stage in UNIT_STATES
    chosen = {room.pk: random.choice(products) for room in rooms}
    for position in range(job.openings_expected):
        room = rooms[position % len(rooms)]
        product = chosen[room.pk]
        is_door = product.family == "vertical" and random.random() < 0.7
        mount = Mount.OUTSIDE if is_door or random.random() < 0.15 else Mount.INSIDE
        yield Opening(
            job=job,
            room=room,
            mark="ABCDEFGHIJ"[position],
            order=position,
            state=Opening.State.MEASURED if is_measured else Opening.State.TO_MEASURE,
            product=product,
            mount=mount,
            fixed_to=FixedTo.WALL if mount == Mount.OUTSIDE else FixedTo.JAMB,
            substrate=_substrate(demo, mount, old=job.site.is_before_1978()),
            sill=Opening.Sill.FLOOR if is_door else Opening.Sill.SILL,
            floor_type="hard" if is_door else "",
            is_door=is_door,
            door_swing="slides" if is_door else "",
            handle_projection=Length.inches("5/2") if is_door else None,
            reach_height=Length.inches(82 if is_door else random.choice([78, 84, 90, 96])),
        )


def _substrate(demo: Demo, mount: str, *, old: bool) -> str:
    if mount == Mount.INSIDE:
        return Substrate.WOOD
    return demo.random.choice([Substrate.PLASTER, Substrate.MASONRY] if old else [Substrate.DRYWALL_WOOD])


def _visits(made: Made, jobs: list[Job], tape: Tape) -> dict[int, MeasureVisit]:
    done = [job for job in jobs if job.stage in UNIT_STATES]
    rows = []
    for job in done:
        appointment: Appointment = made.measures[job.pk]
        assert appointment.arrived_at is not None  # the jobs loader has a crew arrive where a job is measured
        rows.append(
            MeasureVisit(
                appointment=appointment,
                measurer=made.people["measurer"],
                tape=tape,
                opened_at=appointment.arrived_at,
                closed_at=appointment.done_at,
                outcome=MeasureVisit.Outcome.WHOLE,
            )
        )
    return {visit.appointment.job_id: visit for visit in MeasureVisit.objects.bulk_create(rows)}


def _document(demo: Demo, opening: Opening, family: str) -> dict[str, Any]:
    """Readings of a plausible opening, in the form of the size engine's contract."""
    random = demo.random
    widths = WIDTHS[:-1] if opening.mount == Mount.OUTSIDE else WIDTHS  # with its cover the widest is more than is made
    width, height = DOOR if opening.is_door else (random.choice(widths), random.choice(HEIGHTS))
    width_at = Length.inches(width) + EIGHTH * random.randint(0, 7)
    height_at = Length.inches(height) + EIGHTH * random.randint(0, 7)
    document: dict[str, object] = {"id": opening.mark, "family": family, "mount": opening.mount}
    if opening.mount == Mount.OUTSIDE:
        document["widths"], document["heights"] = {"top": width_at.text()}, {"center": height_at.text()}
        document["cover"] = {"left": "3", "right": "3", "top": "3", "bottom": "0" if opening.is_door else "2"}
        return document

    def near(length: Length) -> str:
        return (length + EIGHTH * random.choices([-1, 0, 1], [2, 6, 2])[0]).text()

    document["widths"] = {"top": width_at.text(), "middle": near(width_at), "bottom": near(width_at)}
    document["heights"] = {"left": near(height_at), "center": height_at.text(), "right": near(height_at)}
    document["depth"] = (Length.inches(3) + EIGHTH * random.randint(0, 14)).text()
    return document


def _readings(made: Made, opening: Opening, document: dict[str, Any], visit: MeasureVisit) -> Iterator[Reading]:
    for group in ("widths", "heights", "cover"):
        for spot, typed in document.get(group, {}).items():
            yield _reading(made, opening, f"{group}.{spot}", typed, visit)
    if "depth" in document:
        yield _reading(made, opening, Spot.DEPTH, document["depth"], visit)


def _reading(made: Made, opening: Opening, spot: str, typed: str, visit: MeasureVisit) -> Reading:
    return Reading(
        opening=opening,
        visit=visit,
        spot=spot,
        typed=typed,
        value=Length.parse(typed),
        tape=visit.tape,
        taken_by=made.people["measurer"],
        taken_at=visit.opened_at,
    )


def _unit(demo: Demo, opening: Opening, document: dict[str, object], offer: Offer) -> Unit:
    size = order_size(Measured.from_json(document, "in"))
    state = UNIT_STATES[Job.Stage(opening.job.stage)]
    made = demo.made["jobs"]
    at = made.measures[opening.job_id].done_at
    install = made.installs.get(opening.job_id)
    return Unit(
        opening=opening,
        code=_code(demo),
        product=opening.product,
        mount=opening.mount,
        options=_options(demo, opening, offer),
        state=state,
        order_width=size.width,
        order_height=size.height,
        longest_height=size.cut_height,
        basis=size.basis,
        steps=size.to_json("in")["steps"],
        size_revision=1,
        grade=Reading.Grade.FINAL,
        due_on=_due(demo, opening, install),
        released_at=None if state == Unit.State.SIZED else at,
        made_at=at if state in {Unit.State.MADE, Unit.State.INSTALLED} else None,
        installed_at=install.done_at if state == Unit.State.INSTALLED and install else None,
    )


def _code(demo: Demo) -> str:
    taken: set[str] = demo.made.setdefault("codes", set())
    while (code := new_code()) in taken:
        pass
    taken.add(code)
    return code


def _due(demo: Demo, opening: Opening, install: Appointment | None) -> dt.date:
    if install is not None and install.day is not None:
        return install.day - dt.timedelta(days=2)
    return demo.today + dt.timedelta(days=demo.random.randint(1, 14))


def _options(demo: Demo, opening: Opening, offer: Offer) -> dict[str, str]:
    """What the customer chose: all that is needed, so that nothing is missing at the release; one colour a room."""
    chosen = {}
    for one in offer.listed.options:
        keys = [choice.key for choice in one.choices]
        chosen[one.key] = keys[opening.room_id % len(keys)] if one.key == "colour" else demo.random.choice(keys)
    return chosen


def _approve(made: Made, units: list[Unit]) -> None:
    """Whatever is released was agreed to first."""
    by_job: dict[int, list[Unit]] = {}
    for unit in units:
        if unit.state != Unit.State.SIZED:
            by_job.setdefault(unit.opening.job_id, []).append(unit)
    approvals = Approval.objects.bulk_create(
        Approval(
            job_id=job_id,
            revision=1,
            snapshot={"units": [snapshot_of(unit) for unit in rows]},
            approved_by=rows[0].opening.job.customer.name,
            how="signed",
            recorded_by=made.people["dispatcher"],
            approved_at=_done_at(made, job_id),
        )
        for job_id, rows in by_job.items()
    )
    audit.record_all(_approval_entry(made, approval) for approval in approvals)
    through = Approval.units.through
    through.objects.bulk_create(
        through(approval_id=approval.pk, unit_id=unit.pk) for approval in approvals for unit in by_job[approval.job_id]
    )


def _done_at(made: Made, job_id: int) -> dt.datetime:
    at = made.measures[job_id].done_at
    assert at is not None  # nothing is released before it is measured
    return at


def _approval_entry(made: Made, approval: Approval) -> AuditEntry:
    """The line of the job's trail that recording the approval would have left."""
    entry = audit.entry(
        by=made.people["dispatcher"],
        action=f"recorded approval {approval.revision}",
        subject=approval,
        job=approval.job_id,
        note=f"{approval.approved_by}, {approval.how}",
    )
    entry.at = approval.approved_at
    return entry
