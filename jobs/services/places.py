"""Where an address is likely to be: our own sites beside it, its postcode, its town, the branch."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Final

from django.db.models import QuerySet

from jobs.models import CalendarRules, SearchEntry, Site
from jobs.rules.places import AREA_M, BASE_M, POSTCODE_M, TOWN_M, Guess, Point, in_area, on_street, street_name
from jobs.rules.search_text import Asked, words
from jobs.services.search import standing_in

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
    _by_street, _by_postcode, _by_table, _by_town, _by_branch,
)  # fmt: skip


def _known(site: Site, asked: list[str]) -> QuerySet[Site]:
    """Sites of the branch whose place somebody gave and whose search text has these words, the newest first."""
    standing: Asked = [(f" {word} ",) for word in asked]
    entries = SearchEntry.objects.filter(standing_in(standing), branch=site.branch_id).values("site")
    rows = Site.objects.filter(branch=site.branch_id, place_from="", latitude__isnull=False, pk__in=entries)
    return rows.exclude(pk=site.pk).order_by("-pk")


def _points(rows: QuerySet[Site]) -> list[Point]:
    found = rows.values_list("longitude", "latitude")[:MOST]
    return [(x, y) for x, y in found if x is not None and y is not None]
