"""What is served of our scripts and tables: without the lines that only people read."""

from __future__ import annotations

import json
import re
from typing import Any, Final

from django.core.files.base import ContentFile
from whitenoise.storage import CompressedManifestStaticFilesStorage

REMARKS: Final = re.compile(r"^ *(?:/\*(?:[^*]|\*(?!/))*\*/ *|//[^\n]*)\n", re.MULTILINE)
"""Remarks that have their lines to themselves."""
INDENTS: Final = re.compile(r"^ +", re.MULTILINE)


def lighter(name: str, text: str) -> str:
    """
    A script without its indents and the remarks that have lines to themselves; a table without its spaces.

    A text of several lines in backquotes would lose them too: tests/shared/test_static_files.py refuses it.

    Examples
    --------
    >>> lighter("a.js", "/** Why. */\\nif (a) {\\n  b(); // one\\n  // then\\n}\\n")
    'if (a) {\\nb(); // one\\n}\\n'
    >>> lighter("a.json", '{"a": [1, 2]}')
    '{"a":[1,2]}'
    """
    if name.endswith(".json"):
        return json.dumps(json.loads(text), ensure_ascii=False, separators=(",", ":"))
    return INDENTS.sub("", REMARKS.sub("", text))


class LighterStorage(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # WhiteNoise has no types
    """Collects scripts and tables lighter than they are written, so that a phone's first load is short."""

    def _save(self, name: str, content: Any) -> str:
        if name.endswith((".js", ".json")) and not name.endswith(".min.js"):
            text = b"".join(content.chunks()).decode()  # from its beginning, wherever it was read to
            content = ContentFile(lighter(name, text).encode())
        return str(super()._save(name, content))
