"""
The rules as fields to edit: what a page shows of a part of them, and what somebody changed put back.

A field is named by its path, ``brackets.slat.sizes[0].height``, the same that a refusal names.
What is typed is text; `HardwareRules.from_json` then reads it, so that it names field and bound.
"""

from __future__ import annotations

import copy
import itertools
import re
import types
import typing
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeGuard, get_args, get_origin

from installs.rules.data import HardwareRules
from shared.contracts import ContractError
from shared.lengths import Length
from shared.records import OneOf, Record, fields_of

NOT_EDITED: Final = frozenset({"revision"})
LONG_TEXTS: Final = frozenset({"advice", "never", "never_unscanned", "text", "source", "basis"})
_STEP: Final = re.compile(r"\[(\d+)\]|([^.\[\]]+)")


@dataclass(frozen=True)
class Field:
    """One value to edit; `kind` is ``text``, ``long``, ``truth``, ``choice`` or ``list``, words with commas between."""

    path: str
    label: str
    kind: str
    value: str
    bound: str = ""
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Group:
    """Fields under one heading: a row of a list (then `path` may be removed), or an inner part."""

    title: str
    fields: tuple[Field, ...]
    path: str = ""
    is_new: bool = False


@dataclass(frozen=True)
class Part:
    """What is edited on one page."""

    path: str
    title: str
    may_go: bool = False
    """Whether it is one of several that may be copied and taken out."""


@dataclass
class _Found:
    plain: list[Field] = field(default_factory=list)
    groups: list[Group] = field(default_factory=list)


def parts_of(definition: Mapping[str, Any]) -> list[Part]:
    """
    Every page there is: each entry of a table of rules, each group of items, and the single parts.

    Examples
    --------
    >>> from installs.rules.data import starting_definition
    >>> [part.path for part in parts_of(starting_definition())][:3]
    ['confirmed', 'brackets.roller', 'brackets.roller/motor']
    """
    found = [Part("confirmed", "confirmed as the firm's own")]
    for one, kind in fields_of(HardwareRules):
        name, inner = one.name, _bare(kind)
        if name in NOT_EDITED | {"confirmed", "basis"}:
            continue
        if name == "items":
            groups = dict.fromkeys(item["group"] for item in definition["items"])
            found += [Part(f"items/{group}", f"items: {_words(group)}") for group in groups]
        elif get_origin(inner) is dict and _is_data(get_args(inner)[1]):
            may_go = name != "weights"
            found += [Part(f"{name}.{key}", f"{_words(name)}: {key}", may_go) for key in definition[name]]
        else:
            found.append(Part(name, _words(name)))
    return found


def part_at(definition: Mapping[str, object], path: str) -> Part:
    """The part of this path; raises KeyError."""
    return {part.path: part for part in parts_of(definition)}[path]


def groups_of(definition: Mapping[str, Any], part: Part) -> list[Group]:
    """What the page of a part shows: first its plain fields, then each row and inner part, lists with a new row."""
    if part.path.startswith("items/"):
        group = part.path.partition("/")[2]
        rows = list(enumerate(definition["items"]))
        shown = [(position, row) for position, row in rows if row["group"] == group]
        kind = get_args(_bare(dict(_named(HardwareRules))["items"]))[0]
        found = [_row(kind, row, f"items[{position}]", row["name"]) for position, row in shown]
        return [*found, _row(kind, {"group": group}, f"items[{len(rows)}]", "a new item", is_new=True)]
    out = _Found()
    _walk(_kind_at(part.path), _value_at(definition, part.path), part.path, out)
    return [*([Group("", tuple(out.plain))] if out.plain else []), *out.groups]


def changed(
    definition: Mapping[str, object], typed: Mapping[str, str], *, remove: Collection[str] = ()
) -> dict[str, Any]:
    """
    The definition with what was typed, by path, and without the rows and entries of `remove`.

    A path one past the end of a list, or of a key that is not there yet, makes a new row or entry.
    Nothing but the paths is checked here: `HardwareRules.from_json` reads the answer.

    Raises
    ------
    ContractError
        For a path that is none of the rules.

    Examples
    --------
    >>> from installs.rules.data import starting_definition
    >>> changed(starting_definition(), {"placing.keep_off": "2"})["placing"]["keep_off"]
    '2'
    """
    made: dict[str, Any] = copy.deepcopy(dict(definition))
    for path, text in typed.items():
        if path.split(".")[0] in NOT_EDITED:
            raise ContractError(path, "follows by itself", "not edited")
        _put(made, path, _read(_kind_at(path), text))
    for path in sorted(remove, key=_by_place, reverse=True):
        _kind_at(path)
        _take_out(made, path)
    return made


def copied(definition: Mapping[str, object], path: str, key: str) -> dict[str, Any]:
    """
    The definition with a copy of an entry, ``fasteners.hollow``, under another key beside it.

    Raises
    ------
    ContractError
        For an entry that is not there, or a key that can't be or is there already.
    """
    made: dict[str, Any] = copy.deepcopy(dict(definition))
    table, _, old = path.partition(".")
    if not any(part.path == path and part.may_go for part in parts_of(made)):
        raise ContractError(path[:120], "no entry of the rules", "one of fasteners.hollow and the like")
    if not re.fullmatch(r"[a-z0-9_/-]{1,60}|[A-Z]{2,3}", key):
        raise ContractError(f"{table}.{key[:60]}", "no key", "small letters, figures, - and /")
    if key in made[table]:
        raise ContractError(f"{table}.{key}", "is there already", "a key of its own")
    made[table][key] = copy.deepcopy(made[table][old])
    return made


# -- walking ---------------------------------------------------------------------------------


def _named(cls: type[Record]) -> list[tuple[str, object]]:
    return [(one.name, kind) for one, kind in fields_of(cls)]


def _bare(kind: object) -> object:
    """The type without its limits and without None."""
    if get_origin(kind) is typing.Annotated:
        kind = get_args(kind)[0]
    if get_origin(kind) in {types.UnionType, typing.Union}:
        kind = next(part for part in get_args(kind) if part is not type(None))
    return kind


def _is_data(kind: object) -> TypeGuard[type[Record]]:
    return isinstance(kind, type) and issubclass(kind, Record)


def _steps(path: str) -> list[str | int]:
    """``sizes[0].height`` as ``["sizes", 0, "height"]``."""
    steps: list[str | int] = []
    at = 0
    for match in _STEP.finditer(path):
        if path[at : match.start()] not in {"", "."}:
            break
        steps.append(int(match[1]) if match[1] else match[2])
        at = match.end()
    if at != len(path) or not steps:
        raise ContractError(path[:80], "no path", 'such as "placing.keep_off"')
    return steps


def _kind_at(path: str) -> object:
    """The annotation at a path; raises `ContractError` where the rules have none."""
    kind: object = HardwareRules
    limit: object = None
    for step in _steps(path):
        if get_origin(kind) is typing.Annotated:
            limit = get_args(kind)[1]
        bare = _bare(kind)
        if isinstance(step, int) and get_origin(bare) is tuple:
            kind = get_args(bare)[0]
        elif isinstance(step, str) and get_origin(bare) is dict:
            kind = get_args(bare)[1]
        elif isinstance(step, str) and _is_data(bare) and step in dict(_named(bare)):
            kind, limit = dict(_named(bare))[step], None
        else:
            raise ContractError(path[:80], "not known", "a field of the rules")
    return typing.Annotated[kind, limit] if limit is not None and get_origin(kind) is not typing.Annotated else kind


def _value_at(value: Any, path: str) -> Any:
    for step in _steps(path):
        value = value[step]
    return value


def _walk(kind: object, value: Any, path: str, out: _Found) -> None:
    bare = _bare(kind)
    if _is_data(bare):
        for name, inner in _named(bare):
            _walk_field(inner, (value or {}).get(name), f"{path}.{name}", out)
    else:
        _walk_field(kind, value, path, out)


def _walk_field(kind: object, value: Any, path: str, out: _Found) -> None:
    bare = _bare(kind)
    inner = get_args(bare)[-1] if get_origin(bare) is dict else (get_args(bare) or (None,))[0]
    title = _words(path.rpartition(".")[2])
    if _is_data(bare):
        out.groups.append(_row(bare, value or {}, path, title, may_go=False))
    elif get_origin(bare) is tuple and _is_data(inner):
        rows = value or []
        out.groups += [
            _row(inner, row, f"{path}[{position}]", f"{title} {position + 1}") for position, row in enumerate(rows)
        ]
        out.groups.append(_row(inner, {}, f"{path}[{len(rows)}]", f"one more: {title}", is_new=True))
    elif get_origin(bare) is dict and _is_data(inner):
        out.groups += [_row(inner, row, f"{path}.{key}", f"{title}: {key}") for key, row in (value or {}).items()]
    elif get_origin(bare) is dict:
        limit = get_args(kind)[1] if get_origin(kind) is typing.Annotated else None
        some = typing.Annotated[inner, limit] if limit is not None else inner
        fields = tuple(_field(some, entry, f"{path}.{key}", key) for key, entry in (value or {}).items())
        out.groups.append(Group(title, fields))
    else:
        out.plain.append(_field(kind, value, path, title[:1].upper() + title[1:]))


def _row(
    kind: type[Record], value: Mapping[str, Any], path: str, title: str, *, is_new: bool = False, may_go: bool = True
) -> Group:
    out = _Found()
    for name, inner in _named(kind):
        _walk_field(inner, value.get(name, _default(kind, name)), f"{path}.{name}", out)
    deeper = [one for group in out.groups for one in group.fields]
    return Group(title, (*out.plain, *deeper), path if may_go else "", is_new)


def _default(kind: type[Record], name: str) -> object:
    one = next(one for one, _ in fields_of(kind) if one.name == name)
    plain = isinstance(one.default, str | bool | int)
    return one.default if plain else None


def _field(kind: object, value: Any, path: str, label: str) -> Field:
    limit = get_args(kind)[1] if get_origin(kind) is typing.Annotated else None
    bare = _bare(kind)
    bound = "" if limit is None or isinstance(limit, OneOf) else str(limit)
    if bare is Length and bound:
        bound += " in"
    if bare is bool:
        return Field(path, label, "truth", "yes" if value else "", bound)
    if get_origin(bare) is tuple:
        return Field(path, label, "list", ", ".join(value or ()), bound)
    if isinstance(limit, OneOf):
        return Field(path, label, "choice", "" if value is None else str(value), "", limit.words)
    is_long = path.rpartition(".")[2] in LONG_TEXTS or path.startswith("cautions.")
    return Field(path, label, "long" if is_long else "text", "" if value is None else str(value), bound)


def _words(name: str) -> str:
    return name.replace("_", " ")


# -- putting back ----------------------------------------------------------------------------------


def _read(kind: object, text: str) -> object:
    """What JSON has for a typed text: the reader of the rules says what is wrong with it."""
    text = text.strip()
    may_be_none = get_origin(_unlimited(kind)) in {types.UnionType, typing.Union}
    bare = _bare(kind)
    if bare is bool:
        return text.lower() in {"yes", "on", "true", "1"}
    if get_origin(bare) is tuple:
        return [word.strip() for word in text.split(",") if word.strip()]
    if not text and (may_be_none or bare is not str):
        return None
    if bare is int:
        return int(text) if re.fullmatch(r"-?\d{1,12}", text) else text
    return text


def _unlimited(kind: object) -> object:
    return get_args(kind)[0] if get_origin(kind) is typing.Annotated else kind


def _put(made: dict[str, object], path: str, value: object) -> None:
    steps = _steps(path)
    at: Any = made
    for step, after in itertools.pairwise(steps):
        at = _inner(at, step, [] if isinstance(after, int) else {}, path)
    last = steps[-1]
    if isinstance(at, list):
        raise ContractError(path, "a row has fields", "the path of a field")
    if value is None:
        at.pop(last, None)
    else:
        at[last] = value


def _inner(at: Any, step: str | int, empty: Any, path: str) -> Any:
    if isinstance(step, int):
        if step > len(at):
            raise ContractError(path, "no such row", f"0 to {len(at)}")
        if step == len(at):
            at.append(empty)
        return at[step]
    if at.get(step) is None:
        at[step] = empty
    return at[step]


def _take_out(made: dict[str, object], path: str) -> None:
    steps: Sequence[str | int] = _steps(path)
    try:
        at = _value_at(made, path.removesuffix(f"[{steps[-1]}]").removesuffix(f".{steps[-1]}"))
        del at[steps[-1]]
    except (KeyError, IndexError, TypeError):
        raise ContractError(path, "is not there", "a row or an entry") from None


def _by_place(path: str) -> tuple[tuple[bool, int, str], ...]:
    return tuple((isinstance(step, int), step if isinstance(step, int) else 0, str(step)) for step in _steps(path))
