"""Units for the tests of the install rules: one plain, and as many random ones as are asked for."""

from __future__ import annotations

import random
from typing import Any

from installs.rules.units import (
    COMES_WITH,
    CONTROLS,
    FAMILIES,
    FIXED_TO,
    LOOP_CONTROLS,
    POWERS,
    SUBSTRATES,
    InstallUnit,
    KeepOff,
    Loop,
    Motor,
    Obstruction,
    SiteFacts,
    Valance,
)
from shared.lengths import TICKS_PER_INCH, Length

VARIANTS = {"roller": ("", "cassette"), "solar": ("", "cassette"), "slat": ("", "aluminium")}
FACTS = ("alarm_contact", "pipes_above", "wires_above", "glass_close", "steel_door", "textured_ceiling", "bees")


def inch(value: Any) -> Length:
    return Length.inches(value)


def make_unit(**changes: Any) -> InstallUnit:
    """A slat blind inside a wooden recess, 36 × 60 in, 5 kg, cordless."""
    facts: dict[str, Any] = {
        "code": "A1",
        "family": "slat",
        "width": inch(36),
        "height": inch(60),
        "mount": "inside",
        "fixed_to": "jamb",
        "substrate": "wood",
        "weight_g": 5000,
    }
    facts.update(changes)
    if facts.get("motor") is not None:
        facts["control"] = "motor"
    return InstallUnit(**facts)


def random_unit(seed: int) -> InstallUnit:
    """One unit of any family, wall and options; every eighth is on neither length grid."""
    pick = random.Random(seed)
    width = Length(pick.randint(64, 16 * 190) * TICKS_PER_INCH // 16)
    height = Length(pick.randint(64, 16 * 150) * TICKS_PER_INCH // 16)
    if pick.random() < 0.125:
        width, height = width + Length(pick.randint(1, 500)), height + Length(pick.randint(1, 500))
    family = pick.choice(FAMILIES)
    control = pick.choice(CONTROLS)
    mount = pick.choice(("inside", "outside"))
    return InstallUnit(
        code=f"U{seed}",
        family=family,
        width=width,
        height=height,
        mount=mount,
        fixed_to=pick.choice(("jamb", "ceiling") if mount == "inside" else FIXED_TO),
        substrate=pick.choice(SUBSTRATES),
        variant=pick.choice(VARIANTS.get(family, ("",))),
        weight_g=pick.choice((None, pick.randint(300, 60_000))),
        control=control,
        control_side=pick.choice(("left", "right")),
        loops=_loops(pick, control),
        obstructions=tuple(
            Obstruction(pick.choice(("crank", "handle", "trim")), Length(pick.randint(0, 7 * TICKS_PER_INCH)))
            for _ in range(pick.choice((0, 0, 1, 2)))
        ),
        keep_off=tuple(
            KeepOff(pick.choice(("ladder", "cord lock", "tilter")), Length(pick.randint(0, width.ticks)))
            for _ in range(pick.choice((0, 0, 2, 5)))
        ),
        seams=tuple(Length(pick.randint(0, width.ticks)) for _ in range(pick.choice((0, 0, 0, 1, 3)))),
        splits=tuple(Length(pick.randint(1, width.ticks - 1)) for _ in range(pick.choice((0, 0, 0, 1)))),
        gap_strips=pick.random() < 0.3,
        hold_downs=pick.random() < 0.1,
        valance=Valance(width, pick.choice((None, inch(3)))) if pick.random() < 0.3 else None,
        motor=Motor(pick.choice(POWERS), pick.choice(("", "hall")), pick.choice((None, 1, 5)))
        if control == "motor"
        else None,
        is_door=pick.random() < 0.15,
        head_out=pick.choice((Length(0), Length(0), Length(pick.randint(1, TICKS_PER_INCH)))),
        head_low=pick.choice(("left", "right")),
        reach_height=pick.choice((None, Length(pick.randint(40, 220) * TICKS_PER_INCH))),
        flat_height=pick.choice((None, None, inch(pick.randint(1, 8)))),
        solid_depth=pick.choice((None, None, None, inch(pick.randint(1, 4)))),
        facts=tuple(pick.sample(FACTS, pick.choice((0, 0, 1, 3)))),
        take_down=pick.random() < 0.2,
        two_way=pick.random() < 0.2,
        comes_with=tuple(sorted(pick.sample(COMES_WITH, pick.choice((0, 0, 1, 2))))),
    )


def random_site(seed: int) -> SiteFacts:
    pick = random.Random(-seed - 1)
    return SiteFacts(
        pick.choice((None, 1950, 1979, 2005)),
        pick.random() < 0.5,
        pick.choice(("US", "CA", "AU", "GB", "EU", "IE", "nowhere")),
        pick.random() < 0.5,
    )


def _loops(pick: random.Random, control: str) -> tuple[Loop, ...]:
    if control not in LOOP_CONTROLS or pick.random() < 0.3:
        return ()
    return tuple(
        Loop(inch(pick.randint(10, 90)), LOOP_CONTROLS[control], pick.choice(("left", "right")))
        for _ in range(pick.choice((1, 1, 2)))
    )
