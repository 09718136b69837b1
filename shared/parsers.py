"""How the API reads bodies."""

from __future__ import annotations

from typing import Any

from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

from shared.renames import with_new_names


class BoundedJSONParser(JSONParser):
    """JSON that is nested too deep to read is the sender's error, not ours; old names of fields are taken."""

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        try:
            body = super().parse(stream, media_type, parser_context)
        except RecursionError:
            raise ParseError("The JSON is nested too deep to read; a few levels are enough.") from None
        return with_new_names(body, parser_context["request"]._request)
