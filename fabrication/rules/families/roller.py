"""
Roller, solar and sheer: the tube that carries its cloth, the roll that clears its bracket, the drive.

A tube is chosen, never assumed: the smallest whose sag is within the limit, whose roll passes the
bracket, fascia or headbox, and which some drive of the control fits and turns.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from fabrication.rules.bench import Bench
from fabrication.rules.cloth import lay_cloth
from fabrication.rules.lifting import set_loop, warn_of
from fabrication.rules.light_gap import light_gap
from fabrication.rules.materials import Material
from fabrication.rules.model import CannotMake
from fabrication.rules.trade import RollerTrade
from fabrication.rules.tubes import lift_torque_nm, load_n_per_mm, sag_mm, tube_inertia_mm4, widest_span_mm
from fabrication.rules.winding import mm_up, rolled_diameter_mm, spiral_length_mm, turns, wraps_length
from shared.lengths import SIXTEENTH, ZERO, Length


class TubeFails(Exception):
    """Why one tube will not do."""


def work(bench: Bench) -> None:
    """Tube, drive, wraps, loop and lay of one unit."""
    trade: RollerTrade = bench.trade
    _set_sides(bench, trade)
    set_loop(bench, bench.measures["height"])
    _choose_tube(bench, trade)
    lay_cloth(bench, "cloth", seam=trade.seam, grid=trade.grid)
    _light(bench, trade)
    if trade.bands is not None:
        _bands(bench, trade)
    if trade.vane is not None:
        _soft_vanes(bench, trade.vane)


def _set_sides(bench: Bench, trade: RollerTrade) -> None:
    control = bench.option("control")
    sides = next((sides for sides in trade.sides if control in sides.control), None)
    if sides is None:
        known = ", ".join(key for sides in trade.sides for key in sides.control)
        raise CannotMake("options.control", f"{control!r} has no figures for its sides", known)
    bench.set_measure("sides", sides.idle + sides.drive, "hardware at both sides")
    bench.measures["idle_side"], bench.measures["drive_side"] = sides.idle, sides.drive


def _choose_tube(bench: Bench, trade: RollerTrade) -> None:
    tried: list[str] = []
    for key in trade.tubes:
        tube = bench.material(key)
        try:
            _try_tube(bench, trade, tube)
        except TubeFails as failure:
            tried.append(f"{tube.name}: {failure}")
            continue
        if tried:
            bench.figure("tubes_tried", "tubes that would not do", "; ".join(tried))
        return
    coupled = "; tubes coupled in the middle are not reckoned with: make two shades on one head"
    raise CannotMake("width", f"no tube will do: {'; '.join(tried)}{coupled}", _widest(bench, trade))


def _try_tube(bench: Bench, trade: RollerTrade, tube: Material) -> None:
    """Sets everything that follows from this tube, or says why it won't do."""
    diameter, wall = tube.facts.diameter, tube.facts.wall
    if diameter is None or wall is None or tube.facts.e_gpa is None:
        raise CannotMake("materials", f"{tube.name} has no diameter, wall or e_gpa", "a tube's facts")
    bench.set_measure("wraps", wraps_length(diameter, float(trade.wraps), trade.wraps_grid), "wraps")
    span = bench.length("tube")
    if tube.facts.widest is not None and span > tube.facts.widest:
        raise TubeFails(f"{bench.text(span)} is over the shop's limit of {bench.text(tube.facts.widest)}")
    load = _load_g(bench, trade, tube, span)
    sag, limit = _sag(tube, load, span), sag_limit(trade, bench.measures["width"])
    if sag > limit:
        raise TubeFails(f"sags {bench.text(sag)}, limit {bench.text(limit)}")
    fall = bench.measures["longest_height"] * (2 if trade.looped else 1)
    rolled = _rolled(bench, diameter, fall + bench.measures["wraps"])
    if rolled > trade.largest_roll:
        problem = f"rolls up to {bench.text(rolled)}, {bench.text(trade.largest_roll)} clears"
        raise TubeFails(problem)
    drive = _drive(bench, trade, tube, diameter, fall)
    bench.roles |= {"tube": tube.key, "drive": drive.key}
    bench.counts["drives"] = 1
    bench.set_measure("fall", fall, "cloth that moves")
    bench.measures |= {"rolled": rolled, "tube_diameter": diameter, "axis": trade.axis}
    bench.figure("tube", "tube", tube.name)
    bench.figure("sag", "sag at the middle", f"{bench.text(sag)}, limit {bench.text(limit)}", sag.ticks)
    thickness = _thickness(bench)
    wound = (fall + bench.measures["wraps"]).as_mm()
    round_ = turns(diameter.as_mm(), thickness, wound)
    bench.figure_length("rolled", "rolled up", rolled, f"{round_:.1f} turns; {bench.text(trade.largest_roll)} clears")
    warn_of(bench, drive)


def sag_limit(trade: RollerTrade, width: Length) -> Length:
    """The limit of the band a width falls in."""
    return next(band.limit for band in trade.sag if band.below is None or width < band.below)


def _load_g(bench: Bench, trade: RollerTrade, tube: Material, span: Length) -> Decimal:
    """Tube, all cloth and bottom bar: more than the middle of a raised shade carries, never less."""
    cloth = bench.material_of("cloth").grams(1, bench.length("cloth"), bench.width("cloth"))
    return tube.grams(1, span) + cloth + _bar_g(bench)


def _bar_g(bench: Bench) -> Decimal:
    return bench.grams("hem_bar") + bench.grams("weight")


def _sag(tube: Material, load_g: Decimal, span: Length) -> Length:
    load = load_n_per_mm(float(load_g), span.as_mm())
    return mm_up(sag_mm(load, span.as_mm(), _e_mpa(tube), inertia(tube)), Length(127))


def _e_mpa(tube: Material) -> float:
    return float(tube.facts.e_gpa or 0) * 1000


def inertia(tube: Material) -> float:
    """Stated by the maker, or of the plain round tube, in mm⁴."""
    if tube.facts.inertia_mm4 is not None:
        return float(tube.facts.inertia_mm4)
    assert tube.facts.diameter is not None
    assert tube.facts.wall is not None
    return tube_inertia_mm4(tube.facts.diameter.as_mm(), tube.facts.wall.as_mm())


def _thickness(bench: Bench) -> float:
    thickness = bench.material_of("cloth").facts.thickness_mm
    if thickness is None:
        raise CannotMake("materials", f"{bench.material_of('cloth').name} has no thickness_mm", "a cloth's facts")
    return float(thickness)


def _rolled(bench: Bench, tube: Length, wound: Length) -> Length:
    """Rolled diameter by the area rule, grown until the exact spiral holds the cloth too."""
    thickness = _thickness(bench)
    rolled = rolled_diameter_mm(tube.as_mm(), thickness, wound.as_mm())
    if thickness and spiral_length_mm(tube.as_mm(), thickness, rolled) < wound.as_mm():
        rolled += 2 * thickness * (wound.as_mm() / (3.141592653589793 * rolled)) * 1e-3
    return mm_up(rolled, SIXTEENTH)


def _drive(bench: Bench, trade: RollerTrade, tube: Material, diameter: Length, fall: Length) -> Material:
    """The weakest drive of the control that fits the tube and turns it with its reserve."""
    control = bench.option("control")
    drives = bench.drives_for(control)
    if drives is None:
        raise CannotMake("options.control", f"no drive serves {control!r}", "a drive in the recipe")
    cloth = bench.material_of("cloth")
    per_mm = float(cloth.facts.grams_per_m2 or 0) * bench.width("cloth").as_mm() / 1e6
    share = 0.5 if trade.looped else 1.0  # the fixed end of a looped cloth carries half of what hangs
    torque = lift_torque_nm(
        bar_g=float(_bar_g(bench)) * share,
        cloth_g_per_mm=per_mm * share,
        drop_mm=fall.as_mm(),
        tube_mm=diameter.as_mm(),
        thickness_mm=_thickness(bench),
        wraps_mm=bench.measures["wraps"].as_mm(),
    )
    needed = torque * float(drives.reserve)
    fitting = [bench.material(key) for key in drives.candidates if tube.key in bench.material(key).facts.fits]
    for drive in fitting:
        if float(drive.facts.torque_nm or 0) >= needed:
            text = f"{torque:.2f} Nm; {drive.name} gives {drive.facts.torque_nm} Nm"
            bench.figure("torque", "torque to lift", text, Fraction(round(torque * 1000), 1000))
            return drive
    most = max((drive.facts.torque_nm or Decimal(0) for drive in fitting), default=Decimal(0))
    raise TubeFails(f"needs {needed:.2f} Nm with reserve, {control} gives at most {most} Nm on it")


def _widest(bench: Bench, trade: RollerTrade) -> str:
    """For the refusal: how wide the stiffest tube could be at this drop."""
    widest = ZERO
    for key in trade.tubes:
        tube = bench.material(key)
        span = bench.length("tube")
        load = load_n_per_mm(float(_load_g(bench, trade, tube, span)), span.as_mm())
        limit = max(band.limit for band in trade.sag)
        by_sag = mm_up(widest_span_mm(load, limit.as_mm(), _e_mpa(tube), inertia(tube)), SIXTEENTH) - SIXTEENTH
        widest = max(widest, min(by_sag, tube.facts.widest or by_sag))
    return f"a tube of at most {bench.text(widest)} at this drop; else two units on one head"


def _light(bench: Bench, trade: RollerTrade) -> None:
    """Light gap a side, and where the cloth hangs by its roll direction."""
    side = bench.option("control_side") or "right"
    taken = bench.order.width - bench.head_width if bench.order.mount == "inside" else ZERO
    for name, key in (("drive_side", side), ("idle_side", "left" if side == "right" else "right")):
        beside = bench.recipe.between if key in bench.share.neighbours else taken
        note = "to the middle between the units" if key in bench.share.neighbours else ""
        bench.figure_length(f"light_{key}", f"light gap, {key}", light_gap(bench.measures[name], beside), note)
    half = Length(bench.measures["rolled"].ticks // 2)
    down = Length(bench.measures["tube_diameter"].ticks // 2)
    reverse = bench.option("roll") == "reverse"
    plane = trade.axis + down if reverse else trade.axis - down
    word = "off the front of the roll" if reverse else "off the back of the roll"
    bench.figure_length("cloth_from_wall", "cloth hangs from the wall", max(plane, ZERO), word)
    bench.figure_length("depth", "stands out", trade.axis + half, "at the head, rolled up")


def _bands(bench: Bench, trade: RollerTrade) -> None:
    """Bands of a banded sheer: how they overlap closed, and that heads line up in a room."""
    bands = trade.bands
    assert bands is not None
    overlap = Length((bands.cloth - bands.open).ticks // 2)
    if overlap < bands.least_overlap:
        problem = f"closed, the bands overlap by {bench.text(overlap)}"
        raise CannotMake("trade.bands", problem, f"at least {bench.text(bands.least_overlap)}")
    pitch = bands.cloth + bands.open
    count = -(-bench.measures["height"].ticks // pitch.ticks)
    bench.measures["band_pitch"], bench.counts["bands"] = pitch, count
    bench.figure("bands", "bands", f"{count}, overlapping {bench.text(overlap)} when closed", count)
    bench.remark("note", "align", "start every sheer of the room at the same place of a band")


def _soft_vanes(bench: Bench, pitch: Length) -> None:
    """Vanes between two layers: how many hang, and what is left over the bottom weight."""
    height = bench.measures["height"]
    count, rest = height // pitch, height % pitch
    bench.counts["vanes"], bench.measures["band_pitch"] = count, pitch
    text = f"{count} at {bench.text(pitch)}, {bench.text(rest)} over the bottom weight"
    bench.figure("vanes", "vanes", text, count)
    bench.remark("note", "align", "measure every sheer of the room from the same vane, so that vanes line up")
