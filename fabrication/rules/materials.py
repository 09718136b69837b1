"""What the workroom cuts or pulls, and the facts its engineering needs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Final

from fabrication.rules.records import Record
from shared.contracts import ContractError
from shared.lengths import TICKS_PER_MM, ZERO, Length
from shared.records import PRACTICE, OneOf

KINDS: Final = ("bar", "strip", "cloth", "piece", "cord", "set")
BY_LENGTH: Final = frozenset({"bar", "strip", "cord"})
TICKS_PER_M: Final = 1000 * TICKS_PER_MM
TENTH: Final = Decimal("0.1")


@dataclass(frozen=True)
class StockSize(Record):
    """A size it is bought in: a bar's `length`, a roll's `width` (and usual length)."""

    length: Length | None = None
    width: Length | None = None
    price: Decimal | None = None


@dataclass(frozen=True)
class Facts(Record):
    """
    What is known of a material; what does not apply is left out.

    Weight is one of `grams_per_m` (bars, strips, cords), `grams_per_m2` (cloth) or `grams_each`.
    A tube has `diameter`, `wall`, `e_gpa`, `inertia_mm4` where the maker states one, and
    `widest`, the shop's own limit. Cloth has `thickness_mm`, `turning` (``never``, ``one way per room``
    or ``free``), `seam`, `edge` (unusable at each side), `repeat` of its pattern. A vane or slat
    has its `width`. A drive has `torque_nm`; a lift `lifts_g` and `lifts_from_g`, `most_height`,
    the tubes it `fits`. `grams_per_m2` of cells is of the cloth as it hangs.
    """

    grams_per_m: Decimal | None = None
    grams_per_m2: Decimal | None = None
    grams_each: Decimal | None = None
    stock: tuple[StockSize, ...] = ()
    diameter: Length | None = None
    wall: Length | None = None
    e_gpa: Decimal | None = None
    inertia_mm4: Decimal | None = None
    widest: Length | None = None
    thickness_mm: Decimal | None = None
    turning: Annotated[str, OneOf("never", "one way per room", "free")] = "never"
    seam: bool = False
    edge: Length = ZERO
    repeat: Length | None = None
    openness: Decimal | None = None
    width: Length | None = None
    torque_nm: Decimal | None = None
    lifts_g: Decimal | None = None
    lifts_from_g: Decimal = Decimal(0)
    most_height: Length | None = None
    fits: tuple[str, ...] = ()
    mains: bool = False
    charged: bool = False
    colour: str = ""

    def check(self) -> None:
        """One weight, and more than nothing; a wall that fits its tube."""
        given = [w for w in (self.grams_per_m, self.grams_per_m2, self.grams_each) if w is not None]
        if len(given) != 1 or given[0] <= 0:
            raise ContractError(
                "grams_each", "no weight, or more than one", "one of grams_per_m, grams_per_m2, grams_each"
            )
        if self.diameter is not None and self.wall is not None and not ZERO < self.wall * 2 < self.diameter:
            raise ContractError("wall", "the wall fills the tube", "under half of it")


@dataclass(frozen=True)
class Material(Record):
    """One material by its own code; `kerf`, `trim` and `keep` are the saw's, as in a cut plan."""

    key: str
    name: str
    kind: Annotated[str, OneOf(*KINDS)]
    facts: Facts
    kerf: Length | None = None
    trim: Length | None = None
    keep: Length | None = None
    basis: str = PRACTICE

    def check(self) -> None:
        """The weight's basis suits the kind."""
        wanted = {"cloth": "grams_per_m2"} | dict.fromkeys(BY_LENGTH, "grams_per_m")
        name = wanted.get(self.kind, "grams_each")
        if getattr(self.facts, name) is None:
            raise ContractError(f"facts.{name}", f"a {self.kind} is weighed by it", "required")

    def grams(self, quantity: int, length: Length | None = None, width: Length | None = None) -> Decimal:
        """
        Weight of so many equal pieces, in grams to a tenth.

        Examples
        --------
        >>> tube = Material("t", "tube", "bar", Facts(grams_per_m=Decimal(460)))
        >>> tube.grams(2, Length.mm(1500))
        Decimal('1380.0')
        """
        facts = self.facts
        if facts.grams_each is not None:
            weight = facts.grams_each * quantity
        elif facts.grams_per_m is not None:
            weight = facts.grams_per_m * quantity * (length or ZERO).ticks / TICKS_PER_M
        else:
            area = (length or ZERO).ticks * (width or ZERO).ticks
            weight = (facts.grams_per_m2 or Decimal(0)) * quantity * area / TICKS_PER_M**2
        return weight.quantize(TENTH)

    def widest_roll(self) -> Length | None:
        """What can be used of the widest roll it is bought in, edges off; None where nobody said."""
        widths = [size.width for size in self.facts.stock if size.width is not None]
        return max(widths) - self.facts.edge * 2 if widths else None


def materials_from_json(rows: Iterable[object], path: str = "materials") -> Mapping[str, Material]:
    """
    Materials by key, from a list of JSON objects.

    Raises
    ------
    ContractError
        Naming row, field, problem and bound; also where a key stands twice.
    """
    found: dict[str, Material] = {}
    for position, row in enumerate(rows):
        material = Material.from_json(row, f"{path}[{position}]")
        if material.key in found:
            raise ContractError(f"{path}[{position}].key", f"{material.key} stands twice", "once")
        found[material.key] = material
    return found
