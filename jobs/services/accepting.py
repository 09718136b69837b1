"""What becomes of a proposal: taken over, all or some of it; taken back; declined."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from jobs.models import Appointment, AppointmentMove, Crew, Proposal, ProposedMove
from jobs.schedule.day import BEGUN, DaySchedule, Key, Schedule, moment, read_schedule
from jobs.schedule.effects import (
    LOCKED,
    Change,
    Harm,
    Push,
    chances_of,
    harm_of,
    is_let_go,
    prices_of,
    standing_key,
    trouble_text,
)
from jobs.services.appointments import plain_pushes, pull_back, push
from jobs.services.base import lock_crews, plain_state, restore
from jobs.services.stages import lock_open_job, recompute_stage
from shared import audit
from shared.errors import Refused
from shared.formats.dates import short_day
from shared.formats.durations import minutes_text
from shared.models import Branch, User

State = ProposedMove.State
FIELDS = ("state", "crew", "day", "starts_at", "promised_from", "promised_until")
"""What an acceptance writes, and what taking it back restores."""


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What was taken over, what it costs more as a whole, and the worst it does to somebody else's promise."""

    moves: tuple[ProposedMove, ...]
    price: Decimal
    currency: str
    harm: Harm | None


@transaction.atomic
def accept_moves(*, proposal: Proposal, moves: Iterable[ProposedMove], by: User, anyway: bool = False) -> Acceptance:
    """
    Takes these differences over, all or nothing, each exactly where it was drawn.

    They are checked and priced again as a whole, on the days as they stand now. What somebody
    moved or locked since the plan was made is passed over and says so.

    Raises
    ------
    Refused
        Where some can't be driven without the others, or would begin at another time than drawn;
        and, unless `anyway`, where a promise of somebody else falls under the branch's floor.
    """
    chosen = _chosen(proposal, moves)
    rows = _locked([move.appointment_id for move in chosen], {move.crew_id for move in chosen})
    stood = {pk: standing_key(row) for pk, row in rows.items()}
    promised = {pk for pk, row in rows.items() if row.state == Appointment.State.PROMISED}
    keys = {_comes_to(move) for move in chosen} | {key for key in stood.values() if key is not None}
    now, before = timezone.now(), _schedule(proposal.branch, keys)
    taken = _write_moves(chosen, rows, by)
    after = _schedule(proposal.branch, keys)
    pushed = _pushed([after.days[key] for key in sorted(keys)], {move.appointment_id for move in taken})
    push(pushed, by=by)
    _remember(taken, pushed)
    was, becomes = (chances_of(one.days.values(), now) for one in (before, after))
    harm = harm_of(was, becomes, set(rows), after.rules.chance_floor, after.rows)
    if harm is not None and harm.is_risky and not anyway:
        raise Refused(f"it makes another promise less sure than {harm.floor}%: {harm.text}", field="anyway")
    moved = sum(one.appointment_id in promised and stood[one.appointment_id] != _comes_to(one) for one in taken)
    change = Change(list(before.days.values()), list(after.days.values()), moved)
    for job in sorted({rows[move.appointment_id].job_id for move in taken}):
        recompute_stage(job=job, by=by)
    return Acceptance(tuple(taken), change.price(prices_of(after.rules)), proposal.branch.currency, harm)


def _chosen(proposal: Proposal, moves: Iterable[ProposedMove]) -> list[ProposedMove]:
    """Those that are still open and place their visit; refused where none is."""
    still = ProposedMove.objects.filter(pk__in=[move.pk for move in moves], proposal=proposal, state=State.OPEN)
    chosen = list(still.exclude(crew=None).select_related("crew"))
    if not chosen:
        raise Refused("choose at least one difference that is still open")
    return chosen


def _locked(pks: Sequence[int], crews: Iterable[int | None]) -> dict[int, Appointment]:
    """These appointments with their jobs' and crews' rows, locked in the order every action keeps."""
    standing = Appointment.objects.filter(pk__in=pks)
    for pk in sorted(set(standing.values_list("job", flat=True))):
        lock_open_job(pk)
    lock_crews(pk for pk in {*crews, *standing.values_list("crew", flat=True)} if pk is not None)
    found = Appointment.objects.select_for_update(of=("self",)).filter(pk__in=pks)
    return {row.pk: row for row in found.select_related("job__branch")}


def _comes_to(move: ProposedMove) -> Key:
    """The crew-day of a difference that places its visit."""
    assert move.crew_id is not None
    assert move.day is not None
    return move.crew_id, move.day


def _schedule(branch: Branch, keys: set[Key]) -> Schedule:
    crews = list(Crew.objects.filter(pk__in={crew for crew, _ in keys}).prefetch_related("skills"))
    return read_schedule(branch, crews, sorted({day for _, day in keys}))


def _pass(move: ProposedMove, why: str) -> None:
    move.state, move.state_note = State.PASSED, why
    move.save(update_fields=["state", "state_note"])


def _write_moves(chosen: Sequence[ProposedMove], rows: dict[int, Appointment], by: User) -> list[ProposedMove]:
    """Puts every chosen appointment where it was proposed."""
    taken, entries, now = [], [], timezone.now()
    for move in chosen:
        row = rows[move.appointment_id]
        if row.version != move.version or row.state in BEGUN or row.state == Appointment.State.CANCELLED:
            _pass(move, "it was moved since the plan was made")
            continue
        if row.is_locked:
            _pass(move, LOCKED)
            continue
        was = plain_state(row)
        row.crew, row.day, row.starts_at = move.crew, move.day, move.starts_at
        if row.state == Appointment.State.UNPLACED:
            row.state = Appointment.State.PLANNED
        if is_let_go(row, row.day, now):
            row.state, row.promised_from, row.promised_until = Appointment.State.PLANNED, None, None
        row.version += 1
        row.sequence += 1
        entries.append(
            audit.entry(
                by=by, action="moved by a plan", subject=row, job=row.job_id, changes=audit.changed(row, FIELDS)
            )
        )
        row.save(update_fields=[*FIELDS, "version", "sequence"])
        AppointmentMove.objects.create(appointment=row, by=by, before={"own": was, "pushed": {}}, version=row.version)
        move.state, move.accepted_at = State.ACCEPTED, now
        move.save(update_fields=["state", "accepted_at"])
        taken.append(move)
    audit.record_all(entries)
    return taken


def _pushed(days: Iterable[DaySchedule], own: set[int]) -> list[Push]:
    """Others that begin a little later; refuses a day that misses a promise, or where `own` don't begin as drawn."""
    pushed = []
    for one in days:
        if trouble := trouble_text(one):
            raise Refused(
                f"taken alone it can't be driven: {trouble}. Accept the others of that day too", field="moves"
            )
        for stop in one.timeline.stops:
            if stop.pushed < 60:
                continue
            row, late = one.rows[stop.key], round(stop.pushed / 60)
            if stop.key in own:
                raise Refused(
                    f"taken alone {row.job.number} would begin {minutes_text(late)} later than drawn, "
                    f"{one.crew.name} on {short_day(one.day)}. "
                    "Accept the others of that day too",
                    field="moves",
                )
            pushed.append(Push(row, one.by_pk[stop.key].starts_at, moment(stop.start), late))
    return pushed


def _remember(taken: Sequence[ProposedMove], pushed: Sequence[Push]) -> None:
    """Whom an acceptance pushed is kept with its first move, for undo."""
    if taken and pushed:
        first = AppointmentMove.objects.filter(appointment=taken[0].appointment_id, undone_at=None).first()
        assert first is not None
        first.before["pushed"] = plain_pushes(pushed)
        first.save(update_fields=["before"])


@transaction.atomic
def undo_acceptance(*, proposal: Proposal, by: User) -> int:
    """
    Takes the last acceptance of a proposal back as one: every visit stands where it stood; how many.

    Refused when something happened to one of them since, or its old place is taken.
    """
    last = proposal.moves.filter(state=State.ACCEPTED).aggregate(last=Max("accepted_at"))["last"]
    moves = list(proposal.moves.filter(state=State.ACCEPTED, accepted_at=last)) if last else []
    if not moves:
        raise Refused("nothing of this proposal was accepted")
    rows = _locked([move.appointment_id for move in moves], {move.crew_id for move in moves})
    kept = _untouched(rows)
    entries = []
    for pk, row in rows.items():
        restore(row, kept[pk].before["own"])
        row.version, row.sequence = row.version + 1, row.sequence + 1
        changes = audit.changed(row, FIELDS)
        entries.append(audit.entry(by=by, action="took the plan back", subject=row, job=row.job_id, changes=changes))
        row.save(update_fields=[*FIELDS, "version", "sequence"])
    for move_back in kept.values():
        pull_back(move_back.before["pushed"])
    _refuse_taken_places(proposal, rows)
    audit.record_all(entries)
    AppointmentMove.objects.filter(pk__in=[one.pk for one in kept.values()]).update(undone_at=timezone.now())
    for move in moves:
        move.state, move.accepted_at, move.version = State.OPEN, None, rows[move.appointment_id].version
    ProposedMove.objects.bulk_update(moves, ["state", "accepted_at", "version"])
    for job in sorted({row.job_id for row in rows.values()}):
        recompute_stage(job=job, by=by)
    return len(moves)


def _untouched(rows: Mapping[int, Appointment]) -> dict[int, AppointmentMove]:
    """The move of each visit that is taken back; refused where one was changed or begun since."""
    standing = AppointmentMove.objects.filter(appointment__in=rows, undone_at=None).order_by("at", "pk")
    kept = {one.appointment_id: one for one in standing}
    for pk, row in rows.items():
        if pk not in kept or kept[pk].version != row.version or row.state in BEGUN:
            raise Refused(f"something happened to {row.job.number} since; move it by hand")
    return kept


def _refuse_taken_places(proposal: Proposal, rows: Mapping[int, Appointment]) -> None:
    keys = {key for row in rows.values() if (key := standing_key(row)) is not None}
    schedule = _schedule(proposal.branch, keys)
    for one in (schedule.days[key] for key in sorted(keys)):
        if trouble := trouble_text(one):
            raise Refused(f"the old places are taken: {trouble}")


@transaction.atomic
def decline_moves(*, proposal: Proposal, moves: Iterable[ProposedMove], by: User) -> int:
    """Says no to these differences; everything stays where it is."""
    open_ones = ProposedMove.objects.filter(pk__in=[move.pk for move in moves], proposal=proposal, state=State.OPEN)
    count = open_ones.update(state=State.DECLINED)
    if count:
        audit.record(by=by, action="declined", subject=proposal, note=f"{count} differences")
    return count
