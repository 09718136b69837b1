"""Which lift carries a unit, and how many of it."""

from __future__ import annotations

from decimal import Decimal
from math import ceil

from fabrication.rules.bench import Bench
from fabrication.rules.materials import Material
from fabrication.rules.model import CannotMake
from fabrication.rules.trade import LoopRule
from shared.formats.mass import mass
from shared.lengths import ZERO, Length


def choose_lift(bench: Bench, control: str, grams: Decimal, height: Length) -> tuple[Material, int]:
    """
    The fewest lifts, then the lightest of them, whose range holds the weight and reaches the height.

    Parameters
    ----------
    bench
        Of a family with ``drives`` in its trade figures.
    grams
        What is lifted, without the reserve.
    height
        How far it is lifted.

    Returns
    -------
    tuple[Material, int]
        One lift's material and how many work together.

    Raises
    ------
    CannotMake
        When none holds it; the bound is the heaviest that could be lifted.
    """
    drives = bench.drives_for(control)
    if drives is None:
        raise CannotMake("options.control", f"no lift serves {control!r}", "a lift in the recipe")
    needed = grams * Decimal(drives.reserve.numerator) / Decimal(drives.reserve.denominator)
    most = Decimal(0)
    best: tuple[int, Decimal, Material] | None = None
    for key in drives.candidates:
        material = bench.material(key)
        facts = material.facts
        if facts.lifts_g is None or (facts.most_height is not None and height > facts.most_height):
            continue
        most = max(most, facts.lifts_g * drives.most)
        number = max(1, ceil(needed / facts.lifts_g))
        if number > drives.most or grams < facts.lifts_from_g * number:
            continue
        if best is None or (number, facts.lifts_g) < best[:2]:
            best = number, facts.lifts_g, material
    if best is None:
        problem = f"{mass(needed, bench.unit)} to lift over {bench.text(height)}, no lift for {control} holds it"
        raise CannotMake("options.control", problem, f"at most {mass(most, bench.unit)}")
    bench.roles["lift"], bench.counts["lifts"] = best[2].key, best[0]
    bench.figure("lift", "lift", f"{best[0]} × {best[2].name} for {mass(grams, bench.unit)}", best[0])
    warn_of(bench, best[2])
    return best[2], best[0]


def warn_of(bench: Bench, drive: Material) -> None:
    """What a drive asks of who installs it."""
    if drive.facts.mains:
        bench.remark("check", "mains", f"{drive.name}: mains wiring is work for a licensed electrician")
    if drive.facts.charged:
        bench.remark("note", "charge", f"{drive.name}: charge the battery before loading")


def set_loop(bench: Bench, height: Length) -> None:
    """
    The control loop's drop and length where the control has one, by its share and the cord rule.

    Raises
    ------
    CannotMake
        When the local rule leaves less than is of any use; choose another control then.
    """
    rule = bench.trade.loop
    if rule is None or bench.option("control") not in rule.control:
        return
    drop = _drop(bench, rule, height, "loop", bench.option("control_side") or "control")
    bench.set_measure("loop", drop * 2, "loop, twice its drop")
    bench.remark(
        "check",
        "loop",
        "a loop must be held taut by its tension device; where children live or visit take a cordless "
        "control or a motor, and follow the local rule",
    )


def set_pull(bench: Bench, height: Length) -> None:
    """
    How far the pull of a corded slat blind hangs below its lock; nothing where it has none.

    Raises
    ------
    CannotMake
        As `set_loop`.
    """
    rule = bench.trade.pull
    bench.set_measure("pull", ZERO, "no pull")
    if rule is None or bench.option("control") not in rule.control:
        return
    drop = _drop(bench, rule, height, "pull", "lock")
    bench.set_measure("pull", drop, "pull")
    bench.remark("check", "pull", "a pull hangs free: where children live or visit take a cordless control or a motor")


def _drop(bench: Bench, rule: LoopRule, height: Length, what: str, side: str) -> Length:
    """A loop's or pull's drop: its share of the height, never past its own most or the place's rule."""
    share = max(Length(int(height.times(rule.share))), rule.least)
    wanted = (share if rule.most is None else min(share, rule.most)).down(rule.step)
    limit, by_rule = bench.order.loop_limit, bench.order.loop_rule or "the cord rule of the place"
    drop, note = wanted, f"on the {side} side"
    if limit is not None and drop > limit:
        drop = limit.down(rule.step)
        note += f", shortened from {bench.text(wanted)}: {by_rule}"
        bench.remark("note", "loop_limit", f"{what} shortened to {bench.text(drop)} by {by_rule}")
    if drop < rule.least:
        problem = f"a {what} may hang {bench.text(limit or drop)} here, too little to work it; take another control"
        raise CannotMake("loop_limit", f"{problem} ({by_rule})", f"at least {bench.text(rule.least)}")
    if bench.order.loop_warning:
        bench.remark("check", "loop_rule", bench.order.loop_warning)
    bench.figure_length(f"{what}_drop", f"{what} hangs", drop, note)
    return drop
