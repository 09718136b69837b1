"""
Why a unit was not installed or has to be seen again, and what follows from it.

Two questions at most: the cause, then the kind of it. Each leaf says whether the unit is made
again, whether measuring again is asked, who acts next, and at whose door the cost of it stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

from shared.records import OneOf, Record

YES, NO, CHOOSE = "yes", "no", "choose"


@dataclass(frozen=True)
class Cause(Record):
    """
    One cause. `remake` and `remeasure` are yes, no or choose (a person decides, `remeasure` with
    yes or no to start from); `next_by` the role that acts next; `counts_for` where its cost counts.
    """

    key: str
    label: str
    remake: Annotated[str, OneOf(YES, NO, CHOOSE)]
    remeasure: Annotated[str, OneOf(YES, NO, CHOOSE)]
    next_by: Annotated[str, OneOf("dispatcher", "measurer", "workroom", "installer", "owner")]
    next_step: str
    counts_for: Annotated[
        str, OneOf("measuring", "workroom", "carriage", "installing", "loading", "site", "customer", "dispatch")
    ]
    parent: str = ""

    @property
    def is_ours(self) -> bool:
        """Whether the cost is the firm's own."""
        return self.counts_for not in {"site", "customer"}


def _leaf(key: str, label: str, remake: str, remeasure: str, next_by: str, next_step: str, counts_for: str) -> Cause:
    parent = key.partition(".")[0]
    return Cause(key, label, remake, remeasure, next_by, next_step, counts_for, parent)


# fmt: off
CAUSES: Final[tuple[Cause, ...]] = (
    Cause("size", "wrong size", CHOOSE, CHOOSE, "measurer",
          "compare readings, order size and the unit itself", "measuring"),
    _leaf("size.too_wide", "too wide", CHOOSE, CHOOSE, "workroom",
          "cut down if the recipe allows, else make again", "measuring"),
    _leaf("size.too_narrow", "too narrow", YES, YES, "measurer",
          "measure again, then make again", "measuring"),
    _leaf("size.too_long", "too long", CHOOSE, NO, "workroom",
          "shorten if the recipe allows, else make again", "measuring"),
    _leaf("size.too_short", "too short", YES, YES, "measurer",
          "measure again, then make again", "measuring"),
    _leaf("size.not_as_ordered", "not the size ordered", YES, NO, "workroom",
          "make again to the same order size", "workroom"),
    _leaf("size.no_room", "no depth, or something in the way", CHOOSE, YES, "measurer",
          "measure depth and obstructions again, choose the mount", "measuring"),
    Cause("make", "made wrong", YES, NO, "workroom",
          "make again, or put right at the bench", "workroom"),
    _leaf("make.wrong_option", "wrong colour, side or option", YES, NO, "workroom",
          "compare with the order, make again", "workroom"),
    _leaf("make.cloth_flaw", "flaw in the cloth, vanes or slats", YES, NO, "workroom",
          "make again; look at the rest of the roll", "workroom"),
    _leaf("make.does_not_run", "does not run, or runs crooked", CHOOSE, NO, "workroom",
          "repair at the bench, or make again", "workroom"),
    _leaf("make.does_not_match", "does not match its neighbours", CHOOSE, NO, "workroom",
          "compare dye lots and bottoms, make again", "workroom"),
    Cause("damage", "damaged", CHOOSE, NO, "workroom",
          "look at the photo: repair or make again", "carriage"),
    _leaf("damage.on_arrival", "damaged when unpacked", CHOOSE, NO, "workroom",
          "look at the photo: repair or make again", "carriage"),
    _leaf("damage.while_fitting", "damaged while fitting", CHOOSE, NO, "workroom",
          "look at the photo: repair or make again", "installing"),
    _leaf("damage.by_others", "damaged by others on site", CHOOSE, NO, "dispatcher",
          "agree on the cost with the customer first", "site"),
    Cause("missing_part", "missing part", NO, NO, "workroom",
          "pick the part, tell dispatch its date", "loading"),
    _leaf("missing_part.hardware", "brackets, spacers or fixings", NO, NO, "workroom",
          "pick the hardware, check the rule that left it out", "loading"),
    _leaf("missing_part.package", "a package was not on the truck", NO, NO, "dispatcher",
          "find it, then book the return", "loading"),
    _leaf("missing_part.motor", "remote, charger or supply", NO, NO, "workroom",
          "pick the part, tell dispatch its date", "loading"),
    _leaf("missing_part.made_short", "a part left out in the workroom", NO, NO, "workroom",
          "make the part, tell dispatch its date", "workroom"),
    Cause("trimmed", "trimmed on site", CHOOSE, CHOOSE, "dispatcher",
          "ask the customer whether it stays; note the size it has now", "measuring"),
    _leaf("trimmed.stays", "trimmed, and it stays", NO, NO, "dispatcher",
          "note the size it has now", "measuring"),
    _leaf("trimmed.make_again", "trimmed, to be made again", YES, CHOOSE, "workroom",
          "make again to the trimmed size or a new reading", "measuring"),
    Cause("wall_moved", "opening changed since measuring", CHOOSE, YES, "measurer",
          "measure again", "site"),
    _leaf("wall_moved.new_finish", "new tile, trim, floor or window", CHOOSE, YES, "measurer",
          "measure again", "site"),
    _leaf("wall_moved.settled", "frame or wall has moved", CHOOSE, YES, "measurer",
          "measure again, corner to corner too", "site"),
    Cause("site_not_ready", "site not ready", NO, NO, "dispatcher",
          "agree on what must be ready, then book", "site"),
    _leaf("site_not_ready.building", "building work going on", NO, CHOOSE, "dispatcher",
          "ask for a date; measure again if trim or floor changes", "site"),
    _leaf("site_not_ready.power", "no power for the motor", NO, NO, "dispatcher",
          "ask for the electrician's date", "site"),
    _leaf("site_not_ready.no_fixing", "nothing to fix into", NO, NO, "dispatcher",
          "agree on backing or another mount", "site"),
    _leaf("site_not_ready.unsafe", "not safe to work", NO, NO, "dispatcher",
          "say what must change first: scan, access, second person", "site"),
    _leaf("site_not_ready.access", "no way in, up or through", NO, NO, "dispatcher",
          "agree on lift, stair or a smaller package", "site"),
    Cause("nobody_there", "nobody there", NO, NO, "dispatcher",
          "call, then book again", "customer"),
    Cause("customer_change", "customer's change", CHOOSE, CHOOSE, "dispatcher",
          "agree on what and at what price, then release", "customer"),
    _leaf("customer_change.other_product", "wants something else", YES, CHOOSE, "dispatcher",
          "new order, price agreed", "customer"),
    _leaf("customer_change.other_mount", "wants it mounted otherwise", YES, YES, "measurer",
          "measure for the new mount, price agreed", "customer"),
    _leaf("customer_change.not_wanted", "does not want it any more", NO, NO, "owner",
          "decide with the customer", "customer"),
    Cause("out_of_time", "day ran out", NO, NO, "dispatcher",
          "book the rest, look at the estimate", "dispatch"),
)
# fmt: on
"""The tree, a cause before its kinds."""

_BY_KEY: Final = {cause.key: cause for cause in CAUSES}


def cause(key: str) -> Cause:
    """The cause of this key; raises KeyError."""
    return _BY_KEY[key]


def top_causes() -> tuple[Cause, ...]:
    """What is asked first."""
    return tuple(entry for entry in CAUSES if not entry.parent)


def kinds_of(key: str) -> tuple[Cause, ...]:
    """
    What is asked second; empty where the first answer is enough.

    >>> [kind.key for kind in kinds_of("size")][:2], kinds_of("size.too_wide")
    (['size.too_wide', 'size.too_narrow'], ())
    """
    return tuple(entry for entry in CAUSES if entry.parent == key)


def top_of(key: str) -> Cause:
    """The first answer above a kind, for counting; the cause itself where it is one."""
    found = cause(key)
    return cause(found.parent) if found.parent else found


def needs_return(key: str) -> bool:
    """Whether the site is driven to once more."""
    return key not in {"trimmed.stays", "customer_change.not_wanted"}
