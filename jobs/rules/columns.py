"""The columns of a table that somebody sends: which is which, by heading and example, and what its cells say."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

TRUTHS: Final = {
    "yes": True, "y": True, "true": True, "1": True, "x": True,
    "no": False, "n": False, "false": False, "0": False,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Column:
    """
    A column that a kind of table may have.

    Parameters
    ----------
    also
        Other headings it goes under.
    looks
        What all its cells match, for a heading that says nothing; empty: only a heading tells.
    """

    name: str
    help: str = ""
    also: tuple[str, ...] = ()
    is_needed: bool = False
    looks: str = ""


EMAIL: Final = r"[^@\s]+@[^@\s]+\.[^@\s]+"
PHONE: Final = r"\+?[\d\s().-]{7,20}"


def plain(heading: str) -> str:
    """
    A heading without case, spaces and signs.

    >>> plain("E-mail Address"), plain("Rm. #")
    ('emailaddress', 'rm')
    """
    return re.sub(r"[\W_]+", "", heading).lower()


def matched(
    headings: Sequence[str],
    examples: Sequence[Sequence[str]],
    columns: Sequence[Column],
    kept: Mapping[str, str] | None = None,
) -> dict[str, str]:
    """
    Which of our columns each heading is; headings that are none are left out.

    What was kept of this source goes first, then the headings, then what the cells look like.

    >>> name, mail = Column("name", also=("client",)), Column("email", looks=EMAIL)
    >>> matched(["Client", "Reach them at"], [["Ada", "ada@example.org"]], [name, mail])
    {'Client': 'name', 'Reach them at': 'email'}
    """
    names = {one.name for one in columns}
    kept = kept or {}
    found = {head: kept[head] for head in headings if kept.get(head) in names}
    free = [head for head in headings if head not in kept]
    for one in columns:
        if one.name in found.values():
            continue
        words = {plain(word) for word in (one.name, *one.also)}
        head = next((head for head in free if head not in found and plain(head) in words), None)
        if head is not None:
            found[head] = one.name
    for one in columns:
        if one.looks and one.name not in found.values():
            alike = (free_head for free_head in free if _all_look(headings.index(free_head), examples, one))
            head = next((head for head in alike if head not in found), None)
            if head is not None:
                found[head] = one.name
    return {head: found[head] for head in headings if head in found}


def _all_look(at: int, examples: Sequence[Sequence[str]], column: Column) -> bool:
    cells = [row[at] for row in examples if at < len(row) and row[at]]
    return bool(cells) and all(re.fullmatch(column.looks, cell) for cell in cells)


@dataclass(slots=True)
class Cells:
    """A row's cells, read one by one; what is wrong with them is gathered, so that it is said all at once."""

    values: Mapping[str, str]
    wrong: dict[str, str] = field(default_factory=dict)

    def text(self, name: str) -> str:
        return self.values.get(name, "")

    def demand(self, *names: str) -> None:
        """These are not empty."""
        self.wrong.update({name: "is empty" for name in names if not self.text(name)})

    def number(self, name: str, most: float) -> float | None:
        """A number between minus and plus `most`; None where the cell is empty."""
        text = self.text(name)
        try:
            value = float(text) if text else None
        except ValueError:
            self.wrong[name] = f"{text} is no number"
            return None
        if value is not None and not -most <= value <= most:
            self.wrong[name] = f"{text} is out of bounds (-{most:g} to {most:g})"
            return None
        return value

    def whole(self, name: str, least: int, most: int) -> int | None:
        """A whole number; None where the cell is empty."""
        text = self.text(name)
        if not text:
            return None
        if not text.isdecimal() or not least <= int(text) <= most:
            self.wrong[name] = f"{text} is no whole number from {least} to {most}"
            return None
        return int(text)

    def truth(self, name: str, usual: bool) -> bool:
        """Yes or no; `usual` where the cell is empty."""
        text = self.text(name).lower()
        if text and text not in TRUTHS:
            self.wrong[name] = f"{text} is neither yes nor no"
        return TRUTHS.get(text, usual)

    def one_of(self, name: str, choices: Mapping[str, str], usual: str = "") -> str:
        """The key of a choice that is named by its key or its words."""
        text = self.text(name)
        if not text:
            return usual
        for key, words in choices.items():
            if plain(text) in {plain(key), plain(words)}:
                return key
        self.wrong[name] = f"{text} is none of {', '.join(choices.values())}"
        return usual
