"""The firm's own data: products, cord rules, tapes, how long measuring takes."""

from __future__ import annotations

from collections.abc import Mapping

from django.db import transaction
from django.utils.text import slugify

from measuring.adapters.facts import read_entry
from measuring.models import Family, MeasureTimes, Product, Tape
from measuring.ports import ports
from measuring.rules.families import LARGEST_CASE
from measuring.rules.fit import ProductFit
from shared import audit
from shared.contracts import ContractError
from shared.errors import Refused
from shared.lengths import Length
from shared.models import Branch, User


def check_product(*, key: str, name: str, family: str, fit: Mapping[str, object]) -> None:
    """Refuses what the rules can't read, naming the field and its bound."""
    if not name.strip():
        raise Refused("a product has a name", field="name")
    if family not in Family.values:
        raise Refused(f"{family[:20]} is no family", field="family", bound=", ".join(Family.values))
    try:
        ProductFit.from_json({"key": key, "name": name, "family": family, "fit": fit})
    except ContractError as error:
        raise Refused(error.problem, field=error.field or "fit", bound=error.bound) from None


@transaction.atomic
def save_product(
    *,
    branch: Branch,
    by: User,
    product: Product | None = None,
    name: str,
    family: str = "",
    fit: Mapping[str, object],
    source: str = Product.Source.MADE,
    is_active: bool = True,
    key: str = "",
) -> Product:
    """
    Add a product to the range or change one; every change is a revision of its own.

    Units keep the sizes they were given; what is sized from now on goes by the new revision. What
    its recipe decides (`measuring.ports.MadeFit`) is the recipe's, whatever is sent.
    """
    if product is not None and source == Product.Source.MADE:
        fit = {**fit, **ports.fit_as_made(product)}
    family = product.family if product else family
    key = product.key if product else (key or slugify(name).replace("-", "_")[:40])
    check_product(key=key, name=name, family=family, fit=fit)
    if source not in Product.Source.values:
        raise Refused(f"{source[:20]} is not known", field="source", bound=", ".join(Product.Source.values))
    if product is None:
        if not key or Product.objects.filter(branch=branch, key=key).exists():
            raise Refused("there is a product of this name already", field="name")
        product = Product(branch=branch, key=key, family=family, revision=0)
    else:
        product = Product.objects.select_for_update().get(pk=product.pk)
    product.name, product.fit = name.strip()[:80], dict(fit)
    product.source, product.is_active = source, is_active
    changes = audit.changed(product, ["name", "fit", "source", "is_active"])
    if not changes:
        return product
    is_new = product._state.adding
    product.revision += 1
    product.save()
    action = "added a product" if is_new else f"changed the product, revision {product.revision}"
    audit.record(by=by, action=action, subject=product, changes=changes)
    return product


def take_made_fit(*, product: Product, by: User) -> Product:
    """Call it when the product's recipe changed: its figures of fit follow, here and on phones."""
    return save_product(
        branch=product.branch, by=by, product=product, name=product.name, fit=product.fit, source=product.source,
        is_active=product.is_active,
    )  # fmt: skip


@transaction.atomic
def save_tape(
    *,
    user: User,
    by: User,
    label: str,
    case_length: str,
    tape: Tape | None = None,
    is_laser: bool = False,
    is_retired: bool = False,
) -> Tape:
    """A measurer's tape and the length printed on its case (or a laser's own length)."""
    if not label.strip():
        raise Refused("name the tape, so that you find it again", field="label")
    case: Length = read_entry(case_length, user.unit, "case_length", most=LARGEST_CASE)
    tape = tape or Tape(user=user)
    tape.label, tape.case_length = label.strip()[:40], case
    tape.is_laser, tape.is_retired = is_laser, is_retired
    changes = audit.changed(tape, ["label", "case_length", "is_laser", "is_retired"])
    if changes:
        tape.save()
        audit.record(by=by, action="recorded a tape", subject=tape, changes=changes)
    return tape


@transaction.atomic
def save_measure_times(*, branch: Branch, by: User, minutes: Mapping[str, object]) -> MeasureTimes:
    """How many minutes each kind of thing takes at a measure visit; every change is a revision."""
    from measuring.adapters.minutes import read_minutes

    clean = read_minutes(minutes)
    row = MeasureTimes.objects.select_for_update().filter(branch=branch).first() or MeasureTimes(
        branch=branch, revision=0
    )
    row.minutes = clean
    changes = audit.changed(row, ["minutes"])
    if changes:
        row.revision += 1
        row.save()
        audit.record(by=by, action=f"changed the measure times, revision {row.revision}", subject=row, changes=changes)
    return row
