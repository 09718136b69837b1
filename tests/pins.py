"""
Writes the hashes of every requirement: ``python -m tests.pins``.

The lines and their comments in the two files are written by hand; below each line go the hashes of the files
that its release has, as ``uv`` finds them. It stops where the lines are not the whole set, and names what is
missing or not needed.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parent.parent
FILES: Final = ("requirements.txt", "tests/requirements.txt")
OLDEST_PYTHON: Final = "3.11"
REST: Final = "# what the above stand on"
CONTINUED: Final = " \\\n    "


def by_hand(text: str) -> str:
    """A file as a person writes it: without hashes."""
    return re.sub(r"[ \t]*\\\n[ \t]+--hash=\S+", "", text)


def requirements(text: str) -> dict[str, list[str]]:
    """The hashes below each requirement of a file."""
    found: dict[str, list[str]] = {}
    for line in re.sub(r"\s*\\\n\s*", " ", text).splitlines():
        if line and not line.startswith(("#", "-r ")):
            requirement, *hashes = line.split(" --hash=")
            found[requirement.strip()] = [one.strip() for one in hashes]
    return found


def resolved(texts: dict[str, str]) -> dict[str, list[str]]:
    """Every requirement of the files with the hashes of its release, for each system and Python we run on."""
    with tempfile.TemporaryDirectory() as folder:
        for name, text in texts.items():
            (Path(folder) / name).parent.mkdir(exist_ok=True)
            ours, rest = text.split(REST)
            (Path(folder) / name).write_text(ours)
            (Path(folder) / name).with_suffix(".rest").write_text(rest)
        answer = subprocess.run(
            [
                sys.executable, "-m", "uv", "pip", "compile", "--quiet", "--universal", "--generate-hashes",
                "--python-version", OLDEST_PYTHON, "--no-annotate", "--no-header", FILES[-1],
                *(f"--constraint={Path(name).with_suffix('.rest')}" for name in texts),
            ],
            cwd=folder, stdout=subprocess.PIPE, text=True, check=True,
        )  # fmt: skip
    return requirements(answer.stdout)


def with_hashes(text: str, hashes: dict[str, list[str]]) -> str:
    """A file's text with each requirement's hashes below it."""
    lines = (
        CONTINUED.join([line, *(f"--hash={one}" for one in hashes[line])]) if line in hashes else line
        for line in text.splitlines()
    )
    return "\n".join(lines) + "\n"


def main() -> None:
    texts = {name: by_hand((ROOT / name).read_text()) for name in FILES}
    listed = {line for text in texts.values() for line in requirements(text)}
    found = resolved(texts)
    missing, unneeded = sorted(set(found) - listed), sorted(listed - set(found))
    if missing or unneeded:
        sys.exit("\n".join([*(f"missing: {line}" for line in missing), *(f"not needed: {line}" for line in unneeded)]))
    for name, text in texts.items():
        (ROOT / name).write_text(with_hashes(text, found))


if __name__ == "__main__":
    main()
