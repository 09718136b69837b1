"""What the rules of the install day start from: one unit, and the facts of its site."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Final

from installs.rules.cords import CordRule
from shared.contracts import ContractError
from shared.formats.mass import GRAMS_PER_POUND
from shared.lengths import ZERO, Length
from shared.records import OneOf, Record, Within, verify

FAMILIES: Final = ("roller", "solar", "sheer", "vertical", "slat", "cellular", "pleated", "roman")
MOUNTS: Final = ("inside", "outside")
FIXED_TO: Final = ("ceiling", "wall", "jamb", "casing", "door")
SIDES: Final = ("left", "right")
SUBSTRATES: Final = (
    "wood",
    "drywall_wood_stud",
    "drywall_steel_stud",
    "drywall_hollow",
    "plaster_lath",
    "masonry",
    "concrete",
    "tile",
    "aluminium",
    "vinyl_frame",
    "post_tensioned_slab",
    "unknown",
)
CONTROLS: Final = ("cordless", "chain", "cord_loop", "cord", "wand", "crank", "spring", "motor")
UNKNOWN_CONTROL: Final = "unknown"
"""Nobody chose how it is worked, so it may hang a cord."""
LOOP_CONTROLS: Final = {"chain": "chain", "cord_loop": "cord"}
COMES_WITH: Final = ("wand", "valance", "hold_downs", "battery")
POWERS: Final = ("battery", "plug", "hard_wired")


@dataclass(frozen=True)
class Obstruction(Record):
    """Something the covering must clear, and how far it stands out (rounded up when measured)."""

    kind: str
    projection: Annotated[Length, Within("0", "24")]
    side: str = ""


@dataclass(frozen=True)
class Loop(Record):
    """One closed loop of chain or cord: how far it hangs below the head when taut."""

    drop: Annotated[Length, Within("1/2", "300")]
    kind: Annotated[str, OneOf("chain", "cord")] = "chain"
    side: Annotated[str, OneOf("left", "right")] = "right"


@dataclass(frozen=True)
class KeepOff(Record):
    """A working part in the head that no bracket may sit on: its place from the left end."""

    what: str
    at: Length


@dataclass(frozen=True)
class Valance(Record):
    """The board in front of the head, and its returns on an outside mount."""

    length: Annotated[Length, Within("1", "400")]
    returns: Length | None = None


@dataclass(frozen=True)
class Motor(Record):
    """How a unit's motor is fed, and which remote and channel work it."""

    power: Annotated[str, OneOf(*POWERS)] = "battery"
    remote: str = ""
    channel: Annotated[int | None, Within(1, 99)] = None


@dataclass(frozen=True)
class InstallUnit(Record):
    """
    One covering as it goes on the wall. Lengths are the finished size; places are from the left end.

    `weight_g` None is estimated from the family's table, and the list says so. `variant` picks a
    product's own bracket rule (``cassette``, ``aluminium``); empty is the family's. `seams` are
    joints between two mullions, `splits` places where a tube or head is joined. `head_out` is how
    far the head is out of level over the width, `head_low` which end is lower. `reach_height` is
    floor to the top of the opening, `flat_height` the flat surface for a bracket, `solid_depth` how
    deep a screw may go before glass, pipe or wire. `comes_with` is hardware the workroom packs with
    the unit, not listed again. `facts` are words of the site (``alarm_contact``,
    ``pipes_above``, ``wires_above``, ``glass_close``, ``steel_door``, ``textured_ceiling``).
    """

    code: str
    family: Annotated[str, OneOf(*FAMILIES)]
    width: Annotated[Length, Within("4", "400")]
    height: Annotated[Length, Within("4", "400")]
    mount: Annotated[str, OneOf(*MOUNTS)]
    fixed_to: Annotated[str, OneOf(*FIXED_TO)]
    substrate: Annotated[str, OneOf(*SUBSTRATES)]
    product: str = ""
    variant: str = ""
    weight_g: Annotated[int | None, Within(1, 500_000)] = None
    control: Annotated[str, OneOf(*CONTROLS, UNKNOWN_CONTROL)] = "cordless"
    control_side: Annotated[str, OneOf("left", "right")] = "right"
    loops: tuple[Loop, ...] = ()
    obstructions: tuple[Obstruction, ...] = ()
    keep_off: tuple[KeepOff, ...] = ()
    seams: tuple[Length, ...] = ()
    splits: tuple[Length, ...] = ()
    gap_strips: bool = False
    hold_downs: bool = False
    valance: Valance | None = None
    motor: Motor | None = None
    is_door: bool = False
    head_out: Annotated[Length, Within("0", "12")] = ZERO
    head_low: Annotated[str, OneOf("left", "right")] = "right"
    reach_height: Annotated[Length | None, Within("6", "600")] = None
    flat_height: Length | None = None
    solid_depth: Length | None = None
    facts: tuple[str, ...] = ()
    take_down: bool = False
    two_way: bool = False
    comes_with: Annotated[tuple[str, ...], OneOf(*COMES_WITH)] = ()

    def __post_init__(self) -> None:
        verify(self)

    @property
    def may_hang_a_cord(self) -> bool:
        """Whether a chain or cord hangs at it, or may for all that is known."""
        return bool(self.loops) or self.control in {*LOOP_CONTROLS, "cord", UNKNOWN_CONTROL}

    def check(self) -> None:
        """Places lie on the unit; a motor belongs to motor control, and the other way round."""
        places = [*(seam for seam in self.seams), *self.splits, *(spot.at for spot in self.keep_off)]
        for place in places:
            if not ZERO <= place <= self.width:
                raise ContractError("width", f"a place at {place} is off the unit", f"0 to {self.width}")
        for split in self.splits:
            if not ZERO < split < self.width:
                raise ContractError("splits", f"a joint at {split} is no joint", "inside the width")
        if (self.motor is None) != (self.control != "motor"):
            raise ContractError("motor", "motor and control do not agree", "both, or neither")


@dataclass(frozen=True)
class SiteFacts(Record):
    """
    What is known of the building.

    An unknown year counts as old; children are assumed; where `cords` is None no rule is known.
    """

    year_built: Annotated[int | None, Within(1600, 2200)] = None
    children: bool = True
    jurisdiction: str = "US"
    slab_scanned: bool = False
    has_lift: bool = False
    floor: int = 0
    cords: CordRule | None = None


def pounds(grams: int) -> Decimal:
    """
    Grams as pounds, to a hundredth.

    Examples
    --------
    >>> pounds(4536)
    Decimal('10.00')
    """
    return (Decimal(grams) / GRAMS_PER_POUND).quantize(Decimal("0.01"))
