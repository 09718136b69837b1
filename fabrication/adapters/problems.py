"""What is left of a material and the stock there is, as the cutting engine's problems; lots kept together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from time import monotonic
from typing import Any, Final

from django.db.models import Max

from fabrication.models import CutPlan, KeptEnd, Material, Part, PlannedCut, StockItem
from measuring.models import Unit
from shared.lengths import ZERO, Length

Row = dict[str, Any]
Solve = Callable[[Row], Row]
LEAST_SECONDS: Final = 1
"""What any solve may take, however little is left of a plan's time."""


def left_to_cut(plan: CutPlan) -> list[Part]:
    """Parts of the plan's batch and material with pieces still to cut."""
    wanted = [Part.State.TO_CUT, Part.State.PLANNED]
    parts = Part.objects.filter(make__batch=plan.batch_id, material=plan.material_id, state__in=wanted)
    return list(parts.select_related("make__unit__opening__room", "make__unit__opening__job").order_by("pk"))


def problem_of(plan: CutPlan, *, seconds: float) -> Row:
    """The contract's problem for what is left of a material: parts by key, stock by key, in ticks."""
    material = plan.material
    is_roll = material.kind == Material.Kind.CLOTH
    parts = left_to_cut(plan)
    stock = StockItem.objects.filter(material=material).available().order_by("pk")
    problem: Row = {
        "kind": "roll" if is_roll else "bar",
        "unit": "1",
        "kerf": str((material.kerf or ZERO).ticks),
        "keep": str(material.keep.ticks) if material.keep and not is_roll else None,
        "pieces": [_piece_row(part, is_roll) for part in parts],
        "seconds": seconds,
        "seed": plan.pk % 2**31,
    }
    if is_roll:
        held = kept_for_others(material, {part.make.unit.opening.job_id for part in parts})
        rows = [_roll_row(item, held.get(item.pk, ZERO)) for item in stock]
    else:
        problem["trim"] = str((material.trim or ZERO).ticks)
        rows = [_bar_row(item) for item in stock]
    problem["stock"] = [row for row in rows if row]
    return problem


def kept_for_others(material: Material, jobs: Iterable[int]) -> dict[int, Length]:
    """By roll: how much of its end stays for open jobs that are not among these."""
    ends = KeptEnd.objects.held().filter(item__material=material).exclude(job__in=list(jobs))
    return {row["item"]: row["most"] for row in ends.values("item").annotate(most=Max("length")).order_by("item")}


def _bar_row(item: StockItem) -> Row | None:
    if item.length is None or item.free < 1:
        return None
    return {
        "id": str(item.pk),
        "length": str(item.length.ticks),
        "quantity": item.free,
        "offcut": item.is_offcut,
    }


def _roll_row(item: StockItem, held: Length) -> Row | None:
    """
    What a roll offers, its kept end left out.

    Where a cut lies on a roll with flaws matters, so such a roll serves one plan at a time.
    """
    offered = item.free_length - held
    if item.width is None or offered <= ZERO or (item.flaws and item.reserved_length):
        return None
    row = {
        "id": str(item.pk),
        "width": str(item.width.ticks),
        "length": str(offered.ticks),
        "quantity": 1,
        "offcut": item.is_offcut,
    }
    flaws = [(start, min(end, offered.ticks)) for start, end in item.flaws if start < offered.ticks]
    if flaws:
        row["flaws"] = [{"start": str(start), "end": str(end)} for start, end in flaws]
    return row


def rolls_spoken_for(plan: CutPlan) -> list[StockItem]:
    """Rolls with flaws that other plans hold: where a cut lies on them matters, so this plan can't have them."""
    rolls = StockItem.objects.filter(material=plan.material_id, reserved_length__gt=ZERO).exclude(flaws=[])
    return list(rolls.exclude(cuts__plan=plan, cuts__state=PlannedCut.State.TO_CUT).order_by("pk"))


def _piece_row(part: Part, is_roll: bool) -> Row:
    assert part.length is not None
    row: Row = {"id": str(part.pk), "length": str(part.length.ticks), "quantity": part.quantity - part.done}
    if is_roll:
        assert part.width is not None
        row |= {
            "width": str(part.width.ticks),
            "turn": part.may_turn,
            "group": f"room {part.make.unit.opening.room_id}",
        }
    return row


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


def solved(plan: CutPlan, *, seconds: float, any_lot: bool, solve: Solve) -> tuple[Row, Row]:
    """
    The plan's problem and its answer.

    Cloth of a room that has pieces cut already is planned on its own lot first, the rest on what
    is left; a room too big for one roll may take several of one lot. Each of these is a solve of
    its own, so the proof then is lot by lot (``answer["lots"]``). They share the `seconds`, a
    second at least for each; only the second try at what no roll held takes half as much again.
    """
    problem = problem_of(plan, seconds=seconds)
    if not problem["pieces"]:
        return problem, empty_answer()
    if problem["kind"] == "bar":
        return problem, solve(problem)
    lots = _Lots(plan, problem, solve)
    return problem, lots.answer(any_lot=any_lot)


def empty_answer() -> Row:
    """Of a problem with nothing to cut."""
    return {"patterns": [], "unplaced": [], "used": {}, "cost": 0, "bound": 0, "proven": True, "gap": 0}


class _Lots:
    """One cloth's pieces, solved lot by lot over stock that grows shorter."""

    def __init__(self, plan: CutPlan, problem: Row, solve: Solve) -> None:
        self._problem, self._solve = problem, solve
        self._stock: dict[str, Row] = {row["id"]: dict(row) for row in problem["stock"]}
        items = StockItem.objects.in_bulk([int(key) for key in self._stock])
        self._lot = {key: items[int(key)].lot for key in self._stock}
        rooms = {part.pk: part.make.unit.opening.room for part in left_to_cut(plan)}
        self._rooms = {str(pk): room for pk, room in rooms.items()}
        self._cut_from = lots_of_rooms(plan.material, {room.pk for room in rooms.values()})
        self._answers: list[Row] = []
        self._ends = monotonic() + problem["seconds"]
        self._open = _count(problem["pieces"])

    def answer(self, *, any_lot: bool) -> Row:
        free: list[Row] = []
        bound: defaultdict[str, list[Row]] = defaultdict(list)
        for piece in self._problem["pieces"]:
            lot = "" if any_lot else self._cut_from.get(self._rooms[piece["id"]].pk, "")
            (bound[lot] if lot else free).append(piece)
        unplaced = []
        for lot, pieces in sorted(bound.items()):
            left = self._try(pieces, lot=lot)
            unplaced += [self._no_match(row, lot) for row in left]
        if free:
            unplaced += self._rest(free)
        return self._together(unplaced)

    def _rest(self, pieces: Sequence[Row]) -> list[Row]:
        """Rooms nothing is cut of yet; one that no single roll holds goes over rolls of one lot."""
        group = {piece["id"]: piece["group"] for piece in pieces}
        answer = self._ask(pieces, self._stock.values())
        too_big = {group[row["piece"]] for row in answer["unplaced"]}
        several = {key for key in too_big if self._is_several(pieces, key)}
        if not several:
            self._keep(answer, pieces)
            return list(answer["unplaced"])
        self._ends = max(self._ends, monotonic() + self._problem["seconds"] / 2)
        rest = [piece for piece in pieces if piece["group"] not in several]
        unplaced = self._rest(rest) if rest else []
        for key in sorted(several):
            unplaced += self._over_one_lot([_alone(piece) for piece in pieces if piece["group"] == key])
        return unplaced

    def _is_several(self, pieces: Sequence[Row], key: str) -> bool:
        """Whether more than one piece belongs to the group: only then can it go over several rolls."""
        quantity: int = sum(piece["quantity"] for piece in pieces if piece["group"] == key)
        return quantity > 1

    def _over_one_lot(self, pieces: Sequence[Row]) -> list[Row]:
        """The lot that leaves least unplaced, the one there is most of first."""
        lengths: dict[str, int] = defaultdict(int)
        for key, row in self._stock.items():
            lengths[self._lot[key] or f"roll {key}"] += int(row["length"])
        best: Row | None = None
        for lot in sorted(lengths, key=lambda lot: (-lengths[lot], lot)):
            answer = self._ask(pieces, self._of(lot))
            if best is None or _missing(answer) < _missing(best):
                best = answer
            if not answer["unplaced"]:
                break
        if best is None:
            return [{"piece": piece["id"], "quantity": piece["quantity"], "why": "no stock"} for piece in pieces]
        self._keep(best, pieces)
        return list(best["unplaced"])

    def _of(self, lot: str) -> list[Row]:
        return [row for key, row in self._stock.items() if (self._lot[key] or f"roll {key}") == lot]

    def _try(self, pieces: Sequence[Row], *, lot: str) -> list[Row]:
        """Solves these pieces on one lot; what is left over."""
        answer = self._ask([_alone(piece) for piece in pieces], self._of(lot))
        self._keep(answer, pieces)
        return list(answer["unplaced"])

    def _ask(self, pieces: Sequence[Row], stock: Iterable[Row]) -> Row:
        """One solve, on its share of the time by how many pieces it is about; rolls of a lot that are alike as one."""
        share = _count(pieces) / max(1, self._open)
        seconds = max(LEAST_SECONDS, share * (self._ends - monotonic()))
        alike = list(self._alike(stock).values())
        rows = [rolls[0] | {"quantity": len(rolls)} for rolls in alike]
        answer = self._solve(self._problem | {"pieces": list(pieces), "stock": rows, "seconds": seconds})
        return _one_by_one(answer, {rolls[0]["id"]: [roll["id"] for roll in rolls] for rolls in alike})

    def _alike(self, stock: Iterable[Row]) -> dict[tuple[object, ...], list[Row]]:
        """Clean rolls of one size and one named lot stand for one another, and a room may go over several."""
        alike: defaultdict[tuple[object, ...], list[Row]] = defaultdict(list)
        for row in stock:
            lot = "" if row.get("flaws") else self._lot[row["id"]]
            key = (lot, row["width"], row["length"], row["offcut"]) if lot else (row["id"],)
            alike[key].append(row)
        return alike

    def _keep(self, answer: Row, pieces: Sequence[Row]) -> None:
        self._answers.append(answer)
        self._open -= _count(pieces)
        self._take(answer)

    def _take(self, answer: Row) -> None:
        """Stock an answer uses is shorter for the next; a roll with flaws is spoken for."""
        run_off: dict[str, int] = defaultdict(int)
        for pattern in answer["patterns"]:
            run_off[pattern["stock"]] += pattern["times"] * int(pattern["length"])
        for key, length in run_off.items():
            row = self._stock.pop(key)
            left = int(row["length"]) - length
            if left > 0 and not row.get("flaws"):
                self._stock[key] = row | {"length": str(left)}

    def _no_match(self, row: Row, lot: str) -> Row:
        room = self._rooms[row["piece"]].name
        return row | {"why": f"{room} is cut from lot {lot}, and no more of it is free that holds this", "lot": lot}

    def _together(self, unplaced: list[Row]) -> Row:
        answers = self._answers
        if len(answers) == 1:
            return answers[0] | {"unplaced": unplaced}
        cost, bound = (sum(answer[name] for answer in answers) for name in ("cost", "bound"))
        proven = all(answer["proven"] for answer in answers)
        return {
            "patterns": [pattern for answer in answers for pattern in answer["patterns"]],
            "unplaced": unplaced,
            "cost": cost,
            "bound": bound,
            "proven": proven,
            "gap": 0 if proven else (cost - bound) / bound if bound else None,
            "lots": len(answers),
        }


def _alone(piece: Row) -> Row:
    return {name: value for name, value in piece.items() if name != "group"}


def _count(pieces: Iterable[Row]) -> int:
    return sum(int(piece["quantity"]) for piece in pieces)


def _one_by_one(answer: Row, rolls: Mapping[str, Sequence[str]]) -> Row:
    """The answer with every lay on the very roll it lies on, where alike rolls were asked about as one."""
    patterns = [
        pattern | {"stock": rolls[pattern["stock"]][int(pattern.get("roll") or 1) - 1], "roll": 1}
        for pattern in answer["patterns"]
    ]
    return answer | {"patterns": patterns, "used": {pattern["stock"]: 1 for pattern in patterns}}


def _missing(answer: Row) -> int:
    return sum(row.get("quantity", 1) for row in answer["unplaced"])


def flawed(problem: Mapping[str, Any]) -> set[str]:
    """Stock of a problem on which the place of a cut matters."""
    return {row["id"] for row in problem["stock"] if row.get("flaws")}
