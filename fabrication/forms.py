"""What the workroom's pages may send."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from django import forms

from fabrication.models import (
    Batch,
    Claim,
    LabelSize,
    Material,
    PlannedCut,
    PurchaseLine,
    StockItem,
    Supplier,
    SupplierList,
    Tolerance,
    UnitMake,
    WorkPlace,
)
from fabrication.rules.model import FINISHED_SIZE, OPENING_SIZE
from fabrication.rules.receiving import METER, RUNS, run_length
from fabrication.services.deliveries import Acknowledged
from fabrication.services.rack import joinable
from fabrication.services.range import OFF_COLUMNS
from fabrication.services.stock import STANDS_ALONE
from jobs.models import Job
from measuring.models import Family, Mount
from measuring.rules.options import named
from shared.errors import Refused
from shared.fields import LengthFormField
from shared.forms import DateInput, PageForm, TimeInput
from shared.lengths import ZERO, Length, LengthUnit
from shared.records import length_text, read_length

PLAIN_NUMBER: Final = re.compile(r"\d{1,6}(\.\d{1,3})?")


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
    FATES = ((GOOD, "cut, good"), (SPOILED, "scrapped"), (NOT_CUT, "not cut"))

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
            self.add_error(None, "Say which pieces are scrapped.")
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


class RunLengthField(LengthFormField):
    """A length that comes in yards or meters as often as off a tape."""

    counted_in = ""

    def to_python(self, value: object) -> Length | None:
        number, counted_in = str(value).strip(), self.counted_in
        for symbol in RUNS:
            if PLAIN_NUMBER.fullmatch(before := number.removesuffix(symbol).strip()) and before != number:
                number, counted_in = before, symbol
        if counted_in in RUNS and PLAIN_NUMBER.fullmatch(number):
            return run_length(number, counted_in)
        return super().to_python(value)


def _run_units(unit: LengthUnit) -> list[tuple[str, str]]:
    """What the length of a roll may be counted in."""
    tape = {LengthUnit.INCH: "inches", LengthUnit.MM: "millimeters"}[unit]
    return [("", "as typed"), (unit, tape), ("yd", "yards"), ("m", "meters")]


class ReceiveForm(PageForm):
    """Stock coming in; a number that surprises is asked back."""

    material = forms.ModelChoiceField(Material.objects.none())
    quantity = forms.IntegerField(
        min_value=1,
        max_value=100_000,
        initial=1,
        label="How many",
        help_text="bars or pieces; rolls and reels one by one",
    )
    length = RunLengthField(required=False, most=5000 * METER, help_text="of one bar, or of the roll")
    length_in = forms.ChoiceField(required=False, label="Length is in", help_text="of a roll or a reel: say which")
    width = LengthFormField(required=False, help_text="of a roll")
    lot = forms.CharField(max_length=30, required=False, label="Dye lot")
    shelf = forms.CharField(max_length=30, required=False, label="Place")
    price = forms.DecimalField(
        max_digits=10,
        decimal_places=2,
        required=False,
        min_value=0,
        max_value=1_000_000,
        help_text="of one; of cloth and cord, of a metre",
    )

    def prepare(self) -> None:
        self.offer("material", Material.objects.visible_to(self.asker).filter(is_active=True))
        self.choose("length_in", _run_units(self.length_unit))
        length = self.fields["length"]
        assert isinstance(length, RunLengthField)
        length.counted_in = self.data.get("length_in", "")
        if "sure" in self.data:
            self._ask()

    def _ask(self) -> None:
        self.fields["sure"] = forms.BooleanField(required=False, label="Yes, that is right")

    def clean(self) -> dict[str, object]:
        """Without the unit of the length, which stands in it now; on a roll it has to be said."""
        sent, material = self.cleaned_data, self.cleaned_data.get("material")
        typed = str(self.data.get("length", "")).strip()
        is_bare = not sent.pop("length_in", "") and bool(PLAIN_NUMBER.fullmatch(typed))
        if is_bare and material is not None and material.kind in STANDS_ALONE:
            self.add_error("length_in", f"{typed} what? Choose inches, yards or meters.")
        return {"sure": False, **sent}

    def refuse(self, refusal: Refused) -> None:
        if refusal.field == "sure":
            self._ask()
        super().refuse(refusal)


class StockForm(ReasonForm):
    """Something done to a stock piece; what its kind has not is not asked."""

    def __init__(self, *args: Any, item: StockItem, **kwargs: Any) -> None:
        self.item = item
        super().__init__(*args, **kwargs)
        self.order_fields([name for name in self.fields if name != "reason"])


class CountForm(StockForm):
    counted = forms.IntegerField(min_value=0, max_value=100_000, label="Counted")


class ScrapForm(StockForm):
    quantity = forms.IntegerField(min_value=1, max_value=100_000, initial=1, label="How many", help_text="a roll is 1")


class ShelveForm(StockForm):
    shelf = forms.CharField(max_length=30, label="New place")


class MeasureForm(StockForm):
    width = LengthFormField(required=False, least=ZERO, help_text="empty: as it is")
    length = LengthFormField(least=ZERO, help_text="of one, or what is left on the roll")

    def prepare(self) -> None:
        if self.item.width is None:
            del self.fields["width"]


class SplitForm(StockForm):
    quantity = forms.IntegerField(min_value=1, max_value=100_000, label="How many")
    length = LengthFormField(least=ZERO, label="Length from the free end")

    def prepare(self) -> None:
        del self.fields["quantity" if self.item.material.kind in STANDS_ALONE else "length"]


class JoinForm(StockForm):
    other = forms.ModelChoiceField(StockItem.objects.none(), label="Take in all of")

    def prepare(self) -> None:
        self.offer("other", joinable(self.item))


def _price_field(label: str | None = None) -> forms.DecimalField:
    return forms.DecimalField(
        max_digits=10, decimal_places=2, min_value=Decimal(0), max_value=Decimal(1_000_000), required=False, label=label
    )


class PurchaseForm(PageForm):
    """Which supplier, and what was ticked."""

    supplier = forms.ModelChoiceField(Supplier.objects.none(), error_messages={"required": "Choose a supplier."})

    def prepare(self) -> None:
        self.offer("supplier", Supplier.objects.visible_to(self.asker))


class BuyForm(PageForm):
    """One material as it is ordered: how many, how long, how wide, at what price; what surprises is asked back."""

    quantity = forms.IntegerField(min_value=1, max_value=100_000, label="Pieces")
    length = LengthFormField(required=False, least=ZERO)
    width = LengthFormField(required=False, least=ZERO)
    price = _price_field()

    def __init__(self, *args: Any, kind: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if kind != Material.Kind.CLOTH:
            del self.fields["width"]
        if kind in FITTINGS:
            del self.fields["length"]
        for name, field in self.fields.items():
            field.widget.attrs["aria-label"] = name
        if self.add_prefix("sure") in self.data:
            self._ask()

    def _ask(self) -> None:
        self.fields["sure"] = forms.BooleanField(required=False, label="Yes, that is meant")

    def refuse(self, refusal: Refused) -> None:
        if refusal.field == "sure":
            self._ask()
        super().refuse(refusal)


class DraftLineForm(BuyForm):
    """A line of stock on a purchase that is not sent yet."""

    left_out = forms.BooleanField(required=False, label="Leave out")


class DraftUnitForm(PageForm):
    """A unit on a purchase that is not sent yet: its size and options are its own."""

    price = _price_field()
    left_out = forms.BooleanField(required=False, label="Leave out")


class DraftNoteForm(PageForm):
    note = forms.CharField(max_length=240, required=False, label="Note to the supplier")


class AnswerForm(PageForm):
    """One difference of an acknowledgement, accepted or refused."""

    key = forms.CharField(max_length=60, widget=forms.HiddenInput)
    answer = forms.ChoiceField(choices=[("accepted", "Accept"), ("refused", "Refuse")], widget=forms.HiddenInput)
    why = forms.CharField(max_length=160, required=False, label="Why, if accepted", help_text="who agreed to it")
    approved_by = forms.CharField(max_length=120, required=False, label="Who said yes for the customer")


class ClaimForm(PageForm):
    """Something that came and is not as it should be."""

    kind = forms.ChoiceField(choices=Claim.Kind.choices, label="Claim")
    quantity = forms.IntegerField(min_value=1, max_value=100_000, initial=1, label="How many")
    note = forms.CharField(max_length=240, label="What is wrong")


class SettleForm(PageForm):
    """What a supplier does about a claim."""

    TOLD, REMAKE, CREDIT, NONE = "told", "remake", "credit", "none"
    STEPS = (
        (TOLD, "reported to the supplier"), (REMAKE, "they remake it"), (CREDIT, "they credit it"), (NONE, "withdrawn"),
    )  # fmt: skip

    step = forms.ChoiceField(choices=STEPS, label="What happened")
    remake_number = forms.CharField(max_length=40, required=False, help_text="for a remake: their number")
    ships_on = forms.DateField(required=False, widget=DateInput(), label="Ships on", help_text="for a remake")
    credit = _price_field()
    why = forms.CharField(max_length=160, required=False, label="Why it is withdrawn")

    def clean(self) -> dict[str, Any]:
        """A credit says how much."""
        sent = super().clean() or {}
        if sent.get("step") == self.CREDIT and sent.get("credit") is None and "credit" not in self.errors:
            self.add_error("credit", "Write how much is credited.")
        return sent


class AcknowledgeForm(PageForm):
    """Size and options as the supplier's acknowledgement says them."""

    width = LengthFormField(label="Width")
    height = LengthFormField(label="Height")
    mount = forms.ChoiceField(choices=[("", "not said"), *Mount.choices], required=False)
    basis = forms.ChoiceField(
        choices=[("", "not said"), (OPENING_SIZE, OPENING_SIZE), (FINISHED_SIZE, FINISHED_SIZE)], required=False,
        label="Size is",
    )  # fmt: skip

    def __init__(self, *args: Any, options: dict[str, str] | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.option_keys = list(options or {})
        for key in self.option_keys:
            self.fields[f"option_{key}"] = forms.CharField(
                label=named(key).capitalize(), max_length=120, required=False
            )

    def said(self) -> Acknowledged:
        """As `acknowledge` takes it."""
        sent = self.cleaned_data
        options = {key: sent[f"option_{key}"] for key in self.option_keys}
        return Acknowledged(sent["width"], sent["height"], options, sent["mount"], sent["basis"])


class ReceiveLineForm(PageForm):
    packages = forms.IntegerField(min_value=1, max_value=99, label="Packages that came")
    pieces = forms.IntegerField(
        min_value=1, max_value=100_000, required=False, label="How many came", help_text="of this delivery"
    )
    length = LengthFormField(required=False, least=ZERO, help_text="of one, as it came")
    width = LengthFormField(required=False, least=ZERO, help_text="of a roll, as it came")
    lot = forms.CharField(max_length=30, required=False, label="Dye lot")
    shelf = forms.CharField(max_length=30, required=False, label="Place")

    def __init__(self, *args: Any, line: PurchaseLine, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kind = line.material.kind if line.material else ""
        if kind != Material.Kind.CLOTH:
            del self.fields["width"]
        if not kind or kind in FITTINGS:
            del self.fields["length"]
        del self.fields["packages" if kind else "pieces"]
        if self.add_prefix("sure") in self.data:
            self._ask()

    def _ask(self) -> None:
        self.fields["sure"] = forms.BooleanField(required=False, label="Yes, so many came")

    def clean(self) -> dict[str, Any]:
        return {"sure": False, **(super().clean() or {})}

    def refuse(self, refusal: Refused) -> None:
        if refusal.field == "sure":
            self._ask()
        super().refuse(refusal)


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


class MoveBatchForm(PageForm):
    """A batch that could be worked as if it were due on another day."""

    batch = forms.ModelChoiceField(Batch.objects.none(), empty_label="choose a batch", label="batch")
    as_if = forms.DateField(widget=DateInput(), label="worked as if due on")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        over = [Batch.State.DONE, Batch.State.CANCELLED]
        mine = Batch.objects.visible_to(kwargs["user"]).exclude(state__in=over)
        self.fields["batch"].queryset = mine  # type: ignore[attr-defined]


class SupplierAnswerForm(PageForm):
    """What a supplier said to a change that was asked after the order."""

    answer = forms.ChoiceField(
        choices=[("taken", "they make it as it is now"), ("cancelled", "this line is cancelled")], label="they say"
    )
    note = forms.CharField(max_length=240, required=False, label="charge, credit, who said so")


class InspectForm(PageForm):
    verdict = forms.ChoiceField(choices=[("good", "good"), ("back", "goes back")])
    kind = forms.ChoiceField(choices=Claim.Kind.choices, required=False, label="If it goes back, claim")
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
    start = forms.IntegerField(
        min_value=1, max_value=240, initial=1, required=False, label="First free label",
        help_text="on a sheet that is begun, counted row by row",
    )  # fmt: skip

    def clean_start(self) -> int:
        return self.cleaned_data["start"] or 1


class WorkPlaceForm(PageForm):
    """A place of work: minutes there are a day, minutes a unit of each family takes."""

    name = forms.CharField(max_length=60, label="Name")
    day_min = forms.IntegerField(min_value=1, max_value=28_800, initial=480, label="Minutes a day")

    def __init__(self, *args: Any, place: WorkPlace | None = None, **kwargs: Any) -> None:
        super().__init__(*args, row=place, **kwargs)
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

    width = LengthFormField(label="Usable width", help_text="selvedges off")
    length = RunLengthField(most=5000 * METER)
    length_in = forms.ChoiceField(required=False, label="Length is in", help_text="say which for a bare number")
    repeat = LengthFormField(
        required=False, label="Pattern repeat", help_text="along the cloth, one pattern to the next"
    )
    no_pattern = forms.BooleanField(required=False, label="It has no pattern that repeats")
    flaw_from = LengthFormField(required=False, help_text="from the free end")
    flaw_to = LengthFormField(required=False)
    anyway = forms.CharField(
        max_length=160,
        required=False,
        label="Taken although it falls short, because",
        help_text="as agreed with the customer",
    )

    def prepare(self) -> None:
        self.choose("length_in", _run_units(self.length_unit))
        length = self.fields["length"]
        assert isinstance(length, RunLengthField)
        length.counted_in = self.data.get("length_in", "")

    def clean(self) -> dict[str, Any]:
        """The repeat is asked, as every length hangs on it; so is what a bare length is in."""
        sent = super().clean() or {}
        typed = str(self.data.get("length", "")).strip()
        if not sent.pop("length_in", "") and PLAIN_NUMBER.fullmatch(typed):
            self.add_error("length_in", f"{typed} what? Choose inches, yards or meters.")
        if bool(sent.get("repeat")) == bool(sent.get("no_pattern")) and "repeat" not in self.errors:
            self.add_error("repeat", "Measure the pattern's repeat, or tick that it has none.")
        return sent

    def values(self) -> dict[str, Any]:
        """As `check_cloth` takes it."""
        sent = self.cleaned_data
        start, end = sent.get("flaw_from"), sent.get("flaw_to")
        flaws = [(start if start is not None else ZERO, end)] if end is not None else []
        return {name: sent[name] for name in ("width", "length", "repeat", "anyway")} | {"flaws": flaws}


# -- the firm's own goods ------------------------------------------------------------------

CUT: Final = ("bar", "strip", "cloth")
FITTINGS: Final = ("piece", "set")
SIZES: Final = 4
"""Sizes one material may be bought in, on its page."""

FACTS: Final[Mapping[str, tuple[type, str, str, tuple[str, ...]]]] = {
    # fact: what it is, label, help, kinds it is asked of
    "grams_per_m": (Decimal, "Weight of a meter", "grams", ("bar", "strip", "cord")),
    "grams_per_m2": (Decimal, "Weight of a square meter", "grams", ("cloth",)),
    "grams_each": (Decimal, "Weight of one", "grams", FITTINGS),
    "colour": (str, "Color", "as the recipe's choices name it", ("bar", "strip", "cloth", "cord", *FITTINGS)),
    "edge": (Length, "Edge that is not used, each side", "", ("cloth",)),
    "repeat": (Length, "Pattern repeat", "", ("cloth",)),
    "turning": (tuple, "May be turned", "never: patterned, or it shines one way", ("cloth",)),
    "seam": (bool, "May be seamed", "", ("cloth",)),
    "thickness_mm": (Decimal, "Thickness", "mm", ("cloth", "strip")),
    "openness": (Decimal, "Openness", "parts of a hundred, of a solar cloth", ("cloth",)),
    "width": (Length, "Width of a slat or vane", "", ("strip",)),
    "diameter": (Length, "Diameter of a tube", "", ("bar",)),
    "wall": (Length, "Wall of a tube", "", ("bar",)),
    "e_gpa": (Decimal, "Stiffness (E) of a tube", "GPa; aluminum 69", ("bar",)),
    "widest": (Length, "Widest unit on a tube", "the shop's own limit", ("bar",)),
    "torque_nm": (Decimal, "Torque of a drive", "Nm", ("set",)),
    "lifts_g": (Decimal, "Lifts at most", "grams", ("set",)),
    "lifts_from_g": (Decimal, "Lifts from", "grams", ("set",)),
    "most_height": (Length, "Tallest unit it lifts", "", ("set",)),
    "mains": (bool, "Mains voltage", "", ("set",)),
    "charged": (bool, "Has a battery to charge", "", ("set",)),
}
NEEDED: Final = ("grams_per_m", "grams_per_m2", "grams_each")
TURNING: Final = ("never", "one way per room", "free")


class MaterialForm(PageForm):
    """A material of one kind: only what such a material has is asked."""

    name = forms.CharField(max_length=80, help_text="as the bench and the rack call it")

    def __init__(self, *args: Any, kind: str, material: Material | None = None, **kwargs: Any) -> None:
        self.kind = kind
        self.facts = [name for name, fact in FACTS.items() if kind in fact[3]]
        super().__init__(*args, **{"initial": shown_material(material) if material else None, **kwargs})

    def prepare(self) -> None:
        for name in self.facts:
            self.fields[name] = _fact_field(name)
        if self.kind in CUT:
            if self.kind != "cloth":
                self.fields["kerf"] = LengthFormField(required=False, least=ZERO, help_text="lost to one saw cut")
                self.fields["trim"] = LengthFormField(required=False, least=ZERO, help_text="cut off each mill end")
            self.fields["keep"] = LengthFormField(
                required=False, least=ZERO, label="Keep offcuts from", help_text="shorter or narrower ones are binned"
            )
        for number in range(1, SIZES + 1) if self.kind not in FITTINGS else ():
            if self.kind == "cloth":
                self.fields[f"width_{number}"] = LengthFormField(required=False, label=f"{number}: width of the roll")
            length = RunLengthField if self.kind in STANDS_ALONE else LengthFormField
            self.fields[f"length_{number}"] = length(required=False, label=f"{number}: length")
            self.fields[f"price_{number}"] = _price_field(f"{number}: price")
        self.fields["supplier"] = forms.ModelChoiceField(Supplier.objects.visible_to(self.asker), required=False)
        self.fields["supplier_code"] = forms.CharField(max_length=40, required=False, label="Supplier's code")
        self.fields["lead_days"] = forms.IntegerField(
            min_value=0,
            max_value=365,
            required=False,
            label="Lead time",
            help_text="working days, if not the supplier's",
        )
        self.fields["reorder_at"] = forms.IntegerField(
            min_value=0, max_value=100_000, required=False, label="Order when so many are left"
        )
        self.fields["pack"] = forms.IntegerField(min_value=1, max_value=10_000, initial=1, label="Pieces in a pack")
        self.fields["is_active"] = forms.BooleanField(required=False, initial=True, label="In use")
        for field in self.fields.values():
            if isinstance(field, LengthFormField):
                field.unit = self.length_unit

    def size_rows(self) -> list[list[forms.BoundField]]:
        """The boxes of each size it is bought in."""
        rows = [[f"{what}_{number}" for what in ("width", "length", "price")] for number in range(1, SIZES + 1)]
        found = [[self[name] for name in row if name in self.fields] for row in rows]
        return [row for row in found if row]

    def others(self) -> list[forms.BoundField]:
        """All boxes but those of sizes."""
        sizes = {box.name for row in self.size_rows() for box in row}
        return [box for box in self if box.name not in sizes]

    def values(self) -> dict[str, Any]:
        """As `save_material` takes them."""
        sent = self.cleaned_data
        facts: dict[str, Any] = {name: _fact_json(sent[name]) for name in self.facts}
        sizes = list(self._sizes())
        if self.kind not in FITTINGS:
            facts["stock"] = sizes
        columns = ("name", "kerf", "trim", "keep", "supplier", "supplier_code", "lead_days", "reorder_at", "pack")
        return {name: sent[name] for name in columns if name in sent} | {"facts": facts, "is_active": sent["is_active"]}

    def _sizes(self) -> Iterator[dict[str, str]]:
        for number in range(1, SIZES + 1):
            row = {name: self.cleaned_data.get(f"{name}_{number}") for name in ("length", "width", "price")}
            if row["length"] is not None or row["width"] is not None:
                yield {name: str(_fact_json(value)) for name, value in row.items() if value is not None}


def _fact_field(name: str) -> forms.Field:
    what, label, help_text, _ = FACTS[name]
    said: dict[str, Any] = {"required": name in NEEDED, "label": label, "help_text": help_text}
    if what is Length:
        return LengthFormField(**said, least=ZERO)
    if what is Decimal:
        return forms.DecimalField(**said, min_value=Decimal(0), max_digits=10, decimal_places=3)
    if what is bool:
        return forms.BooleanField(**said)
    if what is tuple:
        return forms.ChoiceField(**said | {"required": True}, choices=[(word, word) for word in TURNING])
    return forms.CharField(**said, max_length=60)


def _fact_json(value: Any) -> Any:
    if isinstance(value, Length):
        return length_text(value)
    return f"{value.normalize():f}" if isinstance(value, Decimal) else value


def shown_material(material: Material) -> dict[str, Any]:
    """What stands of a material, for its form."""
    facts = material.facts
    columns = (
        "name",
        "kerf",
        "trim",
        "keep",
        "supplier",
        "supplier_code",
        "lead_days",
        "reorder_at",
        "pack",
        "is_active",
    )
    shown = {name: getattr(material, name) for name in columns}
    shown |= {
        name: read_length(facts[name]) if FACTS[name][0] is Length else facts[name] for name in FACTS if name in facts
    }
    for number, row in enumerate(facts.get("stock") or [], 1):
        shown |= {f"{name}_{number}": read_length(row[name]) for name in ("length", "width") if row.get(name)}
        shown[f"price_{number}"] = row.get("price")
    return shown


class SupplierForm(PageForm):
    name = forms.CharField(max_length=80)
    email = forms.EmailField(required=False)
    address = forms.CharField(max_length=240, required=False, widget=forms.Textarea(attrs={"rows": 3}))
    account = forms.CharField(max_length=40, required=False, label="Our account", help_text="our number at theirs")
    terms = forms.CharField(max_length=80, required=False, help_text="such as net 30")
    lead_days = forms.IntegerField(
        min_value=0, max_value=365, initial=7, label="Lead time", help_text="working days from order to door"
    )
    transit_days = forms.IntegerField(
        min_value=0, max_value=60, required=False, label="Of these in transit", help_text="working days; empty: 2"
    )
    order_by = forms.TimeField(
        required=False, widget=TimeInput(), label="Orders in by", help_text="a later one counts from the next day"
    )
    claim_days = forms.IntegerField(
        min_value=0, max_value=365, required=False, label="Report freight damage within",
        help_text="days after delivery; empty: they did not say",
    )  # fmt: skip
    closed = forms.CharField(
        required=False,
        max_length=1000,
        label="Closed",
        widget=forms.Textarea(attrs={"rows": 3, "placeholder": "2026-12-21 to 2027-01-03"}),
        help_text="shutdowns, a line each",
    )

    def __init__(self, *args: Any, initial: dict[str, Any] | None = None, **kwargs: Any) -> None:
        if initial is not None:
            initial = {**initial, "closed": "\n".join(f"{begin} to {end}" for begin, end in initial["closed"])}
        super().__init__(*args, initial=initial, **kwargs)

    def clean_transit_days(self) -> int:
        days = self.cleaned_data["transit_days"]
        return 2 if days is None else int(days)

    def clean_closed(self) -> list[list[str]]:
        """The lines as first and last days."""
        return [_shutdown(line) for line in self.cleaned_data["closed"].splitlines() if line.strip()]


def _shutdown(line: str) -> list[str]:
    first, _, last = line.strip().partition(" to ")
    try:
        return [dt.date.fromisoformat(day.strip()).isoformat() for day in (first, last or first)]
    except ValueError:
        raise forms.ValidationError(f"{line.strip()[:40]}: give days such as 2026-12-21 to 2027-01-03.") from None


class RangeFileForm(PageForm):
    """A table of materials or suppliers."""

    file = forms.FileField(
        label="CSV file", help_text="as it comes out of here; columns you leave out stay as they are"
    )


class ShipDateForm(PageForm):
    ships_on = forms.DateField(required=False, widget=DateInput(), label="Acknowledged ship date")


class ToleranceForm(PageForm):
    """How far a finished unit of a family may be off."""

    width_under = LengthFormField(label="Width, under", least=ZERO)
    width_over = LengthFormField(label="Width over, outside mount", least=ZERO)
    width_over_inside = LengthFormField(label="Width over, inside mount", least=ZERO)
    height_under = LengthFormField(label="Height, under", least=ZERO)
    height_over = LengthFormField(label="Height, over", least=ZERO)

    def __init__(self, *args: Any, row: Tolerance | None = None, **kwargs: Any) -> None:
        initial = {name: getattr(row, name) if row else ZERO for name in OFF_COLUMNS}
        super().__init__(*args, **{"initial": initial, **kwargs})
