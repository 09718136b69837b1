"""The pull list of a batch: what is taken from the store, by place and material, for which units."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from fabrication.models import Batch, Material, Part, StockItem
from fabrication.services.bench import pulled_parts
from shared.lengths import ZERO, Length, total

NOWHERE: Final = "no place named"


@dataclass(frozen=True, slots=True)
class PullLine:
    """
    One material of a batch: its parts by unit, how much of it is still to be taken and where that lies.

    `pieces` and `length` (of what comes off a reel) are to take; `missing` parts are not in stock.
    """

    material: Material
    parts: tuple[Part, ...]
    pieces: int
    length: Length | None
    places: tuple[str, ...]
    missing: int

    @property
    def names(self) -> int:
        """How many kinds of part are of this material."""
        return len({part.name for part in self.parts})

    @property
    def to_pull(self) -> list[Part]:
        """What nobody took yet."""
        return [part for part in self.parts if part.state == Part.State.TO_PULL]


def pull_lines(batch: Batch) -> list[PullLine]:
    """A line a material, in the order of the places one walks past."""
    parts: defaultdict[int, list[Part]] = defaultdict(list)
    for part in pulled_parts(batch):
        parts[part.material_id].append(part)
    stock: defaultdict[int, list[StockItem]] = defaultdict(list)
    for item in StockItem.objects.filter(material__in=parts).available().order_by("-quantity", "pk"):
        stock[item.material_id].append(item)
    lines = [_line(rows, stock[key]) for key, rows in parts.items()]
    return sorted(lines, key=lambda line: (line.places[:1] or ("~",), line.material.name))


def _line(parts: Sequence[Part], stock: Sequence[StockItem]) -> PullLine:
    material, wanted = parts[0].material, [part for part in parts if part.state == Part.State.TO_PULL]
    if material.kind == Material.Kind.CORD:
        taken, missing = _off_reels(wanted, stock)
        length = total((part.length or ZERO) * part.quantity for part in wanted)
    else:
        taken, missing = _counted(wanted, stock)
        length = None
    return PullLine(material, tuple(parts), sum(part.quantity for part in wanted), length, _said(taken), missing)


def _counted(wanted: Iterable[Part], stock: Iterable[StockItem]) -> tuple[dict[str, int], int]:
    """How many come from each shelf, part by part from the fullest, as `pull_part` takes them; and those short."""
    left, taken, missing = {item: item.free for item in stock}, dict[str, int](), 0
    for part in wanted:
        need = part.quantity
        for item in sorted(left, key=lambda item: (-left[item] - item.reserved, item.pk)):
            take = min(need, left[item])
            if take:
                taken[item.shelf or NOWHERE] = taken.get(item.shelf or NOWHERE, 0) + take
                left[item] -= take
                need -= take
        missing += need
    return taken, missing


def _off_reels(wanted: Iterable[Part], stock: Iterable[StockItem]) -> tuple[dict[str, int], int]:
    """The reels, the shortest that holds a unit's length first; and the units no reel holds."""
    reels = {item: item.free_length for item in sorted(stock, key=lambda item: (item.length or ZERO, item.pk))}
    taken, missing = dict[str, int](), 0
    for part in wanted:
        need = (part.length or ZERO) * part.quantity
        reel = next((item for item, left in reels.items() if left >= need), None)
        if reel is None:
            missing += 1
            continue
        reels[reel] -= need
        taken[reel.shelf or NOWHERE] = taken.get(reel.shelf or NOWHERE, 0) + part.quantity
    return taken, missing


def _said(taken: Mapping[str, int]) -> tuple[str, ...]:
    """Places, with how many from each where there are several."""
    if len(taken) < 2:
        return tuple(taken)
    return tuple(f"{place}: {count}" for place, count in taken.items())
