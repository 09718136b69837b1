"""
A POST of the API sent twice is done once: the ``Idempotency-Key`` header.

Whoever asks with a key gets, for a day, the same answer to the same request; another
request under that key answers 422, one whose first is still at work 409. Keys belong to
the person who asks. Entries of a phone's queue are another thing: they keep their own
identity for ever (`shared.devices`).

References
----------
.. [1] J. Jena, S. Dalal (2025). The Idempotency-Key HTTP Header Field. Internet-Draft
       draft-ietf-httpapi-idempotency-key-header-07.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Callable
from http import HTTPStatus
from typing import Final

from django.core.exceptions import RequestDataTooBig
from django.db import IntegrityError, transaction
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.utils import timezone
from rest_framework.authtoken.models import Token

from shared.models import AnsweredRequest, User

KEPT_FOR: Final = dt.timedelta(days=1)
MOST_CHARACTERS: Final = 200
_KEY: Final = re.compile(r'(?:"([\x20-\x21\x23-\x5b\x5d-\x7e]+)"|([\x21\x23-\x7e]+))\Z')
"""A string as structured fields write it, in quotes; or bare, as many write it."""

TRY_AGAIN: Final = frozenset({401, 403, 429})
"""Answers that say nothing of the request itself, so they are not kept."""


class IdempotencyMiddleware:
    """Keeps the answers of POSTs to the API that carry a key."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get("Idempotency-Key")
        if given is None or request.method != "POST" or not request.path.startswith("/api/"):
            return self.get_response(request)
        user = _who_asks(request)
        if user is None:
            return self.get_response(request)
        match = _KEY.match(given.strip())
        if match is None or len(given) > MOST_CHARACTERS:
            bound = f"at most {MOST_CHARACTERS} visible characters, in quotes"
            return _problem(HTTPStatus.BAD_REQUEST, "The Idempotency-Key can't be used.", bound)
        row, is_new = _claimed(user, match[1] or match[2], _fingerprint(request))
        if not is_new:
            return _again(row, _fingerprint(request))
        return self._answered(request, row)

    def _answered(self, request: HttpRequest, row: AnsweredRequest) -> HttpResponse:
        try:
            response = self.get_response(request)
        except BaseException:
            row.delete()
            raise
        if response.streaming or response.status_code >= 500 or response.status_code in TRY_AGAIN:
            row.delete()
            return response
        row.status, row.body = response.status_code, response.content
        row.headers = {name: response[name] for name in ("Content-Type", "Location") if name in response}
        row.save(update_fields=["status", "body", "headers"])
        return response


def forget_old() -> int:
    """Deletes answers kept for more than a day; how many."""
    return AnsweredRequest.objects.filter(at__lt=timezone.now() - KEPT_FOR).delete()[0]


def _who_asks(request: HttpRequest) -> User | None:
    """By session, or by token as the API takes it."""
    if request.user.is_authenticated:
        return request.user
    word, _, key = request.headers.get("Authorization", "").partition(" ")
    if word.lower() != "token":
        return None
    token = Token.objects.select_related("user").filter(key=key.strip()).first()
    return token.user if token is not None else None


def _fingerprint(request: HttpRequest) -> str:
    """Of address and body; the boundary of an upload's parts is drawn anew each time and does not count."""
    boundary = request.content_params.get("boundary", "") if request.content_params else ""
    try:
        body = request.body
    except RequestDataTooBig:
        body = str(request.META.get("CONTENT_LENGTH")).encode()
    if boundary:
        body = body.replace(boundary.encode(), b"")
    parts = (request.get_full_path().encode(), (request.content_type or "").encode(), body)
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def _claimed(user: User, key: str, fingerprint: str) -> tuple[AnsweredRequest, bool]:
    """The row of this key, and whether it is ours to answer."""
    AnsweredRequest.objects.filter(by=user, key=key, at__lt=timezone.now() - KEPT_FOR).delete()
    try:
        with transaction.atomic():
            return AnsweredRequest.objects.create(by=user, key=key, fingerprint=fingerprint), True
    except IntegrityError:
        return AnsweredRequest.objects.get(by=user, key=key), False


def _again(row: AnsweredRequest, fingerprint: str) -> HttpResponse:
    if row.fingerprint != fingerprint:
        return _problem(
            HTTPStatus.UNPROCESSABLE_ENTITY, "This Idempotency-Key was sent with another request.", "a key of its own"
        )
    if row.status is None:
        return _problem(HTTPStatus.CONFLICT, "The first request with this Idempotency-Key is still at work.")
    return HttpResponse(bytes(row.body or b""), status=row.status, headers=row.headers)


def _problem(status: HTTPStatus, detail: str, bound: str = "") -> HttpResponse:
    error = {"field": "Idempotency-Key", "problem": detail} | ({"bound": bound} if bound else {})
    problem = {
        "type": "about:blank", "title": status.phrase, "status": status.value, "detail": detail, "errors": [error],
    }  # fmt: skip
    return JsonResponse(problem, status=status, content_type="application/problem+json")
