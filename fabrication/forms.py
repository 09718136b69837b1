"""What the workroom's pages may send."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
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
    """What was really cut of a stock piece, what is spoiled, and what is left on the table."""

    GOOD, SPOILED, NOT_CUT = "good", "spoiled", "not"
    FATES = ((GOOD, "cut, good"), (SPOILED, "spoiled"), (NOT_CUT, "not cut"))

    def __init__(self, *args: Any, cut: PlannedCut, names: Sequence[str] = (), **kwargs: Any) -> None:
        self.cut, self.is_roll = cut, cut.plan.material.kind == Material.Kind.CLOTH
        super().__init__(*args, **kwargs)
        fields: dict[str, forms.Field] = {}
        for position, piece in enumerate(cut.pieces):
            fields[f"piece{position}"] = forms.ChoiceField(
                choices=self.FATES,
                initial=self.GOOD if piece.get("cut") else self.NOT_CUT,
                widget=forms.RadioSelect,
                label=names[position] if position < len(names) else str(position + 1),
            )
        if self.is_roll and cut.state == PlannedCut.State.TO_CUT:
            fields["run_off"] = LengthFormField(label="Run off the roll", initial=cut.length)
        for number, which in enumerate(("Left on the table", "Another piece left"), 1):
            if self.is_roll:
                fields[f"width{number}"] = LengthFormField(label=f"{which}, width", required=False, least=ZERO)
            fields[f"left{number}"] = LengthFormField(
                label=f"{which}, length" if self.is_roll else which,
                required=number == 1,
                least=ZERO,
                help_text="as it measures; 0: nothing" if number == 1 else "",
            )
        for field in fields.values():
            if isinstance(field, LengthFormField):
                field.unit = self.length_unit
        self.fields = fields | self.fields

    def clean(self) -> dict[str, Any]:
        """A strip of cloth has a width; something is spoiled."""
        sent = super().clean() or {}
        if not self._positions(self.SPOILED):
            self.add_error(None, "Say which pieces are spoiled.")
        for number in (1, 2):
            if self.is_roll and sent.get(f"left{number}") and not sent.get(f"width{number}"):
                self.add_error(f"width{number}", "Say how wide it is.")
        return sent

    def _positions(self, fate: str) -> list[int]:
        return [
            position for position in range(len(self.cut.pieces)) if self.cleaned_data.get(f"piece{position}") == fate
        ]

    def values(self) -> dict[str, Any]:
        """As `report_miscut` takes it."""
        sent = self.cleaned_data
        left = [(sent[f"left{number}"], sent.get(f"width{number}")) for number in (1, 2) if sent.get(f"left{number}")]
        return {
            "good": self._positions(self.GOOD),
            "spoiled": self._positions(self.SPOILED),
            "left": [(length, width) for length, width in left if length > ZERO],
            "run_off": sent.get("run_off"),
            "reason": sent["reason"],
        }


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
