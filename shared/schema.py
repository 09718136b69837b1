"""How the API's schema names things, and what API 1 says of every answer."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any, Final

from django.conf import settings
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.plumbing import is_list_serializer
from rest_framework.viewsets import ViewSet

from shared import renames
from shared.api import PROBLEM_TYPES

ROWS: Final = {"type": "array", "items": {"type": "object", "additionalProperties": {}}}
"""A plain list of objects."""
TIME: Final = r"^\d\d:\d\d(:\d\d(\.\d{1,6})?)?$"
"""A time of day on the branch's clocks: the format of that name would ask for a zone."""


def _column_of(field: Any) -> object:
    """The column that a field shows, where it shows one."""
    model = getattr(getattr(field.parent, "Meta", None), "model", None)
    columns = {} if model is None else {one.name: one for one in model._meta.get_fields()}
    return columns.get(field.source)


class RoomSchema(AutoSchema):
    """Names that do not clash: two apps may each have a ``Reason``, a list need not be of rows."""

    def get_operation_id(self) -> str:
        name: str = super().get_operation_id()
        if getattr(self.view, "action", "") == "list" and name.endswith("_retrieve"):
            return name.removesuffix("_retrieve") + "_list"
        return name

    def _map_serializer_field(self, field: Any, direction: object, bypass_extensions: bool = False) -> Any:
        """A column that may be empty is so in an answer, whatever its field was declared as; a time has no zone."""
        column = _column_of(field)
        field.allow_null = field.allow_null or (field.read_only and getattr(column, "null", False))
        shown = super()._map_serializer_field(field, direction, bypass_extensions)  # type: ignore[no-untyped-call]
        if not isinstance(shown, dict):
            return shown
        if {} in shown.get("oneOf", ()):
            return {}  # anything, so nothing too
        if shown.get("format") == "time":
            del shown["format"]
            shown["pattern"] = TIME
        if "enum" in shown and direction == "response" and getattr(column, "blank", False):
            shown["enum"] = list(dict.fromkeys([*shown["enum"], ""]))
        return shown

    def _map_serializer(self, serializer: object, direction: object, bypass_extensions: bool = False) -> Any:
        """`may_be_nothing` of a serializer says that its answer may be an object without a field."""
        shown = super()._map_serializer(serializer, direction, bypass_extensions)  # type: ignore[no-untyped-call]
        if getattr(serializer, "may_be_nothing", False):
            shown.pop("required", None)
        return shown

    def _is_list_view(self, serializer: Any = None) -> bool:
        """Not what is called a list because it has no key: who one is, a branch's rules."""
        if isinstance(self.view, ViewSet) and getattr(self.view, "action", "") == "list":
            return bool(is_list_serializer(serializer or self.get_response_serializers()))
        return bool(super()._is_list_view(serializer))

    def _get_paginator(self) -> object:
        """Lists are read in pages; what an action of one row answers is whole, and what a POST does."""
        is_whole = self.method != "GET" or getattr(self.view, "detail", False)
        return None if is_whole else super()._get_paginator()  # type: ignore[no-untyped-call]

    def _get_serializer_name(self, serializer: object, direction: object, bypass_extensions: bool = False) -> str:
        name: str = super()._get_serializer_name(serializer, direction, bypass_extensions)
        kind = serializer if isinstance(serializer, type) else type(serializer)
        room = kind.__module__.partition(".")[0]
        return f"{room.title()}{name}" if name and room in settings.ROOMS else name


class WithOldNames(SchemaGenerator):
    """The schema of ``/api/``: names of today and those that go."""

    def get_schema(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        return renames.mark_in_schema(super().get_schema(*args, **kwargs))  # type: ignore[no-untyped-call]


class ApiOne(SchemaGenerator):
    """The schema of API 1: names of today alone, and every answer that is no success."""

    def get_schema(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        result: dict[str, Any] = super().get_schema(*args, **kwargs)  # type: ignore[no-untyped-call]
        components = result.setdefault("components", {})
        components.setdefault("schemas", {})["Problem"] = PROBLEM
        components["responses"] = {f"Problem{status}": _response(status) for status in sorted(PROBLEMS)}
        paths = {path: part for path, part in result["paths"].items() if not path.endswith("/schema/")}
        result["paths"] = {f"{renames.ONE}{path.removeprefix('/api/')}": part for path, part in paths.items()}
        for path, part in result["paths"].items():
            for method, operation in part.items():
                _complete(path, method.upper(), operation)
        return result


PROBLEM: Final[dict[str, Any]] = {
    "type": "object",
    "description": "What went wrong (RFC 9457).",
    "required": ["type", "title", "status", "detail", "errors"],
    "properties": {
        "type": {"type": "string", "enum": ["about:blank", *PROBLEM_TYPES.values()]},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["field", "problem"],
                "properties": {
                    "field": {"type": "string", "description": "Dotted, as in readings[2].value."},
                    "problem": {"type": "string"},
                    "bound": {"type": "string", "description": "What would be taken."},
                },
            },
        },
    },
}
PROBLEMS: Final = {
    400: "A field or a parameter is not as asked for; each is named.",
    401: "Nobody is signed in, or the token is wrong or over.",
    403: "The role does not do this, or the session sent no CSRF token.",
    404: "There is no such thing for who asks, or no such page of the list.",
    406: "Only JSON is answered.",
    409: "It can't be done as things stand, or the first request of this key is still at work.",
    412: "Somebody changed it since the version of If-Match; both sides are named.",
    413: "The body is too large.",
    415: "Only JSON is taken, and files as multipart/form-data.",
    422: "The Idempotency-Key was sent with another request.",
    429: "Asked too often; Retry-After says how long to wait.",
    503: "Where photos and documents are kept does not answer; try again later.",
}
ALWAYS: Final = frozenset({400, 401, 403, 404, 406, 429, 503})
WITH_A_BODY: Final = frozenset({409, 413, 415})
IDEMPOTENCY_KEY: Final = {
    "name": "Idempotency-Key", "in": "header", "required": False,
    "description": "Of one's own choosing: the same request again gets the same answer for a day.",
    "schema": {"type": "string", "minLength": 1, "maxLength": 198, "pattern": "^[A-Za-z0-9_-]+$"},
}  # fmt: skip
IF_MATCH: Final = {
    "name": "If-Match", "in": "header", "required": False,
    "description": "The ETag of the row as it was read: another version by now is refused with 412.",
    "schema": {"type": "string", "maxLength": 200},
}  # fmt: skip


def _response(status: int) -> dict[str, Any]:
    said = {"schema": {"$ref": "#/components/schemas/Problem"}}
    return {
        "description": f"{HTTPStatus(status).phrase}. {PROBLEMS[status]}",
        "content": {"application/problem+json": said},
    }


def _complete(path: str, method: str, operation: dict[str, Any]) -> None:
    """Every answer and header that an operation may have and that its view does not say."""
    found = set(ALWAYS)
    if method in {"POST", "PUT", "PATCH", "DELETE"}:
        found |= WITH_A_BODY
    if method == "POST":
        found.add(422)
        operation.setdefault("parameters", []).append(IDEMPOTENCY_KEY)
    if method in {"PUT", "PATCH"}:
        found.add(412)
        operation.setdefault("parameters", []).append(IF_MATCH)
    for status in sorted(found):
        operation["responses"].setdefault(str(status), {"$ref": f"#/components/responses/Problem{status}"})
