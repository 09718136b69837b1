"""
What a person at a job taps, by chance: entries of every registered kind, now and then wrong.

An entry's ``look`` is what the person leaves to the eye, which opening, which reading; ``phone_page.js`` fills it
in from what the phone shows then.
"""

from __future__ import annotations

import base64
import random
import uuid
from collections.abc import Callable
from typing import Any

from django.utils import timezone

from shared.lengths import READING_GRID, Length, LengthUnit
from tests.measuring.test_readings import a_photo

PHOTO = base64.b64encode(a_photo(8, 6)).decode()
ODD = ("", "0", "abc", "700", "35 9/8", "-3", "1/16", "2' 11 3/8\"", "904 mm", "35.375")
"""Typed now and then: some of it is a length."""


class Person:
    """Somebody at a job, who taps by chance but mostly reads what is asked."""

    def __init__(self, chance: random.Random, unit: LengthUnit, products: list[str], visits: int = 1) -> None:
        self.chance, self.unit, self.products, self.visits = chance, unit, products, visits
        self.at = 0  # the opening somebody stands at
        self.is_careful = False
        grid = READING_GRID[unit].ticks
        self.wide = chance.randrange(16 * 8128, 140 * 8128) // grid * grid
        self.high = chance.randrange(20 * 8128, 110 * 8128) // grid * grid

    def some(self, count: int) -> list[dict[str, Any]]:
        return [self.one() for _ in range(count)]

    def coming(self) -> list[dict[str, Any]]:
        """Most people begin when they come, and find an opening; the other of two visits may come to nothing."""
        other = self.visits > 1 and self.is_rare(0.8)
        nobody = [self.one("not_measured", reason="nobody home", look={"appointment": 1})] if other else []
        if self.is_rare(0.06):
            return nobody
        taps = [self.one(tap, look={"appointment": 0}) for tap in ("on_the_way", "arrived") if not self.is_rare(0.3)]
        if taps and self.is_rare(0.5):
            taps.append(self.one("taken_back", look={"appointment": 0}))
        begun = self.one("begin", look={"appointment": 0, "tape": self.any()})
        unseen = self.one("facts", facts={"substrate": "tile"}, look={"opening": self.any(), "blind": True})
        rooms = [self.one("room"), self.one("room", name="Hall")]
        return [*nobody, *taps, begun, *rooms, self.found(), *([unseen] if self.is_rare(0.6) else [])]

    def found(self) -> dict[str, Any]:
        """An opening whose product is known."""
        facts = {"product": self.chance.choice(self.products)}
        return self.one("opening", facts=facts, look={"appointment": 0, "room": self.any()})

    def again(self) -> list[dict[str, Any]]:
        """Later in the day: what two said differently is settled, as far as it shows; a tap is taken back."""
        back = [self.one("taken_back")] if self.is_rare(0.1) else []
        traced = self.traced() if self.is_rare(0.3) else []
        return [*back, *traced, *(self.one("settle") for _ in range(self.chance.choice((1, 1, 2))))]

    def traced(self) -> list[dict[str, Any]]:
        """What is no rectangle is traced, and the paper torn now and then."""
        facts = {"shape": self.chance.choice(("arch", "trapezoid"))}
        seen = self.one("facts", facts=facts, look={"opening": self.any(), "blind": False})
        gone = [self.one("no_template")] if self.is_rare(0.8) else []
        return [seen, self.one("template", is_marked=True), *gone]

    def afterwards(self) -> list[dict[str, Any]]:
        """After the close-out: a reading that did not know of the one that stands, something that is not there."""
        return (self.rivals() if self.is_rare(0.6) else []) + (self.cleared() if self.is_rare(0.5) else [])

    def rivals(self) -> list[dict[str, Any]]:
        """A reading by somebody who saw none where one stands, and which of the two is kept."""
        other = {**self.one("reading"), "look": {"rival": self.any(), "tape": self.any()}}
        return [other, self.one("keep", look={"reading": self.any(), "readings": "rivals"})]

    def cleared(self) -> list[dict[str, Any]]:
        """Something in the way, and gone again."""
        return [self.one("obstruction"), self.one("clear")]

    def leaving(self) -> list[dict[str, Any]]:
        """
        The visit is closed, in part or whole, with what can be read measured to its end.

        In part, of what isn't finished it is said that it wasn't reached, and one more is found that nobody touches;
        whole, that it can't be covered. What can't fit goes on for a reason.
        """
        in_part = self.is_rare(0.55)
        fresh, late = ([self.found()], [self.found()]) if in_part else ([], [])
        to, left = ("not_reached", "to_do") if in_part else ("cannot", "any")
        self.is_careful = True
        wanted = [self.one("reading", look={"open": "unread", "last": in_part, "ask": 0, "tape": 0}) for _ in range(10)]
        self.is_careful = False
        sure = [self.one("same", look={"doubt": 0}) for _ in range(3)]
        aside = [self.one("state", to=to, reason="no time", look={"open": left}) for _ in range(8)]
        said = {"goes_on": "customer knows"}
        on = [self.one("facts", facts=said, look={"open": "unsaid", "blind": False}) for _ in range(8)]
        return [*fresh, *wanted, *sure, *aside, *on, *late, self.one("close", in_part=in_part, look={"appointment": 0})]

    def one(self, kind: str = "", **more: Any) -> dict[str, Any]:
        """An entry; ``look`` is filled in by the phone that shows what there is."""
        kind = kind or self.chance.choices(list(WEIGHTS), list(WEIGHTS.values()))[0]
        made: dict[str, Any] = {**getattr(self, kind)(), **more}
        look = made.pop("look", {})
        made_id = str(uuid.UUID(int=self.chance.getrandbits(128), version=4))
        at = timezone.now().isoformat()  # what is older than 14 days waits for the office
        return {"id": made_id, "kind": f"measuring.{kind}", "body": made, "done_at": at, "look": look}

    def any(self) -> int:
        return self.chance.randrange(1000)

    def is_rare(self, share: float = 0.08) -> bool:
        return self.chance.random() < share

    def uid(self) -> str:
        return str(uuid.UUID(int=self.chance.getrandbits(128), version=4))

    def text(self, ticks: int) -> str:
        if self.is_careful:
            return Length(ticks).text(self.unit)
        if self.is_rare(0.03):
            return self.chance.choice(ODD)
        if self.is_rare(0.06):
            ticks += self.chance.choice((-1, 1)) * self.chance.choice((8128, 97536, 4064, 26416))
        grid = READING_GRID[self.unit].ticks
        ticks += self.chance.choice((0, 0, 0, 1, -1, 2)) * grid
        finest = 127 if self.unit is LengthUnit.INCH else 32
        ticks += self.chance.choice((0, 0, 0, 0, 1)) * finest
        return Length(max(ticks, grid)).text(self.unit)

    def small(self, most: int) -> str:
        grid = READING_GRID[self.unit].ticks
        return self.text(self.chance.randrange(1, most * 8128 // grid) * grid)

    # one method a kind

    def begin(self) -> dict[str, Any]:
        return {"look": {"appointment": self.any(), **({} if self.is_rare(0.3) else {"tape": self.any()})}}

    def room(self) -> dict[str, Any]:
        name = self.chance.choice(("Kitchen", "Hall", " Study ", "Bath", ""))
        return {"room": self.uid(), "name": name, "floor": self.chance.choice(("", "1")), "look": {"appointment": 0}}

    def room_defaults(self) -> dict[str, Any]:
        return {"defaults": self._facts(), "look": {"room": self.any()}}

    def opening(self) -> dict[str, Any]:
        facts = {"product": self.chance.choice(self.products)} if self.is_rare(0.7) else {}
        if self.is_rare(0.5):
            facts |= self._facts()
        look = {"appointment": self.any(), "room": self.any(), **({"mark": "A"} if self.is_rare() else {})}
        return {"opening": self.uid(), "facts": facts, "look": look}

    def copy(self) -> dict[str, Any]:
        look = {"appointment": self.any(), "opening": self.any(), **({"mark": "A"} if self.is_rare() else {})}
        return {"copy": self.uid(), "look": look}

    def order(self) -> dict[str, Any]:
        look = {"room": self.any(), "turn": self.is_rare(0.5), "from": self.any()}
        return {"look": {**look, "most": self.chance.choice((1, 2, 9))}}

    def reading(self) -> dict[str, Any]:
        grid = READING_GRID[self.unit].ticks
        square = int((self.wide**2 + self.high**2) ** 0.5) // grid * grid
        typed = {
            "widths": self.text(self.wide),
            "heights": self.text(self.high),
            "diagonals": self.text(square),
            "depth": self.small(5),
            "cover": self.small(6),
            "chosen": self.text(self.wide + 4 * 8128),
        }
        self.at += self.is_rare(0.07)
        opening = self.any() if self.is_rare(0.15) else self.at
        look = {"opening": opening, "ask": 0 if self.is_rare(0.9) else self.any(), "tape": self.any()}
        look |= {"any": True} if self.is_rare(0.06) else {}
        look |= {"blind": True} if self.is_rare(0.03) else {}
        grade = "rough" if self.is_rare() else "final"
        return {"typed": typed, "with_case": self.is_rare(0.12), "grade": grade, "look": look}

    def same(self) -> dict[str, Any]:
        return {"look": {"reading": self.any()}}

    def back(self) -> dict[str, Any]:
        return {"look": {"reading": self.any()}}

    def keep(self) -> dict[str, Any]:
        return {"look": {"reading": self.any(), "readings": self.chance.choice(("rivals", "rivals", "any"))}}

    def facts(self) -> dict[str, Any]:
        return {"facts": self._facts(), "look": {"opening": self.any(), "blind": self.is_rare(0.25)}}

    def settle(self) -> dict[str, Any]:
        return {"offered": self.is_rare(0.5), "look": {"conflict": self.any()}}

    def obstruction(self) -> dict[str, Any]:
        side = self.chance.choice(("", "left", "right", "top", "bottom"))
        from_top = self.small(20) if self.is_rare(0.3) else ""
        made = {"kind": self.chance.choice(("crank", " lock ", "")) if self.is_rare(0.2) else "handle", "side": side}
        at = self.chance.choice(("head", "path"))
        return {**made, "at": at, "projection": self.small(3), "from_top": from_top, "look": {"opening": self.any()}}

    def clear(self) -> dict[str, Any]:
        return {"look": {"obstruction": self.any()}}

    def photo(self) -> dict[str, Any]:
        return {"data": PHOTO, "caption": "sill", "look": {"opening": self.any()}}

    def template(self) -> dict[str, Any]:
        position = self.chance.choice((None, 1, 2, 7))
        size_is = self.chance.choice(("opening", "finished"))
        made = {"size_is": size_is, "is_marked": not self.is_rare(), "position": position}
        return {**made, "look": {"opening": self.any(), "shaped": not self.is_rare()}}

    def no_template(self) -> dict[str, Any]:
        return {"reason": "" if self.is_rare() else "torn", "look": {"template": self.any()}}

    def options(self) -> dict[str, Any]:
        control = self.chance.choice(("", "chain", "Cordless", "spring", "mains", "corded", "no such"))
        colour = self.chance.choice(("", "white", " White", "slate"))
        extra = self.chance.choice(({}, {"colour": colour}, {"cloth_extra": self.small(2)}, {"stack": ""}))
        return {"options": {"control": control, **extra}, "look": {"opening": self.any()}}

    def state(self) -> dict[str, Any]:
        to = self.chance.choice(("cannot", "not_reached", "not_reached", "drop", "again", "again", "again", "again"))
        return {"to": to, "reason": "" if self.is_rare() else "a wardrobe", "look": {"opening": self.any()}}

    def close(self) -> dict[str, Any]:
        return {"in_part": self.is_rare(0.6), "note": "", "look": {"appointment": self.any()}}

    def on_the_way(self) -> dict[str, Any]:
        return {}

    def arrived(self) -> dict[str, Any]:
        return {}

    def taken_back(self) -> dict[str, Any]:
        return {"look": {"appointment": self.any()}}

    def not_measured(self) -> dict[str, Any]:
        return {"reason": self.chance.choice(("no way in", " not ready ", "")), "look": {"appointment": self.any()}}

    def _facts(self) -> dict[str, Any]:
        """One to three facts, each now and then not fit."""
        text = self.chance.choice
        offered: dict[str, Callable[[], Any]] = {
            "product": lambda: text([*self.products, *self.products, "", "no_such"]),
            "mount": lambda: text(("inside", "inside", "outside")) if self.is_rare(0.9) else "askew",
            "fixed_to": lambda: text(("jamb", "ceiling", "wall")),
            "substrate": lambda: text(("wood", "tile", "unknown", "post_tensioned_slab")),
            "sill": lambda: text(("sill", "floor", "none")),
            "floor_type": lambda: text(("oak", "carpet", " rug ", "", "x" * 41)),
            "goes_on": lambda: text(("the shop notches it", "customer knows", "", "x" * 241)),
            "stops_on": lambda: text(({}, {"bottom": {"on": "sill", "limit": self.small(4)}}, {"left": {"on": ""}})),
            "is_door": lambda: text((True, False, "on")),
            "door_swing": lambda: text(("in, left", "slides", "")),
            "handle_projection": lambda: self.small(4),
            "handle_height": lambda: self.small(40),
            "sill_projection": lambda: self.small(3),
            "reach_height": lambda: text(("", self.small(140), self.small(140))),
            "to_come": lambda: text(("", "", "casing", "tile", "roof")),
            "power": lambda: text(("", "none", "outlet", "mains", "by the door")),
            "access_note": lambda: text(("ladder", "")),
            "note": lambda: text(("tall", " tall ")),
            "phase": lambda: text(("2", "")),
            "site_facts": lambda: text(({"alarm": "yes"}, {"pipes": "left"}, {"alarm": ""})),
            "units_wanted": lambda: text(("1", "1", "2", 3, "0", "two")),
            "split": lambda: text(("", "", "20 + 20", f"{self.small(30)} + {self.small(30)}")),
            "mullions": lambda: text(("", "10", f"{self.small(30)}", "10 + 20")),
            "unit_gap": lambda: text(("", "0", "1/8", "1/4", "3 mm")),
            "lapping": lambda: text(("", "", "left", "right")),
            "mark": lambda: text(("A", "W-204", "Z", "")),
        }
        names = self.chance.sample(list(offered), self.chance.choice((1, 1, 2, 3)))
        facts = {name: offered[name]() for name in names}
        if "phase" in facts:  # one in ten is seen to be no rectangle
            facts["shape"] = "arch" if facts["phase"] else "trapezoid"
        return facts


WEIGHTS = {
    "begin": 2, "room": 2, "room_defaults": 2, "opening": 4, "copy": 4, "order": 2, "reading": 60, "same": 3,
    "back": 4, "keep": 3, "facts": 16, "settle": 6, "obstruction": 3, "clear": 2, "photo": 4, "template": 2,
    "options": 5, "state": 5, "close": 0.5, "not_measured": 0.5,
}  # fmt: skip
