"""Rooms, openings and groups: what there is to cover, in the order it is walked."""

from __future__ import annotations

import csv
import io
import re
import uuid as uuids
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from django.db import transaction
from django.db.models import Max, QuerySet
from django.utils import timezone

from jobs.models import Job
from measuring.adapters.facts import COPIED, ROOM_DEFAULTS, SIZE_FACTS, About, clean_facts, fixed_for, shown_fact
from measuring.adapters.options import copied_options
from measuring.models import (
    RELEASED_OR_LATER,
    FactConflict,
    Group,
    MeasureVisit,
    Opening,
    Room,
    Unit,
    VisitOpening,
)
from measuring.rules.families import TABLE
from measuring.rules.visit import taken_up_again
from measuring.services.base import lock_job, lock_opening, note, restage
from measuring.services.sizes import size_bay, size_locked, size_opening
from shared import audit
from shared.errors import Refused
from shared.models import User

R = TypeVar("R", Room, Opening)

MOST_OPENINGS = 2000
_UNSEEN: object = object()


# -- rooms -----------------------------------------------------------------------


@transaction.atomic
def add_room(*, job: Job, name: str, by: User, floor: str = "", uid: uuids.UUID | None = None) -> Room:
    """A room of the job; the one there is when it has that uid, or that name and floor, already."""
    job = lock_job(job)
    name, floor = name.strip(), floor.strip()
    if not name:
        raise Refused("a room has a name", field="name")
    if len(name) > 60:
        raise Refused(f"{len(name)} characters", field="name", bound="at most 60")
    if len(floor) > 20:
        raise Refused(f"{len(floor)} characters", field="floor", bound="at most 20")
    known = Room.objects.filter(job=job, uid=uid).first() if uid is not None else None  # it may have a new name
    known = known or Room.objects.filter(job=job, floor=floor, name=name).first()
    if known is not None:
        return known
    last = Room.objects.filter(job=job).aggregate(last=Max("order"))["last"]
    made = Room(job=job, name=name, floor=floor, order=0 if last is None else last + 1)
    if uid is not None:
        made.uid = uid
    made.save()
    audit.record(by=by, action="added a room", subject=made, job=job)
    return made


@transaction.atomic
def change_room(
    *,
    room: Room,
    by: User,
    name: str | None = None,
    floor: str | None = None,
    defaults: Mapping[str, object] | None = None,
) -> Room:
    """Another name or floor, or other defaults for the openings to come."""
    job = lock_job(room.job_id)
    room = Room.objects.get(pk=room.pk)
    if name is not None:
        room.name = name.strip()[:60]
        if not room.name:
            raise Refused("a room has a name", field="name")
    if floor is not None:
        room.floor = floor.strip()[:20]
    if Room.objects.filter(job=job, floor=room.floor, name=room.name).exclude(pk=room.pk).exists():
        raise Refused(f"there is a {room.name} already", field="name")
    if defaults is not None:
        about = About(job.branch.unit, job.pk, job.branch_id)
        clean, problems = clean_facts({k: v for k, v in defaults.items() if k in ROOM_DEFAULTS}, about)
        for name_, problem in problems.items():
            raise Refused(problem, field=name_)
        room.defaults = {key: shown_fact(value, job.branch.unit) for key, value in clean.items()}
    changes = audit.changed(room, ["name", "floor", "defaults"])
    if changes:
        room.save(update_fields=["name", "floor", "defaults"])
        audit.record(by=by, action="changed the room", subject=room, changes=changes, job=job)
    return room


@transaction.atomic
def reorder_rooms(*, job: Job, rooms: Sequence[int], by: User) -> None:
    """Rooms in the order they are walked; those not named come after."""
    job = lock_job(job)
    _reorder(Room.objects.filter(job=job), rooms)
    audit.record(by=by, action="reordered the rooms", subject=job, job=job)


@transaction.atomic
def reorder_openings(*, room: Room, openings: Sequence[int], by: User) -> None:
    """Openings of a room in the order they are walked; those not named come after."""
    lock_job(room.job_id)
    _reorder(Opening.objects.filter(room=room), openings)
    for group in Group.objects.filter(openings__room=room, kind__in=TABLE["bays"]["kinds"]).distinct():
        size_bay(group, by)
    audit.record(by=by, action="reordered the openings", subject=room, job=room.job_id)


def _reorder(rows: QuerySet[R], wanted: Sequence[int]) -> None:
    by_pk = {row.pk: row for row in rows}
    ordered = [by_pk.pop(pk) for pk in wanted if pk in by_pk]
    ordered += by_pk.values()
    for position, row in enumerate(ordered):
        row.order = position
    rows.bulk_update(ordered, ["order"])


# -- openings --------------------------------------------------------------------


def next_mark(room: Room) -> str:
    """
    The mark after the last one of the room: A, B … Z, AA; or one more where marks end in a number.
    """
    marks = list(
        Opening.objects.filter(room=room)
        .exclude(state=Opening.State.DROPPED)
        .order_by("order", "pk")
        .values_list("mark", flat=True)
    )
    mark = _after(marks[-1]) if marks else "A"
    taken = set(marks)
    while mark in taken:
        mark = _after(mark)
    return mark


def _after(mark: str) -> str:
    number = re.fullmatch(r"(.*?)(\d+)", mark)
    if number:
        return f"{number[1]}{int(number[2]) + 1:0{len(number[2])}d}"
    letters = re.fullmatch(r"[A-Z]+", mark)
    if letters is None:
        return f"{mark} 2"[:20]
    value = 0
    for letter in mark:
        value = value * 26 + ord(letter) - 64
    value, out = value + 1, ""
    while value:
        value, rest = divmod(value - 1, 26)
        out = chr(65 + rest) + out
    return out


@transaction.atomic
def add_opening(
    *,
    room: Room,
    by: User,
    facts: Mapping[str, object] | None = None,
    visit: MeasureVisit | None = None,
    uid: uuids.UUID | None = None,
) -> Opening:
    """
    An opening of the room, with the room's defaults where `facts` says nothing.

    Parameters
    ----------
    facts
        Any of `measuring.adapters.facts.CLEANERS`; without a mark it gets the next one.
    visit
        The visit it was found on: it is measured there.
    """
    job = lock_job(room.job_id)
    room = Room.objects.get(pk=room.pk)
    sent = {"mark": next_mark(room), **room.defaults, **(facts or {})}
    sent["mark"] = sent["mark"] or next_mark(room)
    about = About(job.branch.unit, job.pk, job.branch_id)
    clean, problems = clean_facts(sent, about)
    for name, problem in problems.items():
        if name in (facts or {}) or name not in room.defaults:
            raise Refused(problem, field=name)
    clean.pop("room", None)
    _refuse_taken_mark(room, clean["mark"])
    if Opening.objects.filter(job=job).count() >= MOST_OPENINGS:
        raise Refused(f"a job has at most {MOST_OPENINGS} openings; book another phase")
    last = Opening.objects.filter(room=room).aggregate(last=Max("order"))["last"]
    made = Opening(job=job, room=room, order=0 if last is None else last + 1, **clean)
    made.fixed_to = fixed_for(made.mount, made.fixed_to)
    if uid is not None:
        made.uid = uid
    made.save()
    if visit is not None:
        VisitOpening.objects.get_or_create(appointment_id=visit.appointment_id, opening=made)
    note(by, "added an opening", made, made)
    size_opening(opening=made, by=by)
    restage(job, by)
    return Opening.objects.get(pk=made.pk)


def _refuse_taken_mark(room: Room, mark: str, but: int = 0) -> None:
    taken = Opening.objects.filter(room=room, mark=mark).exclude(state=Opening.State.DROPPED).exclude(pk=but)
    if taken.exists():
        raise Refused(f"{room.name} has an opening {mark} already", field="mark")


@transaction.atomic
def copy_opening(
    *,
    opening: Opening,
    by: User,
    mark: str = "",
    visit: MeasureVisit | None = None,
    uid: uuids.UUID | None = None,
) -> Opening:
    """
    Another opening like this one beside it, with the next mark where `mark` is taken.

    It takes what is the same by nature: neither readings nor what was said of that one only.
    """
    opening = lock_opening(opening)
    unit = opening.job.branch.unit
    facts = {name: shown_fact(getattr(opening, name), unit) for name in COPIED}
    if opening.product is not None and not opening.product.is_active:
        facts["product"] = None
    if opening.group is not None and opening.group.is_bay():
        facts["group"] = None  # a wall more would be another bay
    facts["mark"] = _free_mark(opening, mark.strip())
    made = add_opening(room=opening.room, by=by, facts=facts, visit=visit, uid=uid)
    for thing in opening.obstructions.filter(removed_at=None):
        thing.pk, thing.uid, thing._state.adding = None, copied_uid(made.uid, thing.uid), True
        thing.opening = made
        thing.save()
    if opening.units_wanted and (unit_row := opening.units.live().order_by("number").first()):
        made.units.update(options=copied_options(unit_row.options))
    note(by, f"copied {opening}", made, made)
    size_opening(opening=made, by=by)
    return Opening.objects.get(pk=made.pk)


def copied_uid(copy: uuids.UUID, thing: uuids.UUID) -> uuids.UUID:
    """What a thing is named that a copy takes along: the phone names it so too, before the office has the copy."""
    return uuids.UUID(int=copy.int ^ thing.int)


def _free_mark(opening: Opening, wanted: str) -> str:
    """The mark that is wanted, or the first one after the opening's that nobody in the room has."""
    marks = set(
        Opening.objects.filter(room=opening.room).exclude(state=Opening.State.DROPPED).values_list("mark", flat=True)
    )
    mark = wanted or _after(opening.mark)
    if wanted in marks:
        mark = _after(opening.mark)
    while mark in marks:
        mark = _after(mark)
    return mark


@transaction.atomic
def change_opening(
    *,
    opening: Opening,
    by: User,
    facts: Mapping[str, object],
    seen: Mapping[str, object] | None = None,
) -> Opening:
    """
    Other facts of an opening.

    Parameters
    ----------
    facts
        Names and values as `measuring.adapters.facts.clean_facts` takes them.
    seen
        What the sender saw standing, per fact. Where something else stands by now, theirs
        is kept beside it as a `FactConflict` and nothing is overwritten.

    Raises
    ------
    Refused
        For the first fact that is not fit, and for product, mount or number of units once a
        unit of the opening is released.
    """
    opening = lock_opening(opening)
    unit, group = opening.job.branch.unit, opening.group
    clean, problems = clean_facts(facts, About(unit, opening.job_id, opening.job.branch_id, opening))
    for name, problem in problems.items():
        raise Refused(problem, field=name)
    if "site_facts" in clean:
        clean["site_facts"] = {**opening.site_facts, **clean["site_facts"]}
    changing = {name: value for name, value in clean.items() if not _is_same(getattr(opening, name), value)}
    changing = _keep_apart(opening, changing, seen, by)
    _refuse_after_release(opening, changing)
    room = changing.get("room", opening.room)
    if {"mark", "room"} & changing.keys():
        _refuse_taken_mark(room, changing.get("mark", opening.mark), opening.pk)
    if not changing:
        return opening
    for name, value in changing.items():
        setattr(opening, name, value)
    if opening.goes_on and {"product", "mount", "shape"} & changing.keys() and "goes_on" not in changing:
        opening.goes_on = changing["goes_on"] = ""  # it was said of another product or mount
    fixed_to = fixed_for(opening.mount, opening.fixed_to)
    if fixed_to != opening.fixed_to:
        opening.fixed_to = changing["fixed_to"] = fixed_to
    changes = audit.changed(opening, list(changing))
    opening.version += 1
    opening.save(update_fields=[*changing, "version"])
    note(by, "changed the opening", opening, opening, changes)
    size_locked(opening, by)
    if "group" in changing and group is not None:
        size_bay(group, by)
    return Opening.objects.get(pk=opening.pk)


def _is_same(old: object, new: object) -> bool:
    return bool(old == new)


def _keep_apart(
    opening: Opening, changing: dict[str, object], seen: Mapping[str, object] | None, by: User
) -> dict[str, Any]:
    """What may be set; what stands otherwise than the sender saw becomes a conflict."""
    if seen is None:
        return changing
    unit = opening.job.branch.unit
    free: dict[str, object] = {}
    for name, value in changing.items():
        standing = shown_fact(getattr(opening, name), unit)
        if name not in seen or seen[name] == standing or (not seen[name] and not standing):
            free[name] = value
            continue
        FactConflict.objects.create(
            opening=opening, fact=name, standing=standing, offered=shown_fact(value, unit), offered_by=by
        )
        note(by, "kept two answers side by side", opening, opening, text=name)
    return free


def _refuse_after_release(opening: Opening, changing: Mapping[str, object]) -> None:
    if SIZE_FACTS.isdisjoint(changing):
        return
    released = opening.units.live().filter(state__in=RELEASED_OR_LATER).first()
    if released is not None:
        name = next(name for name in changing if name in SIZE_FACTS)
        raise Refused(
            f"{released.code} is {released.get_state_display()}; its {name.replace('_', ' ')} was ordered",
            field=name,
        )


@transaction.atomic
def settle_fact(*, conflict: FactConflict, take_offered: bool, by: User) -> FactConflict:
    """Which of two answers stands; the other stays readable."""
    opening = lock_opening(conflict.opening)
    conflict = FactConflict.objects.select_for_update().get(pk=conflict.pk)
    if conflict.settled_at is not None:
        raise Refused("this is settled already")
    if take_offered:
        change_opening(opening=opening, by=by, facts={conflict.fact: conflict.offered})
    conflict.settled_at, conflict.settled_by = timezone.now(), by
    conflict.took_offered = take_offered
    conflict.save(update_fields=["settled_at", "settled_by", "took_offered"])
    note(by, f"settled the {conflict.fact.replace('_', ' ')}", opening, opening)
    return conflict


@transaction.atomic
def drop_opening(*, opening: Opening, by: User, reason: str = "") -> Opening:
    """Take an opening off the job; what was read of it stays readable."""
    opening = lock_opening(opening)
    if opening.units.live().filter(state__in=RELEASED_OR_LATER).exists():
        raise Refused("a unit of it is released; cancel the unit first")
    opening.units.live().update(state=Unit.State.CANCELLED)
    return _set_state(opening, Opening.State.DROPPED, reason, "dropped the opening", by)


@transaction.atomic
def mark_cannot(*, opening: Opening, by: User, reason: str) -> Opening:
    """It can't be covered, because."""
    opening = lock_opening(opening)
    reason = _reason(reason)
    if opening.units.live().filter(state__in=RELEASED_OR_LATER).exists():
        raise Refused("a unit of it is released; cancel the unit first")
    opening.units.live().update(state=Unit.State.CANCELLED)
    return _set_state(opening, Opening.State.CANNOT, reason, "found it can't be covered", by)


@transaction.atomic
def mark_not_reached(*, opening: Opening, by: User, reason: str) -> Opening:
    """It couldn't be reached, because; a visit can close in part with it."""
    opening = lock_opening(opening)
    return _set_state(opening, Opening.State.NOT_REACHED, _reason(reason), "couldn't reach it", by)


@transaction.atomic
def take_up_again(*, opening: Opening, by: User) -> Opening:
    """It is to be measured after all."""
    opening = lock_opening(opening)
    if opening.state not in (Opening.State.CANNOT, Opening.State.NOT_REACHED, Opening.State.DROPPED):
        return opening
    if opening.state == Opening.State.DROPPED:
        _refuse_taken_mark(opening.room, opening.mark, opening.pk)
    begun = opening.readings.filter(superseded_at=None).exists()
    opening = _set_state(opening, taken_up_again(begun), "", "took it up again", by)
    size_opening(opening=opening, by=by)
    return Opening.objects.get(pk=opening.pk)


def _reason(text: str) -> str:
    text = text.strip()
    if not text:
        raise Refused("say why, in a few words", field="reason")
    if len(text) > 240:
        raise Refused(f"{len(text)} characters", field="reason", bound="at most 240")
    return text


def _set_state(opening: Opening, state: str, reason: str, action: str, by: User) -> Opening:
    before = opening.get_state_display()
    opening.state, opening.reason = state, reason.strip()[:240]
    changes = {"state": [before, opening.get_state_display()]}
    opening.version += 1
    opening.save(update_fields=["state", "reason", "version"])
    note(by, action, opening, opening, changes, text=reason)
    if opening.group is not None:
        size_locked(opening, by)
    restage(opening.job_id, by)
    return opening


# -- groups ----------------------------------------------------------------------


@transaction.atomic
def make_group(
    *,
    job: Job,
    kind: str,
    openings: Iterable[Opening],
    by: User,
    name: str = "",
    bottoms_level: bool = False,
) -> Group:
    """Openings that belong together: a bay, a corner, a pair of doors, a line-up, two layers."""
    job = lock_job(job)
    if kind not in Group.Kind.values:
        raise Refused(f"{kind} is no kind of group", field="kind", bound=", ".join(Group.Kind.values))
    members = list(Opening.objects.filter(job=job, pk__in=[opening.pk for opening in openings]))
    least = 1 if kind in (Group.Kind.LAYERS, Group.Kind.HEAD) else 2
    if len(members) < least:
        raise Refused(f"a {Group.Kind(kind).label} has at least {least} openings", field="openings")
    made = Group.objects.create(
        job=job,
        kind=kind,
        name=name.strip()[:60],
        bottoms_level=bottoms_level,
    )
    left = list(Group.objects.filter(openings__in=members).distinct())
    Opening.objects.filter(pk__in=[member.pk for member in members]).update(group=made)
    audit.record(
        by=by,
        action="grouped openings",
        subject=made,
        job=job,
        changes={"openings": [[], [str(member) for member in members]]},
    )
    for group in [made, *left]:
        size_bay(group, by)
    return made


@transaction.atomic
def ungroup(*, group: Group, by: User) -> None:
    """Openings on their own again."""
    lock_job(group.job_id)
    members = list(group.openings.all())
    Opening.objects.filter(group=group).update(group=None)
    for one in members if group.is_bay() else ():
        size_opening(opening=one, by=by)
    audit.record(by=by, action="took the group apart", subject=group, job=group.job_id)


# -- from a list ------------------------------------------------------------------

COLUMNS = ("floor", "room", "mark", "product", "mount", "note")


@dataclass(slots=True)
class ListRow:
    """One line of a list of openings and what becomes of it."""

    line: int
    floor: str
    room: str
    mark: str
    facts: dict[str, str] = field(default_factory=dict)
    problem: str = ""
    is_there: bool = False


@dataclass(slots=True)
class ListPlan:
    """What loading a list would do."""

    rows: list[ListRow]
    problems: list[str]

    @property
    def new(self) -> list[ListRow]:
        return [row for row in self.rows if not row.problem and not row.is_there]

    def is_good(self) -> bool:
        return not self.problems and not any(row.problem for row in self.rows)


def read_opening_list(*, job: Job, text: str) -> ListPlan:
    """
    A dry run: what a CSV of openings (columns floor, room, mark; product, mount, note if there) would do.

    Writes nothing. Line numbers count the heading as line 1.
    """
    reader = csv.DictReader(io.StringIO(text.lstrip("﻿")))
    names = [(name or "").strip().lower() for name in reader.fieldnames or []]
    plan = ListPlan([], [])
    if "room" not in names or "mark" not in names:
        plan.problems.append("the first line names the columns: floor, room, mark")
        return plan
    unknown = [name for name in names if name not in COLUMNS]
    if unknown:
        plan.problems.append(f"unknown columns: {', '.join(unknown)[:120]}; known are {', '.join(COLUMNS)}")
        return plan
    reader.fieldnames = names
    there = {
        (opening.room.floor, opening.room.name, opening.mark)
        for opening in Opening.objects.filter(job=job).exclude(state=Opening.State.DROPPED).select_related("room")
    }
    about = About(job.branch.unit, job.pk, job.branch_id)
    listed: dict[tuple[str, str, str], int] = {}
    for line, sent in enumerate(reader, start=2):
        cells = {key: (value or "").strip() for key, value in sent.items() if isinstance(key, str)}
        if not any(cells.values()):
            continue
        if len(plan.rows) >= MOST_OPENINGS:
            plan.problems.append(f"more than {MOST_OPENINGS} lines")
            break
        plan.rows.append(_list_row(line, cells, None in sent, about, there, listed))
    if not plan.rows:
        plan.problems.append("no openings in this list")
    return plan


def _list_row(
    line: int,
    cells: Mapping[str, str],
    has_more: bool,
    about: About,
    there: set[tuple[str, str, str]],
    listed: dict[tuple[str, str, str], int],
) -> ListRow:
    row = ListRow(line, cells.get("floor", ""), cells["room"], cells["mark"])
    row.facts = {name: cells[name] for name in ("product", "mount", "note") if cells.get(name)}
    key = (row.floor, row.room, row.mark)
    if has_more:
        row.problem = "more cells than columns"
    elif not row.room or not row.mark:
        row.problem = "a room and a mark are needed"
    elif len(row.room) > 60 or len(row.floor) > 20:
        row.problem = "the room's name has at most 60 characters, the floor 20"
    elif key in listed:
        row.problem = f"the same as line {listed[key]}"
    else:
        _, problems = clean_facts({"mark": row.mark, **row.facts}, about)
        row.problem = "; ".join(f"{name}: {problem}" for name, problem in problems.items())
    listed.setdefault(key, line)
    row.is_there = key in there
    return row


@transaction.atomic
def load_openings(*, job: Job, text: str, by: User, visit: MeasureVisit | None = None) -> ListPlan:
    """Add every opening of a CSV list that is not there yet; all of them or none."""
    job = lock_job(job)
    plan = read_opening_list(job=job, text=text)
    if not plan.is_good():
        problem = plan.problems[0] if plan.problems else ""
        bad = next((row for row in plan.rows if row.problem), None)
        raise Refused(problem or f"line {bad.line}: {bad.problem}" if bad else problem, field="list")
    rooms: dict[tuple[str, str], Room] = {}
    for row in plan.new:
        key = (row.floor, row.room)
        if key not in rooms:
            rooms[key] = add_room(job=job, name=row.room, floor=row.floor, by=by)
        add_opening(room=rooms[key], by=by, facts={"mark": row.mark, **row.facts}, visit=visit)
    audit.record(by=by, action=f"loaded {len(plan.new)} openings from a list", subject=job, job=job)
    return plan
