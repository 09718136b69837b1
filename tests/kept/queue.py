"""
The queues of two phones at the kept firm's moment: every kind of entry, and some that are refused.

``python -m tests.kept.queue ANSWERS`` records them on the kept firm at ``DATABASE_URL``, which is migrated, sends
them and writes what each was answered: what the next release keeps must be taken by the code it is made with.
"""

from __future__ import annotations

import base64
import datetime as dt
import sys
import uuid
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.kept.asking import ask, write
from tests.kept.firm import MOMENT, TODAY, crew_of, picture


@dataclass
class Phone:
    """A phone that kept what its person did, a minute each."""

    name: str
    token: str
    queue: list[dict[str, Any]] = field(default_factory=list)

    def add(self, kind: str, /, **body: Any) -> str:
        """One more entry; its id."""
        place = len(self.queue) + 1
        key = self.uid(f"entry {place}")
        done_at = MOMENT - dt.timedelta(minutes=60 - place)
        self.queue.append({"id": key, "place": place, "kind": kind, "body": body, "done_at": done_at.isoformat()})
        return key

    def uid(self, words: str) -> str:
        """An id the phone gave to something."""
        return str(uuid.uuid5(uuid.NAMESPACE_URL, f"{self.name} {words}"))

    def kept(self) -> dict[str, Any]:
        """As the questions keep it."""
        return {"name": self.name, "token": self.token, "queue": self.queue}


def phones() -> list[Phone]:
    """Registered at the kept firm, with all they have to send."""
    from shared.devices.receiver import register_device
    from shared.models import User

    made = []
    for name, fill in (("measurer", _measures), ("installer", _installs)):
        _, token = register_device(user=User.objects.get(username=name), name="kept")
        phone = Phone(name, token)
        fill(phone)
        made.append(phone)
    return made


def _measures(phone: Phone) -> None:
    from jobs.models import Appointment
    from measuring.adapters.options import offer_of
    from measuring.models import FactConflict, FixedTo, Opening, Product, Tape

    visit = Appointment.objects.get(job__number="J-1012", purpose="measure")
    first, second, third, *rest = Opening.objects.filter(job=visit.job).order_by("room__order", "order", "pk")
    at: dict[str, Any] = {"appointment": visit.pk}
    tape = Tape.objects.get(user__username="measurer").pk
    phone.add("measuring.begin", **at, tape=tape)
    room, opening, copied = phone.uid("room"), phone.uid("opening"), phone.uid("copy")
    product = Product.objects.filter(family="roller", is_active=True).order_by("pk")[0]
    phone.add("measuring.room", **at, room=room, name="Sunroom", floor="ground")
    phone.add("measuring.room_defaults", room=room, defaults={"mount": "inside"})
    phone.add(
        "measuring.opening", **at, room=room, room_name="Sunroom", floor="ground", opening=opening,
        facts={"mark": "A", "product": product.key, "mount": "inside"},
    )  # fmt: skip
    colour = offer_of(product).option("colour")
    assert colour is not None
    readings = {}
    for spot, typed in (
        ("widths.top", "35 3/8"), ("widths.middle", "35 1/4"), ("widths.bottom", "35.375"), ("heights.left", "60"),
        ("heights.center", "60 1/8"), ("heights.right", "5' 0"), ("depth", "3 1/2"),
    ):  # fmt: skip
        readings[spot] = phone.add(
            "measuring.reading", opening=opening, spot=spot, turn=1, typed=typed, tape=tape, grade="final", seen=None
        )
    phone.add("measuring.same", reading=readings["widths.middle"])
    cased = phone.add(
        "measuring.reading", opening=opening, spot="widths.bottom", turn=1, typed="32", with_case=True, tape=tape,
        grade="final", seen=readings["widths.bottom"],
    )  # fmt: skip
    other = phone.add(
        "measuring.reading", opening=opening, spot="widths.top", turn=1, typed="35 1/2", tape=tape, grade="final",
        seen=phone.uid("nothing that stands"),
    )  # fmt: skip
    phone.add("measuring.keep", reading=other)
    phone.add("measuring.back", reading=cased)
    facts = {"note": "over the radiator", "fixed_to": FixedTo.values[0]}
    phone.add("measuring.facts", opening=opening, facts=facts, seen={"note": "", "fixed_to": ""})
    phone.add("measuring.facts", opening=opening, facts={"note": "no radiator"}, seen={"note": ""})
    phone.add("measuring.settle", conflict=FactConflict.objects.order_by("pk")[0].pk, offered=True)
    crank = phone.add(
        "measuring.obstruction", opening=opening, kind="crank", projection="1 1/4", at="path", side="right",
        from_top="40",
    )  # fmt: skip
    phone.add("measuring.clear", obstruction=crank)
    phone.add("measuring.photo", opening=opening, data=_photo(), caption="the sill")
    phone.add("measuring.options", opening=opening, options={colour.key: colour.choices[0].key})
    phone.add("measuring.copy", **at, opening=opening, copy=copied)
    phone.add("measuring.order", room=room, openings=[copied, opening])
    phone.add("measuring.state", opening=str(second.uid), to="cannot", reason="scaffold in front")
    phone.add("measuring.state", opening=str(second.uid), to="again")
    phone.add("measuring.state", opening=str(third.uid), to="drop", reason="gets no shade")
    phone.add("measuring.state", opening=copied, to="not_reached", reason="out of time")
    phone.add("measuring.reading", opening=opening, spot="nowhere", turn=1, typed="35", grade="final", seen=None)
    phone.add("measuring.reading", opening=opening, spot="depth", turn=1, typed="thirty", grade="final", seen=None)
    phone.add("measuring.reading", opening=phone.uid("never made"), spot="depth", typed="3")
    phone.add("measuring.photo", opening=opening, data="no picture", caption="")
    phone.add("measuring.begin", tape=tape)
    phone.add("measuring.nothing", **at)
    for left in (first, second, *rest):
        phone.add("measuring.state", opening=str(left.uid), to="not_reached", reason="out of time")
    phone.add("measuring.close", **at, in_part=True, note="comes back for the rest")
    phone.add("measuring.not_measured", **at, reason="nobody home")
    after = Appointment.objects.get(job__number="J-1015", purpose="measure")
    phone.add("measuring.not_measured", appointment=after.pk, reason="nobody home")
    phone.add("measuring.on_the_way", appointment=after.pk)
    phone.add("measuring.arrived", appointment=after.pk)
    phone.add("measuring.taken_back", appointment=after.pk)
    phone.add("measuring.facts", opening=copied, facts={"shape": "circle"})
    made = phone.add("measuring.template", opening=copied, size_is="opening", is_marked=True, position=1)
    phone.add("measuring.no_template", opening=copied, template=made, reason="torn")
    phone.add("measuring.bay", **at, openings=[opening, copied], corners=[{"angle": "135"}], kind="corner")


def _installs(phone: Phone) -> None:
    from installs.models import Load
    from jobs.models import Appointment

    load = Load.objects.get(crew=crew_of("installer"), day=TODAY)
    lines = list(load.lines.order_by("order", "pk"))
    visit = Appointment.objects.filter(crew=load.crew, day=TODAY).order_by("starts_at")[0]
    units = list(visit.visit_units.order_by("pk").values_list("unit", flat=True))
    on: dict[str, Any] = {"load": load.pk}
    at: dict[str, Any] = {"appointment": visit.pk}
    some = [line for line in lines if line.checked < line.quantity][:2]
    phone.add("installs.load_checked", **on, counts={str(line.pk): line.quantity for line in some})
    phone.add("installs.load_undone", **on, lines=[line.pk for line in some])
    phone.add("installs.load_left", **on, reason="")
    phone.add("installs.load_checked", **on, counts={str(line.pk): line.quantity for line in lines[:-1]})
    phone.add("installs.load_left", **on, reason="the last line is not here")
    phone.add("installs.on_the_way", **at)
    phone.add("installs.arrived", **at)
    phone.add("installs.installed", **at, unit=units[0])
    phone.add("installs.undo", **at, unit=units[0])
    phone.add("installs.not_installed", **at, unit=units[0], cause="size.too_wide", note="an eighth")
    phone.add("installs.not_installed", **at, unit=units[1], cause="nothing", note="")
    material = next(line.material_id for line in lines if line.material_id)
    phone.add("installs.hardware", **at, material=material, change=-2, note="two bent")
    phone.add("installs.hardware", **at, material="", change=1, note="a shim of our own")
    phone.add("installs.photo", **at, unit=units[0], caption="binds on the left", data=_photo())
    phone.add("installs.all_installed", **at, units=units[1:])
    phone.add("installs.sign", **at, name="A. Customer", strokes=[[[100, 600], [300, 400], [700, 620]]], left_with="")
    phone.add("installs.arrived")
    phone.add("installs.done", **at, note="one to come back for")
    back = next(line for line in lines[:-1] if line.material_id)
    phone.add("installs.load_put_back", **on, line=back.pk, count=1)
    phone.add("installs.load_put_back", **on, line=back.pk, count=100_000)
    phone.add("installs.load_back", **on)
    phone.add("installs.motor", **at, unit=units[0], limits=True, channel="3")
    phone.add("installs.taken_back", **at)


def _photo() -> str:
    return base64.b64encode(picture("slategrey", (16, 12))).decode()


if __name__ == "__main__":
    import django

    django.setup()
    recorded = [phone.kept() for phone in phones()]
    write(Path(sys.argv[1]), ask({"moment": MOMENT.isoformat(), "phones": recorded}, ["entry"]))
