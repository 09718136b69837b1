"""What the workroom's pages may send."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms

from fabrication.models import LabelSize, Material, PlannedCut, Supplier, SupplierList, UnitMake, WorkPlace
from jobs.models import Job
from measuring.models import Family
from shared.fields import LengthFormField
from shared.forms import DateInput, PageForm
from shared.lengths import ZERO, Length


class ChosenUnitsForm(PageForm):
    """Which units an action on a batch is about."""

    makes = forms.TypedMultipleChoiceField(coerce=int, label="Units", error_messages={"required": "Choose units."})

    def __init__(self, *args: Any, choices: Iterable[UnitMake] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.choose("makes", ((make.pk, str(make.unit)) for make in choices))


class ReasonForm(PageForm):
    reason = forms.CharField(max_length=160, label="Why", error_messages={"required": "Say why, in a few words."})


class MiscutForm(ReasonForm):
    """Which pieces of a stock piece are spoiled."""

    spoiled = forms.TypedMultipleChoiceField(
        coerce=int, label="Spoiled pieces", error_messages={"required": "Say which pieces are spoiled."}
    )

    def __init__(self, *args: Any, cut: PlannedCut, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.choose("spoiled", ((position, str(position + 1)) for position in range(len(cut.pieces))))


class CheckForm(PageForm):
    """What the finished unit measures."""

    width = LengthFormField(label="Width")
    height = LengthFormField(label="Height")


class ReceiveForm(PageForm):
    """Stock coming in."""

    material = forms.ModelChoiceField(Material.objects.none())
    quantity = forms.IntegerField(min_value=1, initial=1)
    length = LengthFormField(required=False, help_text="of one bar, or of the roll")
    width = LengthFormField(required=False, help_text="of a roll")
    lot = forms.CharField(max_length=30, required=False, label="Dye lot")
    shelf = forms.CharField(max_length=30, required=False, label="Place")
    price = forms.DecimalField(
        max_digits=10,
        decimal_places=2,
        required=False,
        min_value=0,
        help_text="of one; of cloth and cord, of a metre",
    )

    def prepare(self) -> None:
        self.offer("material", Material.objects.visible_to(self.asker).filter(is_active=True))


class CountForm(ReasonForm):
    counted = forms.IntegerField(min_value=0, label="Counted")

    field_order = ("counted",)


class PurchaseForm(PageForm):
    """Which supplier, and what was ticked."""

    supplier = forms.ModelChoiceField(Supplier.objects.none(), error_messages={"required": "Choose a supplier."})

    def prepare(self) -> None:
        self.offer("supplier", Supplier.objects.visible_to(self.asker))


class AcknowledgeForm(PageForm):
    """Size and options as the supplier's acknowledgement says them."""

    width = LengthFormField(label="Width")
    height = LengthFormField(label="Height")

    def __init__(self, *args: Any, options: dict[str, str] | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.option_keys = list(options or {})
        for key in self.option_keys:
            self.fields[f"option_{key}"] = forms.CharField(label=key.replace("_", " "), max_length=120, required=False)

    def options(self) -> dict[str, str]:
        return {key: self.cleaned_data[f"option_{key}"] for key in self.option_keys}


class ReceiveLineForm(PageForm):
    packages = forms.IntegerField(min_value=1, max_value=99, label="Packages that came")
    lot = forms.CharField(max_length=30, required=False, label="Dye lot")
    shelf = forms.CharField(max_length=30, required=False, label="Place")


class SupplierListForm(PageForm):
    """What can be chosen of what a supplier makes."""

    takes = forms.ChoiceField(
        choices=[("", "choose"), *SupplierList.Takes.choices],
        label="Inside mounts are ordered at",
        error_messages={"required": "Say what size is ordered: until then no inside mount is released."},
    )
    options = forms.CharField(
        max_length=20_000,
        label="What can be chosen",
        widget=forms.Textarea(attrs={"rows": 8, "spellcheck": "false"}),
        help_text="One line per option, such as color: white | sand. No choices: written in freely. "
        "A ? after the name: optional.",
        required=False,
    )


class InspectForm(PageForm):
    verdict = forms.ChoiceField(choices=[("good", "good"), ("back", "goes back")])
    note = forms.CharField(max_length=240, required=False, label="What is wrong")


class FlawForm(PageForm):
    """One stretch of a roll that no piece may use."""

    start = LengthFormField(label="From", help_text="measured from the free end of the roll")
    end = LengthFormField(label="To")


class FlawAtTheTableForm(FlawForm):
    """A flaw found while cutting: of a bar from its left end, of a roll from its free end."""

    note = forms.CharField(max_length=80, required=False, label="What it is")

    def __init__(self, *args: Any, is_roll: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["start"].help_text = f"measured from the {'free end of the roll' if is_roll else 'left end'}"


class PhotoForm(PageForm):
    photo = forms.FileField(error_messages={"required": "Choose a photo."})


class LabelSizeForm(PageForm):
    """What labels are printed on."""

    kind = forms.ChoiceField(choices=LabelSize.Kind.choices, label="Printed on")
    width = LengthFormField(least=Length.mm(30), most=Length.mm(210), help_text="of one label")
    height = LengthFormField(least=Length.mm(20), most=Length.mm(290), help_text="of one label")
    columns = forms.IntegerField(min_value=1, max_value=8, help_text="on a sheet")
    rows = forms.IntegerField(min_value=1, max_value=30, help_text="on a sheet")
    left = LengthFormField(least=ZERO, most=Length.mm(60), label="Left margin")
    top = LengthFormField(least=ZERO, most=Length.mm(60), label="Top margin")
    across = LengthFormField(least=ZERO, most=Length.mm(30), label="Gap between columns")
    down = LengthFormField(least=ZERO, most=Length.mm(30), label="Gap between rows")


class WorkPlaceForm(PageForm):
    """A place of work: minutes there are a day, minutes a unit of each family takes."""

    name = forms.CharField(max_length=60, label="Name")
    day_min = forms.IntegerField(min_value=1, max_value=28_800, initial=480, label="Minutes a day")

    def __init__(self, *args: Any, place: WorkPlace | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if place is not None:
            self.initial = {**self.initial, "name": place.name, "day_min": place.day_min}
        for key, name in Family.choices:
            minutes = place.minutes.get(key, 0) if place else 0
            self.fields[key] = forms.IntegerField(
                min_value=0, max_value=28_800, initial=minutes, label=f"Minutes a unit, {name}"
            )

    def values(self) -> dict[str, Any]:
        sent = self.cleaned_data
        minutes = {key: sent[key] for key in Family.values}
        return {"name": sent["name"], "day_min": sent["day_min"], "minutes": minutes}


class ExpectClothForm(PageForm):
    """Cloth a customer will bring."""

    job = forms.ModelChoiceField(Job.objects.none())
    name = forms.CharField(max_length=80, label="What it is")
    units = forms.CharField(max_length=160, required=False, label="What for")
    width_needed = LengthFormField(help_text="usable, selvedges off")
    length_needed = LengthFormField()
    repeat_expected = LengthFormField(required=False, label="Pattern repeat")
    expected_on = forms.DateField(required=False, widget=DateInput())

    def prepare(self) -> None:
        self.offer("job", Job.objects.visible_to(self.asker).open().select_related("customer"))


class ReceiveClothForm(PageForm):
    shelf = forms.CharField(max_length=30, required=False, label="Place", help_text="where it lies")


class CheckClothForm(PageForm):
    """What the cloth measures; one flaw can be named here, more on its stock page."""

    width = LengthFormField(help_text="selvedges off")
    length = LengthFormField()
    repeat = LengthFormField(required=False, label="Pattern repeat")
    flaw_from = LengthFormField(required=False, help_text="from the free end")
    flaw_to = LengthFormField(required=False)
    anyway = forms.CharField(
        max_length=160,
        required=False,
        label="Taken although it falls short, because",
        help_text="as agreed with the customer",
    )

    def flaws(self) -> list[tuple[Length, Length]]:
        start, end = self.cleaned_data.get("flaw_from"), self.cleaned_data.get("flaw_to")
        return [(start if start is not None else ZERO, end)] if end is not None else []
