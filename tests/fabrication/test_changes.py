"""A unit changed after its release: what it does, the hold on every page, the yes, and what is made anew."""

import re
from decimal import Decimal

import pytest

from fabrication.documents import cut_list, cuts_of_plan, labels, purchase_rows, work_order
from fabrication.models import Material, Part, PurchaseLine, StockItem, Supplier, UnitMake
from fabrication.rules.recipes import starting_recipes
from fabrication.services.amendments import supplier_answered
from fabrication.services.batches import open_batch
from fabrication.services.bench import check_unit, mark_cut, mark_piece, undo_cut
from fabrication.services.buying import order_units
from fabrication.services.choices import save_supplier_list
from fabrication.services.deliveries import receive_line
from fabrication.services.making import change_effects, make_units, materials_of, worked_out
from fabrication.services.planning import plan_batch
from fabrication.services.starting_data import load_materials, load_recipes
from jobs.ports import ports
from measuring.models import Opening, Product, SizeChange, Unit
from measuring.services.changes import Asked, accept_change, ask_for_change, proposed, refuse_change
from measuring.services.readings import record_reading
from measuring.services.releases import is_still_approved
from measuring.services.sizes import as_changed
from measuring.services.starting_data import load_products
from shared.errors import Refused
from shared.lengths import Length
from shared.models import AuditEntry
from tests.fabrication.rows import make_made_unit, make_stock
from tests.fabrication.test_making import new_unit

pytestmark = pytest.mark.django_db


@pytest.fixture
def wren(branch):
    """A roller with a chain as a firm has it, and all it is made from."""
    load_products(branch, names={"wren": "Wren", "siskin": "Siskin"})
    load_materials(branch)
    load_recipes(branch)
    return branch.products.get(key="wren")


@pytest.fixture
def cutting(branch, workroom, wren, do_runs):
    """Three rollers planned in one batch, the widest on a tube of its own; the others' tube is under way."""
    units = [new_unit(branch, workroom, wren, width) for width in ("35 3/8", "40", "90")]
    makes = make_units(units, workroom)
    for material in Material.objects.filter(parts__make__in=makes, kind__in=["bar", "strip", "cloth"]).distinct():
        make_stock(material)
    batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=workroom)
    plan_batch(batch=batch, by=workroom, seconds=1)
    assert set(do_runs()) == {"done"}
    narrow, wide = (makes[row].parts.get(name="tube").material for row in (0, 2))
    assert narrow != wide
    mark_piece(cut=batch.plans.get(material=narrow).cuts.first(), position=0, by=workroom)
    return batch, units, narrow, wide


def asked(unit, by, width="88"):
    return SizeChange.objects.create(
        unit=unit, old_width=unit.order_width, old_height=unit.order_height, new_width=Length.parse(width),
        new_height=unit.order_height, opened_by=by,
    )  # fmt: skip


def test_a_new_size_plans_only_what_it_touches_anew(cutting, workroom, do_runs, as_user):
    batch, units, narrow, wide = cutting
    before = {plan.material: plan for plan in batch.plans.select_related("material")}
    cloth = next(material for material in before if material.kind == "cloth")
    change = asked(units[2], workroom)
    effects = " ".join(change_effects(units[2], as_changed(change)))

    accept_change(change=change, by=workroom)
    ran = do_runs()

    live = {plan.material: plan for plan in batch.plans.exclude(state="replaced").select_related("material")}
    assert live[narrow] == before[narrow]
    assert live[narrow].cuts.first().state == "begun"
    assert wide not in live
    assert live[cloth].revision == 2
    assert live[cloth].state == "ready"
    assert set(ran) == {"done"}
    codes = {
        Part.objects.get(pk=piece["part"]).make.unit.code for cut in live[cloth].cuts.all() for piece in cut.pieces
    }
    assert codes == {units[0].code, units[1].code}
    assert f"planned anew there: {', '.join(material.name for material in before if material != narrow)}" in effects
    batch.refresh_from_db()
    assert batch.state == "cutting"
    page = as_user(workroom)
    news = page.get(f"/workroom/cutting/{before[cloth].pk}/news/").content.decode()
    assert f"out of date, {units[2].code} has a new size" in news
    assert f'href="/workroom/cutting/{live[cloth].pk}/"' in news
    gone = page.get(f"/workroom/cutting/{before[wide].pk}/news/").content.decode()
    assert f"{wide.name} is left to cut" in " ".join(gone.split())
    assert "Stop" not in page.get(f"/workroom/cutting/{live[narrow].pk}/news/").content.decode()


def test_a_unit_measured_again_is_in_question_on_every_page_and_paper_until_it_is_decided(cutting, workroom, as_user):
    batch, units, _, wide = cutting
    make, plan = units[2].make, batch.plans.get(material=wide)
    papers = (lambda: work_order(make), lambda: cut_list(batch), lambda: cuts_of_plan(plan), lambda: labels(batch))
    page = as_user(workroom)
    places = {
        "unit": f"/workroom/units/{make.pk}/", "plan": f"/workroom/cutting/{plan.pk}/",
        "batch": f"/workroom/batches/{batch.pk}/", "news": f"/workroom/cutting/{plan.pk}/news/",
        "job": f"/workroom/jobs/{units[2].opening.job_id}/units/",
    }  # fmt: skip
    words = ("on hold", "measured again: order size 88 × 60 in, not 90 × 60")

    change = asked(units[2], workroom)

    shown = {name: page.get(url).content.decode() for name, url in places.items()}
    assert [name for name, text in shown.items() if not any(word in text for word in words)] == []
    assert all(any(word in str(paper()) for word in words) for paper in papers)
    refuse_change(change=change, by=workroom, text="read wrongly")
    shown = {name: page.get(url).content.decode() for name, url in places.items()}
    assert [name for name, text in shown.items() if any(word in text for word in words)] == []
    assert not any("on hold" in str(paper()) for paper in papers)


# -- chosen otherwise -----------------------------------------------------------------------------


def colors(unit):
    """The unit's color, and another one of its recipe."""
    (option,) = [one for one in unit.make.recipe.definition["options"] if one["key"] == "colour"]
    keys = [choice["key"] for choice in option["choices"]]
    now = unit.options["colour"]
    return now, next(key for key in keys if key != now)


def ask(unit, by, kind="choice", **said):
    return ask_for_change(unit=Unit.objects.get(pk=unit.pk), asked=Asked(kind, **said), by=by)


def test_a_new_color_in_mid_cutting_is_held_everywhere_then_made_and_keeps_what_is_cut(
    cutting, workroom, do_runs, as_user
):
    batch, units, narrow, _ = cutting
    for cut in batch.plans.get(material=narrow).cuts.all():
        mark_cut(cut=cut, by=workroom)
    unit = units[0]
    make = UnitMake.objects.get(unit=unit)
    old, new = colors(unit)
    tube, cloth = make.parts.get(name="tube"), make.parts.get(kind="cloth")
    plan = batch.plans.get(material=cloth.material, state="ready")
    assert tube.state == "cut"

    change = ask(unit, workroom, options={"colour": new}, reason="Ada rang", price=Decimal(310))

    page = as_user(workroom)
    pages = [
        f"/workroom/units/{make.pk}/", f"/workroom/cutting/{plan.pk}/", f"/workroom/cutting/{plan.pk}/news/",
        f"/workroom/batches/{batch.pk}/", f"/workroom/batches/{batch.pk}/pull/",
        f"/workroom/jobs/{unit.opening.job_id}/units/", f"/jobs/{unit.opening.job_id}/sizes/",
    ]  # fmt: skip
    words = re.compile(f"on hold|color {old} becomes {new}", re.IGNORECASE)
    assert [url for url in pages if not words.search(page.get(url).content.decode())] == []
    papers = {"order": work_order(make), "list": cut_list(batch), "cuts": cuts_of_plan(plan), "labels": labels(batch)}
    assert [name for name, paper in papers.items() if not words.search(str(paper))] == []
    assert any("on hold" in blocker.text for blocker in ports.blockers(unit.opening.job))
    assert not any("of no use" in line for line in change.effects)  # the tube that is cut fits

    with pytest.raises(Refused, match="who said yes"):
        accept_change(change=change, by=workroom)
    accept_change(change=change, by=workroom, approved_by="Ada Ashdown", how="on the phone")
    do_runs()

    unit, make = Unit.objects.get(pk=unit.pk), UnitMake.objects.get(pk=make.pk)
    assert (unit.options["colour"], unit.state, make.state, make.batch) == (new, "released", "waiting", None)
    assert make.parts.get(name="tube") == tube  # nobody cuts it again
    assert make.parts.get(kind="cloth").material != cloth.material
    assert is_still_approved(unit)
    live = batch.plans.exclude(state="replaced").get(material=cloth.material)
    assert live.revision == plan.revision + 1
    assert live.before["why"] == f"{unit.code} color {old} becomes {new}"
    said = AuditEntry.objects.filter(job_id=unit.opening.job_id).values_list("action", flat=True)
    assert {"put the unit on hold", "accepted the change", "recorded approval 1"} <= set(said)


def test_the_bench_cuts_the_others_of_a_bar_and_leaves_the_piece_on_hold(cutting, workroom, as_user):
    batch, _, narrow, _ = cutting
    plan, page = batch.plans.get(material=narrow), as_user(workroom)
    cut = plan.cuts.first()
    left = next(piece for piece in cut.pieces if not piece.get("cut"))
    held = Part.objects.get(pk=left["part"]).make.unit
    address, all_of_it = f"/workroom/cutting/{plan.pk}/", f'action="/workroom/cuts/{cut.pk}/cut/"'
    position = cut.pieces.index(left)
    assert all_of_it in page.get(address).content.decode()

    ask(held, workroom, "cancel", reason="no money")

    shown = page.get(address).content.decode()
    assert all_of_it not in shown
    assert f"/workroom/cuts/{cut.pk}/pieces/{position}/cut/" not in shown
    assert "A piece of it is on hold" in shown


def test_what_a_change_costs_is_said_before_it_is_asked_in_the_branchs_money(cutting, workroom, branch):
    batch, units, _, _ = cutting
    branch.currency = "CAD"
    branch.save()
    unit = Unit.objects.get(pk=units[0].pk)
    _, new = colors(unit)
    cloth = unit.make.parts.get(kind="cloth").material
    StockItem.objects.filter(material=cloth).update(price=Decimal(30))
    other = proposed(unit, Asked("choice", {"colour": new}), workroom)
    wanted = worked_out(as_changed(other), unit.make.recipe, materials_of(branch))
    key = next(part.material for part in wanted.parts if part.kind == "cloth")
    make_stock(Material.objects.get(key=key), price=Decimal(36))
    for cut in batch.plans.get(material=cloth).cuts.all():
        mark_cut(cut=cut, by=workroom)

    lines = list(change_effects(unit, as_changed(other)))

    lost = [line for line in lines if "of no use any more: 1 piece, CA$" in line]
    new_parts = [line for line in lines if line.startswith("new parts: CA$")]
    assert (len(lost), len(new_parts)) == (1, 1)
    assert SizeChange.objects.count() == 0


def test_a_unit_on_hold_is_not_batched_or_checked_until_it_is_decided(branch, workroom, wren):
    unit = new_unit(branch, workroom, wren)
    (make,) = make_units([unit], workroom)
    change = ask(unit, workroom, "cancel", reason="moving house")

    with pytest.raises(Refused, match="on hold: to be cancelled"):
        open_batch(branch=branch, makes=[make.pk], by=workroom)
    UnitMake.objects.filter(pk=make.pk).update(state="assembly")
    with pytest.raises(Refused, match="on hold"):
        check_unit(make=make, width=make.finished_width, height=make.finished_height, by=workroom)
    UnitMake.objects.filter(pk=make.pk).update(state="waiting")
    refuse_change(change=change, by=workroom, text="she stays")

    assert open_batch(branch=branch, makes=[make.pk], by=workroom).makes.get() == make


def test_a_waiting_unit_changes_at_once_with_the_yes_and_stays_released(branch, workroom, wren):
    unit = new_unit(branch, workroom, wren)
    make_units([unit], workroom)
    _, new = colors(unit)

    accept_change(change=ask(unit, workroom, options={"colour": new}), by=workroom, approved_by="Ada")

    unit = Unit.objects.get(pk=unit.pk)
    assert (unit.options["colour"], unit.state) == (new, "released")
    assert is_still_approved(unit)
    assert unit.make.figures["made"]["options"]["colour"] == new


def test_what_the_recipe_does_not_have_is_refused_before_anybody_is_asked(branch, workroom, wren):
    unit = new_unit(branch, workroom, wren)
    make_units([unit], workroom)

    for options, field in (({"colour": "mauve"}, "colour"), ({"colour": unit.options["colour"]}, "options")):
        with pytest.raises(Refused) as refusal:
            ask(unit, workroom, options=options)
        assert refusal.value.field == field
    with pytest.raises(Refused, match="say why"):
        ask(unit, workroom, "cancel")
    assert not SizeChange.objects.exists()


def test_another_product_takes_its_own_recipe_and_the_readings_it_needs(branch, workroom, dispatcher, wren):
    siskin = branch.products.get(key="siskin")
    unit = new_unit(branch, workroom, wren)
    Opening.objects.filter(pk=unit.opening_id).update(product=wren)
    unit = Unit.objects.get(pk=unit.pk)
    make_units([unit], workroom)
    chosen = starting_recipes()["siskin"].tried_with()
    with pytest.raises(Refused, match="must be measured again"):
        ask(unit, workroom, "product", product=siskin, options=chosen)
    for spot, typed in (
        ("widths.top", "35 3/8"), ("widths.middle", "35 3/8"), ("widths.bottom", "35 3/8"),
        ("heights.left", "60"), ("heights.center", "60"), ("heights.right", "60"), ("depth", "6"),
    ):  # fmt: skip
        record_reading(opening=unit.opening, spot=spot, typed=typed, by=dispatcher)
    SizeChange.objects.all().delete()

    change = ask(unit, workroom, "product", product=siskin, options=chosen)
    accept_change(change=change, by=workroom, approved_by="Ada")

    unit = Unit.objects.get(pk=unit.pk)
    assert (unit.product, unit.opening.product, unit.make.recipe.product) == (siskin, siskin, siskin)
    assert unit.make.parts.exclude(state="cancelled").filter(name="headrail").exists()


# -- to be measured again ---------------------------------------------------------------------------


def test_a_unit_held_for_a_remeasure_waits_for_the_readings(branch, workroom, wren):
    unit = new_unit(branch, workroom, wren)
    (make,) = make_units([unit], workroom)

    change = ask(unit, workroom, "size", reason="the sill is new")

    with pytest.raises(Refused, match="not measured again yet"):
        accept_change(change=change, by=workroom)
    assert "to be measured again (the sill is new)" in str(work_order(make))
    refuse_change(change=change, by=workroom)
    assert "measured again" not in str(work_order(make))


# -- cancelled ----------------------------------------------------------------------------------------


def test_a_cancelled_unit_leaves_batch_and_plans_and_what_is_cut_stays_in_the_books(cutting, workroom, do_runs):
    batch, units, _, _ = cutting
    unit = units[0]
    make = UnitMake.objects.get(unit=unit)
    mine = set(make.parts.values_list("pk", flat=True))

    accept_change(change=ask(unit, workroom, "cancel", reason="no money"), by=workroom, approved_by="Ada")
    do_runs()

    unit.refresh_from_db()
    make.refresh_from_db()
    assert (unit.state, make.state, make.batch) == ("cancelled", "cancelled", None)
    assert not make.parts.exclude(state="cancelled").exists()
    live = batch.plans.exclude(state="replaced")
    planned = {piece["part"] for plan in live for cut in plan.cuts.filter(state="to_cut") for piece in cut.pieces}
    assert planned
    assert not planned & mine
    assert AuditEntry.objects.filter(action="cancelled the unit", note__contains="no money; agreed with Ada").exists()


def test_a_cut_undone_after_its_unit_left_is_to_cut_again(cutting, workroom):
    batch, units, narrow, _ = cutting
    plan = batch.plans.get(material=narrow)
    for cut in plan.cuts.all():
        mark_cut(cut=cut, by=workroom)
    unit = units[0]
    _, new = colors(unit)
    tube = UnitMake.objects.get(unit=unit).parts.get(name="tube")
    accept_change(change=ask(unit, workroom, options={"colour": new}), by=workroom, approved_by="Ada")

    cut = next(cut for cut in plan.cuts.all() if tube.pk in {piece["part"] for piece in cut.pieces})
    undo_cut(cut=cut, by=workroom)

    tube.refresh_from_db()
    assert (tube.state, tube.done) == ("to_cut", 0)


# -- bought in ------------------------------------------------------------------------------------------


@pytest.fixture
def ordered(branch, workroom):
    """A white shade ordered of a supplier: unit, line."""
    product = Product.objects.create(branch=branch, key="wall", name="Wall shade", family="roller", source="bought")
    options = [{"name": "color", "choices": ["white", "sand"], "needed": True}]
    save_supplier_list(product=product, options=options, takes="opening", by=workroom)
    unit = make_made_unit(branch, workroom, source="bought").unit
    Unit.objects.filter(pk=unit.pk).update(product=product, options={"colour": "white"})
    supplier = Supplier.objects.create(branch=branch, name="Northlight Shades")
    order_units(supplier=supplier, makes=[unit.make.pk], by=workroom)
    return Unit.objects.get(pk=unit.pk), PurchaseLine.objects.get()


@pytest.fixture
def sand(ordered, workroom):
    """The same, and the customer wants it sand: unit, line."""
    unit, line = ordered
    change = ask(unit, workroom, options={"colour": "sand"})
    assert any("is on purchase P-0001 to Northlight Shades (ordered)" in one for one in change.effects)
    accept_change(change=change, by=workroom, approved_by="Ada")
    line.refresh_from_db()
    return unit, line


def test_a_change_of_an_ordered_unit_is_asked_of_its_supplier(sand, workroom, as_user):
    _, line = sand

    assert line.state == "asked"
    assert line.differences == ["color white becomes sand: 35 3/8 × 60 in"]
    with pytest.raises(Refused, match="what the supplier answered"):
        receive_line(line=line, packages=1, by=workroom)
    page = as_user(workroom).get(f"/workroom/purchases/{line.purchase_id}/").content.decode()
    assert "color white becomes sand" in page
    assert f"/workroom/purchase-lines/{line.pk}/supplier-answer/" in page


def test_the_supplier_takes_the_change_and_acknowledges_it_anew(sand, workroom, as_user):
    unit, line = sand

    as_user(workroom).post(
        f"/workroom/purchase-lines/{line.pk}/supplier-answer/",
        {f"line{line.pk}-answer": "taken", f"line{line.pk}-note": "free"},
    )

    line.refresh_from_db()
    assert (line.state, line.make, line.note) == ("ordered", unit.make, "free")
    assert purchase_rows(line.purchase)[0]["options"] == {"color": "sand"}


def test_a_line_that_is_cancelled_frees_its_unit_to_be_ordered_anew(sand, workroom):
    unit, line = sand

    supplier_answered(line=line, is_taken=False, note="60 % charged", by=workroom)
    again = order_units(supplier=line.purchase.supplier, makes=[unit.make.pk], by=workroom)

    line = PurchaseLine.objects.get(pk=line.pk)
    assert (line.state, line.make, line.was_for, line.purchase.state) == ("cancelled", None, unit.make, "closed")
    assert str(line) == unit.code
    assert purchase_rows(line.purchase) == []
    assert purchase_rows(again)[0]["options"] == {"color": "sand"}


def test_a_cancelled_unit_that_is_ordered_can_only_be_cancelled_there(ordered, workroom):
    unit, line = ordered
    accept_change(change=ask(unit, workroom, "cancel", reason="no money"), by=workroom, approved_by="Ada")

    with pytest.raises(Refused, match="can only be cancelled"):
        supplier_answered(line=line, is_taken=True, by=workroom)

    assert supplier_answered(line=line, is_taken=False, by=workroom).state == "cancelled"


def test_a_line_that_is_not_sent_follows_its_unit(ordered, workroom):
    unit, line = ordered
    type(line.purchase).objects.update(state="draft")

    accept_change(change=ask(unit, workroom, options={"colour": "sand"}), by=workroom, approved_by="Ada")
    line.refresh_from_db()
    assert (line.state, line.make) == ("ordered", unit.make)
    accept_change(change=ask(unit, workroom, "cancel", reason="no money"), by=workroom, approved_by="Ada")

    assert not PurchaseLine.objects.exists()


# -- the page ---------------------------------------------------------------------------------------------


def test_the_page_says_what_a_change_does_and_then_holds_the_unit(cutting, dispatcher, as_user):
    batch, units, _, _ = cutting
    unit = units[0]
    _, new = colors(unit)
    page, address = as_user(dispatcher), f"/units/{unit.pk}/change/"
    sent = {
        "kind": "choice", "options_of": unit.product_id, "reason": "Ada rang", "price": "310",
        **{f"unit{unit.pk}-{key}": value for key, value in unit.options.items()}, f"unit{unit.pk}-colour": new,
    }  # fmt: skip

    assert f"it leaves batch {batch.number}" in page.get(address).content.decode()
    looked = page.post(f"{address}look/", sent).content.decode()
    assert f"becomes {new}" in looked
    assert not SizeChange.objects.exists()
    answer = page.post(address, sent)
    change = SizeChange.objects.get()
    shown = page.get(answer.url).content.decode()
    assert "Ada rang" in shown
    assert "$310.00" in shown
    page.post(answer.url, {"do": "accept", "approved_by": "Ada", "how": "on the phone"})
    change.refresh_from_db()
    assert change.state == "accepted"
    assert Unit.objects.get(pk=unit.pk).options["colour"] == new
