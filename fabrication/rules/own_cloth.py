"""Whether cloth a customer brought will do: width, clean length, pattern repeat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from fabrication.rules.materials import Material, StockSize
from shared.lengths import ZERO, Length, LengthUnit


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is wrong with it, and what to know of it."""

    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def is_good(self) -> bool:
        return not self.problems


def judge(
    *,
    width: Length,
    length: Length,
    width_needed: Length,
    length_needed: Length,
    repeat: Length | None = None,
    repeat_expected: Length | None = None,
    flaws: Sequence[tuple[Length, Length]] = (),
    unit: LengthUnit = LengthUnit.INCH,
) -> Verdict:
    """
    The cloth as measured against what the order needs.

    Parameters
    ----------
    width, length
        As measured, selvedges off; > 0.
    flaws
        Stretches from the free end that no piece may use; they are taken off the length. Whether
        the clean stretches hold every piece is for the cut plan to say.

    Examples
    --------
    >>> yard = Length.inches(36)
    >>> judge(width=yard, length=yard * 3, width_needed=yard * 2, length_needed=yard).problems
    ('36 in wide, 72 in needed',)
    """

    def show(value: Length) -> str:
        return value.text(unit, symbol=True)

    problems, notes = [], []
    if width < width_needed:
        problems.append(f"{show(width)} wide, {show(width_needed)} needed")
    lost = sum((end - start for start, end in flaws), ZERO)
    clean = length - lost
    if clean < length_needed:
        flawed = f" after {show(lost)} of flaws" if lost > ZERO else ""
        problems.append(f"{show(clean)} long{flawed}, {show(length_needed)} needed")
    elif lost > ZERO:
        notes.append(f"{show(lost)} is flawed; the clean stretches must still hold every piece")
    if repeat is not None and repeat != repeat_expected:
        was = show(repeat_expected) if repeat_expected is not None else "no pattern"
        if repeat_expected is None or repeat > repeat_expected:
            problems.append(f"the pattern repeats every {show(repeat)}, the order reckons with {was}")
        else:
            notes.append(f"the pattern repeats every {show(repeat)}, less than the {was} reckoned with")
    if repeat is None and repeat_expected is not None:
        notes.append(f"no repeat was measured; the order reckons with {show(repeat_expected)}")
    return Verdict(tuple(problems), tuple(notes))


def as_own(product_cloth: Material, *, name: str, width: Length, repeat: Length | None) -> Material:
    """
    A product's cloth with the width and pattern of the customer's: it lies as it came and is never turned.

    Weight, thickness and whether it may be seamed stay the product's, as nobody measures them.

    Parameters
    ----------
    width
        Usable, selvedges off.
    """
    facts = replace(
        product_cloth.facts, stock=(StockSize(width=width),), edge=ZERO, repeat=repeat or None, turning="never"
    )
    return replace(product_cloth, name=name, facts=facts)


def length_taken(pieces: Sequence[tuple[Length, Length, int]], across: Length) -> Length:
    """
    What pieces take off a cloth, cut across piece by piece, the longest first and side by side where they fit.

    Parameters
    ----------
    pieces
        Width, length (repeats in it) and number of each.
    across
        Usable width of the cloth; no piece is wider.

    Examples
    --------
    >>> inch = Length.inches
    >>> str(length_taken([(inch(40), inch(81), 3)], inch(54))), str(length_taken([(inch(20), inch(81), 3)], inch(54)))
    ('243 in', '162 in')
    """
    single = [(width, length) for width, length, count in pieces for _ in range(count)]
    cuts: list[list[Length]] = []  # of each cross cut its length and what is left across
    for width, length in sorted(single, key=lambda one: (-one[1].ticks, -one[0].ticks)):
        cut = next((one for one in cuts if width <= one[1]), None)
        if cut is None:
            cuts.append(cut := [length, across])
        cut[1] -= width
    return sum((length for length, _ in cuts), ZERO)
