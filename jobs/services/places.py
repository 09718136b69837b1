"""Where an address is likely to be: by our own sites beside it, a server, its postcode, its town, the branch."""

from __future__ import annotations

import importlib
import json
import logging
import urllib.request
from collections.abc import Callable
from http.client import HTTPException
from typing import Final
from urllib.parse import quote

from django.conf import settings
from django.core.cache import cache
from django.db.models import Q, QuerySet

from jobs.models import CalendarRules, FoundPlace, PostcodePlace, SearchEntry, Site
from jobs.rules.places import (
    AREA_M,
    BASE_M,
    BLOCK_M,
    POSTCODE_M,
    TOWN_M,
    Guess,
    Point,
    in_area,
    on_street,
    postcode_keys,
    read_answer,
    street_name,
)
from jobs.rules.search_text import Asked, words
from jobs.services.search import standing_in

log = logging.getLogger("jambwise.places")

TIMEOUT_SECONDS: Final = 3
REST_SECONDS: Final = 60
RESTING: Final = "jobs.places.resting"
MOST_BYTES: Final = 200_000
AT_ONCE: Final = 40
"""Sites that one look of the worker asks of, one a second."""
LOOKED_AT: Final = 500
MOST: Final = 400
"""Sites of one street, postcode or town that are read, the newest."""


def estimate(site: Site) -> Guess | None:
    """The likely place of an address and how exact it is; None where nothing is known, not even the branch's place."""
    return next((guess for ask in _LOOKUPS if (guess := ask(site)) is not None), None)


def place(site: Site) -> list[str]:
    """Gives a site without coordinates its likely ones; names of the fields set. The caller saves."""
    guess = estimate(site)
    if guess is None:
        return []
    site.longitude, site.latitude = guess.point
    site.place_from, site.place_within_m = guess.place_from, guess.within_m
    return ["longitude", "latitude", "place_from", "place_within_m"]


def _by_block(site: Site) -> Guess | None:
    guess = _by_street(site)
    return guess if guess is not None and guess.within_m <= BLOCK_M else None


def _by_street(site: Site) -> Guess | None:
    name = street_name(site.street)
    if not name or not site.town:
        return None
    rows = _known(site, [*name, *words(site.town)]).filter(town__iexact=site.town)
    found = rows.values_list("street", "longitude", "latitude")[:MOST]
    here = [(line, (x, y)) for line, x, y in found if x is not None and y is not None and street_name(line) == name]
    return on_street(site.street, here)


def _by_postcode(site: Site) -> Guess | None:
    if not site.postcode:
        return None
    rows = _known(site, words(site.postcode)).filter(postcode__iexact=site.postcode)
    return in_area("postcode", _points(rows), POSTCODE_M)


def _by_table(site: Site) -> Guess | None:
    """The middle of a US delivery area, where the package `zipcodes` is installed."""
    code = site.postcode.strip()[:5]
    if len(code) < 5 or not code.isdigit() or CalendarRules.of(site.branch).holiday_country not in {"", "US"}:
        return None
    try:
        known = importlib.import_module("zipcodes").matching(code)
    except ImportError:
        return None
    if not known:
        return None
    return Guess((float(known[0]["long"]), float(known[0]["lat"])), "postcode", AREA_M)


def _by_own_table(site: Site) -> Guess | None:
    """The middle of a postcode in a table that the firm loaded; the whole of it goes before its first part."""
    keys = postcode_keys(site.postcode)
    rows = {row.code: row for row in PostcodePlace.objects.filter(branch=site.branch_id, code__in=keys)}
    row = next((rows[key] for key in keys if key in rows), None)
    return None if row is None else Guess((row.longitude, row.latitude), "postcode", AREA_M)


def _by_server(site: Site) -> Guess | None:
    """What the server said when it was asked; nobody waits for it here."""
    row = FoundPlace.objects.filter(asked=_asked(site)).first() if settings.PLACES_URL else None
    if row is None or row.longitude is None or row.latitude is None:
        return None
    return Guess((row.longitude, row.latitude), "server", row.within_m)


def _by_town(site: Site) -> Guess | None:
    if not site.town:
        return None
    return in_area("town", _points(_known(site, words(site.town)).filter(town__iexact=site.town)), TOWN_M)


def _by_branch(site: Site) -> Guess | None:
    branch = site.branch
    if branch.latitude is None or branch.longitude is None:
        return None
    return Guess((branch.longitude, branch.latitude), "branch", BASE_M)


_LOOKUPS: Final[tuple[Callable[[Site], Guess | None], ...]] = (
    _by_block, _by_server, _by_street, _by_postcode, _by_own_table, _by_table, _by_town, _by_branch,
)  # fmt: skip


# -- the server of the settings ----------------------------------------------------------


def ask(site: Site) -> None:
    """
    Asks the server where an address is, once, and keeps the answer; call it outside transactions.

    Nothing is asked of an address beside one of ours, nor for a minute after the server did not answer.
    """
    asked = _asked(site)
    if not settings.PLACES_URL or not site.street or not site.town or cache.get(RESTING):
        return
    if FoundPlace.objects.filter(asked=asked).exists() or _by_block(site) is not None:
        return
    try:
        found = read_answer(_answer(asked))
    except (OSError, ValueError, HTTPException) as error:
        log.warning("the address search does not answer: %s", error)
        cache.set(RESTING, True, REST_SECONDS)
        return
    said: dict[str, float] = {}
    if found is not None:
        said = {"longitude": found[0][0], "latitude": found[0][1], "within_m": found[1]}
    FoundPlace.objects.update_or_create(asked=asked, defaults=said)


def _asked(site: Site) -> str:
    return ", ".join(part.strip().lower() for part in (site.street, site.town, site.postcode) if part.strip())[:300]


def _answer(asked: str) -> object:
    url = settings.PLACES_URL.replace("{q}", quote(asked))
    request = urllib.request.Request(url, headers={"User-Agent": "Jambwise", "Accept": "application/json"})
    with urllib.request.urlopen(request, timeout=TIMEOUT_SECONDS) as reply:
        answer: object = json.loads(reply.read(MOST_BYTES))
    return answer


def to_ask() -> list[Site]:
    """Sites whose place is only about right and which the server was not asked of, the newest first."""
    rows = Site.objects.filter(Q(place_from__in=["postcode", "town", "branch"]) | Q(latitude__isnull=True))
    rows = rows.filter(customer__erased_at=None).select_related("branch", "customer").order_by("-pk")
    newest = list(rows[:LOOKED_AT])
    known = set(FoundPlace.objects.filter(asked__in=map(_asked, newest)).values_list("asked", flat=True))
    return [site for site in newest if _asked(site) not in known][:AT_ONCE]


def forget(site: Site) -> None:
    """What the server said of its address, and that it was asked."""
    FoundPlace.objects.filter(asked=_asked(site)).delete()


def _known(site: Site, asked: list[str]) -> QuerySet[Site]:
    """Sites of the branch whose place somebody gave and whose search text has these words, the newest first."""
    standing: Asked = [(f" {word} ",) for word in asked]
    entries = SearchEntry.objects.filter(standing_in(standing), branch=site.branch_id).values("site")
    rows = Site.objects.filter(branch=site.branch_id, place_from="", latitude__isnull=False, pk__in=entries)
    return rows.exclude(pk=site.pk).order_by("-pk")


def _points(rows: QuerySet[Site]) -> list[Point]:
    found = rows.values_list("longitude", "latitude")[:MOST]
    return [(x, y) for x, y in found if x is not None and y is not None]
