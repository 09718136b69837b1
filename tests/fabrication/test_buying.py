"""Buying: what is short, and a unit's way from order to inspected."""

import datetime as dt
import re
from decimal import Decimal

import pytest
from django.utils import timezone

from fabrication.adapters import waiting
from fabrication.documents import purchase_order
from fabrication.models import Claim, Purchase, PurchaseLine, StockItem, Supplier, SupplierList, UnitMake
from fabrication.services.buying import (
    StockLine,
    cancel_draft,
    late_of,
    line_for,
    order_stock,
    order_units,
    send_purchase,
    shortages,
)
from fabrication.services.deliveries import (
    Acknowledged,
    acknowledge,
    answer_difference,
    credit_claim,
    inspect_line,
    open_claim,
    receive_line,
    remake_claim,
)
from fabrication.services.making import release_checks
from measuring.models import Opening, Product, ShapeTemplate, Unit
from shared.codes import new_code
from shared.errors import Refused
from shared.lengths import Length
from shared.models import AuditEntry
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock

pytestmark = pytest.mark.django_db

FIT = {"unit": "in", "min_depth": "2", "flush_depth": "3", "head_height": "2"}


@pytest.fixture
def supplier(branch):
    return Supplier.objects.create(branch=branch, name="Fenwater Weavers", lead_days=9)


@pytest.fixture
def bought(branch, workroom):
    """A unit of 35 3/8 × 60, inside, whose supplier makes as given: 1/8 is ours to take."""
    make = make_made_unit(branch, workroom, source="bought")
    supplied(make, "finished", clearance={"width": "1/8", "height": "0"})
    return make


def supplied(make, takes, **fit):
    """What the supplier of its product takes, and what the product needs to fit."""
    Product.objects.filter(pk=make.unit.product_id).update(
        source="bought", fit={**FIT, **fit}, name=f"Bought in {new_code()}"
    )
    SupplierList.objects.update_or_create(product=make.unit.product, defaults={"takes": takes})


@pytest.fixture
def line(bought, supplier, workroom):
    order_units(supplier=supplier, makes=[bought.pk], by=workroom)
    return PurchaseLine.objects.get()


def said(width, height="60", **more):
    return Acknowledged(Length.parse(width), Length.parse(height), **{"options": {}, **more})


def test_what_parts_need_beyond_free_stock_is_short(branch, workroom):
    tube = make_material(branch, facts={"stock": [{"length": "192"}]})
    make_stock(tube, quantity=1)
    make = make_made_unit(branch, workroom)
    make_part(make, tube, "100", quantity=4)

    (short,) = shortages(branch=branch)

    assert short.need.short == Length.inches(208)
    assert short.missing == 2


def test_enough_stock_is_no_shortage(branch, workroom):
    clips = make_material(branch, "piece")
    make_stock(clips, length=None, quantity=2)
    make_part(make_made_unit(branch, workroom), clips, length=None, quantity=2)

    assert shortages(branch=branch) == []


def test_a_unit_made_here_is_not_ordered(branch, workroom, supplier):
    make = make_made_unit(branch, workroom)

    with pytest.raises(Refused, match="is made here"):
        order_units(supplier=supplier, makes=[make.pk], by=workroom)


def test_a_purchase_s_page_says_where_the_template_of_a_shape_is(bought, supplier, workroom, as_user):
    """It stood on the supplier's sheet alone: who buys could not see that it was still in the van."""
    opening = bought.unit.opening
    Opening.objects.filter(pk=opening.pk).update(shape="arch")
    made = ShapeTemplate.objects.create(job=opening.job, opening=opening, position=1, made_by=workroom)
    order = order_units(supplier=supplier, makes=[bought.pk], by=workroom, is_sent=False)
    pages = [as_user(workroom).get(f"/workroom/purchases/{order.pk}/").content.decode()]
    Purchase.objects.filter(pk=order.pk).update(state=Purchase.State.ORDERED)
    pages.append(as_user(workroom).get(f"/workroom/purchases/{order.pk}/").content.decode())

    for page in pages:
        assert f"{made.number} (opening size), made: TOP and ROOM SIDE are marked" in page


def test_a_unit_is_ordered_once(bought, line, supplier, workroom):
    with pytest.raises(Refused, match="already"):
        order_units(supplier=supplier, makes=[bought.pk], by=workroom)


@pytest.mark.parametrize(
    ("takes", "mount", "basis", "size", "named"),
    [
        # they take the clearance: the opening as it was measured
        ("opening", "inside", "opening size", "35 3/8", "inside mount, opening size"),
        # they make as given: ours is taken, once
        ("finished", "inside", "opening size", "35 1/4", "inside mount, finished size"),
        # chosen at the opening, or an outside mount: nobody takes anything
        ("finished", "inside", "finished size", "35 3/8", "inside mount, finished size"),
        ("opening", "outside", "finished size", "35 3/8", "outside mount, finished size"),
        ("", "outside", "finished size", "35 3/8", "outside mount, finished size"),
    ],
)
def test_the_clearance_of_what_is_bought_in_is_taken_once(
    branch, workroom, supplier, as_user, takes, mount, basis, size, named
):
    make = make_made_unit(branch, workroom, source="bought")
    supplied(make, takes, clearance={"width": "1/8", "height": "0"})
    Unit.objects.update(mount=mount, basis=basis)

    purchase = order_units(supplier=supplier, makes=[make.pk], by=workroom)

    line = purchase.lines.get()
    page = as_user(workroom).get(f"/workroom/purchases/{purchase.pk}/").content.decode()
    sheet = as_user(workroom).get(f"/workroom/purchases/{purchase.pk}/sheet.csv").content.decode().splitlines()
    row = purchase_order(purchase)["lines"][0]
    make.refresh_from_db()
    assert (line.width, line.length) == (Length.parse(size), Length.inches(60))
    assert (make.finished_width, make.finished_height) == (line.width, line.length)
    assert " ".join(page.split()).count(named) == 1
    assert sheet[0] == (
        "what,key,code,quantity,width,height or length,mount,size is,price,options,your code,ordered as,amount,"
        "needed by"
    )
    assert f"{size},60,{named.replace(', ', ',')},," in sheet[1]
    assert f"{row['mount']}, {row['basis']}" == named


@pytest.mark.parametrize(
    ("takes", "fit", "problem"),
    [
        ("", {"clearance": {"width": "1/8"}}, "Say on its supplier's list whether the opening size or the finished"),
        ("finished", {}, "Write the clearance off the width on the product's page."),
        ("finished", {"clearance": {"width": "36"}}, "nothing is left of it after the clearance"),
        ("opening", {}, None),
    ],
)
def test_an_inside_mount_is_not_ordered_by_a_rule_nobody_knows(branch, workroom, supplier, takes, fit, problem):
    make = make_made_unit(branch, workroom, source="bought")
    supplied(make, takes, **fit)

    why_not = list(release_checks(Unit.objects.get()))

    if problem is None:
        assert why_not == []
        return
    assert problem in why_not[0]
    assert make.unit.code in why_not[0]
    with pytest.raises(Refused, match=problem):
        order_units(supplier=supplier, makes=[make.pk], by=workroom)


def test_an_acknowledgement_that_differs_is_named_and_stops_the_line(line, workroom):
    acknowledge(line=line, said=said("35 1/2"), by=workroom)

    line.refresh_from_db()
    assert line.state == PurchaseLine.State.DIFFERS
    assert line.differences == ["width: ordered 35 1/4 in, acknowledged 35 1/2 in"]
    with pytest.raises(Refused, match="acknowledged otherwise"):
        receive_line(line=line, packages=1, by=workroom)


def test_a_unit_that_came_and_is_good_counts_as_made(line, workroom):
    acknowledge(line=line, said=said("35 1/4"), by=workroom)
    receive_line(line=line, packages=1, by=workroom)
    inspect_line(line=line, is_good=True, by=workroom)

    line.purchase.refresh_from_db()
    assert Unit.objects.get().state == Unit.State.MADE
    assert UnitMake.objects.get().state == UnitMake.State.MADE
    assert line.purchase.state == "closed"


def test_what_is_wrong_with_a_unit_must_be_said(line, workroom):
    acknowledge(line=line, said=said("35 1/4"), by=workroom)
    receive_line(line=line, packages=1, by=workroom)

    with pytest.raises(Refused) as refusal:
        inspect_line(line=line, is_good=False, by=workroom)

    assert refusal.value.field == "note"


@pytest.mark.parametrize(
    ("is_good", "line_state", "unit_state", "action"),
    [(True, "inspected", Unit.State.MADE, "inspected"), (False, "refused", Unit.State.IN_WORKROOM, "sent back")],
)
def test_an_inspection_is_in_the_unit_s_history(line, workroom, is_good, line_state, unit_state, action):
    acknowledge(line=line, said=said("35 1/4"), by=workroom)
    receive_line(line=line, packages=1, by=workroom)

    inspect_line(line=line, is_good=is_good, note="a bent rail", by=workroom)

    line.refresh_from_db()
    assert (line.state, line.note) == (line_state, "a bent rail")
    assert Unit.objects.get().state == unit_state
    assert [entry.action for entry in AuditEntry.objects.filter(action__in=["inspected", "sent back"])] == [action]


def test_stock_that_came_goes_on_the_rack_once(branch, supplier, workroom):
    tube = make_material(branch)
    bought = order_stock(supplier=supplier, lines=[StockLine(tube, 6, Length.inches(192))], by=workroom)
    line = bought.lines.get()

    receive_line(line=line, packages=1, by=workroom)
    receive_line(line=line, packages=1, by=workroom)

    assert StockItem.objects.get(material=tube).quantity == 6


# -- short cloth -------------------------------------------------------------------------------


@pytest.fixture
def linen(branch, workroom):
    """58 1/2 in of a cloth sold 54 and 118 wide, for a unit due in two days."""
    cloth = make_material(
        branch, "cloth", facts={"stock": [{"width": "54", "price": "9.80"}, {"width": "118", "price": "21.50"}]}
    )
    make = make_made_unit(branch, workroom)
    make.unit.due_on = timezone.localdate() + dt.timedelta(days=2)
    make.unit.save()
    make_part(make, cloth, "58 1/2", width=Length.inches(40), name="cloth")
    return cloth


def test_short_cloth_is_bought_by_length_width_and_price(linen, supplier, as_user, workroom):
    page = as_user(workroom)
    box = f"m{linen.pk}-"

    shown = page.get("/workroom/buying/").content.decode()
    sent = {"supplier": supplier.pk, "material": linen.pk, f"{box}quantity": "2", f"{box}price": "21.50"}
    unsaid = page.post("/workroom/buying/stock/", sent, follow=True).content.decode()
    page.post("/workroom/buying/stock/", sent | {f"{box}length": "1080", f"{box}width": "118"})
    line = PurchaseLine.objects.get()
    late = page.get(f"/workroom/purchases/{line.purchase_id}/").content.decode()
    page.post(f"/workroom/purchases/{line.purchase_id}/send/")
    came = {f"line{line.pk}-pieces": "2", f"line{line.pk}-length": "1044", f"line{line.pk}-lot": "A7"}
    page.post(f"/workroom/purchase-lines/{line.pk}/receive/", came)

    # the widest it is sold in, by whole yards
    for name, value in (("length", "72"), ("width", "118"), ("price", "21.50")):
        assert re.search(rf'name="{box}{name}" value="{value}"', shown)
    assert "say what length is bought" in unsaid
    assert (line.length, line.width, line.price) == (Length.inches(1080), Length.inches(118), Decimal("21.50"))
    assert f"{linen.name} for " in late
    assert "too late" in late
    rolls = StockItem.objects.filter(material=linen)
    assert [(roll.length, roll.width, roll.lot, roll.price, roll.quantity) for roll in rolls] == [
        (Length.inches(1044), Length.inches(118), "A7", Decimal("21.50"), 1)
    ] * 2


def test_what_comes_before_it_is_needed_is_not_late(linen, supplier, workroom):
    supplier.lead_days = 1
    supplier.save()

    purchase = order_stock(
        supplier=supplier, lines=[StockLine(linen, 1, Length.inches(72), Length.inches(118))], by=workroom
    )

    assert late_of(purchase) == []


# -- what is asked back, and packs ----------------------------------------------------------------


def test_900_rolls_on_a_purchase_are_asked_back_with_what_they_come_to(linen, supplier, as_user, workroom):
    """They went out as 900 rolls."""
    page, box = as_user(workroom), f"m{linen.pk}-"
    sent = {
        "supplier": supplier.pk, "material": linen.pk, f"{box}quantity": "900", f"{box}length": "1080",
        f"{box}width": "118",
    }  # fmt: skip

    asked = page.post("/workroom/buying/stock/", sent)
    none = PurchaseLine.objects.count()
    page.post("/workroom/buying/stock/", sent | {f"{box}sure": "on"})

    assert asked.status_code == 422
    text = asked.content.decode()
    assert "900 rolls, 27000 yd in all; none was bought before. Is that meant?" in text
    assert f'name="{box}sure"' in text
    assert f'name="{box}quantity" value="900"' in text
    assert none == 0
    assert PurchaseLine.objects.get().quantity == 900


def test_a_roll_longer_than_any_is_asked_back(linen, supplier, workroom):
    line = StockLine(linen, 1, Length.inches(36 * 900), Length.inches(118))

    with pytest.raises(Refused, match=r"a roll of 32400 in \(900 yd\) is longer than any") as refusal:
        order_stock(supplier=supplier, lines=[line], by=workroom)

    assert refusal.value.field == "sure"
    order_stock(supplier=supplier, lines=[line._replace(sure=True)], by=workroom)


def test_pieces_are_ordered_in_whole_packs(branch, supplier, workroom):
    clips = make_material(branch, "piece", pack=12, supplier_code="RC-12")
    make_part(make_made_unit(branch, workroom), clips, length=None, quantity=30)

    with pytest.raises(Refused, match="packs of 12: order 24 or 36"):
        order_stock(supplier=supplier, lines=[StockLine(clips, 30)], by=workroom)
    (short,) = shortages(branch=branch)
    purchase = order_stock(supplier=supplier, lines=[line_for(short)._replace(price=Decimal("0.45"))], by=workroom)

    row = purchase_order(purchase)["lines"][0]
    assert (row["ordered_as"], row["supplier_code"]) == ("3 packs of 12 pieces", "RC-12")
    assert row["amount"] == Decimal("16.20")


# -- before it is sent ------------------------------------------------------------------------------


def test_a_purchase_is_changed_before_it_is_sent_and_says_what_would_be_late(
    linen, bought, supplier, as_user, workroom
):
    Supplier.objects.filter(pk=supplier.pk).update(terms="net 30", account="J-77", address="2 Weir Row")
    page, box = as_user(workroom), f"m{linen.pk}-"
    page.post("/workroom/buying/stock/", {
        "supplier": supplier.pk, "material": linen.pk, f"{box}quantity": "2", f"{box}length": "1080",
        f"{box}width": "118", f"{box}price": "21.50",
    })  # fmt: skip
    page.post("/workroom/buying/units/", {"supplier": supplier.pk, "makes": bought.pk})
    purchase = Purchase.objects.get()
    stock, unit = purchase.lines.get(make=None), purchase.lines.get(material=None)
    draft = page.get(f"/workroom/purchases/{purchase.pk}/").content.decode()

    edited = {
        f"line{stock.pk}-quantity": "1", f"line{stock.pk}-length": "540", f"line{stock.pk}-width": "118",
        f"line{stock.pk}-price": "20", f"line{unit.pk}-price": "88.50", "note": "Call before you deliver",
    }  # fmt: skip
    assert page.post(f"/workroom/purchases/{purchase.pk}/edit/", edited).status_code == 302
    before = Unit.objects.get(make=bought).state
    page.post(f"/workroom/purchases/{purchase.pk}/send/")
    late = page.post(f"/workroom/purchases/{purchase.pk}/edit/", edited)

    purchase.refresh_from_db()
    stock.refresh_from_db()
    assert "too late" in draft
    assert "if sent now" in draft
    assert (stock.quantity, stock.length, stock.price) == (1, Length.inches(540), Decimal(20))
    assert (before, Unit.objects.get(make=bought).state) == (Unit.State.RELEASED, Unit.State.IN_WORKROOM)
    assert (purchase.state, purchase.ordered_at is not None) == ("ordered", True)
    assert late.status_code == 422
    sheet = purchase_order(purchase)
    assert [sheet[name] for name in ("terms", "account", "address", "note")] == [
        "net 30", "J-77", "2 Weir Row", "Call before you deliver",
    ]  # fmt: skip
    # 540 in are 13.716 m, at 20 each: 274.32; and the unit
    assert [line["amount"] for line in sheet["lines"]] == [Decimal("274.32"), Decimal("88.50")]
    assert sheet["total"] == "$362.82"
    assert sheet["lines"][0]["needed_by"] is not None


def test_a_unit_left_out_of_a_purchase_or_on_a_cancelled_one_is_ordered_elsewhere(bought, supplier, as_user, workroom):
    first = order_units(supplier=supplier, makes=[bought.pk], by=workroom, is_sent=False)
    line = first.lines.get()
    as_user(workroom).post(f"/workroom/purchases/{first.pk}/edit/", {f"line{line.pk}-left_out": "on"})
    with pytest.raises(Refused, match="has no line to order"):
        send_purchase(purchase=first, by=workroom)

    again = order_units(supplier=supplier, makes=[bought.pk], by=workroom, is_sent=False)
    cancel_draft(purchase=again, by=workroom)
    sent = order_units(supplier=supplier, makes=[bought.pk], by=workroom)

    assert again.pk == first.pk
    assert (sent.number, sent.state) == ("P-0002", "ordered")
    with pytest.raises(Refused, match="ordered already"):
        cancel_draft(purchase=sent, by=workroom)


# -- the acknowledgement, each difference ------------------------------------------------------------


def test_an_acknowledgement_is_compared_by_mount_basis_and_options_too(line, bought, workroom):
    Unit.objects.update(options={"color": "sand"})

    acknowledge(
        line=line, by=workroom,
        said=said("35 1/4", mount="outside", basis="opening size", options={"color": "slate"}),
    )  # fmt: skip

    line.refresh_from_db()
    assert line.differences == [
        "mount: ordered inside mount, acknowledged outside mount",
        "size is: ordered finished size, acknowledged opening size",
        "color: ordered sand, acknowledged slate",
    ]


def test_a_difference_that_is_refused_waits_for_another_acknowledgement(line, workroom, as_user):
    acknowledge(line=line, said=said("35 1/2", "61"), by=workroom)
    page = as_user(workroom)
    address = f"/workroom/purchase-lines/{line.pk}/answer/"

    unsaid = page.post(address, {"key": "width", "answer": "accepted"}, follow=True).content.decode()
    page.post(address, {"key": "width", "answer": "refused"})
    page.post(address, {"key": "height", "answer": "accepted", "why": "Ada agreed by phone"})
    line.refresh_from_db()
    after = line.state, line.width, line.length
    acknowledge(line=line, said=said("35 1/4"), by=workroom)

    assert "say why it may be so" in unsaid
    assert after == ("ordered", Length.parse("35 1/4"), Length.inches(60))
    assert PurchaseLine.objects.get().state == "acknowledged"


def test_a_difference_that_is_accepted_is_what_the_unit_becomes(line, bought, workroom):
    """Another color was taken from the supplier, and the customer's approval still named the old one."""
    Unit.objects.update(options={"color": "sand"})
    acknowledge(line=line, said=said("35 1/4", "60 1/2", options={"color": "slate"}), by=workroom)

    answer_difference(line=line, key="height", answer="accepted", why="the sill is lower", by=workroom)
    sooner = {"line": line, "key": "option_color", "answer": "accepted", "why": "sand is sold out", "by": workroom}
    with pytest.raises(Refused, match="who said yes for the customer"):
        answer_difference(**sooner)
    answer_difference(**sooner, approved_by="Ada Penrose")

    line.refresh_from_db()
    bought.refresh_from_db()
    assert line.state == "acknowledged"
    assert line.length == bought.finished_height == Length.parse("60 1/2")
    assert Unit.objects.get().options == {"color": "slate"}
    approval = Unit.objects.get().approvals.get()
    assert (approval.approved_by, approval.snapshot["units"][0]["options"]) == ("Ada Penrose", {"color": "slate"})
    assert AuditEntry.objects.filter(action="accepted a difference", note__contains="the sill is lower").exists()


# -- deliveries in parts, and claims -------------------------------------------------------------------


def test_stock_comes_in_parts_and_more_than_was_ordered_is_asked_back(branch, supplier, workroom, as_user):
    """The first package booked all of it in."""
    tube = make_material(branch)
    purchase = order_stock(supplier=supplier, lines=[StockLine(tube, 10, Length.inches(192))], by=workroom)
    line, page = purchase.lines.get(), as_user(workroom)
    address, box = f"/workroom/purchase-lines/{line.pk}/receive/", f"line{line.pk}-pieces"

    page.post(address, {box: "4"})
    part = PurchaseLine.objects.get()
    asked = page.post(address, {box: "7"})
    page.post(address, {box: "7", f"line{line.pk}-sure": "on"})

    assert (part.pieces_received, part.state, part.received_at) == (4, "ordered", None)
    assert "7 came, 6 of 10 were still to come" in asked.content.decode()
    assert sum(item.quantity for item in StockItem.objects.filter(material=tube)) == 11
    purchase.refresh_from_db()
    assert purchase.state == "closed"


def received(line, workroom):
    acknowledge(line=line, said=said("35 1/4"), by=workroom)
    return receive_line(line=line, packages=1, by=workroom)


def test_freight_damage_is_claimed_within_the_suppliers_days_and_remade(line, supplier, workroom, as_user):
    """A unit that was sent back could never be ordered or received again."""
    Supplier.objects.filter(pk=supplier.pk).update(claim_days=5)
    received(line, workroom)
    page, address = as_user(workroom), f"/workroom/purchases/{line.purchase_id}/"
    back = {f"line{line.pk}-verdict": "back", f"line{line.pk}-kind": "freight", f"line{line.pk}-note": "crushed end"}

    page.post(f"/workroom/purchase-lines/{line.pk}/inspect/", back)
    claim = Claim.objects.get()
    shown = page.get(address).content.decode()
    box = f"settle{claim.pk}-"
    page.post(f"/workroom/claims/{claim.pk}/", {f"{box}step": "told"})
    page.post(f"/workroom/claims/{claim.pk}/", {f"{box}step": "remake", f"{box}remake_number": "R-901"})

    claim.refresh_from_db()
    line.refresh_from_db()
    today = timezone.now().astimezone(supplier.branch.tz).date()
    assert (claim.kind, claim.tell_by) == ("freight", today + dt.timedelta(days=5))
    assert "report it by" in " ".join(shown.split())
    assert claim.reported_at is not None
    assert (claim.outcome, claim.remake_number, line.state) == ("remake", "R-901", "acknowledged")
    receive_line(line=line, packages=1, by=workroom)
    inspect_line(line=line, is_good=True, by=workroom)
    assert Unit.objects.get().state == Unit.State.MADE


def test_a_credited_unit_is_ordered_again(line, bought, supplier, workroom):
    received(line, workroom)
    inspect_line(line=line, is_good=False, note="a bent rail", by=workroom)

    credit_claim(claim=Claim.objects.get(), credit=Decimal("88.50"), by=workroom)

    assert Unit.objects.get().state == Unit.State.RELEASED
    assert Purchase.objects.get().state == "closed"
    assert (Claim.objects.get().what, Claim.objects.get().credit) == (bought.unit.code, Decimal("88.50"))
    assert order_units(supplier=supplier, makes=[bought.pk], by=workroom).number == "P-0002"


def test_stock_that_was_claimed_comes_again(branch, supplier, workroom):
    tube = make_material(branch)
    purchase = order_stock(supplier=supplier, lines=[StockLine(tube, 10, Length.inches(192))], by=workroom)
    line = receive_line(line=purchase.lines.get(), by=workroom)

    with pytest.raises(Refused, match="10 came"):
        open_claim(line=line, kind="defect", quantity=11, note="bent", by=workroom)
    claim = open_claim(line=line, kind="defect", quantity=3, note="bent", by=workroom)
    remake_claim(claim=claim, remake_number="R-1", by=workroom)
    assert claim.what == f"3 × {tube.name}"

    line.refresh_from_db()
    assert (line.state, line.pieces_to_come) == ("ordered", 3)
    with pytest.raises(Refused, match="remade already"):
        remake_claim(claim=claim, remake_number="R-2", by=workroom)


# -- what is late, and whom it makes late ---------------------------------------------------------------


def test_what_is_late_names_the_units_it_makes_late_and_the_jobs_date_hangs_on_it(
    linen, branch, supplier, workroom, as_user
):
    """
    Two units need 58 1/2 in each and there is cloth for one: the one due first has it; the other waits for a
    purchase that comes in nine working days. A job's date took the cloth for both.
    """
    other = make_made_unit(branch, workroom)
    Unit.objects.filter(pk=other.unit_id).update(due_on=timezone.localdate() + dt.timedelta(days=4))
    make_part(other, linen, "58 1/2", width=Length.inches(40), name="cloth")
    make_stock(linen, length=Length.inches(70))
    order_stock(supplier=supplier, lines=[StockLine(linen, 1, Length.inches(72), Length.inches(118))], by=workroom)

    (late,) = waiting.late(branch)
    page = as_user(workroom).get("/workroom/buying/").content.decode()
    first = UnitMake.objects.exclude(pk=other.pk).get()

    (made,) = late.units
    assert (made.unit, late.line.material) == (other.unit, linen)
    assert made.days == (late.comes - Unit.objects.get(pk=other.unit_id).due_on).days > 0
    assert f"{made.days} days late" in " ".join(page.split())
    assert waiting.lacking(branch, [other.pk]) == [(linen, late.line)]
    assert waiting.lacking(branch, [first.pk]) == []


def test_what_nobody_ordered_is_late_as_if_it_were_ordered_now(linen, branch, supplier):
    linen.supplier = supplier
    linen.save()

    (late,) = waiting.late(branch)

    assert (late.what, late.line) == (linen.name, None)
    assert late.comes > timezone.localdate() + dt.timedelta(days=9)
