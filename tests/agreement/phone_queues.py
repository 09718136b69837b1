"""
Random queues on the phone's model and at the office: what the phone shows before it has sent them is what comes.

A queue is 40 entries that a person or two tap (`phone_people`). The page plays each parcel on the day it fetched;
the office takes the same entries in through the receiver. Then everything either shows of an opening must be the
same: with one phone before anything was sent, with two phones after both have. Between parcels the office acts: a
room gets another name, a product is withdrawn, a unit is released, a visit is opened again or called off.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from jobs.models import Appointment
from jobs.services.appointments import cancel_appointment
from measuring.models import RELEASED_OR_LATER, MeasureVisit, Opening, Product, Room, Unit
from measuring.services import openings, releases
from measuring.services import range as range_services
from measuring.services import readings as reading_services
from measuring.services import visits as visit_services
from shared.errors import Refused
from shared.lengths import Length, LengthUnit
from shared.models import Branch, User
from tests.agreement.phone_people import Person
from tests.agreement.phones import Pages, Phone, all_office_values
from tests.factories import make_branch, make_user
from tests.measuring.makers import (
    choose_all,
    make_appointment,
    make_crew,
    make_job,
    make_opening,
    make_range,
    make_tape,
)

ENTRIES = 40
PARCELS = (8, 24, 8)
"""How many of them one phone sends at once; the visit is closed in the second, and gone on with in the third."""
A_PHONE = (10, 10)
"""The same where two phones share them."""


@dataclass
class World:
    """A job with its appointments, and the two people there."""

    unit: LengthUnit
    measurer: User
    second: User
    dispatcher: User
    job_id: int

    def appointments(self) -> QuerySet[Appointment]:
        return Appointment.objects.filter(job=self.job_id).order_by("pk")


def make_world(number: int, people: Callable[[LengthUnit], tuple[User, User, User]]) -> World:
    """A measure visit of today, now and then with openings, another visit, a used tape, an old product."""
    unit = LengthUnit.MM if number % 3 == 2 else LengthUnit.INCH
    measurer, second, dispatcher = people(unit)
    site = {"children": number % 2 == 0, "year_built": (None, 1950, 1994)[number % 3], "has_lift": number % 4 == 0}
    site["longest_in_lift"] = Length(80 * 8128) if number % 4 == 0 else None
    job = make_job(dispatcher, site=site)
    crew = make_crew(job.branch, measurer)
    first = make_appointment(job, dispatcher, crew=crew)
    make_tape(second, case="3" if unit is LengthUnit.INCH else "75")
    if number % 2:
        readings = {"widths.top": "35", "depth": "3"} if unit is LengthUnit.INCH else {"widths.top": "900"}
        make_opening(job, dispatcher, family="roller", readings=readings, reach_height="2500 mm")
        heights = ("heights.left", "heights.center", "heights.right")
        whole = {"widths.top": "900 mm", **dict.fromkeys(heights, "1500 mm")}
        make_opening(job, dispatcher, family="cellular", readings=whole, units_wanted=2)
    if number in (0, 1, 2, 4, 5):
        make_appointment(job, dispatcher, crew=crew)  # the same openings twice on one day
    if number % 4 == 3:
        begun = visit_services.open_visit(appointment=first, by=second)
        beside = make_opening(job, dispatcher, family="roller", room="Kitchen", readings={})
        for spot, typed in {"widths.top": "36 in", "heights.left": "60 in"}.items():
            reading_services.record_reading(opening=beside, spot=spot, typed=typed, by=second, tape=second.tapes.get())
    if number == 3:
        found = make_opening(job, dispatcher, family="sheer", visit=begun, readings={"widths.top": "36 in"})
        Product.objects.filter(pk=found.product_id).update(is_active=False)
    return World(unit, measurer, second, dispatcher, job.pk)


def make_worlds(branch: Branch) -> list[World]:
    """Eight of them, in this branch and in one that reads millimetres."""
    branches = {LengthUnit.INCH: branch, LengthUnit.MM: make_branch(units="mm")}
    for one in branches.values():
        make_range(one)
    dispatchers = {unit: make_user("dispatcher", branch=where) for unit, where in branches.items()}

    def people(unit: LengthUnit) -> tuple[User, User, User]:
        measurer, second = (make_user("measurer", branch=branches[unit]) for _ in range(2))
        make_tape(measurer, case="3 1/4" if unit is LengthUnit.INCH else "82")
        range_services.save_tape(user=measurer, by=measurer, label="laser", case_length="110 mm", is_laser=True)
        return measurer, second, dispatchers[unit]

    return [make_world(number, people) for number in range(8)]


# -- what the office does meanwhile ------------------------------------------------------------------


def rename_a_room(world: World, chance: random.Random) -> bool:
    rooms = list(Room.objects.filter(job=world.job_id))
    if not rooms:
        return False
    openings.change_room(room=chance.choice(rooms), name=f"Room {chance.randrange(100)}", by=world.dispatcher)
    return True


def withdraw_a_product(world: World, chance: random.Random) -> bool:
    """One that an opening of the job has."""
    used = list(Product.objects.filter(is_active=True, units__opening__job=world.job_id).distinct())
    if not used:
        return False
    product = chance.choice(used)
    range_services.save_product(
        branch=product.branch,
        product=product,
        name=product.name,
        fit=product.fit,
        source=product.source,
        is_active=False,
        by=world.dispatcher,
    )
    return True


def release_a_unit(world: World, chance: random.Random) -> bool:
    """The first that can be, approved as it stands."""
    measured = Unit.objects.live().filter(opening__job=world.job_id, opening__state=Opening.State.MEASURED)
    for unit in measured.exclude(state__in=RELEASED_OR_LATER):
        try:
            with transaction.atomic():
                chosen = choose_all(unit, world.dispatcher)
                job = chosen.opening.job
                releases.approve_sizes(job=job, units=[chosen], approved_by="Ida Marl", by=world.dispatcher)
                releases.release_to_workroom(job=job, units=[chosen], by=world.dispatcher)
        except Refused:
            continue
        return True
    return False


def open_a_visit_again(world: World, chance: random.Random) -> bool:
    visit = MeasureVisit.objects.filter(appointment__job=world.job_id).exclude(closed_at=None).first()
    if visit is None:
        return False
    visit_services.reopen_visit(visit=visit, by=world.dispatcher)
    return True


ACTS: dict[str, Callable[[World, random.Random], bool]] = {
    "a room renamed": rename_a_room,
    "a product withdrawn": withdraw_a_product,
    "a unit released": release_a_unit,
    "a visit opened again": open_a_visit_again,
}


def act(world: World, chance: random.Random, seen: Counter[str]) -> bool:
    """Whether the office did something; a release wherever there is something to release."""
    if release_a_unit(world, chance) if chance.random() < 0.8 else False:
        seen["office: a unit released"] += 1
        return True
    name = chance.choice([*ACTS, ""])
    if not name or not ACTS[name](world, chance):
        return False
    seen[f"office: {name}"] += 1
    return True


# -- playing and comparing ----------------------------------------------------------------------------


def differences(one: Any, other: Any, at: str = "") -> list[str]:
    """Where two plain values differ."""
    if isinstance(one, dict) and isinstance(other, dict):
        return [
            line
            for key in sorted({*one, *other}, key=str)
            for line in differences(one.get(key), other.get(key), f"{at}.{key}")
        ]
    return [] if one == other else [f"{at}: {one!r} and {other!r}"]


@dataclass
class Play:
    """One queue in one world: what differed, and what was seen of it."""

    page: Pages
    world: World
    chance: random.Random
    seen: Counter[str]
    found: list[str] = field(default_factory=list)
    sent: int = 0
    had: set[str] = field(default_factory=set)
    """Kinds of entries that were taken, and ways a visit was closed."""

    def send(self, phone: Phone, entries: list[dict[str, Any]]) -> None:
        replies = phone.send(entries)
        assert len(replies) == len(entries)
        self.sent += len(entries)
        for one, reply in zip(entries, replies, strict=True):
            self.seen[f"{one['kind']} {reply['status']}"] += 1
            if reply["status"] == 200:
                self.had.add(one["kind"])
            if reply["status"] not in (200, 400, 403, 404, 409):
                self.found.append(f"{one['kind']}: answered {reply['status']} {reply['reply']}")

    def compare(self, phone: Phone, day: dict[str, Any], shown: dict[str, Any] | None = None) -> dict[str, Any]:
        """A fetched day against the office, and against what the phone showed (`shown`) before it sent."""
        synced = self.page.shown(day)
        if shown is not None:
            self.found += differences(shown, synced, "before and after sending")
        said = all_office_values(day)
        for uid, one in synced["openings"].items():
            mine = {key: one[key] for key in said[uid]}
            self.found += differences(mine, said[uid], f"phone and office, {uid[:8]}")
        self.count(synced)
        return synced

    def count(self, shown: dict[str, Any]) -> None:
        """What was compared and is not blank."""
        for one in shown["openings"].values():
            self.seen["openings"] += 1
            self.seen["sizes"] += one["size"] is not None
            self.seen[f"state {one['state']}"] += 1
            self.seen.update(f"gap {code}" for code, _, _ in one["gaps"])
            self.seen.update(f"finding {code}" for code, _, _ in one["findings"])

    def count_close_outs(self, before: dict[str, Any], after: dict[str, Any]) -> None:
        for key, visit in after["visits"].items():
            if visit["is_closed"] and not before["visits"].get(key, {}).get("is_closed"):
                self.had.add(f"closed {visit['outcome']}")

    def alone(self, person: Person) -> None:
        """One phone, three parcels: what it shows before it sends is what it shows after."""
        phone = Phone(self.world.measurer)
        day = phone.day()
        before = self.compare(phone, day)
        for number, size in enumerate(PARCELS):
            first = person.coming() if number == 0 else person.again()
            first += person.afterwards() if number == 2 else []
            last = [*person.some(1), *person.leaving()] if number == 1 and not person.is_rare(0.04) else []
            played = self.page.play(day, [*first, *last, *person.some(30 * size)], most=size)
            self.send(phone, played["fresh"])
            day = phone.day()
            synced = self.compare(phone, day, played["after"])
            self.count_close_outs(before, synced)
            if self.found:
                return
            if number < 2:
                day = phone.day() if act(self.world, self.chance, self.seen) else day
            before = synced

    def two(self, people: list[Person]) -> None:
        """Two phones of one day, neither seeing the other's entries, nor the office's acts, before both have sent."""
        phones = [Phone(self.world.measurer), Phone(self.world.measurer)]
        days = [phone.day() for phone in phones]
        for number, size in enumerate(A_PHONE):
            waiting = []
            for day, person in zip(days, people, strict=True):
                first = person.again() if number else person.coming()
                waiting.append(self.page.play(day, [*first, *person.some(20 * size)], most=size)["fresh"])
            act(self.world, self.chance, self.seen)
            for at, half in ((0, slice(5)), (1, slice(5)), (0, slice(5, None)), (1, slice(5, None))):
                self.send(phones[at], waiting[at][half])
            days = [phone.day() for phone in phones]
            one, other = self.compare(phones[0], days[0]), self.page.shown(days[1])
            self.found += differences(one, other, "one phone and the other")
            if self.found:
                return

    def called_off(self, person: Person) -> None:
        """
        The visits are called off while a phone has entries waiting, the last of them after they began.

        Its day is empty then; a visit for the same openings shows what the office took all the same.
        """
        phone, world = Phone(self.world.measurer), self.world
        day = phone.day()
        for number, size in enumerate(PARCELS):
            first = person.coming() if number == 0 else person.again()
            played = self.page.play(day, [*first, *person.some(20 * size)], most=size)
            if number == 2:
                self.call_off()
            self.send(phone, played["fresh"])
            day = phone.day()
            if number < 2:
                self.compare(phone, day, played["after"])
        if day["visits"]:
            self.found.append("a visit that was called off is in the phone's day")
        crew = world.appointments().exclude(crew=None)[0].crew
        make_appointment(world.appointments()[0].job, world.dispatcher, crew=crew)
        self.compare(phone, phone.day())

    def call_off(self) -> None:
        for one in self.world.appointments():
            if one.state == Appointment.State.DONE:
                one.state = Appointment.State.CANCELLED  # the office calls no done visit off: as if it had before
                one.save(update_fields=["state"])
                continue
            begun = MeasureVisit.objects.filter(appointment=one).exists()
            cancel_appointment(appointment=one, by=self.world.dispatcher, reason="nobody home")
            self.seen["office: a visit called off after it began" if begun else "office: a visit called off"] += 1


def play(page: Pages, worlds: list[World], seed: int, number: int, seen: Counter[str]) -> list[str]:
    """Queue `number` of a seed in the world it falls to, undone again; where phone and office differ."""
    chance, world = random.Random(f"{seed} {number}"), worlds[number % len(worlds)]
    keys = sorted(Product.objects.filter(branch=world.measurer.branch, is_active=True).values_list("key", flat=True))
    visits = world.appointments().count()
    people = [Person(chance, world.unit, chance.sample(keys, 4), visits) for _ in range(2)]
    with transaction.atomic():
        one = Play(page, world, chance, seen)
        if number % 8 in (3, 6):
            one.two(people)
        elif number % 16 in (1, 5):
            one.called_off(people[0])
        else:
            one.alone(people[0])
        transaction.set_rollback(True)
    seen["queues of 40"] += one.sent == ENTRIES
    seen.update(f"queues with {name}" for name in one.had)
    return [f"seed {seed}, queue {number}: {line}" for line in one.found]


def lacking(seen: Counter[str], kinds: Iterable[str], least: int = 20) -> dict[str, int]:
    """
    What a hundred queues must hold, each at least so often, and don't.

    Every kind of entry is taken and every way of closing comes in so many queues; of the rest there are so many.
    A bay is none of them: its sizes are worked out at the office alone, and the phone says so (`phone_cases.json`).
    """
    ways = [
        *(kind for kind in kinds if kind.startswith("measuring.") and kind != "measuring.bay"),
        *(f"closed {one}" for one in MeasureVisit.Outcome),
    ]
    compared = ["gap rivals", "gap doubt", "gap apart", "finding ladder", "sizes"]
    office = {f"office: {name}": 5 for name in (*ACTS, "a visit called off after it began")}
    wanted = dict.fromkeys((*(f"queues with {way}" for way in ways), *compared), 20) | office
    return {name: seen[name] for name, times in wanted.items() if seen[name] * 20 < times * least}
