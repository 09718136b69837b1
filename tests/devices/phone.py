"""A phone as tests hold it, which numbers its entries and sends them over HTTP; a fault at the office."""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from measuring.models import Opening
from shared.devices import receiver
from shared.models import User


class Phone:
    """A phone of somebody; kinds without a room are measuring's."""

    def __init__(self, user: User) -> None:
        self.device, self.token = receiver.register_device(user=user, name="test phone")
        self.client = APIClient()
        self.client.credentials(HTTP_AUTHORIZATION=f"Device {self.token}")
        self.place = 0

    def entry(self, kind: str, /, **body: Any) -> dict[str, Any]:
        """An entry as the phone keeps it, the next in its order."""
        self.place += 1
        return {
            "id": str(uuid.uuid4()),
            "place": self.place,
            "kind": kind if "." in kind else f"measuring.{kind}",
            "body": body,
            "done_at": timezone.now().isoformat(),
        }

    def send(self, *sent: dict[str, Any]) -> list[dict[str, Any]]:
        """Send these; the reply of each."""
        answer = self.client.post(
            "/api/field/entries/", json.dumps({"entries": list(sent)}), content_type="application/json"
        )
        assert answer.status_code == 200, answer.content
        return answer.json()["replies"]

    def do(self, kind: str, /, **body: Any) -> dict[str, Any]:
        """Do and send one."""
        return self.send(self.entry(kind, **body))[0]


@contextmanager
def fault(place: Any, name: str, when: Callable[[dict[str, Any]], bool] = lambda said: True) -> Iterator[None]:
    """A service that raises what no service should, where `when` says so; else it is the real one."""
    real = getattr(place, name)

    def faulty(**said: Any) -> Any:
        if when(said):
            raise KeyError("grid")
        return real(**said)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(place, name, faulty)
        yield


def reading(phone: Phone, opening: Opening, spot: str, typed: str, seen: str | None = None) -> dict[str, Any]:
    """A reading as the phone keeps it."""
    return phone.entry("reading", opening=str(opening.uid), spot=spot, typed=typed, seen=seen)
