"""What the browser may send to the measurer's pages."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from django import forms

from measuring.adapters.facts import STOPS
from measuring.adapters.options import Offer
from measuring.adapters.summaries import Wall
from measuring.models import (
    Family,
    FixedTo,
    Group,
    Lapping,
    Mount,
    Opening,
    Product,
    ProductTerms,
    Room,
    Shape,
    ShapeTemplate,
    SizeChange,
    Substrate,
    ToCome,
    Unit,
)
from measuring.rules.families import SIDES, TABLE
from measuring.rules.options import named
from measuring.rules.range import starting_rows
from measuring.services.bays import CornerRead
from shared.fields import LengthInput
from shared.forms import DateInput, PageForm, PageModelForm
from shared.lengths import Length
from shared.models import User

LARGEST_LIST = 512 * 1024


class PriceForm(PageModelForm):
    """What a product is sold for."""

    file = forms.FileField(
        label="Table of prices",
        required=False,
        help_text="CSV or XLSX; widths in the first row, heights in the first column",
    )
    without_table = forms.BooleanField(label="Without the table", required=False)

    class Meta:
        model = ProductTerms
        fields = ("rate", "per", "least", "warranty", "care")
        labels = {"rate": "Price by area", "per": "For a"}
        help_texts = {"warranty": "A line a part, such as Motor: 3 years, Labor: 12 months, Rails: lifetime."}
        widgets = {"warranty": forms.Textarea(attrs={"rows": 4}), "care": forms.Textarea(attrs={"rows": 3})}


class RangeForm(PageForm):
    """Products of the starting range to take, each under the firm's own name."""

    def __init__(self, *args: Any, there: Collection[str] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.known = {row["key"]: row for row in starting_rows("products")}
        self.there = there
        for key, row in self.known.items():
            if key not in there:
                self.fields[f"take_{key}"] = forms.BooleanField(required=False, label=f"Take {row['name']}")
                self.fields[f"name_{key}"] = forms.CharField(
                    required=False, max_length=80, initial=row["name"], label=f"Your name for {row['name']}"
                )

    def families(self) -> list[tuple[str, list[tuple[forms.BoundField, forms.BoundField]]]]:
        """Name of each family with something left to take, and the boxes of its products."""
        found: dict[str, list[tuple[forms.BoundField, forms.BoundField]]] = {}
        for key, row in self.known.items():
            if key not in self.there:
                title = str(Family(row["family"]).label).capitalize() + "s"
                found.setdefault(title, []).append((self[f"take_{key}"], self[f"name_{key}"]))
        return list(found.items())

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        for key in self.known:
            if data.get(f"take_{key}") and not data.get(f"name_{key}"):
                self.add_error(f"name_{key}", "Give it a name.")
        return data

    def names(self) -> dict[str, str]:
        """Key to own name of what is taken."""
        data = self.cleaned_data
        return {key: data[f"name_{key}"] for key in self.known if data.get(f"take_{key}")}


class RoomForm(PageForm):
    """A room to measure."""

    name = forms.CharField(max_length=60, label="room")
    floor = forms.CharField(max_length=20, required=False)


class ListForm(PageForm):
    """Openings from a list: a file, or pasted."""

    file = forms.FileField(required=False, label="CSV file")
    text = forms.CharField(
        required=False,
        label="or the list itself",
        widget=forms.Textarea(attrs={"rows": 8, "spellcheck": "false"}),
        help_text="First line: floor, room, mark (and product, mount, note if you like)",
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        sent = data.get("file")
        if sent is not None:
            if sent.size > LARGEST_LIST:
                self.add_error("file", f"{sent.size // 1024} kB; a list has at most {LARGEST_LIST // 1024} kB")
                return data
            try:
                data["text"] = sent.read().decode("utf-8-sig")
            except UnicodeDecodeError:
                self.add_error("file", "this file is no text in UTF-8; save the list as CSV UTF-8")
                return data
        if not (data.get("text") or "").strip():
            self.add_error("text", "choose a file or paste the list")
        elif len(data["text"]) > LARGEST_LIST:
            self.add_error("text", f"a list has at most {LARGEST_LIST // 1024} kB")
        return data


class CloseForm(PageForm):
    """The close-out."""

    in_part = forms.BooleanField(required=False, label="close in part: the rest waits for another visit")
    note = forms.CharField(required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 3}))


def _products(user: User) -> list[tuple[str, str]]:
    rows = Product.objects.visible_to(user).filter(is_active=True)
    return [("", "not chosen"), *((row.key, row.name) for row in rows)]


def floors(now: str) -> list[tuple[str, str]]:
    """Kinds of floor, and what was written before there were kinds."""
    known = {"": "not asked", **{kind: row["name"] for kind, row in TABLE["floors"].items() if kind != "unknown"}}
    return list({**known, now: known.get(now, now)}.items())


class RoomDefaultsForm(PageForm):
    """What new openings of a room begin with."""

    product = forms.ChoiceField(required=False)
    mount = forms.ChoiceField(choices=Mount.choices, required=False)
    fixed_to = forms.ChoiceField(choices=FixedTo.choices, required=False)
    substrate = forms.ChoiceField(choices=Substrate.choices, required=False)
    sill = forms.ChoiceField(choices=Opening.Sill.choices, required=False, label="ends on")
    floor_type = forms.ChoiceField(required=False, label="floor")

    def __init__(self, user: User, room: Room, data: Mapping[str, object] | None = None) -> None:
        super().__init__(data, user=user, initial={"mount": Mount.INSIDE, **room.defaults}, prefix=f"room{room.pk}")
        self.choose("product", _products(user))
        self.choose("floor_type", floors(room.defaults.get("floor_type", "")))

    def clean(self) -> dict[str, Any]:
        return {name: value for name, value in (super().clean() or {}).items() if value}


SWINGS = [("", "not asked"), *((word, word) for word in ("in, left", "in, right", "out", "slides"))]
POWER = [("", "not asked"), ("none", "none near"), ("outlet", "outlet near"), ("mains", "mains at the head")]


OLD_COVERING = ("take_down", "disposal")
TAKE_DOWN = [("", "not asked"), ("no", "none there"), ("we", "we take it down"), ("customer", "the customer does")]
DISPOSAL = [("", "not asked"), ("leave", "left with the customer"), ("away", "we take it away")]


class FactsForm(PageForm):
    """
    What is recorded of an opening beside its readings.

    Fields are plain text: `measuring.adapters.facts` cleans them, for this page, the API and devices alike.
    """

    product = forms.ChoiceField(required=False)
    shape = forms.ChoiceField(required=False, choices=Shape.choices, help_text="left and right as seen from the room")
    mount = forms.ChoiceField(choices=Mount.choices)
    mark = forms.CharField(max_length=20)
    room = forms.ChoiceField()
    units_wanted = forms.CharField(label="units side by side")
    split = forms.CharField(required=False, label="their widths", help_text="such as 30 1/2 + 30 1/2; empty: equal")
    mullions = forms.CharField(
        required=False, label="or mullion centers", help_text="from the left edge of the opening: 30 1/2 + 61"
    )
    unit_gap = forms.CharField(
        required=False, widget=LengthInput(), label="between units", help_text="rounded up; empty: usual"
    )
    lapping = forms.ChoiceField(required=False, choices=Lapping.choices, label="how they meet")
    fixed_to = forms.ChoiceField(choices=FixedTo.choices)
    substrate = forms.ChoiceField(choices=Substrate.choices)
    sill = forms.ChoiceField(choices=Opening.Sill.choices, label="ends on")
    floor_type = forms.ChoiceField(required=False, label="floor")
    is_door = forms.BooleanField(required=False, label="door")
    door_swing = forms.ChoiceField(required=False, choices=SWINGS)
    handle_projection = forms.CharField(required=False, widget=LengthInput(), help_text="rounded up")
    sill_projection = forms.CharField(required=False, widget=LengthInput(), help_text="rounded up")
    reach_height = forms.CharField(required=False, widget=LengthInput(), help_text="floor to the top of the opening")
    to_come = forms.ChoiceField(required=False, choices=ToCome.choices, label="still to come here")
    power = forms.ChoiceField(required=False, choices=POWER)
    take_down = forms.ChoiceField(required=False, choices=TAKE_DOWN, label="old covering")
    disposal = forms.ChoiceField(required=False, choices=DISPOSAL, label="what becomes of it")
    access_note = forms.CharField(max_length=160, required=False, label="access")
    phase = forms.CharField(max_length=60, required=False)
    note = forms.CharField(max_length=4000, required=False, widget=forms.Textarea(attrs={"rows": 3}))
    goes_on = forms.CharField(max_length=240, required=False, label="goes on though it can't fit, because")

    def __init__(self, opening: Opening, data: Mapping[str, object] | None = None, *, user: User) -> None:
        unit = opening.job.branch.unit
        columns = [name for name in self.base_fields if name not in OLD_COVERING]
        start = {name: self.shown(getattr(opening, name), unit) for name in columns}
        start |= {name: (opening.site_facts or {}).get(name, "") for name in OLD_COVERING}
        for side in SIDES:
            stop = opening.stops_on.get(side, {})
            start[f"stop_{side}"] = stop.get("on", "")
            start[f"limit_{side}"] = Length(stop["limit"]).text(unit) if stop else ""
        super().__init__(data, user=user, unit=unit, initial=start)
        products = _products(user)
        if opening.product and opening.product.key not in dict(products):
            products.append((opening.product.key, f"{opening.product.name} (not offered any more)"))
        self.choose("product", products)
        self.choose("floor_type", floors(opening.floor_type))
        self.choose("room", ((str(room.pk), str(room)) for room in opening.job.rooms.all()))
        if opening.mount == Mount.OUTSIDE:
            for side in SIDES:
                self.fields[f"stop_{side}"] = forms.ChoiceField(
                    required=False,
                    label=f"{side} side stops on",
                    choices=[("", "nothing"), *((word, word) for word in STOPS)],
                )
                self.fields[f"limit_{side}"] = forms.CharField(
                    required=False,
                    label=f"room beyond the opening, {side}",
                    widget=LengthInput(),
                    help_text="rounded down",
                )

    @staticmethod
    def shown(value: Any, unit: Any) -> Any:
        if isinstance(value, Length):
            return value.text(unit)
        if isinstance(value, Product):
            return value.key
        if isinstance(value, Room):
            return str(value.pk)
        if isinstance(value, list):
            return " + ".join(Length(ticks).text(unit) for ticks in value)
        return value

    def facts(self) -> dict[str, Any]:
        """What was sent, as `measuring.adapters.facts.clean_facts` takes it."""
        data = dict(self.cleaned_data)
        if not data["shape"]:
            del data["shape"]  # a page from before there were shapes
        stops = {}
        for side in SIDES:
            on, limit = data.pop(f"stop_{side}", ""), data.pop(f"limit_{side}", "")
            if on:
                stops[side] = {"on": on, "limit": limit}
        if "stop_left" in self.fields:
            data["stops_on"] = stops
        data["site_facts"] = {name: data.pop(name) for name in OLD_COVERING}
        return data

    def problem(self, name: str, text: str) -> None:
        """Put a problem the cleaner found beside its field."""
        parts = name.split(".")
        if parts[0] == "stops_on" and len(parts) == 3:
            name = f"{'stop' if parts[2] == 'on' else 'limit'}_{parts[1]}"
        self.add_error(name if name in self.fields else None, text)


class OptionsForm(PageForm):
    """What a unit is made with beside its size; what it holds and no list has any more says so."""

    def __init__(self, unit: Unit, offer: Offer, data: Mapping[str, object] | None = None, *, user: User) -> None:
        super().__init__(data, user=user, initial=unit.options, prefix=f"unit{unit.pk}")
        for one in offer.at(unit.mount):
            held = unit.options.get(one.key, "")
            if one.choices:
                self._choice(one.key, one.label, one.pairs, gone="" if one.choice(held) else held)
            else:
                self.fields[one.key] = forms.CharField(label=one.label, required=False, max_length=120)
        for key, held in unit.options.items():
            if held and offer.option(key) is None:
                self._choice(key, named(key), [], gone=held)

    def _choice(self, key: str, label: str, pairs: list[tuple[str, str]], *, gone: str) -> None:
        lapsed = [(gone, f"{gone} (not offered any more)")] if gone else []
        choices = [("", "not chosen"), *lapsed, *pairs]
        self.fields[key] = forms.ChoiceField(label=label, required=False, choices=choices)
        if gone:
            self.fields[key].help_text = "Choose again, or ask the office to add it to the list."


class ObstructionForm(PageForm):
    """Something in the way."""

    kind = forms.CharField(max_length=30, label="what", widget=forms.TextInput(attrs={"list": "obstruction-kinds"}))
    projection = forms.CharField(widget=LengthInput(), label="stands out", help_text="rounded up")
    at = forms.ChoiceField(
        choices=[("path", "where cloth, slats or vanes hang"), ("head", "at the head, where it mounts")], label="where"
    )
    side = forms.ChoiceField(
        required=False, choices=[("", "all across"), *((side, side) for side in ("left", "right", "top", "bottom"))]
    )
    from_top = forms.CharField(required=False, widget=LengthInput(), label="below the top")


class PhotoForm(PageForm):
    """A photo; the service reads and re-encodes it."""

    photo = forms.FileField(widget=forms.ClearableFileInput(attrs={"accept": "image/*", "capture": "environment"}))
    caption = forms.CharField(max_length=160, required=False)


class ReasonForm(PageForm):
    """Why."""

    reason = forms.CharField(max_length=240, widget=forms.TextInput(attrs={"list": "reasons"}))


class TemplateForm(PageForm):
    """A template that is made."""

    size_is = forms.ChoiceField(choices=ShapeTemplate.SizeIs.choices, label="what was traced")
    is_marked = forms.BooleanField(required=False, label="TOP and ROOM SIDE stand on it")


class GroupForm(PageForm):
    """Openings that belong together."""

    kind = forms.ChoiceField(choices=Group.Kind.choices)
    name = forms.CharField(max_length=60, required=False)
    openings = forms.MultipleChoiceField(widget=forms.CheckboxSelectMultiple)
    bottoms_level = forms.BooleanField(required=False, label="bottoms level")

    def __init__(self, openings: list[Opening], data: Mapping[str, object] | None = None, *, user: User) -> None:
        super().__init__(data, user=user)
        self.choose("openings", ((str(one.pk), str(one)) for one in openings))


@dataclass(frozen=True, slots=True)
class CornerBoxes:
    """What is asked of one corner."""

    angle: forms.BoundField
    legs: tuple[forms.BoundField, forms.BoundField, forms.BoundField]
    past: forms.BoundField


@dataclass(frozen=True, slots=True)
class WallBoxes:
    """What is asked of one wall of a bay and of the corner at its right, where it has one."""

    wall: Wall
    width: forms.BoundField
    off: forms.BoundField
    corner: CornerBoxes | None


class BayForm(PageForm):
    """A bay, wall by wall and corner by corner, left to right."""

    room_between = forms.CharField(
        required=False,
        widget=LengthInput(),
        label="between two units at a corner",
        help_text="rounded up; empty: usual",
    )

    def __init__(
        self, group: Group, walls: list[Wall], data: Mapping[str, object] | None = None, *, user: User
    ) -> None:
        unit = group.job.branch.unit
        start = {"room_between": group.room_between.text(unit) if group.room_between is not None else ""}
        for at, one in enumerate(walls):
            pk = one.opening.pk
            start[f"wall_{pk}"] = one.reading.value.text(unit) if one.reading else ""
            start[f"off_{pk}"] = one.off.text(unit) if one.off is not None else ""
            start[f"angle_{at}"] = f"{one.angle:g}" if one.angle is not None else ""
            start[f"past_{at}"] = one.past
        self.walls = walls
        super().__init__(data, user=user, unit=unit, initial=start, row=group)

    def prepare(self) -> None:
        def length(label: str, help_text: str = "") -> forms.CharField:
            return forms.CharField(
                required=False, label=label, widget=LengthInput(), help_text=help_text, max_length=40
            )

        for at, one in enumerate(self.walls):
            pk, usual = one.opening.pk, one.usual.text(self.length_unit, symbol=True) if one.usual is not None else ""
            self.fields[f"wall_{pk}"] = length("wall, corner to corner", "at the headrail's back, at its height")
            self.fields[f"off_{pk}"] = length("stands off", f"the furthest part; empty: {usual}" if usual else "")
            if at == len(self.walls) - 1:
                continue
            self.fields[f"angle_{at}"] = forms.CharField(
                required=False, max_length=10, label="angle", help_text="degrees, by protractor"
            )
            self.fields[f"leg_left_{at}"] = length("along the left wall")
            self.fields[f"leg_right_{at}"] = length("along the right wall")
            self.fields[f"across_{at}"] = length("across", "between the two marks, where there is no protractor")
            past = [("", "both stop"), ("left", f"{one.opening.mark} runs past")]
            past.append(("right", f"{self.walls[at + 1].opening.mark} runs past"))
            self.fields[f"past_{at}"] = forms.ChoiceField(required=False, label="at this corner", choices=past)

    def rows(self) -> list[WallBoxes]:
        """Its boxes, wall by wall."""
        found = []
        for at, one in enumerate(self.walls):
            corner = None
            if at < len(self.walls) - 1:
                legs = self[f"leg_left_{at}"], self[f"leg_right_{at}"], self[f"across_{at}"]
                corner = CornerBoxes(self[f"angle_{at}"], legs, self[f"past_{at}"])
            pk = one.opening.pk
            found.append(WallBoxes(one, self[f"wall_{pk}"], self[f"off_{pk}"], corner))
        return found

    def corners(self) -> list[CornerRead]:
        """What was sent of its corners."""
        sent = self.cleaned_data
        return [
            CornerRead(
                sent[f"angle_{at}"],
                (sent[f"leg_left_{at}"], sent[f"leg_right_{at}"], sent[f"across_{at}"]),
                sent[f"past_{at}"],
            )
            for at in range(len(self.walls) - 1)
        ]

    def by_opening(self, name: str) -> dict[int, str]:
        """What was sent of every wall under a name: ``wall`` or ``off``."""
        return {one.opening.pk: self.cleaned_data[f"{name}_{one.opening.pk}"] for one in self.walls}


HOW = [(word, word) for word in ("signed", "e-mail", "on the phone", "at the visit")]


class ApproveForm(PageForm):
    """The customer's yes."""

    approved_by = forms.CharField(max_length=120, label="who said yes")
    how = forms.ChoiceField(choices=HOW)


class ReleaseForm(PageForm):
    """Hand units to the workroom."""

    due_on = forms.DateField(required=False, widget=DateInput(), label="to be made by")


class DecisionForm(PageForm):
    """Accept or refuse a change after the release."""

    approved_by = forms.CharField(
        max_length=120, required=False, label="who said yes",
        help_text="kept as the customer's new approval; needed where more than the measured size changes",
    )  # fmt: skip
    how = forms.ChoiceField(required=False, choices=HOW)
    text = forms.CharField(max_length=240, required=False, label="note")


class ChangeForm(PageForm):
    """What somebody wants of a released unit, beside its options."""

    product = forms.ModelChoiceField(Product.objects.none(), required=False, empty_label="not chosen")
    reason = forms.CharField(
        max_length=240,
        required=False,
        label="who asks, and why",
        help_text="needed for a remeasure or a cancelled unit",
    )
    price = forms.DecimalField(
        required=False, min_value=0, max_value=1_000_000, max_digits=10, decimal_places=2,
        label="new price, as the customer is told it", help_text="optional",
    )  # fmt: skip

    def __init__(self, data: Mapping[str, object] | None = None, *, user: User, unit: Unit, kind: str) -> None:
        super().__init__(data, user=user)
        branch = unit.opening.job.branch_id
        others = Product.objects.filter(branch=branch, is_active=True).exclude(pk=unit.product_id)
        self.fields["product"].queryset = others  # type: ignore[attr-defined]
        if kind != SizeChange.Kind.PRODUCT:
            del self.fields["product"]
        if kind in {SizeChange.Kind.SIZE, SizeChange.Kind.CANCEL}:
            del self.fields["price"]

    def chosen(self) -> Product | None:
        """The product that is chosen, if one is."""
        return self.cleaned_data.get("product") if self.is_bound and self.is_valid() else None


class TapeForm(PageForm):
    """A tape and the length printed on its case."""

    label = forms.CharField(max_length=40, label="name", help_text="such as: yellow 16 ft")
    case_length = forms.CharField(widget=LengthInput(), help_text="printed on the case; a laser: its own length")
    is_laser = forms.BooleanField(required=False, label="laser")
    is_retired = forms.BooleanField(required=False, label="not in use any more")
