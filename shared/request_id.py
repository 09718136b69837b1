"""Which request a line of the log belongs to; imports nothing of ours, since logging is set up first of all."""

from __future__ import annotations

import logging
import re
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Final

from django.core.signals import request_finished
from django.dispatch import receiver
from django.http import HttpRequest, HttpResponse

REQUEST_ID: Final = "X-Request-ID"
_PLAIN: Final = re.compile(r"[A-Za-z0-9_-]{8,64}\Z")
_request_id: ContextVar[str] = ContextVar("request_id", default="-")


def current() -> str:
    """The id of the request that is being answered; empty outside of any."""
    return _request_id.get().strip("-")


@contextmanager
def work_for(request_id: str) -> Iterator[None]:
    """What is logged inside belongs to this request, though it was answered long ago."""
    before = _request_id.set(request_id or "-")
    try:
        yield
    finally:
        _request_id.reset(before)


class RequestIdMiddleware:
    """Gives a request the id its proxy sent, or one of its own; the answer and every line of the log carry it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get(REQUEST_ID, "")
        found = given if _PLAIN.match(given) else uuid.uuid4().hex[:16]
        _request_id.set(found)
        response = self.get_response(request)
        response[REQUEST_ID] = found
        return response


@receiver(request_finished)
def _over(**kwargs: object) -> None:
    """Django logs a page that was not found after its last middleware: the id lasts until the answer is out."""
    _request_id.set("-")


class RequestIdFilter(logging.Filter):
    """Gives each line of the log the id of its request; a dash where there is none."""

    def filter(self, record: logging.LogRecord) -> bool:
        record.request_id = _request_id.get()
        return True
