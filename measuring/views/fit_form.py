"""The form of a product: each figure of its fit a box of its own, lists a line each."""

from __future__ import annotations

import json
from collections.abc import Mapping
from copy import deepcopy
from typing import Any, Final

from django import forms

from measuring.models import Family, Mount, Product, Shape
from measuring.ports import ports
from shared.errors import Refused
from shared.fields import LengthInput
from shared.forms import PageForm
from shared.models import User

LENGTHS: Final[Mapping[str, str]] = {
    "min_depth": "depth to mount at all",
    "flush_depth": "depth to sit flush",
    "head_height": "height of head and brackets",
    "clearance.width": "clearance off the width, inside",
    "clearance.height": "clearance off the height, inside",
    "gap.idle": "light gap, idle side",
    "gap.control": "light gap, control side",
    "gap.motor": "light gap, motor side",
    "width.least": "narrowest",
    "width.most": "widest",
    "height.least": "shortest",
    "height.most": "tallest",
    "narrowing": "how far jambs may close in",
    "swing_depth": "depth for the vanes' swing",
    "hand_clearance": "hand clearance past a handle",
    "coupled_most": "widest on two coupled tubes",
    "support_span": "span between supports",
    "support_end": "support from the end",
    "package_extra": "package longer than the unit by",
}
NEEDED: Final = ("min_depth", "flush_depth", "head_height")
COUNTS: Final[Mapping[str, str]] = {
    "weight.grams_per_m2": "weight of cloth, g/m²",
    "weight.grams_per_m": "weight of rails and tube, g/m of width",
}


class ProductForm(PageForm):
    """Name and figures of a product; `measuring.rules.fit` reads what comes of it."""

    name = forms.CharField(max_length=80)
    family = forms.ChoiceField(choices=Family.choices)
    source = forms.ChoiceField(choices=Product.Source.choices)
    is_active = forms.BooleanField(required=False, label="offered")
    confirmed = forms.BooleanField(
        required=False,
        label="figures confirmed by us",
        help_text="Until then a limit asks for a check and stops nothing.",
    )
    mounts = forms.MultipleChoiceField(choices=Mount.choices, widget=forms.CheckboxSelectMultiple)
    shapes = forms.MultipleChoiceField(
        required=False,
        choices=[row for row in Shape.choices if row[0] != Shape.RECTANGLE],
        widget=forms.CheckboxSelectMultiple,
        label="also made for",
        help_text="Inside any other shape it does not go. A skylight: held by side rails or guide cords.",
    )

    def __init__(self, product: Product | None, data: Mapping[str, object] | None = None, *, user: User) -> None:
        self.before = product
        fit: dict[str, object] = dict(product.fit) if product else {"unit": user.unit.value}
        start: dict[str, object] = {
            "name": product.name if product else "",
            "family": product.family if product else "",
            "source": product.source if product else Product.Source.MADE,
            "is_active": product.is_active if product else True,
            "confirmed": fit.get("confirmed", False),
            "mounts": fit.get("mounts", list(Mount.values)),
            "shapes": fit.get("shapes", []),
            "tubes": "\n".join(f"{one['name']}: {one['most']}" for one in _rows(fit, "tubes")),
            "controls": json.dumps(fit.get("controls", []), indent=1, ensure_ascii=False),
            **{key: _get(fit, key) for key in (*LENGTHS, *COUNTS)},
        }
        super().__init__(data, user=user, initial=start, row=product)
        if product:
            self.fields["family"].required = False
            self.fields["family"].disabled = True
        for key, label in LENGTHS.items():
            self.fields[key] = forms.CharField(label=label, required=key in NEEDED, widget=LengthInput(), max_length=40)
        for key in ports.fit_as_made(product) if product and product.source == Product.Source.MADE else ():
            for name in (one for one in LENGTHS if one.partition(".")[0] == key):
                self.fields[name].disabled, self.fields[name].help_text = True, "from the recipe"
        for key, label in COUNTS.items():
            self.fields[key] = forms.IntegerField(label=label, required=False, min_value=0, max_value=100_000)
        self.fields["packed_by_height"] = forms.BooleanField(
            required=False, label="packed by the longer of width and height", initial=fit.get("packed_by_height", False)
        )
        self.fields["tubes"] = forms.CharField(
            required=False,
            widget=forms.Textarea(attrs={"rows": 3}),
            help_text="a line each, smallest first: 1 1/2 in tube: 72",
        )
        self.fields["controls"] = forms.CharField(
            required=False,
            widget=forms.Textarea(attrs={"rows": 8, "spellcheck": "false"}),
            help_text='JSON, one object a control: {"key": "chain", "name": "chain loop", "cord": "loop"}',
        )
        self.fit_before = fit

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        try:
            controls = json.loads(data.get("controls") or "[]")
            if not isinstance(controls, list):
                raise ValueError("a list belongs here")
            data["controls"] = controls
        except ValueError as error:
            self.add_error("controls", f"not JSON: {error}")
        data["tubes"] = self._tubes(data.get("tubes", ""))
        if data.get("source") != Product.Source.BOUGHT and set(data.get("shapes", ())) - {Shape.SKYLIGHT}:
            self.add_error("shapes", "what is made here is cut as a rectangle: only a bought-in product has a shape")
        return data

    def _tubes(self, text: str) -> list[tuple[str, str]]:
        rows = []
        for line in text.splitlines():
            if not line.strip():
                continue
            name, colon, rest = line.rpartition(":")
            if not colon or not name.strip():
                self.add_error("tubes", f"{line[:40]}: a name, a colon, then the rest")
                continue
            rows.append((name.strip(), rest.strip()))
        return rows

    def product(self) -> dict[str, Any]:
        """What `services.save_product` takes."""
        data = self.cleaned_data
        fit = deepcopy(self.fit_before)  # what this form has no box for stays
        fit["confirmed"] = data["confirmed"]
        if "mounts" in self.fit_before or set(data["mounts"]) != set(Mount.values):
            fit["mounts"] = data["mounts"]
        for key in (*LENGTHS, *COUNTS):
            _set(fit, key, data.get(key))
        _set(fit, "shapes", data["shapes"] or None)
        _set(fit, "packed_by_height", data["packed_by_height"] or None)
        _set(fit, "tubes", [{"name": name, "most": most} for name, most in data["tubes"]] or None)
        _set(fit, "controls", data["controls"] or None)
        return {
            "name": data["name"],
            "family": data.get("family") or (self.before.family if self.before else ""),
            "source": data["source"],
            "is_active": data["is_active"],
            "fit": fit,
        }

    def problem(self, refusal: Refused) -> None:
        """Beside the figure the rules refused."""
        field = refusal.field.removeprefix("fit.")
        text = f"{refusal.problem} ({refusal.bound})" if refusal.bound else refusal.problem
        base = field.partition("[")[0]
        name = field if field in self.fields else base if base in self.fields else None
        self.add_error(name, text if name else f"{field}: {text}" if field else text)


def _rows(fit: Mapping[str, Any], key: str) -> list[dict[str, str]]:
    return list(fit.get(key) or [])


def _get(fit: Mapping[str, object], key: str) -> object:
    value: object = fit
    for part in key.split("."):
        value = value.get(part) if isinstance(value, Mapping) else None
    return "" if value is None else value


def _set(fit: dict[str, Any], key: str, value: Any) -> None:
    """Set a figure, or take it out where its box is empty."""
    outer, dot, inner = key.partition(".")
    into = fit.setdefault(outer, {}) if dot else fit
    name = inner if dot else outer
    if value in (None, ""):
        into.pop(name, None)
    else:
        into[name] = value
    if dot and not into:
        del fit[outer]
