"""Where the gateway hands on the text messages that customers send."""

from __future__ import annotations

import json
from http import HTTPStatus
from typing import Final

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.utils.crypto import constant_time_compare
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from jobs.services.texts_in import LONGEST, take_in
from shared.access import address_of, asked_too_often

OF_ADDRESS: Final = 600
"""Texts a minute from one address."""


@csrf_exempt  # nobody is signed in here: the key in the address says that it is the gateway
@require_POST
def text_in(request: HttpRequest, key: str) -> HttpResponse:
    """One text message, as a form or JSON; a second of the same changes nothing more."""
    if asked_too_often(f"texts {address_of(request)}", OF_ADDRESS):
        return HttpResponse(status=HTTPStatus.TOO_MANY_REQUESTS)
    if not settings.TEXT_IN_KEY or not constant_time_compare(key, settings.TEXT_IN_KEY):
        raise Http404
    number, text = (_sent(request).get(name, "") for name in (settings.TEXT_IN_FROM, settings.TEXT_IN_TEXT))
    if not number or not text:
        said = f"send {settings.TEXT_IN_FROM} and {settings.TEXT_IN_TEXT}"
        return HttpResponse(said, status=HTTPStatus.BAD_REQUEST, content_type="text/plain")
    take_in(number=number[:40], text=text[:LONGEST].replace("\0", ""))
    return HttpResponse(content_type="text/plain")


def _sent(request: HttpRequest) -> dict[str, str]:
    """What was posted, as texts; nothing where it is neither a form nor an object of JSON."""
    if request.content_type != "application/json":
        return {name: str(value) for name, value in request.POST.items()}
    try:
        found = json.loads(request.body)
    except ValueError:
        return {}
    return {str(name): str(value) for name, value in found.items()} if isinstance(found, dict) else {}
