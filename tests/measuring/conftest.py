"""The measuring room on its own: what higher rooms registered is set aside."""

from __future__ import annotations

import pytest

from measuring import ports


@pytest.fixture(autouse=True)
def no_rooms_above(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests of this room see only its own rules; those of the rooms above test their hooks."""
    for registry in ("release_checks", "release_hooks", "change_effects", "size_change_hooks", "obstruction_help"):
        monkeypatch.setattr(ports.ports, registry, [])
