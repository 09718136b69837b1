"""
Random queues on the phone's model and at the office: what the phone shows before it has sent them is what comes.

A queue is what a person taps: readings, corrections, facts, copies and so on, of every registered kind, now and
then wrong. The page plays it on the day it fetched; the office takes the same entries in through the receiver.
Then everything either shows of an opening must be the same: with one phone before anything was
sent, with two phones after both have. The seed is in the failure; ``./run bench phone`` plays more.
"""

from __future__ import annotations

import base64
import os
import random
import uuid
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from django.db import transaction

from fabrication.starting_data import load_materials, load_recipes
from jobs.models import Appointment
from measuring import services
from measuring.deeds import kinds
from measuring.models import Opening, Product
from shared.lengths import READING_GRID, Length, Unit
from shared.models import Branch, User
from tests.agreement.phones import Pages, Phone, all_said_by_office, pages
from tests.measuring.makers import make_appointment, make_crew, make_job, make_opening, make_range, make_tape
from tests.measuring.test_readings import a_photo

pytestmark = [pytest.mark.django_db, pytest.mark.browser]

SEED = int(os.environ.get("JAMBWISE_PHONE_SEED", "11"))
QUEUES = int(os.environ.get("JAMBWISE_PHONE_QUEUES", "100"))
ENTRIES = 40
PHOTO = base64.b64encode(a_photo(8, 6)).decode()
ODD = ("", "0", "abc", "700", "35 9/8", "-3", "1/16", "2' 11 3/8\"", "904 mm", "35.375")
"""Typed now and then: some of it is a length."""


@pytest.fixture(scope="module")
def page(chromium: Any) -> Iterator[Pages]:
    with pages(chromium) as found:
        yield found


# -- what a person taps ------------------------------------------------------------------------


class Person:
    """Somebody at a job, who taps by chance but mostly reads what is asked."""

    def __init__(self, chance: random.Random, unit: Unit, products: list[str]) -> None:
        self.chance, self.unit, self.products = chance, unit, products
        self.at = 0  # the opening somebody stands at
        grid = READING_GRID[unit].ticks
        self.wide = chance.randrange(16 * 8128, 140 * 8128) // grid * grid
        self.high = chance.randrange(20 * 8128, 110 * 8128) // grid * grid

    def some(self, count: int) -> list[dict[str, Any]]:
        return [self.one() for _ in range(count)]

    def coming(self) -> list[dict[str, Any]]:
        """Most people begin when they come."""
        return [] if self.is_rare(0.15) else [self.one("begin")]

    def leaving(self) -> list[dict[str, Any]]:
        """What can't be finished is said not to be reached, and the visit closed in part."""
        if self.is_rare(0.5):
            return []
        aside = [self.one("state", to="not_reached", reason="no time", look={"open": 0}) for _ in range(9)]
        return [*aside, self.one("close", in_part=True, look={"appointment": 0})]

    def one(self, kind: str = "", **more: Any) -> dict[str, Any]:
        """An entry; ``look`` is filled in by the phone that shows what there is."""
        kind = kind or self.chance.choices(list(WEIGHTS), list(WEIGHTS.values()))[0]
        made: dict[str, Any] = {**getattr(self, kind)(), **more}
        look = made.pop("look", {})
        made_id = str(uuid.UUID(int=self.chance.getrandbits(128), version=4))
        at = "2026-01-05T09:00:00+00:00"
        return {"id": made_id, "kind": f"measuring.{kind}", "body": made, "done_at": at, "look": look}

    def any(self) -> int:
        return self.chance.randrange(1000)

    def is_rare(self, share: float = 0.08) -> bool:
        return self.chance.random() < share

    def uid(self) -> str:
        return str(uuid.UUID(int=self.chance.getrandbits(128), version=4))

    def text(self, ticks: int) -> str:
        if self.is_rare(0.03):
            return self.chance.choice(ODD)
        if self.is_rare(0.06):
            ticks += self.chance.choice((-1, 1)) * self.chance.choice((8128, 97536, 4064, 26416))
        grid = READING_GRID[self.unit].ticks
        ticks += self.chance.choice((0, 0, 0, 1, -1, 2)) * grid
        finest = 127 if self.unit is Unit.INCH else 32
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
        return {"facts": self._facts(), "look": {"opening": self.any(), "blind": self.is_rare()}}

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

    def _facts(self) -> dict[str, Any]:
        """One to three facts, each now and then not fit."""
        text = self.chance.choice
        offered: dict[str, Callable[[], Any]] = {
            "product": lambda: text([*self.products, *self.products, "", "no_such"]),
            "mount": lambda: text(("inside", "inside", "outside")) if self.is_rare(0.9) else "askew",
            "fixed_to": lambda: text(("jamb", "ceiling", "wall")),
            "substrate": lambda: text(("wood", "tile", "unknown", "post_tensioned_slab")),
            "sill": lambda: text(("sill", "floor", "none")),
            "floor_type": lambda: text(("oak", " tile ", "", "x" * 41)),
            "stops_on": lambda: text(({}, {"bottom": {"on": "sill", "limit": self.small(4)}}, {"left": {"on": ""}})),
            "is_door": lambda: text((True, False, "on")),
            "door_swing": lambda: text(("in, left", "slides", "")),
            "handle_projection": lambda: self.small(4),
            "handle_height": lambda: self.small(40),
            "sill_projection": lambda: self.small(3),
            "reach_height": lambda: text(("", self.small(140), self.small(140))),
            "power": lambda: text(("", "none", "outlet", "mains", "by the door")),
            "access_note": lambda: text(("ladder", "")),
            "note": lambda: text(("tall", " tall ")),
            "phase": lambda: text(("2", "")),
            "site_facts": lambda: text(({"alarm": "yes"}, {"pipes": "left"}, {"alarm": ""})),
            "units_wanted": lambda: text(("1", "1", "2", 3, "0", "two")),
            "split": lambda: text(("", "20 + 20", f"{self.small(30)} + {self.small(30)}")),
            "mark": lambda: text(("A", "W-204", "Z", "")),
        }
        names = self.chance.sample(list(offered), self.chance.choice((1, 1, 2, 3)))
        return {name: offered[name]() for name in names}


WEIGHTS = {
    "begin": 2, "room": 2, "room_defaults": 2, "opening": 5, "copy": 5, "order": 2, "reading": 60, "same": 3,
    "back": 4, "keep": 3, "facts": 14, "settle": 5, "obstruction": 3, "clear": 1, "photo": 0.5, "options": 4,
    "state": 5, "close": 2,
}  # fmt: skip


# -- where it happens ------------------------------------------------------------------------------


@dataclass
class World:
    """A job with its appointments, and the two people there."""

    unit: Unit
    measurer: User
    second: User
    job_id: int


def make_world(number: int, people: Callable[[Unit], tuple[User, User, User]]) -> World:
    """A measure visit of today, now and then with openings, another visit, a used tape, an old product."""
    unit = Unit.MM if number % 3 == 2 else Unit.INCH
    measurer, second, dispatcher = people(unit)
    site = {"children": number % 2 == 0, "year_built": (None, 1950, 1994)[number % 3], "has_lift": number % 4 == 0}
    site["longest_in_lift"] = Length(80 * 8128) if number % 4 == 0 else None
    job = make_job(dispatcher, site=site)
    crew = make_crew(job.branch, measurer)
    first = make_appointment(job, dispatcher, crew=crew)
    make_tape(second, case="3" if unit is Unit.INCH else "75")
    if number % 2:
        readings = {"widths.top": "35", "depth": "3"} if unit is Unit.INCH else {"widths.top": "900"}
        make_opening(job, dispatcher, family="roller", readings=readings, reach_height="2500 mm")
        heights = ("heights.left", "heights.center", "heights.right")
        whole = {"widths.top": "900 mm", **dict.fromkeys(heights, "1500 mm")}
        make_opening(job, dispatcher, family="cellular", readings=whole, units_wanted=2)
    if number % 4 == 1:
        make_appointment(job, dispatcher, crew=crew)  # the same openings twice on one day
    if number % 4 == 3:
        begun = services.open_visit(appointment=first, by=second)
        beside = make_opening(job, dispatcher, family="roller", room="Kitchen", readings={})
        for place, typed in {"widths.top": "36 in", "heights.left": "60 in"}.items():
            services.record_reading(opening=beside, place=place, typed=typed, by=second, tape=second.tapes.get())
    if number == 3:
        found = make_opening(job, dispatcher, family="sheer", visit=begun, readings={"widths.top": "36 in"})
        Product.objects.filter(pk=found.product_id).update(is_active=False)
    return World(unit, measurer, second, job.pk)


@pytest.fixture
def worlds(branch: Branch) -> list[World]:
    from tests.factories import make_branch, make_user

    branches = {Unit.INCH: branch, Unit.MM: make_branch(units="mm")}
    for one in branches.values():
        make_range(one)
        load_materials(one)
        load_recipes(one)
    cast: dict[Unit, tuple[User, User, User]] = {}

    def people(unit: Unit) -> tuple[User, User, User]:
        where = branches[unit]
        measurer, second = (make_user("measurer", branch=where) for _ in range(2))
        for one in (measurer,):
            make_tape(one, case="3 1/4" if unit is Unit.INCH else "82")
            services.save_tape(user=one, by=one, label="laser", case_length="110 mm", is_laser=True)
        if unit not in cast:
            cast[unit] = (measurer, second, make_user("dispatcher", branch=where))
        return measurer, second, cast[unit][2]

    return [make_world(number, people) for number in range(8)]


# -- the comparison -----------------------------------------------------------------------------------


def differences(one: Any, other: Any, at: str = "") -> list[str]:
    """Where two plain values differ."""
    if isinstance(one, dict) and isinstance(other, dict):
        return [
            line
            for key in sorted({*one, *other}, key=str)
            for line in differences(one.get(key), other.get(key), f"{at}.{key}")
        ]
    return [] if one == other else [f"{at}: {one!r} and {other!r}"]


def play_alone(page: Pages, world: World, people: list[Person], seen: Counter[str]) -> list[str]:
    """One phone, three parcels: what it shows before it sends is what it shows after."""
    phone, found, left = Phone(world.measurer), [], ENTRIES
    day = phone.day()
    person = people[0]
    for fresh in (
        [*person.coming(), *person.some(20)],
        person.some(24),
        [*person.some(5), *person.leaving(), *person.some(30)],
    ):
        played = page.play(day, fresh, most=min(14, left))
        left -= len(played["fresh"])
        replies = phone.send(played["fresh"])
        seen.update(f"{one['kind']} {reply['status']}" for one, reply in zip(played["fresh"], replies, strict=True))
        day = phone.day()
        synced = page.play(day, [])["before"]
        found += differences(played["after"], synced, "before and after sending")
        found += office_differs(day, synced)
        count(synced, seen)
        if found:
            break
    return found


def play_two(page: Pages, world: World, people: list[Person], seen: Counter[str]) -> list[str]:
    """Two phones of one day, neither seeing the other's entries before both have sent."""
    phones, found = [Phone(world.measurer), Phone(world.measurer)], []
    days = [phone.day() for phone in phones]
    for fresh in ([[*person.coming(), *person.some(20)] for person in people], [person.some(20) for person in people]):
        played = [page.play(days[at], fresh[at], most=ENTRIES // 4) for at in (0, 1)]
        for at in (0, 1, 0, 1):
            waiting = played[at]["fresh"]
            half = waiting[: len(waiting) // 2] if waiting and "sent" not in played[at] else waiting
            replies = phones[at].send(half)
            seen.update(f"{one['kind']} {reply['status']}" for one, reply in zip(half, replies, strict=True))
            played[at]["fresh"], played[at]["sent"] = waiting[len(half) :], True
        days = [phone.day() for phone in phones]
        shown = [page.play(day, [])["before"] for day in days]
        found += differences(shown[0], shown[1], "one phone and the other")
        found += office_differs(days[0], shown[0])
        count(shown[0], seen)
        if found:
            break
    return found


def office_differs(day: dict[str, Any], shown: dict[str, Any]) -> list[str]:
    said = all_said_by_office(day)
    return [
        line
        for uid, one in shown["openings"].items()
        for line in differences({key: one[key] for key in said[uid]}, said[uid], f"phone and office, {uid[:8]}")
    ]


def count(shown: dict[str, Any], seen: Counter[str]) -> None:
    """What was compared and is not blank."""
    for one in shown["openings"].values():
        seen["openings"] += 1
        seen["sizes"] += one["size"] is not None
        seen[f"state {one['state']}"] += 1
        seen.update(f"gap {code}" for code, _, _ in one["gaps"])
        seen.update(f"finding {code}" for code, _, _ in one["findings"])
    for visit in shown["visits"].values():
        seen[f"outcome {visit['outcome']}"] += 1


def test_what_a_phone_shows_before_it_sends_is_what_the_office_has_then(page: Pages, worlds: list[World]) -> None:
    seen: Counter[str] = Counter()
    differing: list[str] = []
    keys = {unit: list(keys_of(world.measurer)) for world in worlds for unit in [world.unit]}

    for number in range(QUEUES):
        chance = random.Random(f"{SEED} {number}")
        world = worlds[number % len(worlds)]
        people = [Person(chance, world.unit, chance.sample(keys[world.unit], 4)) for _ in range(2)]
        with transaction.atomic():
            played = play_two if number % 4 == 3 else play_alone
            found = played(page, world, people, seen)
            transaction.set_rollback(True)
        differing += [f"seed {SEED}, queue {number}: {line}" for line in found[:3]]

    assert not differing, "\n".join(differing[:40])
    print(f"seed {SEED}: {QUEUES} queues", *(f"{name}: {times}" for name, times in sorted(seen.items())), sep="\n  ")
    taken = {name.split()[0] for name in seen if name.endswith(" 200")}
    if QUEUES >= 100:
        assert taken >= {kind for kind in kinds() if kind.startswith("measuring.")} - {"measuring.settle"}
        assert min(seen["sizes"], seen["gap rivals"], seen["gap doubt"], seen["finding ladder"]) > 20


def keys_of(user: User) -> Iterator[str]:
    yield from Product.objects.filter(branch=user.branch, is_active=True).values_list("key", flat=True)


def test_a_visit_cancelled_meanwhile_takes_nothing_and_is_gone(page: Pages, worlds: list[World]) -> None:
    """The phone's entries are refused or kept, one by one; the day that comes then is the office's."""
    world = worlds[1]
    phone = Phone(world.measurer)
    chance = random.Random(SEED)
    person = Person(chance, world.unit, list(keys_of(world.measurer))[:4])
    played = page.play(phone.day(), person.some(60), most=ENTRIES)

    Appointment.objects.filter(job=world.job_id).update(state=Appointment.State.CANCELLED)
    before = Opening.objects.filter(job=world.job_id).count()
    replies = phone.send(played["fresh"])

    assert len(replies) == len(played["fresh"])
    assert {reply["status"] for reply in replies} <= {200, 404, 409}
    assert Opening.objects.filter(job=world.job_id).count() == before  # no visit was begun: nothing is added
    assert phone.day()["visits"] == []
