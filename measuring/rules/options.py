"""
What can be chosen for a unit beside its size, and whether what was chosen can be had.

The list is the recipe's, or the supplier's for what is bought in; the rooms above hand it down
through `measuring.ports`. Nothing here takes a first choice or a default by itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from measuring.rules.families import TABLE

SPELLINGS: Final = tuple((one, other) for one, other in TABLE["spellings"])
"""Words that are written in two ways; either stands for the other."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One value of an option; `problem` says why it can't be had though it is on the list, and what to do."""

    key: str
    name: str
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Option:
    """
    One thing that is chosen: one of its choices, or free text or a length where it has none.

    `is_own`: it is said of one unit only, so that a copy of its opening does not take it.
    """

    key: str
    label: str
    choices: tuple[Choice, ...] = ()
    is_needed: bool = True
    is_length: bool = False
    is_own: bool = False

    @property
    def pairs(self) -> list[tuple[str, str]]:
        """Key and name of each choice, for a select box."""
        return [(choice.key, choice.name) for choice in self.choices]

    @property
    def names(self) -> str:
        """The choices in a sentence."""
        return ", ".join(choice.name for choice in self.choices)

    def choice(self, key: str) -> Choice | None:
        """The choice of exactly that key."""
        return next((choice for choice in self.choices if choice.key == key), None)

    def match(self, text: str) -> Choice | None:
        """
        The choice that a text means: by its key, else by key or name whatever the case and spelling.

        Examples
        --------
        >>> Option("colour", "color", (Choice("Dusk grey", "Dusk grey"),)).match(" dusk Gray").key
        'Dusk grey'
        """
        found = self.choice(text)
        same = plain(text)
        return found or next((one for one in self.choices if same in {plain(one.key), plain(one.name)}), None)


@dataclass(frozen=True, slots=True)
class OptionList:
    """
    Everything that can be chosen for a product.

    `source` names the list in a message (``the recipe 'Wren' rev 2``), `where` says what a choice
    is added to (``the recipe``). `problem` says why there is no list yet, and what to do.
    """

    options: tuple[Option, ...] = ()
    source: str = ""
    where: str = ""
    problem: str = ""

    def option(self, key: str) -> Option | None:
        """The option of that key."""
        return next((option for option in self.options if option.key == key), None)


def plain(text: str) -> str:
    """
    A word as two people would both write it: case, spaces, dashes and double spellings aside.

    Examples
    --------
    >>> plain("  Dusk-Grey "), plain("control_side")
    ('dusk gray', 'control side')
    """
    word = re.sub(r"[\s_\-]+", " ", text).strip().casefold()
    for one, other in SPELLINGS:
        word = word.replace(one, other)
    return word


def named(key: str) -> str:
    """An option that no list names, in words."""
    return {"colour": "color"}.get(key, key.replace("_", " "))


def missing(listed: OptionList, chosen: Mapping[str, str]) -> list[Option]:
    """The needed options that are not chosen yet, in the list's order."""
    return [option for option in listed.options if option.is_needed and not chosen.get(option.key)]


def unresolved(listed: OptionList, chosen: Mapping[str, str]) -> list[str]:
    """
    What stands between the choices of a unit and the materials they mean, each with what to do.

    Parameters
    ----------
    listed
        Everything that can be chosen; its options in the order they are asked.
    chosen
        Option key to the key of its choice, or to free text where the option has no choices.

    Returns
    -------
    list[str]
        One sentence or two for each option that is not chosen, whose value is not on the list or
        can't be had, or which the list does not know; empty where everything resolves.

    Examples
    --------
    >>> colour = Option("colour", "color", (Choice("white", "white"), Choice("sand", "sand")))
    >>> listed = OptionList((colour,), "the recipe 'Wren' rev 3", "the recipe")
    >>> unresolved(listed, {"colour": "slate"})[0]
    "color 'slate' is not in the recipe 'Wren' rev 3. Choose one of white, sand, or add the color to the recipe."
    >>> short = Option("colour", "color", (Choice("fern", "fern", "Its cloth is out of stock. Choose another color."),))
    >>> unresolved(OptionList((short,)), {"colour": "fern"})
    ["color 'fern': Its cloth is out of stock. Choose another color."]
    """
    if listed.problem:
        return [listed.problem]
    return [*_by_option(listed, chosen), *_unknown(listed, chosen)]


def _by_option(listed: OptionList, chosen: Mapping[str, str]) -> Iterator[str]:
    for option in listed.options:
        value = chosen.get(option.key)
        if not value:
            if option.is_needed:
                yield f"{option.label} is not chosen. " + (f"Choose one of {option.names}." if option.choices else "")
            continue
        choice = option.choice(value)
        if is_gone(option, value):
            yield _gone(listed, option, value)
        elif choice is not None and choice.problem:
            yield f"{option.label} '{choice.name}': {choice.problem}"


def is_gone(option: Option | None, value: str) -> bool:
    """Whether a value that somebody chose is on no list any more."""
    return option is None or bool(option.choices and option.choice(value) is None)


def gone(listed: OptionList, chosen: Mapping[str, str]) -> list[str]:
    """What is chosen and not offered any more, each with what to do; nothing where there is no list at all."""
    if listed.problem:
        return []
    held = [(option, chosen.get(option.key)) for option in listed.options]
    lapsed = [_gone(listed, option, value) for option, value in held if value and is_gone(option, value)]
    return [*lapsed, *_unknown(listed, chosen)]


def _gone(listed: OptionList, option: Option, value: str) -> str:
    return (
        f"{option.label} '{value}' is not in {listed.source}. "
        f"Choose one of {option.names}, or add the {option.label} to {listed.where}."
    )


def _unknown(listed: OptionList, chosen: Mapping[str, str]) -> Iterator[str]:
    for key, value in chosen.items():
        if value and listed.option(key) is None:
            name = named(key)
            yield f"{name} '{value}': {listed.source} has no {name}. Remove it, or add it to {listed.where}."
