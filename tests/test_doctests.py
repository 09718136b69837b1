"""Every example in a docstring runs and says what it promises."""

from __future__ import annotations

import doctest
from importlib import import_module

import pytest

from tests.test_layers import ORDER, ROOT, sources

MODULES = [
    ".".join(path.relative_to(ROOT).with_suffix("").parts)
    for app in ORDER
    for path in sources(app)
    if ">>> " in path.read_text() and path.name != "__main__.py"
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_of(name: str) -> None:
    module = import_module(name.removesuffix(".__init__"))

    failed, _ = doctest.testmod(module, optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)

    assert failed == 0
