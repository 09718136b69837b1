"""
A recipe as rows a person edits: every figure of its definition is a box, grouped as it reads.

The definition is JSON read strictly by `fabrication.rules`; this form changes values, adds and
drops allowances, conditions and parts (a new part begins as a copy of another). What the rules
refuse comes back beside the box it is about.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any, Final

from fabrication.rules import recipes as rules
from fabrication.rules.bench import COLOR
from fabrication.rules.model import Condition, PartRule
from shared.contracts import ContractError
from shared.lengths import ZERO
from shared.records import length_text

PREFIX: Final = "at:"
IS: Final = "="
_FIGURE: Final = re.compile(r"-?\d[\d\s./-]*( ?(mm|cm|m|in|\"))?")
_STEP: Final = re.compile(r"\.?([^.\[\]]+)|\[(\d+)\]")
_ROLE: Final = "role:"
_NAMES: Final = {
    "clearance": "Clearance off the opening",
    "sizes": "Sizes it is made in",
    "packages": "Packages",
    "trade": "Figures of the family",
    "between": "Between units on one head",
}
_ORDER: Final = ("clearance", "sizes", "parts", "packages", "between", "trade")
_OF_COUNT: Final = {
    "fixed": {"number", "spare"},
    "figure": {"times", "spare"},
    "pitch": {"pitch", "end", "number", "least", "spare"},
    "span": {"pitch", "end", "least", "spare"},
    "fullness": {"pitch", "end", "fullness", "least", "spare"},
}
"""Which figures of a count mean something, by how it counts."""


SHOWN_FOLDED: Final = 4
"""Boxes of a section that are read while it is folded."""


@dataclass(slots=True)
class Box:
    """One value that can be edited: where it is, what it is called, what stands in it."""

    path: str
    label: str
    value: str
    problem: str = ""


@dataclass(slots=True)
class Section:
    """Boxes that belong together, with the reading of the rule they are from."""

    title: str
    reading: str = ""
    boxes: list[Box] = field(default_factory=list)
    adds: list[str] = field(default_factory=list)
    """Paths of lists of allowances that take another one."""
    part: str = ""
    """The path of the part it is about, if it is about one."""
    key: str = ""
    """What the drawing calls that part."""
    conditions: list[tuple[str, str]] = field(default_factory=list)
    """Path and words of each condition of the part."""
    may_take_color: bool = False
    """A part of one material, in a recipe where a color is chosen."""

    @property
    def in_short(self) -> str:
        """What stands over it while it is folded: its reading, or its title with what its first boxes hold."""
        if self.reading:
            return self.reading
        held = [f"{box.label} {box.value}" for box in self.boxes[:SHOWN_FOLDED] if box.value]
        return ": ".join(filter(None, [self.title, ", ".join(held)])) + (
            ", …" if len(self.boxes) > SHOWN_FOLDED else ""
        )

    @property
    def has_problem(self) -> bool:
        """Whether something in one of its boxes is refused."""
        return any(box.problem for box in self.boxes)


@dataclass(frozen=True, slots=True)
class Band:
    """A row of the table of bands: a part that is there, or is another one, from a size to under another."""

    part: str
    name: str
    on: str
    least: str
    below: str
    material: str
    pieces: str


def bands(
    definition: Mapping[str, Any], problems: Mapping[str, str], names: Mapping[str, str] | None = None
) -> list[Band]:
    """The parts whose condition is a band, those of one name beside each other, from the smallest on."""
    if problems:
        return []
    found = []
    for position, rule in enumerate(rules.Recipe.from_json(dict(definition)).parts):
        for one in rule.when:
            if one.least is None and one.below is None:
                continue
            ends = (length_text(one.least or ZERO), length_text(one.below) if one.below else "")
            path, count = f"parts[{position}]", rules.count_text(rule.count)
            band = Band(path, rule.name, one.on, *ends, _material(rule, names or {}), count)
            found.append(((rule.name, one.on, one.least or ZERO), band))
    return [band for _, band in sorted(found, key=lambda row: row[0])]


def sections(
    definition: Mapping[str, Any], problems: Mapping[str, str], names: Mapping[str, str] | None = None
) -> list[Section]:
    """The definition as sections of boxes, problems beside the box they name; `names` of materials by their key."""
    recipe = rules.Recipe.from_json(dict(definition)) if not problems else None
    found = []
    has_color = any(option["key"] == COLOR for option in definition.get("options") or ())
    for name in _ORDER:
        value = definition.get(name)
        if name == "parts":
            for position, row in enumerate(value or ()):
                section = _part(position, row, recipe, names or {})
                section.may_take_color = has_color and bool(row.get("material"))
                found.append(section)
        else:
            section = Section(_NAMES.get(name, name))
            section.boxes = list(_boxes(value, name, ""))
            found.append(section)
    for section in found:
        for box in section.boxes:
            box.problem = next((text for path, text in problems.items() if path == box.path), "")
    return [section for section in found if section.boxes or section.adds]


def _part(place: int, row: Mapping[str, Any], recipe: rules.Recipe | None, names: Mapping[str, str]) -> Section:
    section = Section(f"Part: {row['name']}", part=f"parts[{place}]", key=str(row.get("key", "")))
    section.conditions = [
        (f"parts[{place}].when[{number}]", _condition(one)) for number, one in enumerate(row.get("when") or ())
    ]
    if recipe is not None:
        section.reading = _reading(recipe, place, names)
    for name in ("length", "width", "count", "when"):
        if row.get(name):
            section.boxes += _boxes(row[name], f"parts[{place}].{name}", name)
        if name in {"length", "width"} and row.get(name):
            section.adds.append(f"parts[{place}].{name}.plus")
    return section


def _condition(row: Mapping[str, Any]) -> str:
    try:
        return rules.condition_text(Condition.from_json(dict(row)))
    except ContractError:
        return str(row.get("on", ""))


def condition_choices(definition: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What a part may be made to depend on: the mount, and every choice of every option; value and words."""
    found = [(f"mount{IS}{mount}", f"mount {mount}") for mount in ("inside", "outside")]
    for option in definition.get("options") or ():
        name = option.get("name") or option["key"]
        found += [(f"{option['key']}{IS}{one['key']}", f"{name} {one['key']}") for one in option.get("choices") or ()]
    return found


@dataclass(slots=True)
class OptionRows:
    """
    An option with its choices, and the roles a new choice names a material for.

    Each choice with its path, its name, and the materials it brings: path, what it is for, the material's key.
    """

    path: str
    name: str
    choices: list[tuple[str, str, list[tuple[str, str, str]]]]
    roles: list[str]


def option_rows(definition: Mapping[str, Any]) -> list[OptionRows]:
    """What can be chosen, for the page."""
    rows = []
    for position, option in enumerate(definition.get("options") or ()):
        path, choices = f"options[{position}]", option.get("choices") or []
        shown = [_choice_row(f"{path}.choices[{number}]", one) for number, one in enumerate(choices)]
        roles = dict.fromkeys(role for one in choices for role in one.get("materials") or ())
        rows.append(OptionRows(path, option.get("name") or option["key"], shown, list(roles)))
    return rows


def _choice_row(path: str, choice: Mapping[str, Any]) -> tuple[str, str, list[tuple[str, str, str]]]:
    brings = choice.get("materials") or {}
    rows = [(f"{path}.materials.{role}", role.replace("_", " "), key) for role, key in brings.items()]
    return path, choice.get("name") or choice["key"], rows


def _reading(recipe: rules.Recipe, place: int, names: Mapping[str, str]) -> str:
    """One sentence a maker reads: ``headrail = finished width − 1/4; 1 of the headrail chosen, only when …``."""
    rule = recipe.parts[place]
    sizes = [_finished(rules.measure_text(measure)) for measure in (rule.width, rule.length) if measure is not None]
    size = f"{rule.name} = {' wide × '.join(sizes)}{' long' if len(sizes) > 1 else ''}; " if sizes else f"{rule.name}: "
    when = " and ".join(rules.condition_text(condition) for condition in rule.when)
    return f"{size}{rules.count_text(rule.count)} of {_material(rule, names)}{f', only when {when}' if when else ''}"


def _finished(words: str) -> str:
    """A size of the unit itself is its finished one."""
    return f"finished {words}" if re.match(r"(width|height)\b(?! of)", words) else words


def _material(rule: PartRule, names: Mapping[str, str]) -> str:
    return names.get(rule.material, rule.material) or f"the {rule.role.replace('_', ' ')} chosen"


def _boxes(value: Any, path: str, label: str) -> Iterator[Box]:
    """Every figure below, depth first; words such as a measure's name are not edited here."""
    if isinstance(value, Mapping):
        what = value.get("what")
        for name in _that_count(value):
            inner = value[name]
            shown = f"{label}: {what}" if what and name == "length" else f"{label} {name.replace('_', ' ')}".strip()
            yield from _boxes(inner, f"{path}.{name}", shown)
    elif isinstance(value, list):
        for position, inner in enumerate(value):
            yield from _boxes(inner, f"{path}[{position}]", label if len(value) == 1 else f"{label} {position + 1}")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield Box(path, label, str(value))
    elif isinstance(value, str) and _FIGURE.fullmatch(value.strip()):
        yield Box(path, label, value)


def _that_count(value: Mapping[str, Any]) -> list[str]:
    """The figures of an object that have a say; the others stand at what changes nothing."""
    if "by" in value and value["by"] in _OF_COUNT:
        return [name for name in value if name in _OF_COUNT[value["by"]]]
    if "what" in value and "factor" in value:  # an allowance: a length, or a share of a measure
        return ["factor"] if value.get("of") else ["length"]
    if "plus" in value and value.get("factor") == "1":
        return [name for name in value if name != "factor"]
    return list(value)


# -- back into a definition ------------------------------------------------------------


def edited(definition: Mapping[str, Any], sent: Mapping[str, str]) -> dict[str, Any]:
    """
    The definition with what was sent: boxes by their path, allowances added, empty ones dropped.

    An emptied allowance is dropped; any other emptied box is refused by the rules at its path.
    """
    changed = deepcopy(dict(definition))
    drops: list[tuple[list[Any], int]] = []
    for name, text in sent.items():
        if not name.startswith(PREFIX):
            continue
        path, text = name.removeprefix(PREFIX), text.strip()
        holder, last = _holder(changed, path)
        if holder is None:
            continue
        if not text and (place := _allowance(changed, path)) is not None:
            drops.append(place)
        elif isinstance(holder[last], int) and text.lstrip("-").isdigit():
            holder[last] = int(text)
        else:
            holder[last] = text
    for several, index in sorted(drops, key=lambda drop: -drop[1]):
        del several[index]
    _add(changed, sent)
    _take_color(changed, sent)
    _add_conditions(changed, sent)
    _add_part(changed, sent)
    _add_choices(changed, sent)
    for path in sorted((name for name in sent if name.startswith("drop:")), key=_last_first):
        _drop(changed, path.removeprefix("drop:"))
    return changed


def _last_first(name: str) -> list[int]:
    return [-int(number) for number in re.findall(r"\[(\d+)\]", name)]


def _drop(changed: dict[str, Any], path: str) -> None:
    """Takes a part, one of its conditions or a choice out."""
    if re.fullmatch(r"parts\[\d+\](\.when\[\d+\])?|options\[\d+\]\.choices\[\d+\]", path) is None:
        return
    holder, last = _holder(changed, path)
    if holder is None:
        return
    gone = holder.pop(last)
    option, _ = _holder(changed, path.removesuffix(f".choices[{last}]") + ".key")
    if path.startswith("options") and option and option.get("default") == gone["key"]:
        option["default"] = ""


def _add_choices(changed: dict[str, Any], sent: Mapping[str, str]) -> None:
    """Another choice of an option; of its materials those that were named."""
    for name, text in sent.items():
        match = re.fullmatch(r"choice:(options\[\d+\])", name)
        if match is None or not text.strip():
            continue
        holder, last = _holder(changed, match[1])
        if holder is None:
            continue
        start = f"{_ROLE}{match[1]}."
        materials = {key.removeprefix(start): sent[key] for key in sent if key.startswith(start) and sent[key]}
        made: dict[str, Any] = {"key": text.strip()[:60]}
        holder[last]["choices"].append(made | ({"materials": materials} if materials else {}))


def _take_color(changed: dict[str, Any], sent: Mapping[str, str]) -> None:
    """A part that is seen: every color names its material from now on, the one it had until it is changed."""
    colors = [option for option in changed.get("options") or () if option["key"] == COLOR]
    for name in sent:
        match = re.fullmatch(r"color:(parts\[\d+\])", name)
        holder, last = _holder(changed, match[1]) if match else (None, None)
        if holder is None or not colors or not holder[last].get("material"):
            continue
        part = holder[last]
        for choice in colors[0]["choices"]:
            choice.setdefault("materials", {}).setdefault(part["key"], part["material"])
        part |= {"material": "", "role": part["key"], "seen": True}


def _add_conditions(changed: dict[str, Any], sent: Mapping[str, str]) -> None:
    allowed = {value for value, _ in condition_choices(changed)}
    for name, value in sent.items():
        match = re.fullmatch(r"when:(parts\[\d+\])", name)
        if match is None or value not in allowed:
            continue
        holder, last = _holder(changed, match[1])
        if holder is not None:
            on, _, choice = value.partition(IS)
            holder[last].setdefault("when", []).append({"on": on, "among": [choice]})


def _add_part(changed: dict[str, Any], sent: Mapping[str, str]) -> None:
    """A part like another, under a name of its own; of another material where one is named."""
    name, like = sent.get("new:name", "").strip()[:60], sent.get("new:like", "")
    parts = changed.get("parts") or []
    if not name or not like.isdecimal() or int(like) >= len(parts):
        return
    part = deepcopy(parts[int(like)]) | {"name": name, "key": _key(name)}
    if material := sent.get("new:material", "").strip():
        part |= {"material": material, "seen": False}
        part.pop("role", None)
    parts.append(part)


def _key(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_") or "part"


def _steps(path: str) -> list[str | int]:
    return [int(index) if index else name for name, index in _STEP.findall(path)]


def _holder(root: Any, path: str) -> tuple[Any, Any]:
    """What holds the value of a path, and its place there; none for a path that leads nowhere."""
    steps = _steps(path)
    at = root
    try:
        for step in steps[:-1]:
            at = at[step]
        at[steps[-1]]
    except (KeyError, IndexError, TypeError):
        return None, None
    return at, steps[-1]


def _allowance(root: Any, path: str) -> tuple[list[Any], int] | None:
    match = re.fullmatch(r"(.*\.plus)\[(\d+)\]\.length", path)
    if match is None:
        return None
    holder, last = _holder(root, match[1])
    return (holder[last], int(match[2])) if holder is not None else None


def _add(changed: dict[str, Any], sent: Mapping[str, str]) -> None:
    for name, text in sent.items():
        match = re.fullmatch(r"add:(parts\[\d+\]\.(?:length|width))\.plus", name)
        if match is None or not text.strip():
            continue
        holder, last = _holder(changed, match[1])
        if holder is None:
            continue
        what = sent.get(f"what:{match[1]}.plus", "").strip() or "allowance"
        holder[last].setdefault("plus", []).append({"what": what[:60], "length": text.strip()})


def read(definition: Mapping[str, Any]) -> tuple[rules.Recipe | None, dict[str, str]]:
    """The recipe, or what the rules refuse by the path it is about."""
    try:
        return rules.Recipe.from_json(dict(definition)), {}
    except ContractError as error:
        bound = f" ({error.bound})" if error.bound else ""
        return None, {error.field: f"{error.problem}{bound}"}
