"""What a window costs: on the booking's page, over the API, on the board before anybody lets go."""

from __future__ import annotations

import re
from collections.abc import Iterator
from urllib.parse import urlencode

from django.urls import reverse

from jobs.models import Appointment
from tests.agreement.compare import Seen
from tests.agreement.pages import Eyes, instant, minutes

OFFICE = "dispatcher"
MOST = 4
"""Windows of a visit that are looked at."""


def see_prices(eyes: Eyes) -> Iterator[Seen]:
    """The windows offered for the first visit that stands nowhere, and a move to the same crew and start."""
    visit = (
        Appointment.objects.filter(state="unplaced", purpose="measure", job__cancelled_at=None).order_by("pk").first()
    )
    if visit is None:
        return
    page = eyes.page(OFFICE, reverse("jobs:windows", args=[visit.pk]))
    told = {one.one("input")["value"]: one for one in page.all("label", "offer")}
    offers = eyes.json(OFFICE, reverse("api:appointment-offers", args=[visit.pk]))["offers"]
    for offer in [one for one in offers if one["window"] in told][:MOST]:  # the grid shows a week
        key = f"{visit.pk} in {offer['window']}"
        label = told[offer["window"]]
        cost = label.one("span", "offer-cost").text
        yield from _shown(
            "offers", key, price=_price(cost), driving=_driving(cost), chance=_chance(label), harm=_harm(label.text),
            crew=label.one("span", "offer-crew").text.partition(", about")[0],
        )  # fmt: skip
        hundred = f"{min(99, round(offer['chance'] * 100))}" if offer["chance"] is not None else ""
        yield from _shown(
            "API of offers", key, price=offer["price"], driving=str(offer["drive_min"]), crew=offer["crew_name"],
            chance=hundred, harm=_harm(offer["harm"]),
        )  # fmt: skip
        if not offer["others_moved"]:
            yield from _moved(eyes, visit.pk, key, offer)


def _moved(eyes: Eyes, visit: int, key: str, offer: dict) -> Iterator[Seen]:
    sent = urlencode({"crew": offer["crew"], "starts_at": offer["starts_at"]})
    effect = eyes.json(OFFICE, f"{reverse('jobs:effect', args=[visit])}?{sent}")
    yield from _shown("board's effect", key, price=_price(effect["cost"]), driving=str(effect["drive_min"]),
        harm=_harm(effect["harm"]),
    )  # fmt: skip
    day, time = instant(offer["starts_at"], eyes.firm.row.tz).split(" ")
    if ":00+" in offer["starts_at"] or offer["starts_at"].endswith(":00Z"):  # the form takes whole minutes
        form = urlencode({"crew": offer["crew"], "day": day, "time": time})
        page = eyes.page(OFFICE, f"{reverse('jobs:move', args=[visit])}?{form}").one("section", "effect")
        price = _price(page.one("p", "huge").text)
        yield from _shown("move form", key, price=price, driving=_driving(page.text), harm=_harm(page.text))


def _price(text: str) -> str:
    """A sum with its sign: ``costs us $4.20 more``, ``saves us $3.00``."""
    found = re.search(r"(costs|saves) us \D*([\d,]+\.\d\d)", text, re.IGNORECASE)
    assert found is not None, text
    sign = "-" if found[1].lower() == "saves" else ""
    return sign + found[2].replace(",", "")


def _harm(text: str) -> str:
    """Whose chance falls, and from what to what; ``none``."""
    found = re.search(r"(J-\d+) .+?: (\d+)% → (\d+)% on time", text)
    return " ".join(found.groups()) if found else "none"


def _driving(text: str) -> str:
    found = re.search(r"([+−])([\d hmin]+) driving", text)
    return f"{'-' * (found[1] == '−')}{minutes(found[2])}" if found else ""


def _chance(label: object) -> str:
    found = re.search(r"(\d+)(?: in 100|%)", label.one("span", "offer-chance").text)
    return found[1] if found else ""


def _shown(place: str, key: str, **facts: str) -> Iterator[Seen]:
    for fact, value in facts.items():
        yield Seen(f"window's {fact}", key, place, value)
