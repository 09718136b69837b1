"""
Runs code beside a test's site: one JSON string of code a line in, ``[printed, error]`` a line out.

A process that stays saves the start of Django at each look into the database.
"""

from __future__ import annotations

import json
import sys
import traceback
from contextlib import redirect_stdout
from io import StringIO


def main() -> None:
    """Serve until the input ends."""
    import django
    from django.db import connection

    django.setup()
    for line in sys.stdin:
        printed, error = StringIO(), None
        try:
            with redirect_stdout(printed):
                exec(json.loads(line), {"__name__": "__main__"})
        except Exception:
            error = traceback.format_exc()
        connection.close()
        print(json.dumps([printed.getvalue(), error]), flush=True)


if __name__ == "__main__":
    main()
