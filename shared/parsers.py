"""How the API reads bodies."""

from __future__ import annotations

from typing import Any, Final

from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

from shared.renames import with_new_names

DEEPEST: Final = 32
TOO_DEEP: Final = f"The JSON is nested too deep to read; at most {DEEPEST} levels are taken."


def _depth(body: object) -> int:
    """Levels of lists and objects, counted no further than one past what is taken."""
    level, found = [body], 0
    while found <= DEEPEST:
        level = [
            inner
            for one in level
            if isinstance(one, dict | list)
            for inner in (one.values() if isinstance(one, dict) else one)
        ]
        if not level:
            return found
        found += 1
    return found


class BoundedJSONParser(JSONParser):
    """JSON that is nested too deep to read is the sender's error, not ours; old names of fields are taken."""

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        try:
            body = super().parse(stream, media_type, parser_context)
        except RecursionError:
            raise ParseError(TOO_DEEP) from None
        if _depth(body) > DEEPEST:
            raise ParseError(TOO_DEEP)
        return with_new_names(body, parser_context["request"]._request)
