"""What is left of a material and the stock there is, as the cutting engine's problems; lots kept together."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from time import monotonic
from typing import Any, Final

from django.db.models import Max

from fabrication.models import CutPlan, KeptEnd, Material, Part, PlannedCut, StockItem
from fabrication.rules.cutting import (
    Answer,
    BarDocument,
    BarPiece,
    BarStock,
    Cut,
    Document,
    Flaw,
    Pattern,
    RollDocument,
    RollPiece,
    RollStock,
    Unplaced,
    document_json,
    read_answer,
)
from fabrication.rules.cutting.watch import STEPS_A_SECOND
from measuring.models import Unit
from shared.lengths import ZERO, Length
from shared.records import read_length

Solve = Callable[[Document], Answer]
LEAST_SECONDS: Final = 1
"""What any solve may take, however little is left of a plan's time."""
PATIENCE: Final = 3
"""How many times as long as on a quiet machine the steps of a plan may take before the clock ends them."""


def left_to_cut(plan: CutPlan) -> list[Part]:
    """Parts of the plan's batch and material with pieces still to cut."""
    wanted = [Part.State.TO_CUT, Part.State.PLANNED]
    parts = Part.objects.filter(make__batch=plan.batch_id, material=plan.material_id, state__in=wanted)
    return list(parts.select_related("make__unit__opening__room", "make__unit__opening__job").order_by("pk"))


def problem_of(plan: CutPlan, *, seconds: float, steps: int) -> Document:
    """
    The contract's problem for what is left of a material: parts by key, stock by key, in ticks.

    Its steps and its seed hang on nothing but what is asked: planned again, the same pieces of the
    same stock give the same plan, on a busy machine too.
    """
    material, parts = plan.material, left_to_cut(plan)
    stock = StockItem.objects.filter(material=material).available().select_related("material").order_by("pk")
    kerf, time = material.kerf or ZERO, Fraction(seconds)
    seed = (plan.batch_id + material.pk) % 2**31
    if material.kind == Material.Kind.CLOTH:
        held = kept_for_others(material, {part.make.unit.opening.job_id for part in parts})
        rolls, panels = tuple(_rolls(stock, held)), tuple(map(_panel, parts))
        return RollDocument(kind="roll", stock=rolls, pieces=panels, kerf=kerf, seconds=time, seed=seed, steps=steps)
    return BarDocument(
        kind="bar",
        stock=tuple(_bars(stock)),
        pieces=tuple(map(_bar_piece, parts)),
        kerf=kerf,
        trim=material.trim or ZERO,
        keep=material.keep or None,
        seconds=time,
        seed=seed,
        steps=steps,
    )


def steps_in(seconds: float) -> int:
    """Steps of a solve that may take so many seconds at most."""
    return max(1, int(seconds * STEPS_A_SECOND / PATIENCE))


def kept_for_others(material: Material, jobs: Iterable[int]) -> dict[int, Length]:
    """By roll: how much of its end stays for open jobs that are not among these."""
    ends = KeptEnd.objects.held().filter(item__material=material).exclude(job__in=list(jobs))
    return {row["item"]: row["most"] for row in ends.values("item").annotate(most=Max("length")).order_by("item")}


def _bars(stock: Iterable[StockItem]) -> Iterator[BarStock]:
    for item in stock:
        if item.length is not None and item.free >= 1:
            yield BarStock(str(item.pk), item.length, item.free, item.is_offcut)


def _rolls(stock: Iterable[StockItem], held: Mapping[int, Length]) -> Iterator[RollStock]:
    """
    What rolls offer, their kept ends left out.

    Where a cut lies on a roll with flaws matters, so such a roll serves one plan at a time.
    """
    for item in stock:
        offered = item.free_length - held.get(item.pk, ZERO)
        usable = (item.width or ZERO) - 2 * edge_of(item)
        if usable > ZERO and offered > ZERO and not (item.flaws and item.reserved_length):
            yield RollStock(str(item.pk), usable, offered, 1, item.is_offcut, flaws=flaws_within(item, offered))


def edge_of(item: StockItem) -> Length:
    """What of a roll is not used at each side, by its material; an offcut is measured without it."""
    edge = item.material.facts.get("edge")
    return read_length(edge) if edge and not item.is_offcut and item.material.kind == Material.Kind.CLOTH else ZERO


def flaws_within(item: StockItem, length: Length) -> tuple[Flaw, ...]:
    """Where a roll is flawed in its first so much."""
    within = (flaw for flaw in item.flaws if flaw[0] < length.ticks)
    return tuple(Flaw(Length(start), min(Length(end), length)) for start, end in within)


def rolls_spoken_for(plan: CutPlan) -> list[StockItem]:
    """Rolls with flaws that other plans hold: where a cut lies on them matters, so this plan can't have them."""
    rolls = StockItem.objects.filter(material=plan.material_id, reserved_length__gt=ZERO).exclude(flaws=[])
    return list(rolls.exclude(cuts__plan=plan, cuts__state=PlannedCut.State.TO_CUT).order_by("pk"))


def _bar_piece(part: Part) -> BarPiece:
    assert part.length is not None
    return BarPiece(str(part.pk), part.length, part.quantity - part.done)


def _panel(part: Part) -> RollPiece:
    assert part.length is not None
    assert part.width is not None
    left, group = part.quantity - part.done, f"room {part.make.unit.opening.room_id}"
    return RollPiece(str(part.pk), part.width, part.length, left, part.may_turn, group)


# -- lots kept together ------------------------------------------------------------------


def lots_of_rooms(material: Material, rooms: Iterable[int]) -> dict[int, str]:
    """The dye lot that a room's pieces of a cloth were cut from, where some are cut and still count."""
    cut = (
        Part.objects.filter(material=material, make__unit__opening__room__in=list(rooms))
        .exclude(lot="")
        .exclude(make__unit__state__in=[Unit.State.REPLACED, Unit.State.CANCELLED])
        .order_by("pk")
    )
    return dict(cut.values_list("make__unit__opening__room", "lot"))


def solved(
    plan: CutPlan, *, seconds: float, any_lot: bool, solve: Solve, steps: int | None = None
) -> tuple[Document, Answer]:
    """
    The plan's problem and its answer.

    Cloth of a room that has pieces cut already is planned on its own lot first, the rest on what
    is left; a room too big for one roll may take several of one lot. Each of these is a solve of
    its own, so the proof then is lot by lot (``answer.lots``). They share the steps by how many
    pieces each is about, and the `seconds`, a second at least for each; only the second try at
    what no roll held takes half as much again.
    """
    problem = problem_of(plan, seconds=seconds, steps=steps or steps_in(seconds))
    if not problem.pieces:
        return problem, Answer()
    if isinstance(problem, BarDocument):
        return problem, solve(problem)
    return problem, _Lots(plan, problem, solve).answer(any_lot=any_lot)


class _Lots:
    """One cloth's pieces, solved lot by lot over stock that grows shorter."""

    def __init__(self, plan: CutPlan, problem: RollDocument, solve: Solve) -> None:
        self._problem, self._solve = problem, solve
        self._stock = {roll.id: roll for roll in problem.stock}
        items = StockItem.objects.in_bulk([int(key) for key in self._stock])
        self._lot = {key: items[int(key)].lot for key in self._stock}
        rooms = {part.pk: part.make.unit.opening.room for part in left_to_cut(plan)}
        self._rooms = {str(pk): room for pk, room in rooms.items()}
        self._cut_from = lots_of_rooms(plan.material, {room.pk for room in rooms.values()})
        self._answers: list[Answer] = []
        self._seconds = float(problem.seconds)
        self._ends = monotonic() + self._seconds
        self._steps, self._all = problem.steps or 0, _count(problem.pieces)

    def answer(self, *, any_lot: bool) -> Answer:
        free: list[RollPiece] = []
        bound: defaultdict[str, list[RollPiece]] = defaultdict(list)
        for piece in self._problem.pieces:
            lot = "" if any_lot else self._cut_from.get(self._rooms[piece.id].pk, "")
            (bound[lot] if lot else free).append(piece)
        unplaced: list[Unplaced] = []
        for lot, pieces in sorted(bound.items()):
            left = self._try(pieces, lot=lot)
            unplaced += [self._no_match(row, lot) for row in left]
        if free:
            unplaced += self._rest(free)
        return self._together(tuple(unplaced))

    def _rest(self, pieces: Sequence[RollPiece]) -> Sequence[Unplaced]:
        """Rooms nothing is cut of yet; one that no single roll holds goes over rolls of one lot."""
        group = {piece.id: piece.group for piece in pieces}
        answer = self._ask(pieces, self._stock.values())
        too_big = {group[row.piece] for row in answer.unplaced}
        several = {key for key in too_big if self._is_several(pieces, key)}
        if not several:
            self._keep(answer, pieces)
            return answer.unplaced
        self._ends = max(self._ends, monotonic() + self._seconds / 2)
        rest = [piece for piece in pieces if piece.group not in several]
        unplaced = list(self._rest(rest)) if rest else []
        for key in sorted(several, key=str):
            unplaced += self._over_one_lot([_alone(piece) for piece in pieces if piece.group == key])
        return unplaced

    def _is_several(self, pieces: Sequence[RollPiece], key: str | None) -> bool:
        """Whether more than one piece belongs to the group: only then can it go over several rolls."""
        return _count(piece for piece in pieces if piece.group == key) > 1

    def _over_one_lot(self, pieces: Sequence[RollPiece]) -> Sequence[Unplaced]:
        """The lot that leaves least unplaced, the one there is most of first."""
        lengths: dict[str, Length] = defaultdict(lambda: ZERO)
        for key, roll in self._stock.items():
            lengths[self._lot[key] or f"roll {key}"] += roll.length or ZERO
        best: Answer | None = None
        for lot in sorted(lengths, key=lambda lot: (-lengths[lot], lot)):
            answer = self._ask(pieces, self._of(lot))
            if best is None or _missing(answer) < _missing(best):
                best = answer
            if not answer.unplaced:
                break
        if best is None:
            return [Unplaced(piece.id, piece.quantity, "no stock") for piece in pieces]
        self._keep(best, pieces)
        return best.unplaced

    def _of(self, lot: str) -> list[RollStock]:
        return [roll for key, roll in self._stock.items() if (self._lot[key] or f"roll {key}") == lot]

    def _try(self, pieces: Sequence[RollPiece], *, lot: str) -> Sequence[Unplaced]:
        """Solves these pieces on one lot; what is left over."""
        answer = self._ask([_alone(piece) for piece in pieces], self._of(lot))
        self._keep(answer, pieces)
        return answer.unplaced

    def _ask(self, pieces: Sequence[RollPiece], stock: Iterable[RollStock]) -> Answer:
        """One solve, on its share of the steps by how many pieces it is about; rolls of a lot that are alike as one."""
        seconds = max(LEAST_SECONDS, self._ends - monotonic())
        share = _count(pieces) / max(1, self._all)
        steps = max(steps_in(LEAST_SECONDS), int(share * self._steps))
        alike = self._alike(stock)
        rolls = tuple(replace(same[0], quantity=len(same)) for same in alike)
        answer = self._solve(
            replace(self._problem, pieces=tuple(pieces), stock=rolls, seconds=Fraction(seconds), steps=steps)
        )
        return _one_by_one(answer, {same[0].id: [roll.id for roll in same] for same in alike})

    def _alike(self, stock: Iterable[RollStock]) -> list[list[RollStock]]:
        """Clean rolls of one size and one named lot stand for one another, and a room may go over several."""
        alike: defaultdict[tuple[object, ...], list[RollStock]] = defaultdict(list)
        for roll in stock:
            lot = "" if roll.flaws else self._lot[roll.id]
            alike[(lot, roll.width, roll.length, roll.offcut) if lot else (roll.id,)].append(roll)
        return list(alike.values())

    def _keep(self, answer: Answer, pieces: Sequence[RollPiece]) -> None:
        self._answers.append(answer)
        self._take(answer)

    def _take(self, answer: Answer) -> None:
        """Stock an answer uses is shorter for the next; a roll with flaws is spoken for."""
        run_off: dict[str, Length] = defaultdict(lambda: ZERO)
        for pattern in answer.patterns:
            run_off[pattern.stock] += pattern.times * (pattern.length or ZERO)
        for key, length in run_off.items():
            roll = self._stock.pop(key)
            left = (roll.length or ZERO) - length
            if left > ZERO and not roll.flaws:
                self._stock[key] = replace(roll, length=left)

    def _no_match(self, row: Unplaced, lot: str) -> Unplaced:
        room = self._rooms[row.piece].name
        return replace(row, why=f"{room} is cut from lot {lot}, and no more of it is free that holds this", lot=lot)

    def _together(self, unplaced: tuple[Unplaced, ...]) -> Answer:
        answers = self._answers
        if len(answers) == 1:
            return replace(answers[0], unplaced=unplaced)
        cost, bound = sum(answer.cost for answer in answers), sum(answer.bound for answer in answers)
        proven = all(answer.proven for answer in answers)
        return Answer(
            patterns=tuple(pattern for answer in answers for pattern in answer.patterns),
            unplaced=unplaced,
            used={key: count for answer in answers for key, count in answer.used.items()},
            cost=Fraction(cost),
            bound=Fraction(bound),
            proven=proven,
            gap=Fraction(0) if proven else Fraction(cost - bound, bound) if bound else None,
            lots=len(answers),
        )


# -- never worse than before ---------------------------------------------------------------


def better_of(plan: CutPlan, problem: Document, answer: Answer) -> Answer:
    """
    The answer, or the last plan's of the same pieces where that costs less and its stock is all there still.

    A machine so busy that the clock ends the search may find less. The bound is the new one: there may
    be other stock now.
    """
    before_this = CutPlan.objects.filter(batch=plan.batch_id, material=plan.material_id, revision__lt=plan.revision)
    last = before_this.exclude(answer={}).order_by("revision").last()
    if last is None or last.problem.get("pieces") != document_json(problem)["pieces"]:
        return answer
    before = _as_it_was(last)
    pieces = sum(len(pattern.cuts) for pattern in before.patterns) + _missing(before)
    worse = (_missing(before), before.cost) >= (_missing(answer), answer.cost)
    worse = worse or pieces != _count(problem.pieces)
    if worse or not _is_there(before, _stock_of(last.problem), _stock_of(document_json(problem))):
        return answer
    bound = min(answer.bound, before.cost)
    gap = (before.cost - bound) / bound if bound else None
    return replace(before, bound=bound, proven=before.cost == bound, gap=gap)


def _as_it_was(plan: CutPlan) -> Answer:
    """The answer of a plan that was replaced before anything of it was cut, from its cuts."""
    cuts = plan.cuts.filter(state=PlannedCut.State.DROPPED).select_related("item__material").order_by("order")
    unplaced = tuple(Unplaced(**row) for row in plan.unplaced)
    return replace(read_answer(plan.answer), patterns=tuple(map(_pattern_of, cuts)), unplaced=unplaced)


def _pattern_of(cut: PlannedCut) -> Pattern:
    is_roll, edge = cut.item.material.kind == Material.Kind.CLOTH, edge_of(cut.item)
    cuts = tuple(Cut(str(row["part"]), Length(row["at"]) - edge, row["turned"]) for row in cut.pieces)
    length, roll = (cut.length, 1) if is_roll else (None, None)
    return Pattern(str(cut.item_id), 1, cuts, cut.left, length=length, roll=roll)


def _stock_of(problem: Mapping[str, Any]) -> dict[str, dict[str, object]]:
    return {row["id"]: row for row in problem["stock"]}


def _is_there(answer: Answer, was: Mapping[str, Mapping[str, Any]], now: Mapping[str, Mapping[str, Any]]) -> bool:
    """Whether all the stock an answer uses is as it was, and as much of it."""
    used = Counter[str]()
    for pattern in answer.patterns:
        used[pattern.stock] += pattern.times if pattern.length is None else 0
        if was[pattern.stock].get("flaws"):
            return False  # where a cut lies on such a roll is not kept with it
    for key, times in used.items():
        then, today = was.get(key), now.get(key)
        if then is None or today is None or today.get("quantity", 1) < times:
            return False
        if {**then, "quantity": 0} != {**today, "quantity": 0}:
            return False
    return True


def _alone(piece: RollPiece) -> RollPiece:
    return replace(piece, group=None)


def _count(pieces: Iterable[BarPiece | RollPiece]) -> int:
    return sum(piece.quantity for piece in pieces)


def _one_by_one(answer: Answer, rolls: Mapping[str, Sequence[str]]) -> Answer:
    """The answer with every lay on the very roll it lies on, where alike rolls were asked about as one."""
    patterns = tuple(
        replace(pattern, stock=rolls[pattern.stock][(pattern.roll or 1) - 1], roll=1) for pattern in answer.patterns
    )
    return replace(answer, patterns=patterns, used={pattern.stock: 1 for pattern in patterns})


def _missing(answer: Answer) -> int:
    return sum(row.quantity for row in answer.unplaced)
