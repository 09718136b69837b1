"""A stock piece under way: what of it is cut, what is free, and how its rest goes back."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NotRequired, TypedDict

from django.utils import timezone

from fabrication.adapters.problems import edge_of
from fabrication.models import Material, Part, PlannedCut, StockItem, StockMove
from fabrication.services.stock import fresh_code, move_stock
from shared.lengths import ZERO, Length, total
from shared.models import User

Rest = tuple[Length, Length | None]
"""A piece that is left: length, and of cloth its width."""


class CutPiece(TypedDict):
    """One piece of a stock piece, as `PlannedCut.pieces` has it; where it lies and its size in ticks."""

    part: int
    at: int
    length: int
    turned: bool
    width: NotRequired[int]
    cut: NotRequired[bool]
    spoiled: NotRequired[bool]
    why: NotRequired[str]


def leave_begun(cut: PlannedCut, by: User | None = None) -> None:
    """
    Ends a stock piece under way: what is cut stays, the rest of it goes back as an offcut.

    Its other pieces are to be cut elsewhere. Called when the plan is dropped.
    """
    by = by or cut.cut_by
    assert by is not None
    close_with_rest(cut, by, rests_of(cut, free_stretches(cut)))


def rests_of(cut: PlannedCut, stretches: Iterable[tuple[int, int]]) -> list[Rest]:
    """What of a stock piece lies between these places, as pieces."""
    return [offcut_size(cut, Length(end - start)) for start, end in stretches if end > start]


def close_with_rest(cut: PlannedCut, by: User, rests: list[Rest], pieces: list[CutPiece] | None = None) -> None:
    """Ends a cut with these pieces, or those that are cut; what is left and big enough goes back as offcuts."""
    done = cut_positions(cut)
    pieces = [cut.pieces[position] for position in sorted(done)] if pieces is None else pieces
    keep = cut.plan.material.keep
    offcuts = [put_back(cut, by, *rest) for rest in rests if keep is not None and _least(rest) >= keep]
    cut.offcut = offcuts[0] if offcuts else None
    cut.keeps_offcut = bool(offcuts)
    cut.left = total(length if width is None else width for length, width in rests)
    good = [piece["at"] for piece in pieces if not piece.get("spoiled")]
    again = {piece["part"] for piece in cut.pieces if piece["at"] not in good}
    Part.objects.filter(pk__in=again, state=Part.State.PLANNED).update(state=Part.State.TO_CUT)
    close_cut(cut, pieces, by)


def _least(rest: Rest) -> Length:
    return min(side for side in rest if side is not None)


def close_cut(cut: PlannedCut, pieces: list[CutPiece], by: User) -> None:
    """The stock piece is done with, as these pieces say."""
    cut.pieces, cut.state = pieces, PlannedCut.State.CUT
    cut.cut_by, cut.cut_at = by, cut.cut_at or timezone.now()
    kept = ["state", "cut_by", "cut_at", "length", "pieces", "keeps_offcut", "offcut", "left", "flaws_before"]
    cut.save(update_fields=kept)


def cut_positions(cut: PlannedCut) -> set[int]:
    """Which of its pieces are cut."""
    if cut.state == PlannedCut.State.CUT:
        return {position for position, piece in enumerate(cut.pieces) if not piece.get("spoiled")}
    return {position for position, piece in enumerate(cut.pieces) if piece.get("cut")}


def cut_spans(cut: PlannedCut, positions: set[int] | None = None) -> list[tuple[int, int]]:
    """Where pieces (those cut, or these) lie along the bar or across the cloth, a kerf on either side; ticks."""
    kerf = (cut.plan.material.kerf or ZERO).ticks
    done = [cut.pieces[position] for position in (cut_positions(cut) if positions is None else positions)]
    return sorted((piece["at"] - kerf, piece["at"] + across(piece) + kerf) for piece in done)


def free_stretches(cut: PlannedCut, positions: set[int] | None = None) -> list[tuple[int, int]]:
    """What of the stock piece lies before, between and after the pieces that are cut, or these; ticks."""
    is_roll = cut.plan.material.kind == Material.Kind.CLOTH
    reach, free = (edge_of(cut.item) if is_roll else cut.plan.material.trim or ZERO).ticks, []
    for start, end in cut_spans(cut, positions):
        free.append((reach, start))
        reach = end
    return [(start, end) for start, end in [*free, (reach, _end(cut))] if end > start]


def _end(cut: PlannedCut) -> int:
    """Where the stock piece ends along its cuts: the bar less its trim, the cloth less its edge; ticks."""
    if cut.plan.material.kind == Material.Kind.CLOTH:
        return ((cut.item.width or ZERO) - edge_of(cut.item)).ticks
    end: Length = cut.length - (cut.plan.material.trim or ZERO)
    return end.ticks


def across(piece: CutPiece) -> int:
    """What a piece takes along the bar, or across the roll; ticks."""
    return piece["length"] if piece["turned"] else piece.get("width", piece["length"])


def along(piece: CutPiece) -> int:
    """What a piece takes of the roll's run; ticks."""
    return piece.get("width", 0) if piece["turned"] else piece["length"]


def offcut_size(cut: PlannedCut, left: Length) -> Rest:
    """Length and width of what is left: of a bar its end, of a cross cut the strip beside its pieces."""
    return (cut.length, left) if cut.plan.material.kind == Material.Kind.CLOTH else (left, None)


def put_back(cut: PlannedCut, by: User, length: Length, width: Length | None = None) -> StockItem:
    """What is left goes back to stock under a code of its own."""
    offcut = StockItem.objects.create(
        material=cut.plan.material,
        code=fresh_code(),
        length=length,
        width=width,
        lot=cut.item.lot,
        shelf=cut.item.shelf,
        is_offcut=True,
        quantity=0,
    )
    return move_stock(item=offcut, change=1, reason=StockMove.Reason.OFFCUT, by=by, note=f"of {cut.item.code}")
