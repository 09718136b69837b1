"""
What every API route shares: paging, errors as problem details (RFC 9457), base viewsets.

Each app above has ``api.py`` with ``register(router)``; `build_router` calls them, lowest first.

References
----------
.. [1] M. Nottingham, E. Wilde, S. Dalal (2023). RFC 9457: Problem Details for HTTP APIs.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from http import HTTPStatus
from importlib import import_module
from importlib.util import find_spec
from typing import Any, Final, TypeVar

from django.conf import settings
from django.core.exceptions import ValidationError as DjangoValidationError
from django.db import transaction
from django.db.models import Model
from rest_framework import exceptions, mixins, serializers, viewsets
from rest_framework.permissions import BasePermission
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import DefaultRouter
from rest_framework.serializers import BaseSerializer
from rest_framework.views import APIView, exception_handler

from shared import renames, versions
from shared.errors import AWAY, FilesAway, Refused
from shared.fields import LARGEST_ID
from shared.models import User

log = logging.getLogger(__name__)

M = TypeVar("M", bound=Model)


class ApiRequest(Request):
    """What a route behind `HasRole` gets: somebody is signed in. For annotations."""

    user: User


Filled = BaseSerializer[Any]
"""A serializer with what was sent, already checked."""


def valid(
    kind: type[BaseSerializer[Any]], request: Request, *, partial: bool = False, **context: object
) -> dict[str, Any]:
    """What was sent, checked by a serializer of this kind; its context is the request and more of the caller's."""
    sent = kind(data=request.data, partial=partial, context={"request": request, **context})
    sent.is_valid(raise_exception=True)
    return dict(sent.validated_data)


def valid_rows(kind: type[BaseSerializer[Any]], request: Request) -> list[dict[str, Any]]:
    """The same of a list."""
    sent = kind(data=request.data, many=True, context={"request": request})
    sent.is_valid(raise_exception=True)
    return [dict(row) for row in sent.validated_data]


class IdField(serializers.IntegerField):
    """The number of a row; larger than any column holds is refused, not asked for."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"min_value": 1, "max_value": LARGEST_ID, **kwargs})


class Away(exceptions.APIException):
    """Files or rows can't be kept or read now."""

    status_code = HTTPStatus.SERVICE_UNAVAILABLE
    default_detail = "The place for photos and papers does not answer, or is full. Nothing was changed; send it again."
    default_code = "files away"


ROWS_AWAY: Final = "The database does not answer, is locked, or its disk is full. Nothing was kept; send it again."


class Conflict(exceptions.APIException):
    """The action cannot be done as things stand."""

    status_code = HTTPStatus.CONFLICT
    default_detail = "This cannot be done as things stand."
    default_code = "refused"


CHANGES: Final = frozenset({"PUT", "PATCH"})
WHOLE: Final = frozenset({"retrieve", "update", "partial_update"})


def _version(shown: object) -> str:
    """The ``ETag`` of one row as it is answered."""
    return f'"{versions.mark(JSONRenderer().render(shown).decode())}"'


class OtherVersion(exceptions.APIException):
    """Somebody changed the row after it was read; the answer holds both sides, field by field."""

    status_code = HTTPStatus.PRECONDITION_FAILED
    default_code = "version"

    def __init__(self, now: Mapping[str, object], sent: object) -> None:
        super().__init__("Somebody changed this since it was read. Read it again, then send what should stay.")
        self.errors = [
            {"field": name, "problem": f"It is {_short(now[name])} now; {_short(value)} was sent."}
            for name, value in (sent.items() if isinstance(sent, Mapping) else ())
            if name in now and now[name] != value
        ]


def _short(value: object) -> str:
    text = JSONRenderer().render(value).decode()
    return text if len(text) <= 120 else f"{text[:119]}…"


PROBLEM_TYPES: Final = {
    HTTPStatus.BAD_REQUEST: "urn:jambwise:problem:fields",
    HTTPStatus.CONFLICT: "urn:jambwise:problem:refused",
    HTTPStatus.PRECONDITION_FAILED: "urn:jambwise:problem:version",
}
"""Types of problems in API 1; any other is no more than its status says."""


def problem(status: HTTPStatus, detail: str, errors: list[dict[str, str]], path: str) -> dict[str, object]:
    """A problem as it is answered below an address (RFC 9457)."""
    kind = PROBLEM_TYPES.get(status, "about:blank") if path.startswith(renames.ONE) else "about:blank"
    return {"type": kind, "title": status.phrase, "status": status.value, "detail": detail, "errors": errors}


def problem_details(error: Exception, context: dict[str, object]) -> Response | None:
    """
    Every error as one object: ``type, title, status, detail`` and ``errors``, one a field.

    Each of ``errors`` has ``field`` (dotted, ``readings[2].value``), ``problem`` and, where
    there is one, ``bound``. A `Refused` from a service answers 409, a model's validation 400.
    """
    errors: list[dict[str, str]] = []
    if isinstance(error, Refused):
        errors = [{"field": error.field, "problem": error.problem}]
        if error.bound:
            errors[0]["bound"] = error.bound
        error = Conflict(error.problem)
    elif isinstance(error, AWAY):
        log.error("away", exc_info=error)
        error = Away() if isinstance(error, FilesAway) else Away(ROWS_AWAY)
    elif isinstance(error, DjangoValidationError):
        error = exceptions.ValidationError(error.message_dict if hasattr(error, "error_dict") else {"": error.messages})
    response = exception_handler(error, context)
    if response is None:
        return None
    if isinstance(error, OtherVersion):
        errors = error.errors
    if isinstance(error, exceptions.ValidationError):
        errors = list(_flat(error.detail))
    status = HTTPStatus(response.status_code)
    detail = errors[0]["problem"] if errors else str(getattr(error, "detail", error))
    if isinstance(error, OtherVersion):
        detail = str(error.detail)
    elif len(errors) > 1:
        detail = f"{len(errors)} fields were refused"
    request = context.get("request")
    response.data = problem(status, detail, errors, request.path if isinstance(request, Request) else "")
    response.content_type = "application/problem+json"
    return response


def _flat(detail: object, path: str = "") -> Iterator[dict[str, str]]:
    """DRF's nested errors as rows of field and problem."""
    if isinstance(detail, dict):
        for key, value in detail.items():
            name = "" if key == "non_field_errors" else str(key)
            yield from _flat(value, f"{path}.{name}".strip(".") if name else path)
    elif isinstance(detail, list) and any(isinstance(row, dict | list) for row in detail):
        for position, row in enumerate(detail):
            yield from _flat(row, f"{path}[{position}]")
    else:
        for problem in detail if isinstance(detail, list) else [detail]:
            yield {"field": path, "problem": str(problem)}


class HasRole(BasePermission):
    """
    Asks for a role.

    A viewset says ``roles = (DISPATCHER, OWNER)`` for everything, and ``action_roles =
    {"release": (DISPATCHER,)}`` for single actions. Nobody gets in by saying nothing.
    """

    message = "Your role does not do this."

    def has_permission(self, request: Request, view: object) -> bool:
        wanted = getattr(view, "action_roles", {}).get(getattr(view, "action", None), getattr(view, "roles", ()))
        return bool(request.user.is_authenticated and request.user.has_role(*wanted))


def kept_in(context: Mapping[str, object]) -> dict[str, Any]:
    """The context of a serializer as the place where rows of one answer keep what they share."""
    if not isinstance(context, dict):
        raise TypeError("a serializer's context is a dict")
    return context


class PersonMixin(APIView):
    """A view that knows who asks."""

    @property
    def person(self) -> User:
        """Who asks: `HasRole` let nobody in who is not signed in."""
        user = self.request.user
        if not isinstance(user, User):
            raise exceptions.NotAuthenticated
        return user


class VisibleMixin(PersonMixin, viewsets.GenericViewSet[M]):
    """Rows the user may see: the model's ``visible_to`` on top of the view's ``queryset``."""

    permission_classes = [HasRole]
    queryset: Any

    def dispatch(self, request: Any, *args: Any, **kwargs: Any) -> Any:
        """A change that says which version it was made from is compared and kept in one transaction."""
        if request.method in CHANGES and "If-Match" in request.headers:
            with transaction.atomic():
                return super().dispatch(request, *args, **kwargs)
        return super().dispatch(request, *args, **kwargs)

    def get_object(self) -> M:
        """The row; with ``If-Match`` locked, and refused (412) where it is another version by now."""
        found = super().get_object()
        wanted = self.request.headers.get("If-Match")
        if self.request.method not in CHANGES or wanted in (None, "*"):
            return found
        shown = self.get_serializer(versions.held(found)).data
        if _version(shown) not in {one.strip().removeprefix("W/") for one in wanted.split(",")}:
            raise OtherVersion(shown, self.request.data)
        return found

    def finalize_response(self, request: Any, response: Any, *args: Any, **kwargs: Any) -> Any:
        """One row's answer carries its version."""
        if getattr(self, "action", None) in WHOLE and response.status_code == HTTPStatus.OK:
            response["ETag"] = _version(response.data)
        return super().finalize_response(request, response, *args, **kwargs)

    def get_queryset(self) -> Any:
        if getattr(self, "swagger_fake_view", False):  # the schema is drawn for nobody in particular
            return self.queryset.none()
        return self.queryset.all().visible_to(self.person)


class ReadViewSet(VisibleMixin[M], viewsets.ReadOnlyModelViewSet[M]):
    """List and detail; actions are ``@action`` methods that call a service with ``by=request.user``."""


class ActionViewSet(
    VisibleMixin[M],
    mixins.CreateModelMixin,
    mixins.RetrieveModelMixin,
    mixins.UpdateModelMixin,
    mixins.ListModelMixin,
    viewsets.GenericViewSet[M],
):
    """
    List, detail, create, change; nothing is deleted.

    Override ``perform_create`` and ``perform_update`` to call a service: a serializer that
    saves by itself would leave no audit entry, so these refuse.
    """

    http_method_names = ["get", "post", "put", "patch", "head", "options"]

    def perform_create(self, serializer: Filled) -> None:
        raise NotImplementedError("call a service")

    def perform_update(self, serializer: Filled) -> None:
        raise NotImplementedError("call a service")


def build_router() -> DefaultRouter:
    """One router over the apps that have an API."""
    router = DefaultRouter()
    router.include_root_view = False
    for app in ("shared.routes", *(f"{room}.api" for room in settings.ROOMS)):
        if find_spec(app):
            import_module(app).register(router)
    return router
