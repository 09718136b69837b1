"""Lengths in models, forms and the API. A stored length is a whole number of ticks."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any, Final, TypeVar

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import BaseValidator, MaxValueValidator, MinValueValidator
from django.db import models
from django.db.migrations.serializer import BaseSerializer
from django.db.migrations.writer import MigrationWriter
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from shared.lengths import Length, LengthError, LengthUnit, parse_length


def between(least: float, most: float) -> list[BaseValidator]:
    """Both bounds of a number that a firm sets; forms, the API and `held_within` read them off the column."""
    return [MinValueValidator(least), MaxValueValidator(most)]


EARLIEST, LATEST = dt.date(1900, 1, 1), dt.date(2200, 12, 31)
"""The days that can be worked with: around them, zones and weeks run out of the calendar."""

DAYS: Final[list[Any]] = [MinValueValidator(EARLIEST), MaxValueValidator(LATEST)]


class DayField(serializers.DateField):
    """A day of the API, within `EARLIEST` and `LATEST`."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.validators = [*self.validators, *DAYS]


ModelT = TypeVar("ModelT", bound=models.Model)


def held_within(row: ModelT) -> ModelT:
    """The row with each number that its bounds no longer allow at the nearest one they do."""
    for field in row._meta.concrete_fields:
        value = getattr(row, field.attname)
        for check in field.validators if value is not None else ():
            if isinstance(check, MinValueValidator | MaxValueValidator) and check.compare(value, check.limit_value):
                value = type(value)(check.limit_value)
                setattr(row, field.attname, value)
    return row


class _LengthInMigration(BaseSerializer):
    """Writes ``shared.lengths.Length(287528)`` into migrations."""

    value: Length

    def serialize(self) -> tuple[str, set[str]]:
        return f"shared.lengths.Length({self.value.ticks})", {"import shared.lengths"}


LONGEST_NOTE: Final = 2000
"""Characters of what somebody writes in their own words."""

LARGEST_ID: Final = 2**63 - 1
"""No row's number is larger."""

SetT = TypeVar("SetT", contravariant=True)
GetT = TypeVar("GetT", covariant=True)

if TYPE_CHECKING:
    _Field = models.Field
    from django.db.models.expressions import Combinable
else:

    class _Field(models.Field):
        """Django's own takes no parameters at run time."""

        def __class_getitem__(cls, kinds):
            return cls


MigrationWriter.register_serializer(Length, _LengthInMigration)


class LengthField(_Field[SetT, GetT]):
    """
    A `Length`, stored as its ticks in a 64-bit integer.

    A bare number is refused on the way in: nobody can say whether it is inches,
    millimetres or ticks. Sums and the like come back as lengths.
    """

    _pyi_private_set_type: Length | Combinable
    _pyi_private_get_type: Length

    description = "Length"

    def get_internal_type(self) -> str:
        return "BigIntegerField"

    def from_db_value(self, value: Any, _expression: Any, connection: Any) -> Length | None:
        return None if value is None else Length(int(value))

    def to_python(self, value: Any) -> object:
        """A length, or the ticks of one as a fixture writes them."""
        if value is None or isinstance(value, Length):
            return value
        try:
            return Length(int(value))
        except (TypeError, ValueError):
            raise ValidationError(f"{value} is not a length", code="invalid") from None

    def get_prep_value(self, value: object) -> object:
        value = super().get_prep_value(value)
        if value is None or hasattr(value, "resolve_expression"):
            return value
        if isinstance(value, Length):
            return value.ticks
        raise TypeError(f"{self.name} takes a Length, not {type(value).__name__} {value!r}")

    def value_to_string(self, obj: models.Model) -> str:
        value: Any = self.value_from_object(obj)
        return "" if value is None else str(value.ticks)

    def formfield(self, **kwargs: Any) -> forms.Field | None:
        return super().formfield(**{"form_class": LengthFormField, **kwargs})


class LengthInput(forms.TextInput):
    """A box for a length: figures keyboard where there is one, no guesses by the browser."""

    def __init__(self, attrs: dict[str, object] | None = None) -> None:
        base = {"class": "length", "autocomplete": "off", "spellcheck": "false", "maxlength": "40"}
        super().__init__({**base, **(attrs or {})})


class LengthFormField(forms.Field):
    """
    Reads a length as people type it, in the form's unit unless they name another.

    What was typed stays in the box when it is refused, and the message names the field's
    bound or the nearest marks of a tape.

    Parameters
    ----------
    unit
        What a bare number is in; `shared.forms` sets it to the branch's.
    least, most
        Bounds, both allowed.
    grid
        A finer reading is refused, naming its neighbours.
    """

    widget = LengthInput

    def __init__(
        self,
        *,
        unit: LengthUnit = LengthUnit.INCH,
        least: Length | None = None,
        most: Length | None = None,
        grid: Length | None = None,
        **kwargs: Any,
    ) -> None:
        self.unit, self.least, self.most, self.grid = unit, least, most, grid
        super().__init__(**kwargs)

    def prepare_value(self, value: object) -> object:
        return value.text(self.unit) if isinstance(value, Length) else value

    def to_python(self, value: object) -> Length | None:
        if value in self.empty_values:
            return None
        if isinstance(value, Length):
            return value
        try:
            return parse_length(str(value), self.unit)
        except LengthError as error:
            raise ValidationError(str(error), code="length") from None

    def validate(self, value: Length | None) -> None:
        super().validate(value)
        if value is None:
            return
        shown = value.text(self.unit, symbol=True)
        if self.least is not None and value < self.least:
            bound = self.least.text(self.unit, symbol=True)
            raise ValidationError(f"{shown} is under the least, {bound}", code="least")
        if self.most is not None and value > self.most:
            bound = self.most.text(self.unit, symbol=True)
            raise ValidationError(f"{shown} is over the most, {bound}", code="most")
        if self.grid is not None and value % self.grid:
            near = f"{value.down(self.grid).text(self.unit)} and {value.up(self.grid).text(self.unit)}"
            raise ValidationError(f"{shown} is finer than the tape; the nearest are {near}", code="grid")

    def has_changed(self, initial: object, data: object) -> bool:
        try:
            return self.to_python(initial) != self.to_python(data)
        except ValidationError:
            return True


def length_answer(value: Length, unit: LengthUnit) -> dict[str, object]:
    """A length as the API answers it: ``{"text": "35 3/8", "unit": "in", "ticks": 287528}``."""
    return {"text": value.text(unit), "unit": unit.value, "ticks": value.ticks}


@extend_schema_field(
    {
        "oneOf": [
            {"type": "string", "example": "35 3/8"},
            {
                "type": "object",
                "properties": {
                    "text": {"type": "string", "example": "35 3/8"},
                    "unit": {"type": "string", "enum": ["in", "mm"]},
                    "ticks": {"type": "integer", "example": 287528},
                },
            },
        ]
    }
)
class LengthSerializerField(serializers.Field[Length, Any, dict[str, Any], Any]):
    """
    A length in the API.

    Out: ``{"text": "35 3/8", "unit": "in", "ticks": 287528}`` in the unit of the user's branch.
    In: the text (``"35 3/8"``, ``"904 mm"``), or such an object, whose ticks win. JSON
    numbers are refused: they do not say what they count.
    """

    default_error_messages = {
        "form": 'a length is text such as "35 3/8" or "904 mm", or an object with its ticks',
        "least": "{value} is under the least, {bound}",
        "most": "{value} is over the most, {bound}",
    }

    def __init__(self, *, least: Length | None = None, most: Length | None = None, **kwargs: Any) -> None:
        self.least, self.most = least, most
        super().__init__(**kwargs)

    @property
    def unit(self) -> LengthUnit:
        """The context's unit, else the user's branch's, else inches."""
        if "unit" in self.context:
            return LengthUnit(self.context["unit"])
        branch = getattr(getattr(self.context.get("request"), "user", None), "branch", None)
        return LengthUnit(branch.unit) if branch else LengthUnit.INCH

    def to_representation(self, value: Length) -> dict[str, Any]:
        return length_answer(value, self.unit)

    def to_internal_value(self, data: object) -> Length:
        length = self._read(data)
        for bound, key, broken in (
            (self.least, "least", self.least is not None and length < self.least),
            (self.most, "most", self.most is not None and length > self.most),
        ):
            if bound is not None and broken:
                unit = self.unit
                self.fail(key, value=length.text(unit, symbol=True), bound=bound.text(unit, symbol=True))
        return length

    def _read(self, data: object) -> Length:
        if isinstance(data, dict):
            ticks = data.get("ticks")
            if type(ticks) is int and 0 <= ticks <= 2**40:
                return Length(ticks)
            if ticks is None and isinstance(data.get("text"), str) and data.get("unit", "in") in {"in", "mm"}:
                return self._parse(data["text"], LengthUnit(data.get("unit", self.unit)))
        if isinstance(data, str):
            return self._parse(data, self.unit)
        self.fail("form")
        raise AssertionError  # fail() raises

    def _parse(self, text: str, unit: LengthUnit) -> Length:
        try:
            return parse_length(text, unit)
        except LengthError as error:
            raise serializers.ValidationError(str(error), code="length") from None


serializers.ModelSerializer.serializer_field_mapping[LengthField] = LengthSerializerField
serializers.ModelSerializer.serializer_field_mapping[models.DateField] = DayField
