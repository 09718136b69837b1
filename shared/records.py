"""
JSON as frozen dataclasses and back, by cattrs: the one way in which typed input is read.

A `Form` says how values stand in JSON. `STORED` is that of our own columns, starting data and
phones' entries: lengths are text (``"1 3/4"`` is inches, ``"904 mm"`` millimetres, ``"12345 ticks"``
what lies on neither grid, ``"-1 1/8"`` takes away), numbers with a fraction too (``"0.42"``,
``"2/3"``), because a JSON column gives floats back and a float is never exact. `document_form`
is that of the engines' documents, whose lengths are all in one unit.

A field's limit stands beside its type: ``Annotated[Length, Within("0", "6")]``. What can't be
read is refused by the path of its field (``brackets.slat.sizes[0].height``).
"""

from __future__ import annotations

import dataclasses
import operator
import types
import typing
import uuid
from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from functools import cache, partial, reduce
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Final, Self, TypeVar, get_args, get_origin

from cattrs import Converter
from cattrs.cols import list_structure_factory, mapping_structure_factory
from cattrs.errors import AttributeValidationNote, BaseValidationError, ClassValidationError, IterableValidationNote
from cattrs.gen import make_dict_structure_fn, make_dict_unstructure_fn, override

from shared import contracts
from shared.contracts import LARGEST_INTEGER, PLAIN, UNITS, ContractError, joined, kind_word, named, shortened
from shared.lengths import TICKS_PER_INCH, TICKS_PER_MM, Length, LengthError, LengthUnit, parse_length

PRACTICE: Final = "common practice, no published source"
"""The basis of every starting value that has no better one."""

LONGEST_TEXT: Final = 600
LARGEST_NUMBER: Final = 10**9


# -- limits ------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True)
class Within:
    """Bounds of a field, inclusive, beside its type in ``Annotated``; a length's are inches as text."""

    least: str | int | None = None
    most: str | int | None = None
    above: int | None = None
    """The same, exclusive."""

    def __str__(self) -> str:
        if self.above is not None:
            return f"more than {self.above}" + (f", at most {self.most}" if self.most is not None else "")
        if self.least is not None and self.most is not None:
            return f"{self.least} to {self.most}"
        if self.least is not None:
            return f"at least {self.least}"
        return f"at most {self.most}" if self.most is not None else ""

    @cache  # noqa: B019 - there are as many as the code writes down
    def of(self, kind: Any) -> tuple[Any, Any]:
        """Both bounds as this kind of number, or as lengths."""
        made = (None if one is None else _as_kind(one, kind) for one in (self.least, self.most))
        return next(made), next(made)


class OneOf:
    """The words a field may hold, beside its type in ``Annotated``."""

    def __init__(self, *words: str) -> None:
        self.words = words

    def __str__(self) -> str:
        return "one of " + ", ".join(word or '""' for word in self.words)


@dataclasses.dataclass(frozen=True)
class Longest:
    """The most characters of a text, or entries of a list or an object, beside its type in ``Annotated``."""

    most: int

    def __str__(self) -> str:
        return f"at most {self.most}"


class Entries(Longest):
    """The same of a list, as the engines' contract says it."""

    def __str__(self) -> str:
        return f"0 to {self.most} entries"


Limit = Within | OneOf | Longest | None


def _as_kind(bound: str | int, kind: type) -> Any:
    return read_length(str(bound)) if kind is Length else kind(bound)


def _problem(value: Any, limit: Limit) -> str:
    """What is wrong with a value under its limit; empty for nothing."""
    if isinstance(value, tuple):
        return next((problem for entry in value if (problem := _problem(entry, limit))), "")
    if isinstance(limit, OneOf):
        return "" if value in limit.words else f"{value[:40]!r} is not known"
    if not isinstance(limit, Within) or isinstance(value, Mapping | str | bool):
        return ""
    kind: object = type(value)
    least, most = limit.of(kind)
    outside = (least is not None and value < least) or (most is not None and value > most)
    return f"{STORED.write(value)} is out of bounds" if outside else ""


# -- forms -------------------------------------------------------------------------------

T = TypeVar("T")
Hook = Callable[[Any, object], Any]
MakeHook = Callable[[Limit], Hook]
"""From the limit beside a type to what reads one value of it."""


class Form:
    """
    How values stand in JSON.

    Parameters
    ----------
    kinds
        What reads each type that is neither a dataclass nor a list, an object or None of another.
    texts
        How values are written that JSON has no form for.
    null_is_left_out
        Whether null in a field that has a default is the same as leaving it out.
    """

    def __init__(
        self,
        kinds: Mapping[object, MakeHook],
        texts: Mapping[type, Callable[[Any], object]],
        *,
        null_is_left_out: bool = False,
    ) -> None:
        self._kinds, self._null_is_left_out = kinds, null_is_left_out
        self._converter = Converter(unstruct_collection_overrides={tuple: list, frozenset: sorted})
        self._converter.register_structure_hook_factory(lambda kind: True, self._hook)
        for plain in (str, bool, int):  # of these cattrs has hooks that go before any factory
            self._converter.register_structure_hook(plain, kinds[plain](None))
        self._converter.register_unstructure_hook_factory(_has_kinds, self._by_its_own_kind)
        for kind, write in texts.items():
            self._converter.register_unstructure_hook_func(partial(operator.eq, kind), write)

    def read(self, kind: type[T], value: object, path: str = "") -> T:
        """
        A value of this kind from JSON; fields with a default may be left out, unknown ones are refused.

        Raises
        ------
        shared.contracts.ContractError
            A ValueError with ``.field`` (its path below `path`), ``.problem`` and ``.bound``.
        """
        try:
            return self._converter.structure(value, kind)
        except (ContractError, BaseValidationError) as error:
            raise _with_path(error, path) from None

    def read_field(self, kind: Any, document: object, name: str, path: str = "") -> Any:
        """One field of a document that says how to read the others."""
        if not isinstance(document, dict):
            raise ContractError(path or "document", f"{kind_word(document)} where an object belongs", "{..}")
        if name not in document:
            raise ContractError(joined(path, name), "missing", "required")
        return self.read(kind, document[name], joined(path, name))

    def part(self, kind: Any, value: object) -> Any:
        """The same for a hook of its own: what it raises has its path from whoever called the hook."""
        return self._converter.structure(value, kind)

    def write(self, value: object) -> Any:
        """JSON from which `read` makes an equal value."""
        return self._converter.unstructure(value)

    def _by_its_own_kind(self, cls: type[Any]) -> Callable[[object], object]:
        """Of a class with subclasses: a field's value is written as what it is, not as what its field says."""
        own = make_dict_unstructure_fn(cls, self._converter)
        return lambda value: own(value) if type(value) is cls else self._converter.unstructure(value)

    def _hook(self, kind: Any) -> Hook:
        limit: Limit = None
        if kind in self._kinds:
            return self._kinds[kind](limit)
        if get_origin(kind) is Annotated:
            kind, limit = get_args(kind)[:2]
        if kind in self._kinds:
            return self._kinds[kind](limit)
        if _may_be_none(kind):
            some = reduce(operator.or_, (part for part in get_args(kind) if part is not types.NoneType))
            inner = self._of(some, limit)
            return lambda value, _: None if value is None else inner(value, _)
        origin = get_origin(kind)
        if origin is tuple or (origin is not None and issubclass(origin, Mapping)):
            return self._many(kind, limit, is_list=origin is tuple)
        return self._record(kind)

    def _field(self, cls: type, kind: object) -> Hook:
        """What reads a field; one that may hold another of its own class is looked up when it is read."""
        holds_its_own = kind == cls | None
        return (
            (lambda value, _: None if value is None else self.part(cls, value))
            if holds_its_own
            else self._of(kind, None)
        )

    def _of(self, kind: object, limit: Limit) -> Hook:
        return self._converter.get_structure_hook(_limited(kind, limit))

    def _many(self, kind: object, limit: Limit, *, is_list: bool) -> Hook:
        """A list or an object: the limit is how many entries it has, or that of each of them."""
        most = limit.most if isinstance(limit, Longest) else None
        each = _limited(get_args(kind)[0 if is_list else 1], limit if most is None else None)
        alias: Any = types.GenericAlias(list, each) if is_list else types.GenericAlias(dict, (Any, each))
        factory: Any = list_structure_factory if is_list else mapping_structure_factory
        fill = factory(alias, self._converter)
        shape, word, bound = (list, "a list", "[..]") if is_list else (dict, "an object", "{..}")

        def read(value: object, _: object) -> object:
            if not isinstance(value, shape):
                raise ContractError("", f"{kind_word(value)} where {word} belongs", bound)
            if most is not None and len(value) > most:
                raise ContractError("", f"{len(value)} entries", str(limit))
            return tuple(fill(value, alias)) if is_list else fill(value, alias)

        return read

    def _record(self, cls: type[Any]) -> Hook:
        known = {name_of(field): kind for field, kind in fields_of(cls)}
        # cattrs by itself drops the limits of a dataclass whose annotations are text
        hooks: Any = {
            field.name: override(struct_hook=self._field(cls, kind), rename=name_of(field))
            for field, kind in fields_of(cls)
        }
        fill = make_dict_structure_fn(cls, self._converter, **hooks)
        needed = {field.name for field, _ in fields_of(cls) if not has_default(field)}
        nullable = {name for name, kind in known.items() if _may_be_none(_bare(kind))}
        nothing = dict.fromkeys(sorted(needed & nullable))
        known_here = "known here: " + ", ".join(known if self._null_is_left_out else sorted(known))
        takes_more, check = getattr(cls, "TAKES_MORE", False), getattr(cls, "check", None)

        def read(value: object, _: object) -> object:
            if isinstance(value, cls):
                return value
            if not isinstance(value, dict):
                raise ContractError("", f"{kind_word(value)} where an object belongs", "{..}")
            for name in value:
                if name not in known and not takes_more:
                    raise ContractError(named(name), "unknown field", known_here)
            if self._null_is_left_out:
                value = nothing | {name: one for name, one in value.items() if one is not None or name in nullable}
            made = fill(value, cls)
            if check is not None:
                check(made)
            return made

        return read


def _with_path(error: BaseException, path: str) -> BaseException:
    """The first of the errors that cattrs found, by its path; an object's own before those of what it holds."""
    names: Mapping[str, str] = {}
    while True:
        for note in getattr(error, "__notes__", ()):
            if isinstance(note, AttributeValidationNote):
                path = joined(path, names.get(note.name, note.name))
                if isinstance(error, KeyError):
                    return ContractError(path, "missing", "required")
            elif isinstance(note, IterableValidationNote):
                path = f"{path}[{note.index}]" if isinstance(note.index, int) else joined(path, named(str(note.index)))
        if isinstance(error, ContractError):
            return ContractError(joined(path, error.field) or "document", error.problem, error.bound)
        if not isinstance(error, BaseValidationError):
            return error
        if isinstance(error, ClassValidationError):
            names = {field.name: name_of(field) for field, _ in fields_of(error.cl)}
        found = error.exceptions
        error = next((one for one in found if not isinstance(one, BaseValidationError)), found[0])


def _limited(kind: object, limit: Limit) -> object:
    return kind if limit is None else Annotated[kind, limit]


def _has_kinds(cls: object) -> bool:
    return dataclasses.is_dataclass(cls) and isinstance(cls, type) and bool(cls.__subclasses__())


def _may_be_none(kind: object) -> bool:
    return get_origin(kind) in {types.UnionType, typing.Union} and types.NoneType in get_args(kind)


def _bare(kind: object) -> object:
    return get_args(kind)[0] if get_origin(kind) is Annotated else kind


# -- what reads each type ----------------------------------------------------------------


def _bounded(kind: object, read: Callable[[object, str], Any], unsaid: Within | None = None) -> MakeHook:
    """Of a kind of number, or lengths, from JSON and the bound to be named; `unsaid` holds where a field says none."""

    def make(limit: Limit) -> Hook:
        within = limit if isinstance(limit, Within) else unsaid or Within()
        bound, (least, most) = str(within), within.of(kind)

        def hook(value: object, _: object) -> object:
            made = read(value, bound)
            if (least is not None and made < least) or (most is not None and made > most):
                raise ContractError("", f"{shortened(STORED.write(made))} is out of bounds", bound)
            return made

        return hook

    return make


def _text(limit: Limit, longest: int = LONGEST_TEXT) -> Hook:
    """Text: one of some words, or no longer than that."""
    words = limit.words if isinstance(limit, OneOf) else None
    most = limit.most if isinstance(limit, Longest) else longest
    bound = "text" if limit is None or isinstance(limit, Within) else str(limit)

    def hook(value: object, _: object) -> str:
        if not isinstance(value, str):
            raise ContractError("", f"{kind_word(value)} where text belongs", bound)
        if words is not None and value not in words:
            raise ContractError("", f"{value[:40]!r} is not known", bound)
        if len(value) > most:
            raise ContractError("", f"{len(value)} characters", f"at most {most}")
        return value

    return hook


def _truth(_: Limit) -> Hook:
    """True or false."""

    def hook(value: object, _: object) -> bool:
        if not isinstance(value, bool):
            raise ContractError("", f"{kind_word(value)} where true or false belongs", "true or false")
        return value

    return hook


def _uid(_: Limit) -> Hook:
    """A UUID as text."""

    def hook(value: Any, _: object) -> uuid.UUID:
        try:
            return uuid.UUID(value)
        except (ValueError, TypeError, AttributeError):
            raise ContractError("", "no UUID where one belongs", "a UUID") from None

    return hook


def _whole(value: object, bound: str) -> int:
    """A whole number."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise ContractError("", f"{kind_word(value)} where a whole number belongs", bound or "a whole number")
    return value


def _fraction(value: object, bound: str) -> Fraction:
    if isinstance(value, bool) or not isinstance(value, int | str | Decimal):
        raise ContractError("", "no number where one belongs", bound or 'text such as "1.05" or "2/3"')
    try:
        number = Fraction(value)
    except (ValueError, ZeroDivisionError, OverflowError):
        raise ContractError(
            "", f"{str(value)[:40]!r} is not a number", bound or 'text such as "1.05" or "2/3"'
        ) from None
    if abs(number) > LARGEST_NUMBER or number.denominator > LARGEST_NUMBER:
        raise ContractError("", f"{shortened(value)} can't be used", bound or "up to 9 digits either side")
    return number


def _decimal(value: Any, bound: str) -> Decimal:
    number = _fraction(value, bound)
    try:
        return Decimal(value)
    except InvalidOperation:  # a quotient
        return Decimal(number.numerator) / number.denominator


def _length(value: object, bound: str) -> Length:
    if not isinstance(value, str):
        raise ContractError("", "a length is text", bound or 'such as "35 3/8" or "904 mm"')
    try:
        return read_length(value.strip())
    except LengthError as error:
        raise ContractError("", error.problem, bound or 'such as "35 3/8" or "904 mm"') from None


def _number(limit: Limit) -> Hook:
    """A number of an engine's document, as a fraction."""
    within = limit if isinstance(limit, Within) else _LARGEST
    above = None if within.above is None else Fraction(within.above)
    least, most = within.of(Fraction)
    bound = f"{float(least):g} to {float(most):g}" if above is None else str(within)

    def hook(value: object, _: object) -> Fraction:
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise ContractError("", f"{kind_word(value)} where a number belongs", bound)
        number = Fraction(value)
        if number > most or (number < least if above is None else number <= above):
            raise ContractError("", f"{shortened(value)} is out of bounds", bound)
        return number

    return hook


def _length_in(unit: str) -> MakeHook:
    """A length of an engine's document in its unit."""

    def make(limit: Limit) -> Hook:
        least, most = (limit if isinstance(limit, Within) else Within()).of(Length)
        shortest = least.ticks if least else 0

        def hook(value: object, _: object) -> Length:
            length = contracts.read_length(value, unit, "", least=shortest)
            if most is not None and length.ticks > most.ticks:
                bound = f"at most {contracts.length_text(most, unit)}"
                raise ContractError("", f"{shortened(value)} is too long", bound)
            return length

        return hook

    return make


# -- the forms there are -----------------------------------------------------------------

_TEXTS: Final[Mapping[type, Callable[[Any], str]]] = {
    Length: lambda length: length_text(length),
    Fraction: lambda number: number_text(number),
    Decimal: lambda number: format(number, "f"),
    uuid.UUID: str,
}


def stored_form(unsaid: Within | None = None) -> Form:
    """That of columns, starting data and entries; `unsaid` are the bounds of numbers and lengths that say none."""
    kinds: dict[object, MakeHook] = {
        str: _text,
        bool: _truth,
        int: _bounded(int, _whole, unsaid),
        Fraction: _bounded(Fraction, _fraction, unsaid),
        Decimal: _bounded(Decimal, _decimal, unsaid),
        Length: _bounded(Length, _length, unsaid),
        uuid.UUID: _uid,
        Any: lambda _: lambda value, _: value,  # as JSON has it
    }
    return Form(kinds, _TEXTS, null_is_left_out=True)


STORED: Final = stored_form()

_LARGEST: Final = Within(0, LARGEST_INTEGER)
LONGEST_WORD: Final = 200
"""Of a text in an engine's document."""


_NONE: Final[Mapping[Any, Any]] = MappingProxyType({})


Ticks = Annotated[int, "the ticks of a length"]


def document_form(
    unit: str = PLAIN, kinds: Mapping[object, MakeHook] = _NONE, texts: Mapping[type, Callable[[Any], object]] = _NONE
) -> Form:
    """That of the engines' documents in this unit; `kinds` reads what only one of them has, `texts` writes it."""
    read: dict[object, MakeHook] = {
        str: lambda limit: _text(limit, LONGEST_WORD),
        bool: _truth,
        int: _bounded(int, _whole, _LARGEST),
        Fraction: _number,
        Length: _length_in(unit),
        Ticks: lambda _: lambda value, _: contracts.read_length(value, unit, "").ticks,
        Any: lambda _: lambda value, _: value,  # as JSON has it
        **kinds,
    }
    return Form(read, {Length: lambda length: contracts.length_text(length, unit), **texts})


DOCUMENTS: Final[Mapping[str, Form]] = {unit: document_form(unit) for unit in UNITS}
Unit = Annotated[str, OneOf(*UNITS)]
"""Of a document: it says how to read the lengths."""


class Record:
    """Mixed into a frozen dataclass: `from_json` and `to_json` by its annotations."""

    FORM: ClassVar[Form] = STORED

    @classmethod
    def from_json(cls, value: object, path: str = "") -> Self:
        """See `Form.read`."""
        return cls.FORM.read(cls, value, path)

    def to_json(self) -> dict[str, Any]:
        """A JSON object from which `from_json` makes an equal value."""
        made: dict[str, object] = self.FORM.write(self)
        return made

    def check(self) -> None:
        """What holds between fields; raises `ContractError` with the path from here where it does not."""


def verify(value: Record, path: str = "") -> None:
    """Checks the bounds and words of an object's own fields, however it was made."""
    for field, kind in fields_of(type(value)):
        held = getattr(value, field.name)
        if held is not None and get_origin(kind) is Annotated:
            problem = _problem(held, get_args(kind)[1])
            if problem:
                raise ContractError(joined(path, field.name), problem, str(get_args(kind)[1]))


def name_of(field: dataclasses.Field[object]) -> str:
    """What a field is called in JSON: as in code, unless its metadata has a ``name``."""
    return str(field.metadata.get("name", field.name))


def has_default(field: dataclasses.Field[object]) -> bool:
    """Whether a field may be left out."""
    return field.default is not dataclasses.MISSING or field.default_factory is not dataclasses.MISSING


_KNOWN: Final[dict[type, tuple[tuple[dataclasses.Field[object], object], ...]]] = {}


def fields_of(cls: type) -> tuple[tuple[dataclasses.Field[object], object], ...]:
    """Each field with its resolved annotation, looked up once a class."""
    if cls not in _KNOWN:
        hints = typing.get_type_hints(cls, include_extras=True)
        _KNOWN[cls] = tuple((field, hints[field.name]) for field in dataclasses.fields(cls) if field.init)
    return _KNOWN[cls]


# -- as text ----------------------------------------------------------------------------


def length_text(length: Length) -> str:
    """
    Exact text `read_length` takes back.

    Examples
    --------
    >>> length_text(Length.inches("-9/8")), length_text(Length.mm(904)), length_text(Length(1))
    ('-1 1/8', '904 mm', '1 ticks')
    """
    if length.ticks < 0:
        return "-" + length_text(-length)
    if length.ticks % (TICKS_PER_INCH // 64) == 0:
        return length.text(LengthUnit.INCH)
    if length.ticks % (TICKS_PER_MM // 10) == 0:
        return length.text(LengthUnit.MM, symbol=True)
    return f"{length.ticks} ticks"


def read_length(text: str) -> Length:
    """
    A length as `length_text` writes it or as people type it, in inches unless it says so.

    Examples
    --------
    >>> read_length("-1 1/8") == Length.inches("-9/8")
    True
    """
    if text.startswith("-"):
        return -read_length(text[1:].strip())
    number, _, word = text.partition(" ")
    if word == "ticks" and number.isdigit() and len(number) <= 16:
        return Length(int(number))
    return parse_length(text, LengthUnit.INCH)


def number_text(value: Fraction) -> str:
    """
    A fraction as people write it: decimal where that ends, else a quotient.

    Examples
    --------
    >>> number_text(Fraction(21, 20)), number_text(Fraction(2, 3)), number_text(Fraction(2))
    ('1.05', '2/3', '2')
    """
    places = 0
    while value.denominator != 1 and places <= value.denominator.bit_length():
        places, value = places + 1, value * 10
    if value.denominator != 1:
        return str(value / 10**places)
    digits = tuple(int(digit) for digit in str(abs(value.numerator)))
    return format(Decimal((int(value < 0), digits, -places)), "f")
