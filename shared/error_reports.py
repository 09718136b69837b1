"""What breaks, told to a server that takes errors by a DSN; imports nothing of ours, since settings begin it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import sentry_sdk

TOLD_OF_A_REQUEST: Final = ("method", "url")
"""Nothing of cookies, headers, boxes or what was asked for: they name customers."""


def begin(dsn: str) -> None:
    """From now on every error of pages, API and long work that the log holds is told there."""
    sentry_sdk.init(
        dsn=dsn,
        send_default_pii=False,
        include_local_variables=False,
        max_request_body_size="never",
        max_breadcrumbs=0,
        traces_sample_rate=None,
        auto_session_tracking=False,
        before_send=_bare,
    )


def _bare(event: Any, hint: Mapping[str, Any]) -> Any:
    """Without what names people; with the id under which the log has the rest."""
    from shared import request_id

    asked = event.get("request", {})
    event["request"] = {name: asked[name].partition("?")[0] for name in TOLD_OF_A_REQUEST if name in asked}
    event["tags"] = {**(event.get("tags") or {}), "request_id": request_id.current()}
    for name in ("user", "extra", "server_name", "modules"):
        event.pop(name, None)
    return event
