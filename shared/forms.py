"""Forms as every page shows them: errors beside their field, lengths in the branch's unit."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.forms.renderers import TemplatesSetting

from shared.errors import Refused
from shared.fields import LengthFormField
from shared.lengths import Unit
from shared.models import User


class SheetRenderer(TemplatesSetting):
    """Our form and field templates."""

    form_template_name = "shared/_form.html"
    field_template_name = "shared/_field.html"


class SheetMixin:
    """
    What `SheetForm` and `SheetModelForm` share.

    Parameters
    ----------
    user
        Who fills it in; their branch's unit is the unit of bare lengths.
    unit
        Another unit, for a form about something that has its own.
    """

    fields: dict[str, forms.Field]

    def __init__(self, *args: Any, user: User | None = None, unit: Unit | None = None, **kwargs: Any) -> None:
        self.user = user
        self.unit = unit or (user.unit if user is not None else Unit.INCH)
        super().__init__(*args, **{"label_suffix": "", **kwargs})
        for field in self.fields.values():
            if isinstance(field, LengthFormField):
                field.unit = self.unit

    def refuse(self, refusal: Refused) -> None:
        """Show what a service refused beside its field, or above the form."""
        field = refusal.field if refusal.field in self.fields else None
        self.add_error(field, refusal.problem)  # type: ignore[attr-defined]


class SheetForm(SheetMixin, forms.Form):
    """A form of ours."""


class SheetModelForm(SheetMixin, forms.ModelForm):  # type: ignore[type-arg]
    """A form over a model's fields; the view passes ``cleaned_data`` to a service and never saves it."""


class DateInput(forms.DateInput):
    """The browser's own calendar."""

    input_type = "date"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs, format="%Y-%m-%d")


class TimeInput(forms.TimeInput):
    """The browser's own clock."""

    input_type = "time"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs, format="%H:%M")


class SignInForm(AuthenticationForm):
    """Name and password."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})

    error_messages = {
        "invalid_login": "This name and password do not go together.",
        "inactive": "This account is closed.",
    }
