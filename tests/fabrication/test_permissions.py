"""Who may enter the workroom's pages and API."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from fabrication.models import (
    AssemblyStep,
    Claim,
    CutPlan,
    KeptEnd,
    LackingChoice,
    MadePhoto,
    OwnCloth,
    PlannedCut,
    Purchase,
    PurchaseLine,
    Supplier,
    WorkPlace,
)
from fabrication.services.batches import open_batch
from measuring.models import Product
from shared.lengths import Length
from shared.roles import ALL
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock

pytestmark = pytest.mark.django_db

LOOKS, WORKS = {"workroom", "owner", "dispatcher"}, {"workroom", "owner"}
PAGES = [
    # name, what it is about, who may look
    ("batches", None, LOOKS),
    ("load", None, LOOKS),
    ("batch", "batch", LOOKS),
    ("cutting", None, LOOKS),
    ("cut_plan", "plan", LOOKS),
    ("plan_news", "plan", LOOKS),
    ("pull_list", "batch", LOOKS),
    ("checking", None, LOOKS),
    ("unit", "make", LOOKS),
    ("stock", None, LOOKS),
    ("stock_item", "item", LOOKS),
    ("stock_receive", None, WORKS),
    ("buying", None, WORKS),
    ("purchase", "purchase", WORKS),
    ("purchase_csv", "purchase", WORKS),
    ("recipes", None, WORKS),
    ("recipe_waiting", "bought", WORKS),
    ("supplier_list", "bought", WORKS),
    ("lacking_of_firm", "branch", WORKS),
    ("choices_of_product", "bought", LOOKS),
    ("label_size", None, WORKS),
    ("set_up", None, WORKS),
    ("materials", None, WORKS),
    ("material", "tube", WORKS),
    ("suppliers", None, WORKS),
    ("supplier", "supplier", WORKS),
    ("tolerances", None, WORKS),
    ("own_cloths", None, LOOKS),
    ("own_cloth", "cloth", LOOKS),
    ("photo", "photo", LOOKS),
]
ACTIONS = [
    # name, what it is about: all of the workroom and the owner only
    ("batch_open", None),
    ("batch_units", "batch"),
    ("batch_plan", "batch"),
    ("batch_cancel", "batch"),
    ("cut", "cut"),
    ("uncut", "cut"),
    ("cut_alike", "cut"),
    ("miscut", "cut"),
    ("pull", "part"),
    ("part_scrap", "part"),
    ("check", "make"),
    ("stock_flaw", "item"),
    ("buy_units", None),
    ("buy_stock", None),
    ("purchase_edit", "purchase"),
    ("purchase_send", "purchase"),
    ("purchase_cancel", "purchase"),
    ("acknowledge", "line"),
    ("answer_line", "line"),
    ("claim_line", "line"),
    ("claim_settle", "claim"),
    ("ship_date", "purchase"),
    ("receive_line", "line"),
    ("inspect_line", "line"),
    ("supplier_answer", "line"),
    ("flaw", "cut"),
    ("other_lot", "plan"),
    ("all_steps", "make"),
    ("photo_add", "make"),
    ("end_let_go", "kept"),
    ("own_cloth_receive", "cloth"),
    ("own_cloth_check", "cloth"),
    ("own_cloth_pieces", "cloth"),
    ("own_cloth_back", "cloth"),
    ("place_add", None),
    ("place_save", "place"),
    ("own_cloth_again", "cloth"),
    ("stop_offering", "lacking"),
    ("recipe_start", "bought"),
    ("recipe_renew", "bought"),
    ("product_copy", "bought"),
]
SMALLER_ACTIONS = [
    # name, about, what it names inside
    ("cut_piece", "cut", 0),
    ("uncut_piece", "cut", 0),
    ("step", "make", "step"),
    ("pull_material", "batch", "tube"),
]
STOCK_ACTS = ["count", "move", "measure", "scrap", "split", "join"]
ROUTES = ["batch", "cut-plan", "cut", "make", "part", "stock", "kept-end", "assembly-step", "own-cloth"]


@pytest.fixture
def rows(branch, workroom):
    """One of everything a page is about."""
    tube = make_material(branch)
    item = make_stock(tube, reserved=1)
    make = make_made_unit(branch, workroom)
    part = make_part(make, tube)
    batch = open_batch(branch=branch, makes=[make.pk], by=workroom)
    plan = CutPlan.objects.create(batch=batch, material=tube, state="ready")
    cut = PlannedCut.objects.create(
        plan=plan, order=1, item=item, length=item.length, left=Length(0),
        pieces=[{"part": part.pk, "at": 0, "length": part.length.ticks, "turned": False}],
    )  # fmt: skip
    supplier = Supplier.objects.create(branch=branch, name="Fenwater Weavers")
    purchase = Purchase.objects.create(branch=branch, supplier=supplier, number="P-1", created_by=workroom)
    line = PurchaseLine.objects.create(purchase=purchase, material=tube, quantity=1, length=item.length)
    claim = Claim.objects.create(
        purchase=purchase, line=line, what="a tube", kind="defect", note="bent", opened_by=workroom
    )
    bought = Product.objects.create(branch=branch, key="bought", name="Bought", family="roller", source="bought")
    return {
        "branch": branch, "bought": bought, "tube": tube, "supplier": supplier,
        "lacking": LackingChoice.objects.create(product=bought, option="colour", value="slate"),
        "batch": batch, "plan": plan, "cut": cut, "part": part, "make": make, "item": item,
        "purchase": purchase, "line": line, "claim": claim,
        "kept": KeptEnd.objects.create(item=item, job=make.unit.opening.job, length=Length(1)),
        "cloth": OwnCloth.objects.create(
            job=make.unit.opening.job, name="linen", width_needed=Length(1), length_needed=Length(1),
            created_by=workroom,
        ),
        "photo": MadePhoto.objects.create(
            make=make, taken_by=workroom, file=SimpleUploadedFile("made.jpg", b"no picture, but a file")
        ),
        "place": WorkPlace.objects.create(branch=branch, name="saw"),
        "step": AssemblyStep.objects.create(branch=branch, family="roller", text="tie it up"),
    }  # fmt: skip


def _url(name, about, rows):
    return reverse(f"fabrication:{name}", args=[rows[about].pk] if about else [])


@pytest.mark.parametrize(("name", "about", "who"), PAGES)
def test_pages_open_for_their_roles_only(as_user, cast, rows, client, name, about, who):
    url = _url(name, about, rows)

    for role in ALL:
        assert as_user(cast[role]).get(url).status_code == (200 if role in who else 403), role
    assert client.get(url).status_code == 302
    if about:
        assert as_user(cast["stranger"]).get(url).status_code in {403, 404}


@pytest.mark.parametrize(("name", "about"), ACTIONS)
def test_actions_are_for_the_workroom_and_the_owner(as_user, cast, rows, client, name, about):
    url = _url(name, about, rows)

    for role in set(ALL) - WORKS:
        assert as_user(cast[role]).post(url).status_code == 403, role
    assert as_user(cast["workroom"]).get(url).status_code == 405
    assert client.post(url).status_code == 302
    if about:
        assert as_user(cast["stranger"]).post(url).status_code in {403, 404}
    assert as_user(cast["workroom"]).post(url).status_code in {302, 422}


@pytest.mark.parametrize(("name", "about", "inside"), SMALLER_ACTIONS)
def test_actions_inside_a_thing_are_for_the_workroom_and_the_owner(as_user, cast, rows, client, name, about, inside):
    url = reverse(f"fabrication:{name}", args=[rows[about].pk, rows[inside].pk if isinstance(inside, str) else inside])

    for role in set(ALL) - WORKS:
        assert as_user(cast[role]).post(url).status_code == 403, role
    assert as_user(cast["workroom"]).get(url).status_code == 405
    assert client.post(url).status_code == 302
    assert as_user(cast["stranger"]).post(url).status_code in {403, 404}
    assert as_user(cast["workroom"]).post(url).status_code == 302


@pytest.mark.parametrize("act", STOCK_ACTS)
def test_stock_is_changed_by_the_workroom_and_the_owner(as_user, cast, rows, client, act):
    url = reverse("fabrication:stock_act", args=[rows["item"].pk, act])

    for role in set(ALL) - WORKS:
        assert as_user(cast[role]).post(url).status_code == 403, role
    assert as_user(cast["workroom"]).get(url).status_code == 405
    assert client.post(url).status_code == 302
    assert as_user(cast["stranger"]).post(url).status_code in {403, 404}
    assert as_user(cast["workroom"]).post(url).status_code == 422


@pytest.mark.parametrize("route", ROUTES)
def test_api_routes_open_for_those_who_look(api_as, cast, rows, client, route):
    url = reverse(f"api:{route}-list")

    for role in ALL:
        assert api_as(cast[role]).get(url).status_code == (200 if role in LOOKS else 403), role
    assert api_as(cast["stranger"]).get(url).json()["results"] == []
    assert client.get(url).status_code in {401, 403}


def test_a_labels_code_leads_to_the_unit_for_whoever_may_see_it(as_user, cast, rows):
    url = reverse("fabrication:by_code", args=[rows["make"].unit.code])

    assert as_user(cast["workroom"]).get(url).url == reverse("fabrication:unit", args=[rows["make"].pk])
    assert as_user(cast["stranger"]).get(url).status_code == 404
    assert as_user(cast["installer"]).get(url).status_code == 404  # no visit of this job on their crew's days


def test_the_workroom_sees_no_telephone_numbers(as_user, cast, rows):
    job = rows["make"].unit.opening.job
    job.customer.phone = "555-0177"
    job.customer.save()

    for name, about, _ in PAGES:
        page = b"".join(as_user(cast["workroom"]).get(_url(name, about, rows))).decode()
        assert "555-0177" not in page
