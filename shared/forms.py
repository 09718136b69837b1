"""Forms as every page shows them: errors beside their field, lengths in the branch's unit."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any
from zoneinfo import available_timezones

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.db.models import Model, QuerySet
from django.forms.renderers import TemplatesSetting

from shared import roles
from shared.errors import Refused
from shared.fields import LengthFormField
from shared.lengths import LengthUnit
from shared.models import Branch, User
from shared.services import BRANCH_FIELDS, PERSON_FIELDS


class PageFormRenderer(TemplatesSetting):
    """Our form and field templates."""

    form_template_name = "shared/_form.html"
    field_template_name = "shared/_field.html"


if TYPE_CHECKING:
    _Form = forms.BaseForm
    _ModelForm = forms.ModelForm[Model]
else:  # at run time a mixin of both kinds of form, and Django's ModelForm takes no parameter
    _Form = object
    _ModelForm = forms.ModelForm


class PageFormMixin(_Form):
    """
    What `PageForm` and `PageModelForm` share.

    Parameters
    ----------
    user
        Who fills it in; their branch's unit is the unit of bare lengths.
    unit
        Another unit, for a form about something that has its own.
    """

    def __init__(self, *args: Any, user: User | None = None, unit: LengthUnit | None = None, **kwargs: Any) -> None:
        self._asker = user
        self.length_unit = unit or (user.unit if user is not None else LengthUnit.INCH)
        super().__init__(*args, **{"label_suffix": "", **kwargs})
        for field in self.fields.values():
            if isinstance(field, LengthFormField):
                field.unit = self.length_unit
        self.prepare()

    def prepare(self) -> None:
        """What a form does to its fields, once it has them, before it is shown or read."""

    @property
    def asker(self) -> User:
        """Who fills it in; a page that forgot to say so finds out here."""
        if self._asker is None:
            raise TypeError(f"{type(self).__name__} asks what somebody may see: give it user=")
        return self._asker

    def offer(self, name: str, rows: QuerySet[Any]) -> None:
        """The rows that may be chosen in a field over rows."""
        field = self.fields[name]
        if not isinstance(field, forms.ModelChoiceField):
            raise TypeError(f"{name} does not choose among rows")
        field.queryset = rows

    def choose(self, name: str, choices: Iterable[tuple[str | int, str]]) -> None:
        """The values that may be chosen in a field over values, each with its words."""
        field = self.fields[name]
        if not isinstance(field, forms.ChoiceField):
            raise TypeError(f"{name} does not choose among values")
        field.choices = list(choices)

    def refuse(self, refusal: Refused) -> None:
        """Show what a service refused beside its field, or above the form."""
        field = refusal.field if refusal.field in self.fields else None
        self.add_error(field, refusal.problem)


class PageForm(PageFormMixin, forms.Form):
    """A form of ours."""


class PageModelForm(PageFormMixin, _ModelForm):
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


ZONES = [(name, name) for name in sorted(available_timezones()) if "/" in name and not name.startswith("Etc/")]


class BranchForm(PageModelForm):
    """What a branch says of itself."""

    zone = forms.ChoiceField(label="Time zone", choices=ZONES)

    class Meta:
        model = Branch
        fields = BRANCH_FIELDS
        labels = {"units": "Lengths in", "jurisdiction": "Rules for corded coverings"}
        widgets = {"address": forms.Textarea(attrs={"rows": 3})}


class PersonForm(PageModelForm):
    """Somebody's account."""

    instance: User
    role_names = forms.MultipleChoiceField(
        label="Roles",
        required=False,
        choices=[(role, role) for role in roles.ALL],
        widget=forms.CheckboxSelectMultiple,
    )

    class Meta:
        model = User
        fields = PERSON_FIELDS
        labels = {"is_active": "May sign in"}
        help_texts = {"is_active": "Take it away when somebody leaves; what they did stays under their name."}

    def prepare(self) -> None:
        self.fields["name"].required = True
        if self.instance.pk:
            self.initial["role_names"] = sorted(self.instance.role_names)


class NewPersonForm(PersonForm):
    """A new account, with its first password."""

    username = forms.CharField(max_length=150, help_text="What they type to sign in.")
    password = forms.CharField(
        label="First password",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="10 characters or more. They can change it under their name at the top.",
    )
    field_order = ("name", "username", "password", "role_names", "phone", "email")


class NewPasswordForm(PageForm):
    """A new password for somebody who forgot theirs."""

    password = forms.CharField(label="New password", widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}))


class SignInForm(AuthenticationForm):
    """Name and password."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})

    error_messages = {
        "invalid_login": "This name and password do not go together.",
        "inactive": "This account is closed.",
    }
