"""A firm's own goods: materials, suppliers, tolerances. Each change is in the trail."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from django.db import transaction
from django.utils.text import slugify

from fabrication.models import Material, Supplier, Tolerance
from fabrication.rules.materials import Material as RulesMaterial
from fabrication.services.making import OWN, material_json
from measuring.models import Family
from shared.audit import changed, record
from shared.contracts import ContractError
from shared.errors import Refused
from shared.lengths import ZERO, Length
from shared.models import Branch, User

LEAST: Final = 1
MATERIAL_COLUMNS: Final = (
    "name", "facts", "kerf", "trim", "keep", "supplier", "supplier_code", "lead_days", "reorder_at", "pack",
    "is_active",
)  # fmt: skip
SUPPLIER_COLUMNS: Final = (
    "name", "email", "address", "account", "terms", "lead_days", "transit_days", "order_by", "claim_days", "closed",
)  # fmt: skip
MOST_SHUTDOWNS: Final = 20
OFF_COLUMNS: Final = ("width_under", "width_over", "width_over_inside", "height_under", "height_over")


@transaction.atomic
def save_material(
    *, branch: Branch, by: User, values: Mapping[str, Any], kind: str = "", material: Material | None = None
) -> Material:
    """
    A material, new or changed; what is cut already stays as it was cut.

    Parameters
    ----------
    values
        Columns of `Material` (those left out stay); ``facts`` as `fabrication.rules.materials.Facts`
        reads them, a fact that is None goes.
    kind
        Of a new one; a material never changes its kind.

    Raises
    ------
    Refused
        A name that is taken, a fact the rules can't read, a supplier of another branch; the field is named.
    """
    Branch.objects.select_for_update().get(pk=branch.pk)
    row = checked_material(branch=branch, values=values, kind=kind, material=material)
    changes = changed(row, MATERIAL_COLUMNS)
    if changes:
        row.save()
        record(by=by, action="changed a material" if material else "added a material", subject=row, changes=changes)
    return row


def checked_material(
    *, branch: Branch, values: Mapping[str, Any], kind: str = "", material: Material | None = None
) -> Material:
    """As `save_material` would keep it; nothing is kept."""
    values = dict(values)
    row = material or Material(branch=branch, kind=kind)
    if row.kind not in Material.Kind.values:
        raise Refused("say what kind it is", field="kind", bound=", ".join(Material.Kind.values))
    facts = {**row.facts, **values.pop("facts", {})}
    row.facts = {name: fact for name, fact in facts.items() if fact not in (None, "", [])}
    for name, value in values.items():
        setattr(row, name, value)
    row.name = row.name.strip()
    if material is None:
        row.key = _fresh_key(branch, row.name)
    _check_material(row)
    return row


def _fresh_key(branch: Branch, name: str) -> str:
    key = slugify(name)[:50]
    if not key or key.startswith(OWN):
        raise Refused("give it a name of letters and digits", field="name")
    if Material.objects.filter(branch=branch, key=key).exists():
        raise Refused(f"there is a {name} already", field="name")
    return key


def _check_material(row: Material) -> None:
    if row.supplier is not None and row.supplier.branch_id != row.branch_id:
        raise Refused("no such supplier in this branch", field="supplier")
    for name in ("kerf", "trim", "keep"):
        length: Length | None = getattr(row, name)
        if length is not None and length < ZERO:
            raise Refused(f"{name} is below 0", field=name, bound="0 or more")
    if row.pack < LEAST:
        raise Refused("a pack holds at least one", field="pack", bound="1 or more")
    try:
        RulesMaterial.from_json(material_json(row))
    except ContractError as error:
        raise Refused(error.problem, field=error.field.rpartition("facts.")[2], bound=error.bound) from None


@transaction.atomic
def save_supplier(
    *, branch: Branch, by: User, values: Mapping[str, object], supplier: Supplier | None = None
) -> Supplier:
    """A supplier, new or changed."""
    Branch.objects.select_for_update().get(pk=branch.pk)
    row = checked_supplier(branch=branch, values=values, supplier=supplier)
    changes = changed(row, SUPPLIER_COLUMNS)
    if changes:
        row.save()
        record(by=by, action="changed a supplier" if supplier else "added a supplier", subject=row, changes=changes)
    return row


def checked_supplier(*, branch: Branch, values: Mapping[str, object], supplier: Supplier | None = None) -> Supplier:
    """As `save_supplier` would keep it; nothing is kept."""
    row = supplier or Supplier(branch=branch)
    for name, value in values.items():
        setattr(row, name, value)
    row.name = row.name.strip()
    if not row.name:
        raise Refused("name the supplier", field="name")
    _check_shutdowns(row)
    if Supplier.objects.filter(branch=branch, name__iexact=row.name).exclude(pk=row.pk).exists():
        raise Refused(f"there is a {row.name} already", field="name")
    return row


def _check_shutdowns(row: Supplier) -> None:
    if len(row.closed) > MOST_SHUTDOWNS:
        raise Refused(f"{len(row.closed)} shutdowns", field="closed", bound=f"{MOST_SHUTDOWNS} at most")
    for begin, end in row.shutdowns:
        if end < begin:
            raise Refused("a shutdown ends before it begins", field="closed")


@transaction.atomic
def save_tolerance(*, branch: Branch, by: User, family: str, values: Mapping[str, Length]) -> Tolerance:
    """How far a finished unit of a family may be off; units in the workroom keep what they were made up with."""
    if family not in Family.values:
        raise Refused(f"there is no family {family[:20]}", field="family", bound=", ".join(Family.values))
    Branch.objects.select_for_update().get(pk=branch.pk)
    row = Tolerance.objects.filter(branch=branch, family=family).first() or Tolerance(branch=branch, family=family)
    for name in OFF_COLUMNS:
        length = values.get(name)
        if length is None or not ZERO <= length <= Length.inches(1):
            raise Refused("say how far it may be off", field=name, bound="0 to 1 in")
        setattr(row, name, length)
    changes = changed(row, OFF_COLUMNS)
    if changes:
        row.save()
        record(by=by, action="set a tolerance", subject=row, changes=changes)
    return row
