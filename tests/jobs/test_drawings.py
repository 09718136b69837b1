"""Maps of the calendar: our own drawing, with squares of a web map beneath only where the firm named a server."""

from __future__ import annotations

from typing import Any

import pytest

from jobs.drawings import picking_map
from shared.drawings import Svg
from shared.models import Branch


def drawn(branch: Branch) -> str:
    sketch = picking_map(branch)
    assert sketch is not None
    svg = sketch["svg"]
    assert isinstance(svg, Svg)
    return svg.render()


@pytest.mark.django_db
def test_a_map_asks_no_address_outside_unless_told(branch: Branch, settings: Any) -> None:
    branch.latitude, branch.longitude = 41.88, -88.3
    branch.save()
    ours = drawn(branch)
    settings.TILES, settings.TILES_CREDIT = "https://maps.example/{z}/{x}/{y}.png", "© who drew it"
    theirs = drawn(branch)

    assert "<image" not in ours
    assert 4 <= theirs.count('<image href="https://maps.example/') <= 42
    assert "© who drew it" in theirs
