"""The forms of the second step."""

from __future__ import annotations

from typing import Any

from django import forms

from shared import roles
from shared.forms import PageForm, PageModelForm
from shared.models import Firm


class StepForm(PageForm):
    """The second step at sign-in."""

    code = forms.CharField(
        max_length=40, help_text="Six digits from your app, or a recovery code.",
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "inputmode": "numeric", "autofocus": True}),
    )  # fmt: skip


class AppForm(PageForm):
    """The first code that an app shows."""

    code = forms.CharField(
        max_length=10, label="Code that the app shows",
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "inputmode": "numeric"}),
    )  # fmt: skip


class PasskeyForm(PageForm):
    """A new passkey; what the browser made of it comes by our script."""

    name = forms.CharField(max_length=60, label="Name", help_text="Such as: my phone, the key on my ring.")
    credential = forms.JSONField(
        widget=forms.HiddenInput, error_messages={"required": "The browser made no passkey. Try again."}
    )


class UsedPasskeyForm(PageForm):
    """What a passkey answered at sign-in."""

    credential = forms.JSONField(widget=forms.HiddenInput)


class ProveForm(PageForm):
    """The password again."""

    password = forms.CharField(max_length=1000, widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}))


class AskForm(PageModelForm):
    """The roles that a second step is asked of."""

    second_step_roles = forms.MultipleChoiceField(
        label="Asked of",
        required=False,
        choices=[(role, role) for role in roles.ALL],
        widget=forms.CheckboxSelectMultiple,
        help_text="Whoever has one of these roles sets it up at the next page they open. Phones and API tokens of who "
        "has not wait until then.",
    )

    class Meta:
        model = Firm
        fields = ("second_step_roles",)

    def facts(self) -> dict[str, Any]:
        """For the service."""
        return {"role_names": self.cleaned_data["second_step_roles"]}
