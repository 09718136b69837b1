"""What the workroom's pages may send."""

from __future__ import annotations

from django import forms

from fabrication.models import Material, Supplier
from shared.fields import LengthFormField
from shared.forms import SheetForm


class ChosenUnitsForm(SheetForm):
    """Which units a deed on a batch is about."""

    makes = forms.TypedMultipleChoiceField(coerce=int, label="units", error_messages={"required": "Choose units."})

    def __init__(self, *args, choices=(), **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["makes"].choices = [(make.pk, str(make.unit)) for make in choices]


class ReasonForm(SheetForm):
    reason = forms.CharField(max_length=160, label="why", error_messages={"required": "Say why, in a few words."})


class MiscutForm(ReasonForm):
    """Which pieces of a stock piece are spoiled."""

    spoiled = forms.TypedMultipleChoiceField(
        coerce=int, label="spoiled pieces", error_messages={"required": "Say which pieces are spoiled."}
    )

    def __init__(self, *args, cut, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["spoiled"].choices = [(place, str(place + 1)) for place in range(len(cut.pieces))]


class CheckForm(SheetForm):
    """What the finished unit measures."""

    width = LengthFormField(label="width")
    height = LengthFormField(label="height")


class ReceiveForm(SheetForm):
    """Stock coming in."""

    material = forms.ModelChoiceField(Material.objects.none())
    quantity = forms.IntegerField(min_value=1, initial=1)
    length = LengthFormField(required=False, help_text="of one bar, or of the roll")
    width = LengthFormField(required=False, help_text="of a roll")
    lot = forms.CharField(max_length=30, required=False, label="dye lot")
    place = forms.CharField(max_length=30, required=False)
    price = forms.DecimalField(max_digits=10, decimal_places=2, required=False, min_value=0, help_text="of one")

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["material"].queryset = Material.objects.visible_to(self.user).filter(is_active=True)


class CountForm(ReasonForm):
    counted = forms.IntegerField(min_value=0, label="counted")


class FindForm(forms.Form):
    """Find stock or a unit by its short code."""

    code = forms.CharField(max_length=12, required=False, label="short code")


class PurchaseForm(SheetForm):
    """Which supplier, and what was ticked."""

    supplier = forms.ModelChoiceField(Supplier.objects.none(), error_messages={"required": "Choose a supplier."})

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["supplier"].queryset = Supplier.objects.visible_to(self.user)


class AcknowledgeForm(SheetForm):
    """Size and options as the supplier's acknowledgement says them."""

    width = LengthFormField(label="width")
    height = LengthFormField(label="height")

    def __init__(self, *args, options=None, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.option_keys = list(options or {})
        for key in self.option_keys:
            self.fields[f"option_{key}"] = forms.CharField(label=key.replace("_", " "), max_length=120, required=False)

    def options(self) -> dict[str, str]:
        return {key: self.cleaned_data[f"option_{key}"] for key in self.option_keys}


class ReceiveLineForm(SheetForm):
    packages = forms.IntegerField(min_value=1, max_value=99, label="packages that came")
    lot = forms.CharField(max_length=30, required=False, label="dye lot")
    place = forms.CharField(max_length=30, required=False)


class InspectForm(SheetForm):
    verdict = forms.ChoiceField(choices=[("good", "good"), ("back", "goes back")])
    note = forms.CharField(max_length=240, required=False, label="what is wrong")


class FlawForm(SheetForm):
    """One stretch of a roll that no piece may use."""

    start = LengthFormField(label="from", help_text="measured from the free end of the roll")
    end = LengthFormField(label="to")
