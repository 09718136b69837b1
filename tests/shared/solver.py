"""A little solver for tests: counts, says how far it is, ends when its input closes."""

from __future__ import annotations

import json
import sys
import threading
import time


def main() -> int:
    """Count to the problem's ``to`` and answer how far it came."""
    problem = json.loads(sys.stdin.readline())
    if problem["to"] < 0:
        error = {"field": "to", "problem": "must be 0 or more", "bound": "0"}
        print(json.dumps({"error": error}), file=sys.stderr)
        return 2
    if problem.get("crash"):
        raise RuntimeError("lost the count")
    closed = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), closed.set()), daemon=True).start()
    counted = 0
    while counted < problem["to"] and not closed.is_set():
        counted += 1
        time.sleep(problem.get("pause", 0))
        print(json.dumps({"progress": {"done": counted, "total": problem["to"], "message": "counting"}}), flush=True)
    print(json.dumps({"counted": counted}), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
