"""Forms as every page shows them: errors beside their field, lengths in the branch's unit."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import chain, count
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import available_timezones

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.core.validators import MaxLengthValidator
from django.db.models import Model, QuerySet
from django.forms.renderers import TemplatesSetting
from django.utils.text import slugify
from django.utils.translation import gettext, gettext_lazy

from shared import roles, tokens, versions
from shared.errors import Refused
from shared.fields import DAYS, LONGEST_NOTE, LengthFormField
from shared.lengths import LengthUnit
from shared.models import Branch, Firm, User
from shared.services import BRANCH_FIELDS, PERSON_FIELDS

CHANGED: Final = gettext_lazy("%(who)s changed this to “%(value)s” meanwhile. To keep yours instead, save again.")
CHANGED_SECRET: Final = gettext_lazy("%(who)s changed this meanwhile. To keep yours instead, save again.")


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
    row
        What it changes, where it is not over a model: it then says what it was drawn from, as those do.
    """

    SECRET: tuple[str, ...] = ()
    """Fields that are never shown again: left empty, what is stored stays."""

    def __init__(
        self, *args: Any, user: User | None = None, unit: LengthUnit | None = None, row: Model | None = None,
        **kwargs: Any,
    ) -> None:  # fmt: skip
        self._asker = user
        self.edited = row if row is not None else kwargs.get("instance")
        if self.edited is not None and (args[0] if args else kwargs.get("data")) is not None:
            versions.held(self.edited)
        self.length_unit = unit or (user.unit if user is not None else LengthUnit.INCH)
        super().__init__(*args, **{"label_suffix": "", **kwargs})
        for field in self.fields.values():
            if isinstance(field, LengthFormField):
                field.unit = self.length_unit
            _bound(field)
        self.prepare()
        if self.edited is not None and self.edited.pk is not None:
            drawn = forms.CharField(required=False, widget=forms.HiddenInput, initial=self._drawn)
            self.fields[versions.FIELD] = drawn

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

    def _standing(self) -> dict[str, Any]:
        """What stands in each field, as its box would show it."""
        return {
            name: getattr(self.edited, name) if name in self.SECRET else field.prepare_value(self[name].initial)
            for name, field in self.fields.items()
            if name != versions.FIELD
        }

    def _drawn(self) -> str:
        return versions.written({name: versions.mark(value) for name, value in self._standing().items()})

    def _clean_fields(self) -> None:
        super()._clean_fields()  # type: ignore[misc]  # the stubs leave it out
        if drawn := versions.read(self.cleaned_data.pop(versions.FIELD, "")):
            self._meet(drawn)

    def _meet(self, drawn: dict[str, str]) -> None:
        """Somebody else changed some of it since: what the sender left alone is theirs, the rest shows both sides."""
        standing, who = self._standing(), ""
        moved = [name for name, one in drawn.items() if name in standing and versions.mark(standing[name]) != one]
        if not moved:
            return
        sent: Any = self.data
        self.data = sent = sent.copy()
        sent[self.add_prefix(versions.FIELD)] = self._drawn()
        for name in moved:
            if name not in self.cleaned_data:
                continue  # it is wrong by itself, and says so
            field, now = self.fields[name], standing[name]
            mine = field.prepare_value(self.cleaned_data[name])
            if name in self.SECRET and not mine:
                continue
            if versions.mark(mine) == drawn[name]:
                self._put(sent, name, now)
            elif versions.mark(mine) != versions.mark(now):
                who = who or versions.who_changed(self.edited) if self.edited is not None else ""
                said = {"who": who, "value": "" if name in self.SECRET else shown(field, now)}
                self.add_error(name, (CHANGED_SECRET if name in self.SECRET else CHANGED) % said)

    def _put(self, sent: Any, name: str, value: Any) -> None:
        """What stands, in place of what was sent."""
        box, key = self.fields[name], self.add_prefix(name)
        if isinstance(box.widget, forms.CheckboxInput):
            if value:
                sent[key] = "on"
            else:
                sent.pop(key, None)
        elif isinstance(box.widget, forms.Select | forms.RadioSelect):
            sent[key] = str(value or "")
        elif isinstance(value, list | tuple) and hasattr(sent, "setlist"):
            sent.setlist(key, [str(one) for one in value])
        else:
            sent[key] = "" if value is None else box.widget.format_value(value) or ""
        self.cleaned_data[name] = box.clean(value)

    def refuse(self, refusal: Refused) -> None:
        """Show what a service refused beside its field, or above the form."""
        field = refusal.field if refusal.field in self.fields else None
        self.add_error(field, refusal.problem)


def _bound(field: forms.Field) -> None:
    """No box takes a text without end, or a day at the end of time."""
    if isinstance(field, forms.CharField) and not isinstance(field, forms.JSONField) and field.max_length is None:
        field.max_length = LONGEST_NOTE
        field.validators.append(MaxLengthValidator(LONGEST_NOTE))
        field.widget.attrs.update(field.widget_attrs(field.widget))
    if isinstance(field, forms.DateField):
        field.validators += DAYS


class PageForm(PageFormMixin, forms.Form):
    """A form of ours."""


class PageModelForm(PageFormMixin, _ModelForm):
    """A form over a model's fields; the view passes ``cleaned_data`` to a service and never saves it."""


def shown(field: forms.Field, value: object) -> str:
    """A value in words, as the page offers it."""
    if isinstance(value, bool):
        return gettext("yes") if value else gettext("no")
    if isinstance(value, list | tuple):
        return ", ".join(shown(field, one) for one in value) or "none"
    if isinstance(field, forms.ChoiceField):
        choices: Any = field.choices
        return next((str(text) for key, text in choices if str(key) == str(value)), str(value or "none"))
    return gettext("empty") if value in (None, "") else str(value)


class DateInput(forms.DateInput):
    """The browser's own calendar."""

    input_type = "date"

    def __init__(self, attrs: dict[str, object] | None = None) -> None:
        super().__init__(attrs, format="%Y-%m-%d")


class TimeInput(forms.TimeInput):
    """The browser's own clock."""

    input_type = "time"

    def __init__(self, attrs: dict[str, object] | None = None) -> None:
        super().__init__(attrs, format="%H:%M")


COORDINATES = re.compile(r"^\s*(-?\d{1,2}(?:\.\d+)?)\s*[,;\s]\s*(-?\d{1,3}(?:\.\d+)?)\s*$")


class CoordinatesField(forms.CharField):
    """Latitude and longitude in one box, as maps copy them: ``41.6180, -91.8720``."""

    def prepare_value(self, value: object) -> object:
        """The box's text, of what `clean` gave too."""
        return f"{value[0]}, {value[1]}" if isinstance(value, tuple) else value

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("help_text", "latitude, longitude; as a map copies them, or picked on the sketch")
        super().__init__(**kwargs)

    def clean(self, value: object) -> tuple[float, float] | None:
        text = super().clean(value)
        if not text:
            return None
        found = COORDINATES.match(text)
        if found is None:
            raise forms.ValidationError("Write latitude, then longitude, in degrees: 41.6180, -91.8720.")
        latitude, longitude = float(found[1]), float(found[2])
        if abs(latitude) > 90 or abs(longitude) > 180:
            raise forms.ValidationError("Latitude is within -90 to 90, longitude within -180 to 180.")
        return latitude, longitude


ZONES = [(name, name) for name in sorted(available_timezones()) if "/" in name and not name.startswith("Etc/")]


class FirmDataForm(PageModelForm):
    """How long customers' data is kept."""

    class Meta:
        model = Firm
        fields = ("keep_months",)
        labels = {"keep_months": "Months to keep customers' data"}
        help_texts = {"keep_months": "After their last job is closed or cancelled. Empty: until you erase it."}


class BranchForm(PageModelForm):
    """What a branch says of itself."""

    instance: Branch
    zone = forms.ChoiceField(label="Time zone", choices=ZONES)
    coordinates = CoordinatesField(
        required=False,
        label="Place on the map",
        help_text="Latitude, longitude, as a map copies them: 41.6180, -91.8720. Drives are worked out from here, and "
        "no visit can be offered without it.",
    )
    field_order: tuple[str, ...] = (
        "name", "address", "coordinates", "phone", "zone", "units", "paper", "currency", "first_weekday",
        "jurisdiction", "map_address", "final_days", "phone_pin",
    )  # fmt: skip

    class Meta:
        model = Branch
        fields = tuple(name for name in BRANCH_FIELDS if name not in {"latitude", "longitude"})
        labels = {
            "units": "Lengths in",
            "jurisdiction": "Rules for corded coverings",
            "first_weekday": "A week begins on",
        }
        widgets = {"address": forms.Textarea(attrs={"rows": 3})}

    def prepare(self) -> None:
        if self.instance.latitude is not None:
            self.initial["coordinates"] = f"{self.instance.latitude}, {self.instance.longitude}"

    def facts(self) -> dict[str, Any]:
        """What is to be kept, by the names of a branch's columns."""
        found = dict(self.cleaned_data)
        point = found.pop("coordinates") or (None, None)
        return {**found, "latitude": point[0], "longitude": point[1]}


class NewBranchForm(BranchForm):
    """Another branch, with the person who will run it."""

    owner_name = forms.CharField(
        max_length=120,
        label="Who runs it",
        help_text="They get an account of the new branch, and you a code to hand them.",
    )
    field_order = (*BranchForm.field_order, "owner_name")


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
        fields: tuple[str, ...] = PERSON_FIELDS
        labels = {"is_active": "May sign in", "email": "E-mail"}
        help_texts = {
            "is_active": "Take it away when somebody leaves: phones, calendars and sessions end at once; what they did "
            "stays under their name."
        }

    def prepare(self) -> None:
        self.fields["name"].required = True
        if self.instance.pk:
            self.initial["role_names"] = sorted(self.instance.role_names)


def free_username(name: str) -> str:
    """A username nobody has yet, from a person's name: ``milo.tapley``, then ``milo.tapley2``."""
    stem = slugify(name).replace("-", ".")[:140] or "person"
    taken = {one.lower() for one in User.objects.filter(username__istartswith=stem).values_list("username", flat=True)}
    return next(one for one in chain([stem], (f"{stem}{n}" for n in count(2))) if one not in taken)


class NewPersonForm(PersonForm):
    """A new account; without a username it gets one from the name, without a password a code to hand over."""

    username = forms.CharField(
        max_length=150, required=False, validators=[User.username_validator],
        help_text="What they type to sign in. Left out, it is made from the name.",
    )  # fmt: skip
    password = forms.CharField(
        label="First password",
        required=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="Better left out: you get a code to hand over, and they choose their own.",
    )
    field_order: tuple[str, ...] = ("name", "role_names", "username", "password", "phone", "email")

    class Meta(PersonForm.Meta):
        fields = tuple(name for name in PERSON_FIELDS if name != "is_active")

    def facts(self) -> dict[str, Any]:
        """What is to be kept; the username made where none was typed."""
        data = dict(self.cleaned_data)
        return {**data, "username": data["username"] or free_username(data["name"])}


class OwnerForm(NewPersonForm):
    """The first account, which its person makes: with a password, and every role ticked that is also theirs."""

    username = forms.CharField(max_length=150, validators=[User.username_validator], help_text="To sign in with.")
    password = forms.CharField(
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}), help_text="10 characters or more."
    )
    role_names = forms.MultipleChoiceField(
        label="Beside owning it, I am",
        required=False,
        choices=[(role, role) for role in roles.ALL if role != roles.OWNER],
        widget=forms.CheckboxSelectMultiple,
        help_text="Tick dispatcher to book jobs yourself.",
    )


class CodeForm(PageForm):
    """A one-time code."""

    code = forms.CharField(
        label="One-time code",
        max_length=40,
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "autocapitalize": "characters"}),
    )


class JoinForm(PageForm):
    """Choosing one's own password, the first time a username too."""

    username = forms.CharField(max_length=150, validators=[User.username_validator], help_text="To sign in with.")
    password = forms.CharField(
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}), help_text="10 characters or more."
    )


class ForgottenForm(PageForm):
    """Who forgot their password."""

    username = forms.CharField(max_length=150, label="Username or e-mail")


class NewPasswordForm(PageForm):
    """A new password for somebody who forgot theirs."""

    password = forms.CharField(label="New password", widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}))


class TokenForm(PageForm):
    """A token of the API for one of somebody's programs."""

    name = forms.CharField(label="What it is for", max_length=60, help_text="Such as: accounts, nightly export.")
    role_names = forms.MultipleChoiceField(
        label="It may do what these roles may",
        widget=forms.CheckboxSelectMultiple,
        help_text="Tick only what the program needs. A role you lose ends the token.",
    )
    days = forms.TypedChoiceField(
        label="It ends", coerce=int, initial=90, choices=[(days, f"in {days} days") for days in tokens.DAYS]
    )

    def prepare(self) -> None:
        self.choose("role_names", [(role, role) for role in sorted(self.asker.role_names)])


class SignInForm(AuthenticationForm):
    """Name and password."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})

    error_messages = {
        "invalid_login": "Wrong username or password.",
        "inactive": "This account is closed.",
    }
