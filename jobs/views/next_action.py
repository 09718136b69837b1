"""The next action of a visit, as its pages show it."""

from __future__ import annotations

from collections.abc import Iterable

from django.urls import reverse
from django.utils import timezone

from jobs.models import Appointment
from jobs.ports import ports
from jobs.rules.next_action import TABLE, Back, NextAction, Way, back_until

TAP_URLS = {"leave": "jobs:on_the_way", "arrive": "jobs:arrived"}


def next_action(visit: Appointment, *, ways: Iterable[Way] = (), here: bool = False, left: bool = False) -> NextAction:
    """The taps on the way there, then `ways`."""
    room, words, entries = ports.entry_rooms.get(visit.purpose, ""), TABLE["words"], TABLE["taps"]
    leave, arrive = (
        Way(
            step,
            words[step],
            reverse(url, args=[visit.pk]),
            f"{room}.{entries[step]}",
            also="" if step == "leave" else "leave",
        )
        for step, url in TAP_URLS.items()
    )
    return NextAction(visit.pk, visit.state, (leave, arrive, *ways), here, left, room, last_tap(visit))


def last_tap(visit: Appointment) -> Back | None:
    """The tap that can be taken back; None once its time is over or something is recorded at the visit."""
    taps = {Appointment.State.ON_THE_WAY: visit.on_the_way_at, Appointment.State.ARRIVED: visit.arrived_at}
    at = taps.get(Appointment.State(visit.state))
    if at is None or timezone.now() > back_until(at) or ports.is_recorded(visit):
        return None
    return Back(visit.get_state_display(), at, reverse("jobs:undo_tap", args=[visit.pk]))


def open_way(visit: Appointment) -> list[Way]:
    """To the page where the visit is done."""
    url = ports.visit_url(visit)
    return [Way("open", TABLE["words"]["open"], url)] if url else []
