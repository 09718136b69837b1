"""What tests of the install day share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest


@pytest.fixture(scope="module")
def module_rows(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """A transaction around the tests of a module: rows made under it are there for each, gone at its end."""
    from django.db import transaction

    with django_db_blocker.unblock(), transaction.atomic():
        yield
        transaction.set_rollback(True)
