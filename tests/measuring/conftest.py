"""The measuring room on its own: what higher rooms registered is set aside."""

from __future__ import annotations

import pytest

from measuring import ports


def set_rooms_above_aside(patch: pytest.MonkeyPatch) -> None:
    """Tests of this room see only its own rules; those of the rooms above test their hooks."""
    above = (
        "release_checks",
        "release_hooks",
        "change_effects",
        "size_change_hooks",
        "take_back_hooks",
        "cancel_hooks",
    )
    for registry in (*above, "obstruction_help"):
        patch.setattr(ports.ports, registry, [])


@pytest.fixture(autouse=True)
def no_rooms_above(monkeypatch: pytest.MonkeyPatch) -> None:
    set_rooms_above_aside(monkeypatch)
