"""The trade's figures each family's engineering works with. They are data of a recipe, never constants."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Final

from fabrication.rules.records import Record
from shared.contracts import ContractError
from shared.lengths import EIGHTH, SIXTEENTH, ZERO, Length
from shared.records import Within


@dataclass(frozen=True)
class Trade(Record):
    """What one family's engineering asks of its recipe."""


@dataclass(frozen=True)
class Sides(Record):
    """What the hardware takes at each side of the tube, by kind of control."""

    control: tuple[str, ...]
    idle: Length
    drive: Length


@dataclass(frozen=True)
class SagBand(Record):
    """How far a tube may sag, for widths below `below` (the last band has none)."""

    limit: Length
    below: Length | None = None


@dataclass(frozen=True)
class Drives(Record):
    """
    Drives and lifts to choose from for some kinds of control, weakest first.

    `reserve` is the factor on what is lifted, `most` how many may work together. Part rules call
    the one chosen by the role *drive* or *lift*.
    """

    control: tuple[str, ...]
    candidates: tuple[str, ...]
    reserve: Annotated[Fraction, Within(1)] = Fraction(1)
    most: Annotated[int, Within(1)] = 1


@dataclass(frozen=True)
class LoopRule(Record):
    """
    A chain, a cord loop or a pull: its drop is a share of the height, in whole `step`.

    `least` is needed to be of use, `most` never passed.
    """

    control: tuple[str, ...]
    share: Annotated[Fraction, Within(0, 1)]
    least: Length
    step: Length
    most: Length | None = None


@dataclass(frozen=True)
class Bands(Record):
    """Bands of a banded sheer: closed, each cloth band overlaps its neighbours."""

    cloth: Length
    open: Length
    least_overlap: Length


@dataclass(frozen=True)
class RollerTrade(Trade):
    """
    Roller, solar and sheer.

    `tubes` from small to large. `axis` is from the wall to the tube's axis, `largest_roll` what
    bracket, fascia or headbox lets pass. `wraps` stay on the tube at full drop. `looped` cloth hangs
    in two layers, one end held in the head (banded sheer). `vane` is the pitch of soft vanes.
    """

    tubes: tuple[str, ...]
    sides: tuple[Sides, ...]
    sag: tuple[SagBand, ...]
    largest_roll: Length
    axis: Length
    drives: tuple[Drives, ...]
    wraps: Annotated[Fraction, Within(1)] = Fraction(3, 2)
    loop: LoopRule | None = None
    looped: bool = False
    bands: Bands | None = None
    vane: Length | None = None
    seam: Length = ZERO
    grid: Length = SIXTEENTH
    wraps_grid: Length = EIGHTH

    def check(self) -> None:
        """Sag bands rise and the last is open; the grids are lengths."""
        bounds = [band.below for band in self.sag]
        if not bounds or bounds[-1] is not None or None in bounds[:-1]:
            raise ContractError("sag", "the last band, and only it, has no end", "bands without gap")
        ends = [bound for bound in bounds if bound is not None]
        if ends != sorted(set(ends)):
            raise ContractError("sag", "the bands overlap", "rising ends")
        if self.grid <= ZERO or self.wraps_grid <= ZERO:
            raise ContractError("grid", "no grid", "more than 0")


@dataclass(frozen=True)
class VerticalTrade(Trade):
    """
    Vertical: vane pitch in the track, and the room a stack takes.

    `hanger` and `pocket` are what a fabric vane is folded over at its top and bottom.
    """

    pitch: Length
    stack_each: Length
    stack_plus: Length
    wand_share: Fraction
    wand_step: Length
    loop: LoopRule | None = None
    hanger: Length = ZERO
    pocket: Length = ZERO


@dataclass(frozen=True)
class SlatTrade(Trade):
    """
    Slat: ladder pitch, heights of head and bottom rail, ladders, stack; the `pull` of a corded one.

    The first and last space take what whole pitches leave, so the bottom rail lands where it must.
    """

    pitch: Length
    head: Length
    rail: Length
    ladder_end: Length
    ladder_span: Length
    stack_factor: Fraction
    drives: tuple[Drives, ...]
    cutout_clearance: Length
    wand_share: Fraction
    wand_step: Length
    pull: LoopRule | None = None


@dataclass(frozen=True)
class CellularTrade(Trade):
    """
    Cellular and pleated: pitch as hung, height of head and bottom rail, stack as a share of the height.

    `middle_rail` is the height of a two-way shade's third rail, which takes the place of cloth.
    """

    pitch: Length
    rails: Length
    fullness: Fraction
    stack_plus: Length
    stack_share: Fraction
    cord_end: Length
    cord_span: Length
    drives: tuple[Drives, ...]
    middle_rail: Length = ZERO


@dataclass(frozen=True)
class RomanTrade(Trade):
    """
    Roman: half folds within `fold_least` and `fold_most`, their number odd.

    The hem section is longer by `hem_extra`. Ring columns stand `ring_end` from the edges and at
    most `ring_span` apart. `take_up` is what one sewn rib pocket shortens the cloth by.
    """

    fold_least: Length
    fold_most: Length
    hem_extra: Length
    ring_end: Length
    ring_span: Length
    take_up: Length
    stack_each: Length
    stack_plus: Length
    drives: tuple[Drives, ...]
    loop: LoopRule | None = None
    seam: Length = ZERO
    grid: Length = SIXTEENTH

    def check(self) -> None:
        """A fold has a range."""
        if not ZERO < self.fold_least <= self.fold_most:
            raise ContractError("fold_most", "no range", "at least fold_least")


TRADES: Final[Mapping[str, type[Trade]]] = {
    "roller": RollerTrade,
    "solar": RollerTrade,
    "sheer": RollerTrade,
    "vertical": VerticalTrade,
    "slat": SlatTrade,
    "cellular": CellularTrade,
    "pleated": CellularTrade,
    "roman": RomanTrade,
}
FAMILIES: Final = tuple(TRADES)

MEASURES: Final[Mapping[str, tuple[str, ...]]] = {
    "roller": ("sides", "wraps", "fall", "loop"),
    "solar": ("sides", "wraps", "fall", "loop"),
    "sheer": ("sides", "wraps", "fall", "loop"),
    "vertical": ("wand", "loop", "stack", "hanger", "pocket"),
    "slat": ("ladder", "wand", "pull", "stack", "longest_run"),
    "cellular": ("block", "stack", "longest_run"),
    "pleated": ("block", "stack", "longest_run"),
    "roman": ("fold", "take_up", "ribs_up", "loop", "stack", "longest_run"),
}
"""What each family's engineering adds to the measures a part rule may start from."""

COUNTS: Final[Mapping[str, tuple[str, ...]]] = {
    "roller": ("drives",),
    "solar": ("drives",),
    "sheer": ("drives",),
    "vertical": ("vanes", "bottom_weights", "spacers"),
    "slat": ("slats", "ladders", "lifts"),
    "cellular": ("pleats", "cords", "lifts"),
    "pleated": ("pleats", "cords", "lifts"),
    "roman": ("ribs", "ring_columns", "rings", "lifts"),
}
"""What each family's engineering counts."""

ROLES: Final[Mapping[str, tuple[str, ...]]] = {
    "roller": ("tube", "drive"),
    "solar": ("tube", "drive"),
    "sheer": ("tube", "drive"),
    "vertical": (),
    "slat": ("lift",),
    "cellular": ("lift",),
    "pleated": ("lift",),
    "roman": ("lift",),
}
"""Materials the engineering chooses; a recipe's own roles are added to them."""
