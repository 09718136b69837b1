"""Whether the broker is there, asked so quickly that a page can."""

from __future__ import annotations

import socket
from contextlib import suppress
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from kombu.exceptions import ChannelError, OperationalError

from shared.celery import app

SECONDS = 1.0


def is_there() -> bool:
    """
    Whether something listens at the broker's address.

    The client library tries for some six seconds before it says that a broker is down;
    a page that asks for long work must not wait for that.
    """
    url = urlsplit(app.conf.broker_url)
    if url.scheme.endswith("+socket"):
        with socket.socket(socket.AF_UNIX) as link:
            link.settimeout(SECONDS)
            return link.connect_ex(url.netloc + url.path) == 0
    if url.scheme in {"redis", "rediss"}:
        with suppress(OSError), socket.create_connection((url.hostname or "localhost", url.port or 6379), SECONDS):
            return True
        return False
    return True  # a broker of another kind: its own client will tell


def waiting() -> dict[str, int]:
    """How many messages wait in each queue, of a broker that is there; workers may hold some more."""
    if not is_there():
        return {}
    try:
        with app.connection_for_read() as link:
            return {queue: _waiting(link.default_channel, queue) for queue in settings.QUEUES}
    except (OperationalError, OSError):
        return {}


def _waiting(channel: Any, queue: str) -> int:
    try:
        return int(channel.queue_declare(queue, passive=True).message_count)
    except ChannelError:
        return 0  # an empty queue is none to this broker
