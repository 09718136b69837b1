"""
A POST sent twice is done once: by the API's ``Idempotency-Key`` header, by the token of a page's form.

Whoever asks with a key gets, for a day, the same answer to the same request; another
request under that key answers 422, one whose first is still at work 409. Keys belong to
the person who asks. Entries of a phone's queue are another thing: they keep their own
identity for ever (`shared.devices`).

A form of a page needs no key of its own: the token it carries against foreign sites is drawn anew for every
page, so the same token, address and boxes are the same press. Of two at once the second waits for the first,
then leads where that one led.

The first audit entry of a press marks it as done in its own transaction, so that one whose process died before it
could answer is never done again: whoever repeats it is told to look.

References
----------
.. [1] J. Jena, S. Dalal (2025). The Idempotency-Key HTTP Header Field. Internet-Draft
       draft-ietf-httpapi-idempotency-key-header-07.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import time
from collections.abc import Callable
from contextlib import suppress
from http import HTTPStatus
from typing import Any, Final, TypeVar

from django.contrib import messages
from django.core.exceptions import RequestDataTooBig
from django.db import IntegrityError, transaction
from django.db.models import Q
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect, JsonResponse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext
from rest_framework.authtoken.models import Token

from shared import audit
from shared.errors import AWAY, let_go_of_a_dead_connection
from shared.models import AnsweredRequest, ApiToken, User

KEPT_FOR: Final = dt.timedelta(days=1)
MOST_CHARACTERS: Final = 200
PAGE: Final = "page "
"""Begins the key of a page's form; a key of the API has no space in it unless it is quoted."""

WAITED_FOR: Final = 10.0
"""Seconds that the second of two presses waits for the first."""

GIVEN_UP: Final = dt.timedelta(minutes=2)
"""After this a press without an answer died with its process; one that did nothing may be done again."""

CLAIM: Final = "_sent_once"
KEPT_HEADERS: Final = frozenset({"Content-Type", "Location", "Cache-Control"})
V = TypeVar("V", bound=Callable[..., Any])

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
            with audit.pressed(row.pk):
                response = self.get_response(request)
        except BaseException:
            _let_go(row)
            raise
        if response.streaming or response.status_code >= 500 or response.status_code in TRY_AGAIN:
            _let_go(row)
            return response
        row.status, row.body = response.status_code, response.content
        row.headers = {name: response[name] for name in ("Content-Type", "Location") if name in response}
        row.save(update_fields=["status", "body", "headers"])
        return response


class SentOnceMiddleware:
    """Does a page's form once, however often it arrives; stands inside of messages and sign-in."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if request.path.startswith("/api/"):
            return self.get_response(request)  # its key is taken further out
        with audit.pressed(None):
            response = self.get_response(request)
        row: AnsweredRequest | None = getattr(request, CLAIM, None)
        if row is not None:
            _keep_page(row, response)
        return response

    def process_view(self, request: HttpRequest, view: object, args: object, kwargs: object) -> HttpResponse | None:
        """Claims the press, or answers as the first one was; after the check of the token itself."""
        if request.method != "POST" or request.path.startswith("/api/") or getattr(view, "only_looks", False):
            return None
        token = request.POST.get("csrfmiddlewaretoken", "")
        if not token or not request.user.is_authenticated:
            return None
        pressed = _pressed(request)
        until = time.monotonic() + WAITED_FOR
        while True:
            row, is_new = _claimed(request.user, f"{PAGE}{token[:80]} {pressed}", pressed)
            if is_new:
                setattr(request, CLAIM, row)
                audit.presses(row.pk)
                return None
            if was_cut_off(row):
                messages.warning(request, CUT_OFF)
                return HttpResponseRedirect(_back(request))
            if row.status is not None:
                messages.info(request, gettext("It was sent twice and done once. To do it again, open its page again."))
                return _again(row, pressed)
            if time.monotonic() > until:
                return HttpResponse("The first press is still at work.", status=409, content_type="text/plain")
            time.sleep(0.05)


def only_looks(view: V) -> V:
    """Marks a page that is posted to and keeps nothing: the same boxes may be asked again and again."""
    view.only_looks = True  # type: ignore[attr-defined]
    return view


def _pressed(request: HttpRequest) -> str:
    """Of address, boxes and files."""
    digest = hashlib.sha256(request.get_full_path().encode())
    for name, values in sorted(request.POST.lists()):
        if name != "csrfmiddlewaretoken":
            digest.update(repr((name, values)).encode())
    for name, files in sorted(request.FILES.lists()):
        for file in files:
            digest.update(repr((name, file.name, file.size)).encode())
            for chunk in file.chunks():
                digest.update(chunk)
            file.seek(0)
    return digest.hexdigest()


def _keep_page(row: AnsweredRequest, response: HttpResponse) -> None:
    """What it led to; a page that refused may be sent again, so it is not kept."""
    if response.streaming or response.status_code >= 500:
        return _let_go(row)
    if response.status_code >= 400:
        row.delete()
        return
    row.status, row.body = response.status_code, response.content
    row.headers = {name: value for name, value in response.items() if name in KEPT_HEADERS or name[:3] == "HX-"}
    row.save(update_fields=["status", "body", "headers"])


def _let_go(row: AnsweredRequest) -> None:
    """
    What broke may be sent again at once; what did something before it broke is not done twice.

    The database may be what broke: then the row stays, and is given up in its time.
    """
    let_go_of_a_dead_connection()
    with suppress(*AWAY):
        mine = AnsweredRequest.objects.filter(pk=row.pk)
        mine.filter(body=None).delete()
        mine.filter(status=None).update(at=timezone.now() - GIVEN_UP)


CUT_OFF: Final = "It was done when it was sent first, and only its answer was lost. Look whether all of it is there."


def was_cut_off(row: AnsweredRequest) -> bool:
    """Whether it did something, and its process died before it could say so."""
    return row.status is None and row.body is not None and row.at <= timezone.now() - GIVEN_UP


def _back(request: HttpRequest) -> str:
    """The page that the form stood on."""
    page = request.headers.get("Referer", "")
    return page if url_has_allowed_host_and_scheme(page, {request.get_host()}) else "/"


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
    found = ApiToken.objects.of_key(key)
    token = found or Token.objects.select_related("user").filter(key=key.strip()).first()
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
    now = timezone.now()
    gone = Q(at__lt=now - KEPT_FOR) | Q(status=None, body=None, at__lt=now - GIVEN_UP)
    AnsweredRequest.objects.filter(gone, by=user, key=key).delete()
    while True:
        try:
            with transaction.atomic():
                return AnsweredRequest.objects.create(by=user, key=key, fingerprint=fingerprint), True
        except IntegrityError:
            row = AnsweredRequest.objects.filter(by=user, key=key).first()
            if row is not None:  # none: the first came to nothing just now
                return row, False


def _again(row: AnsweredRequest, fingerprint: str) -> HttpResponse:
    if row.fingerprint != fingerprint:
        return _problem(
            HTTPStatus.UNPROCESSABLE_ENTITY, "This Idempotency-Key was sent with another request.", "a key of its own"
        )
    if was_cut_off(row):
        return _problem(HTTPStatus.CONFLICT, CUT_OFF)
    if row.status is None:
        return _problem(HTTPStatus.CONFLICT, "The first request with this Idempotency-Key is still at work.")
    return HttpResponse(bytes(row.body or b""), status=row.status, headers=row.headers)


def _problem(status: HTTPStatus, detail: str, bound: str = "") -> HttpResponse:
    error = {"field": "Idempotency-Key", "problem": detail} | ({"bound": bound} if bound else {})
    problem = {
        "type": "about:blank", "title": status.phrase, "status": status.value, "detail": detail, "errors": [error],
    }  # fmt: skip
    return JsonResponse(problem, status=status, content_type="application/problem+json")
