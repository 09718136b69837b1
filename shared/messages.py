"""
Sending a message: by e-mail through Django's backend, as a text message through the gateway of the settings.

What fails is told apart by whether it can have gone: `Again` (it can't, a later try may), `Rejected` (it can't, and
a later try won't help), `Unsure` (nobody knows: it is not tried again without a person).
"""

from __future__ import annotations

import json
import re
import smtplib
import urllib.error
import urllib.request
from collections.abc import Sequence
from contextlib import suppress
from http.client import HTTPException
from typing import IO, Final
from urllib.parse import quote

from django.conf import settings
from django.core.mail import EmailMessage, get_connection
from django.core.mail.backends.base import BaseEmailBackend

Attachment = tuple[str, bytes, str]
"""Name, content and MIME type of a file that goes along."""

MOST_SAID: Final = 200
LATER: Final = frozenset({408, 425, 429, 502, 503})
"""Answers by which the gateway says that it has not taken the message, and may another time."""
PERHAPS: Final = frozenset({500, 504})
"""Answers after which it may have."""


class NotSent(Exception):
    """Why a message did not go, or not for certain, in a few words."""

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why[:MOST_SAID]


class Again(NotSent):
    """It has not gone; a later try may."""


class Rejected(NotSent):
    """It has not gone, and will not."""


class Unsure(NotSent):
    """It may have gone."""


def mails() -> bool:
    """Whether mail is sent."""
    return bool(settings.EMAIL_URL)


def texts() -> bool:
    """Whether text messages are sent."""
    return bool(settings.TEXT_URL)


# -- e-mail -------------------------------------------------------------------------------


def send_mail(*, to: str, subject: str, body: str, key: str, attachments: Sequence[Attachment] = ()) -> str:
    """Send one e-mail; what the server said. `key` makes its Message-ID, so that a second one shows as the same."""
    link = get_connection()
    try:
        link.open()
    except (OSError, smtplib.SMTPException) as error:
        raise Again(f"the mail server does not answer: {_said(error)}") from error
    mail = EmailMessage(subject, body, None, [to], connection=link, headers={"Message-ID": f"<{key}@jambwise>"})
    for name, content, kind in attachments:
        mail.attach(name, content, kind)
    try:
        mail.send()
    except smtplib.SMTPRecipientsRefused as error:
        code, said = next(iter(error.recipients.values()))
        raise _by_code(code, said) from error
    except smtplib.SMTPResponseException as error:
        raise _by_code(error.smtp_code, error.smtp_error) from error
    except (OSError, smtplib.SMTPException) as error:
        raise Unsure(f"the mail server broke off: {_said(error)}") from error
    finally:
        _close(link)
    return "accepted by the mail server"


def _close(link: BaseEmailBackend) -> None:
    """After the answer it makes no difference how the connection ends."""
    with suppress(OSError, smtplib.SMTPException):
        link.close()


def _by_code(code: int, said: bytes | str) -> NotSent:
    words = said.decode(errors="replace") if isinstance(said, bytes) else said
    return (Again if 400 <= code < 500 else Rejected)(f"the mail server refused it: {code} {words}")


def _said(error: Exception) -> str:
    return str(error) or type(error).__name__


# -- text messages ----------------------------------------------------------------------------


class _NoDetour(urllib.request.HTTPRedirectHandler):
    """A gateway that sends elsewhere has not taken the message."""

    def redirect_request(self, *args: object) -> None:
        return None


def send_text(*, to: str, text: str, key: str) -> str:
    """Send one text message; what the gateway said. `key` is the same for every try of one message."""
    headers = {"Content-Type": "application/json", **settings.TEXT_HEADERS}
    kind = next(value for name, value in headers.items() if name.lower() == "content-type")
    body = written(settings.TEXT_BODY, kind, to=to, text=text, id=key)
    filled = {name: value.replace("{id}", key) for name, value in headers.items()}
    request = urllib.request.Request(settings.TEXT_URL, body.encode(), filled, method="POST")
    try:
        with urllib.request.build_opener(_NoDetour).open(request, timeout=settings.TEXT_TIMEOUT) as reply:
            return f"accepted by the gateway: {reply.status} {_begin(reply)}".strip()
    except urllib.error.HTTPError as error:
        with error:
            said = f"the gateway answered {error.code} {_begin(error)}".strip()
        raise (Again if error.code in LATER else Unsure if error.code in PERHAPS else Rejected)(said) from error
    except urllib.error.URLError as error:  # before the whole request was out
        raise Again(f"the gateway does not answer: {error.reason}") from error
    except (OSError, HTTPException) as error:  # after it
        raise Unsure(f"the gateway took it and did not answer: {_said(error)}") from error


def _begin(reply: IO[bytes]) -> str:
    """The beginning of an answer, in one line."""
    try:
        return " ".join(reply.read(400).decode(errors="replace").split())[:MOST_SAID]
    except (OSError, HTTPException):
        return ""


def written(template: str, kind: str, **values: str) -> str:
    """
    A request's body: `{to}`, `{text}` and `{id}` filled in as its content type needs them.

    Examples
    --------
    >>> written('{"to": "{to}", "text": "{text}"}', "application/json", to="+1312", text='a "b"')
    '{"to": "+1312", "text": "a \\\\"b\\\\""}'
    >>> written("To={to}&Body={text}", "application/x-www-form-urlencoded", to="+1312", text="a & b")
    'To=%2B1312&Body=a%20%26%20b'
    """
    is_form = kind.partition(";")[0].strip() == "application/x-www-form-urlencoded"
    plain = {name: quote(value, safe="") if is_form else json.dumps(value)[1:-1] for name, value in values.items()}
    return re.sub(r"\{(to|text|id)\}", lambda found: plain.get(found[1], found[0]), template)
