"""
Names of the API that changed, and how the old ones go on answering: no other module knows them.

An old address is answered by the view of the new one. An old field or filter is taken like the
new one, and answers carry both. Whoever asks by an old name is told so in the headers
``Deprecation`` [1]_, ``Sunset`` [2]_ and ``Link`` to the successor [3]_; the schema marks it.

References
----------
.. [1] S. Dalal, E. Wilde (2025). RFC 9745: The Deprecation HTTP Response Header Field.
.. [2] E. Wilde (2019). RFC 8594: The Sunset HTTP Header Field.
.. [3] A. Brown, G. Clemm, J. Reschke (2010). RFC 5829: Link Relation Types for Simple Version Navigation.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.utils.http import http_date
from rest_framework.renderers import JSONRenderer

SINCE: Final = dt.datetime(2026, 11, 30, tzinfo=dt.UTC)
UNTIL: Final = dt.datetime(2027, 6, 1, tzinfo=dt.UTC)
"""0.4.0 takes the old names out and does not come before this day."""


@dataclass(frozen=True, slots=True)
class Address:
    """An address below ``/api/``; ``{id}`` is one part of it, ``{rest}`` all that follows."""

    old: str
    new: str
    method: str = ""
    """The only one that moved; empty: all."""
    ends: bool = True


@dataclass(frozen=True, slots=True)
class Field:
    """A field of what is `sent` or `answered`, or a filter, below addresses that begin with one of `areas`."""

    old: str
    new: str
    areas: tuple[str, ...]
    sent: bool = False
    answered: bool = True
    asked: bool = False


ADDRESSES: Final = (
    Address("field/deeds/", "field/entries/", ends=False),  # phones send what they keep under it whenever they wake
    Address("visits/{rest}", "measure-visits/{rest}"),
    Address("jobs/{id}/visits/", "jobs/{id}/appointments/"),
    Address("sizes/{id}/{rest}", "jobs/{id}/sizes/{rest}"),
    Address("installs/{id}/hardware/", "jobs/{id}/hardware/"),
    Address("installs/{id}/plan/", "jobs/{id}/installs/"),
    Address("installs/figures/", "install-figures/"),
    Address("appointments/{id}/hold/", "appointments/{id}/reserve/"),
    Address("loads/make/", "loads/", "POST"),
    Address("returns/open/", "returns/", "POST"),
    Address("hardware-rules/save/", "hardware-rules/", "POST"),
    *(Address(f"{area}/{{id}}/photo/", f"{area}/{{id}}/photos/") for area in ("makes", "stops")),
    *(
        Address(f"{area}/{{id}}/{action}/", f"{area}/{{id}}/{action.replace('_', '-')}/")
        for area, actions in {
            "appointments": ("let_go", "on_the_way", "undo_tap"),
            "batches": ("take_out",),
            "crews": ("end_member", "remove_absence"),
            "cuts": ("undo_piece",),
            "jobs": ("take_up",),
            "kept-ends": ("let_go",),
            "loads": ("put_back",),
            "openings": ("not_reached",),
            "stops": ("hardware_used", "not_installed", "set_units"),
            "measure-visits": ("not_measured",),
        }.items()
        for action in actions
    ),
    Address("vans/top_up/", "vans/top-up/"),
)
"""In this order: what one has renamed may be renamed by a later one."""

FIELDS: Final = (
    Field("deeds", "entries", ("field",), sent=True, answered=False),
    Field("held_until", "reserved_until", ("appointments", "jobs")),
    Field("hold_min", "reservation_min", ("calendar-rules",), sent=True),
    Field("units", "length_unit", ("branches",), sent=True),
    Field("units", "length_unit", ("me",)),
    Field("visits", "appointments", ("crews",)),
    # a place: on the tape, in the store, in an order
    Field("place", "spot", ("field", "measure-visits")),
    Field("place", "spot", ("openings",), sent=True),
    Field("place", "shelf", ("own-cloth", "stock"), sent=True),
    Field("place", "shelf", ("purchase-lines",), sent=True, answered=False),
    Field("place", "position", ("cuts",), sent=True, answered=False),
    # `job`, `unit` and so on are ids; a number, a code or a key says so
    Field("job", "job_number", ("jobs", "kept-ends", "makes", "own-cloth", "returns", "stops")),
    Field("unit", "unit_code", ("jobs", "loads", "returns", "stops")),
    Field("remake", "remake_code", ("returns",)),
    Field("product", "product_key", ("makes",)),
    Field("item", "material", ("stops",), sent=True),
    Field("item", "material", ("loads", "vans")),
    Field("item", "stock", ("own-cloth",)),
    Field("data", "photo", ("stops",), sent=True, answered=False),
    Field("opening__job", "job", ("units",), answered=False, asked=True),
    Field("material__kind", "kind", ("stock",), answered=False, asked=True),
)


def _pattern(template: str) -> re.Pattern[str]:
    text = re.escape(template).replace(r"\{id\}", "(?P<id>[^/]+)").replace(r"\{rest\}", "(?P<rest>.*)")
    return re.compile(f"/api/{text}")


OLD: Final = [(_pattern(one.old), one) for one in ADDRESSES]
NEW: Final = [(_pattern(one.new), one) for one in reversed(ADDRESSES)]


def current(path: str, method: str) -> tuple[str, list[Address]]:
    """Where an address is now, and what renamed it."""
    met = []
    for pattern, one in OLD:
        if one.method in ("", method) and (found := pattern.fullmatch(path)):
            path = f"/api/{one.new.format(**found.groupdict())}"
            met.append(one)
    return path, met


def former(path: str, method: str) -> str:
    """What an address of today was called, itself where it never changed."""
    for pattern, one in NEW:
        if one.method in ("", method) and (found := pattern.fullmatch(path)):
            path = f"/api/{one.old.format(**found.groupdict())}"
    return path


def fields_of(path: str) -> list[Field]:
    """The fields that changed below an address of today."""
    area = path.removeprefix("/api/").partition("/")[0]
    return [one for one in FIELDS if area in one.areas]


ONE: Final = "/api/1/"
"""Below it only the names of today are known; ``/api/`` has the old ones beside them, and goes when they go."""


class OldNamesMiddleware:
    """Answers old addresses and filters as the new ones, and says who asked by an old name; none of it in API 1."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if request.path_info.startswith(ONE):
            if request.path_info != f"{ONE}schema/":
                request.path_info = f"/api/{request.path_info.removeprefix(ONE)}"
            return self.get_response(request)
        if not request.path_info.startswith("/api/"):
            return self.get_response(request)
        path, met = current(request.path_info, request.method or "")
        if met:
            request.path = request.path.removesuffix(request.path_info) + path
            request.path_info = path
        filters = [one for one in fields_of(path) if one.asked and one.old in request.GET]
        if filters:
            query = request.GET.copy()
            for one in filters:
                query.setlist(one.new, query.pop(one.old))
            request.GET = query  # type: ignore[assignment]  # the view only reads it
        response = self.get_response(request)
        if met or filters or getattr(request, "sent_old_names", False):
            response["Deprecation"] = f"@{SINCE.timestamp():.0f}"
            response["Link"] = f'<{request.path}>; rel="successor-version"'
            if all(one.ends for one in met):
                response["Sunset"] = http_date(UNTIL.timestamp())
        return response


def with_new_names(body: Any, request: Any) -> Any:
    """What was sent, old fields under their new names."""
    fields = [one for one in fields_of(request.path) if one.sent]
    if isinstance(body, list):
        return [with_new_names(row, request) for row in body] if fields else body
    if not isinstance(body, dict):
        return body
    names = {one.old: one.new for one in fields if one.old in body and one.new not in body}
    if names:
        request.sent_old_names = True
    return {names.get(name, name): value for name, value in body.items()} if names else body


def with_old_names(answer: object, names: Mapping[str, str]) -> Any:
    """An answer in which every field of `names` (new: old) stands under both."""
    if isinstance(answer, list | tuple):
        return [with_old_names(one, names) for one in answer]
    if not isinstance(answer, dict):
        return answer
    both = {name: with_old_names(value, names) for name, value in answer.items()}
    return both | {old: both[new] for new, old in names.items() if new in both and old not in both}


class BothNamesRenderer(JSONRenderer):
    """JSON in which a field that was renamed stands under both names."""

    def render(self, data: Any, accepted_media_type: Any = None, renderer_context: Any = None) -> bytes:
        request = (renderer_context or {}).get("request")
        names = {one.new: one.old for one in fields_of(request.path) if one.answered} if request else {}
        shown = with_old_names(data, names) if names else data
        rendered: bytes = super().render(shown, accepted_media_type, renderer_context)
        return rendered


def mark_in_schema(result: dict[str, Any]) -> dict[str, Any]:
    """The schema with every old name, marked as deprecated."""
    paths = result["paths"]
    for path, methods in list(paths.items()):
        for method, operation in list(methods.items()):
            for one in fields_of(path):
                _mark_field(result, operation, one)
            if (old := former(path, method.upper())) != path:
                deprecated = {"deprecated": True, "operationId": f"{operation['operationId']}_old"}
                paths.setdefault(old, {})[method] = {**operation, **deprecated, "description": f"Renamed: {path}"}
    return result


def _mark_field(result: dict[str, Any], operation: dict[str, Any], one: Field) -> None:
    """An old field beside the new one in whatever an operation takes and answers."""
    if one.asked:
        rows = operation.get("parameters", [])
        rows += [{**row, "name": one.old, "deprecated": True} for row in rows if row["name"] == one.new]
        return
    for kind in _schemas_of(result, operation, set()):
        fields = kind.get("properties", {})
        if one.new in fields and one.old not in fields:
            ways = {"readOnly": not one.sent, "writeOnly": not one.answered}
            fields[one.old] = fields[one.new] | {way: True for way, is_so in ways.items() if is_so}
            fields[one.old] |= {"deprecated": True, "description": f"Renamed: {one.new}"}


def _schemas_of(result: dict[str, Any], part: Any, seen: set[str]) -> Iterator[dict[str, Any]]:
    """Every named schema that a part of the document leads to."""
    if isinstance(part, list):
        for one in part:
            yield from _schemas_of(result, one, seen)
    elif isinstance(part, dict):
        name = str(part.get("$ref", "")).removeprefix("#/components/schemas/")
        if name and name not in seen:
            seen.add(name)
            yield result["components"]["schemas"][name]
            yield from _schemas_of(result, result["components"]["schemas"][name], seen)
        for one in list(part.values()):
            yield from _schemas_of(result, one, seen)
