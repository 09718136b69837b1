"""What the browser may send on the install day."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import QuerySet

from fabrication.models import Material
from installs.rules.causes import CAUSES, kinds_of, top_causes
from measuring.models import Unit
from shared.forms import DateInput, PageForm


def cause_choices() -> list[tuple[str, object]]:
    """The tree as groups: a cause, and its kinds under it."""
    choices: list[tuple[str, object]] = [("", "why not?")]
    for top in top_causes():
        kinds = kinds_of(top.key)
        if not kinds:
            choices.append((top.key, top.label))
        else:
            choices.append((top.label, [*((kind.key, kind.label) for kind in kinds), (top.key, f"{top.label}, other")]))
    return choices


class CauseForm(PageForm):
    """Why a unit did not go up."""

    cause = forms.ChoiceField(label="Why not", choices=cause_choices)
    note = forms.CharField(label="Note", required=False, max_length=240)


class HardwareUsedForm(PageForm):
    """Hardware used otherwise than listed."""

    material = forms.ModelChoiceField(label="Item", queryset=Material.objects.none(), required=False)
    change = forms.IntegerField(label="How many more (minus: fewer)", min_value=-10_000, max_value=10_000, initial=1)
    note = forms.CharField(label="Or what was trimmed or used instead, in words", required=False, max_length=240)
    unit = forms.ModelChoiceField(
        label="Of", queryset=Unit.objects.none(), required=False, empty_label="the whole stop"
    )

    def __init__(
        self,
        *args: Any,
        materials: QuerySet[Material] | None = None,
        units: QuerySet[Unit] | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        if materials is not None:
            self.offer("material", materials)
        if units is not None:
            self.offer("unit", units)


class PhotoForm(PageForm):
    photo = forms.FileField(
        label="Photo", widget=forms.FileInput(attrs={"accept": "image/*", "capture": "environment"})
    )
    unit = forms.ModelChoiceField(
        label="Of", queryset=Unit.objects.none(), required=False, empty_label="the whole stop"
    )
    caption = forms.CharField(label="Caption", required=False, max_length=160)

    def __init__(self, *args: Any, units: QuerySet[Unit] | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if units is not None:
            self.offer("unit", units)


class SignForm(PageForm):
    """The customer's name and drawing, or with whom it was left."""

    name = forms.CharField(label="Name", required=False, max_length=120)
    signature = forms.JSONField(required=False, widget=forms.HiddenInput, initial=list)
    left_with = forms.CharField(label="Nobody home: left with", required=False, max_length=120)


class DecideForm(PageForm):
    """What becomes of a return."""

    remake = forms.BooleanField(label="Make it again", required=False)
    remeasure = forms.BooleanField(label="Measure again first", required=False)
    parts_ready_on = forms.DateField(label="Parts ready on", required=False, widget=DateInput)
    note = forms.CharField(label="Note", required=False, max_length=240)


class OpenReturnForm(CauseForm):
    """A return owed for a unit, opened by the office."""

    unit = forms.ModelChoiceField(label="Unit", queryset=Unit.objects.none())

    def __init__(self, *args: Any, units: QuerySet[Unit] | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if units is not None:
            self.offer("unit", units)


class ReasonForm(PageForm):
    reason = forms.CharField(label="Why", max_length=240)


class VanForm(PageForm):
    quantity = forms.IntegerField(label="There", min_value=0, max_value=100_000)
    least = forms.IntegerField(label="Least", min_value=0, max_value=100_000)
    most = forms.IntegerField(label="Most", min_value=0, max_value=100_000)


CAUSE_LABELS = {entry.key: entry.label for entry in CAUSES}
