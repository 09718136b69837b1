"""A firm's own goods: materials, suppliers, tolerances, and a product of its own with a recipe."""

from decimal import Decimal

import pytest

from fabrication.models import Material, RecipeRevision, Supplier, SupplierList, Tolerance
from fabrication.rules.recipes import make_unit, middling_order
from fabrication.services.making import materials_of, recipe_from
from fabrication.services.range_tables import ask_for_import, range_csv
from fabrication.services.starting_data import load_materials, load_recipes
from measuring.models import Product
from measuring.services.starting_data import load_products
from shared.lengths import Length
from shared.models import AuditEntry, Branch
from tests.fabrication.rows import make_material
from tests.factories import make_branch, make_user

pytestmark = pytest.mark.django_db

CLOTH = {
    "name": "Sedge linen, flax", "grams_per_m2": "310", "colour": "flax", "edge": "3/4", "turning": "never",
    "width_1": "118", "price_1": "21.50", "width_2": "126", "length_2": "30 yd", "keep": "24", "supplier_code": "SL-4",
    "reorder_at": "2", "pack": "1", "lead_days": "12", "is_active": "on",
}  # fmt: skip


def test_a_cloth_of_ones_own_is_added_on_a_page_and_read_by_the_recipes(branch, workroom, as_user):
    supplier = Supplier.objects.create(branch=branch, name="Fenwater Weavers")
    page = as_user(workroom)

    asked = page.get("/workroom/materials/new/cloth/").content.decode()
    added = page.post("/workroom/materials/new/cloth/", CLOTH | {"supplier": supplier.pk})
    twice = page.post("/workroom/materials/new/cloth/", CLOTH)
    listed = page.get("/workroom/materials/?kind=cloth").content.decode()

    assert "Edge that is not used" in asked
    assert "Torque" not in asked
    assert "Kerf" not in asked
    assert (added.status_code, twice.status_code) == (302, 422)
    assert "there is a Sedge linen, flax already" in twice.content.decode()
    row = Material.objects.get()
    assert (row.key, row.kind, row.supplier, row.reorder_at, row.lead_days) == (
        "sedge-linen-flax",
        "cloth",
        supplier,
        2,
        12,
    )
    read = materials_of(branch)["sedge-linen-flax"]
    assert read.widest_roll() == Length.parse("124 1/2")  # 126 less 3/4 at each edge
    assert read.facts.stock[0].width == Length.inches(118)
    assert read.facts.stock[0].price == Decimal("21.50")
    assert "118, 126 × 1080 in" in listed
    assert AuditEntry.objects.get(action="added a material").changes["supplier_code"] == [None, "SL-4"]


def test_a_changed_material_keeps_what_its_page_does_not_ask(branch, workroom, as_user):
    row = make_material(
        branch, facts={"grams_per_m": "466", "inertia_mm4": "61000", "diameter": "1 1/2", "wall": "1.5 mm"}
    )
    page = as_user(workroom)
    sent = {"name": row.name, "grams_per_m": "470", "diameter": "1 1/2", "wall": "1.5 mm", "kerf": "3/16", "pack": "4"}

    saved = page.post(f"/workroom/materials/{row.pk}/", sent | {"length_1": "192", "price_1": "22"})
    wrong = page.post(f"/workroom/materials/{row.pk}/", sent | {"wall": "1"})

    assert saved.status_code == 302
    row.refresh_from_db()
    assert (row.kerf, row.pack, row.is_active) == (Length.parse("3/16"), 4, False)
    assert row.facts["inertia_mm4"] == "61000"
    assert row.facts["stock"] == [{"length": "192", "price": "22"}]
    assert wrong.status_code == 422
    assert "the wall fills the tube" in wrong.content.decode()


def test_suppliers_and_tolerances_are_set_on_their_pages(branch, workroom, as_user):
    page = as_user(workroom)

    page.post("/workroom/suppliers/", {"name": "Fenwater Weavers", "lead_days": "9", "address": "2 Weir Row"})
    row = Supplier.objects.get()
    twice = page.post("/workroom/suppliers/", {"name": "fenwater weavers", "lead_days": "1"})
    page.post(f"/workroom/suppliers/{row.pk}/", {"name": "Fenwater Weavers", "lead_days": "11"})
    off = {f"roller-{name}": "1/16" for name in ("width_under", "width_over", "height_under", "height_over")}
    page.post("/workroom/tolerances/roller/", off | {"roller-width_over_inside": "0"})
    wide = page.post("/workroom/tolerances/roller/", off | {"roller-width_over_inside": "2"})

    row.refresh_from_db()
    assert (row.lead_days, twice.status_code) == (11, 422)
    tolerance = Tolerance.objects.get()
    assert (tolerance.width_over, tolerance.width_over_inside) == (Length.parse("1/16"), Length(0))
    assert wide.status_code == 422
    assert set(AuditEntry.objects.values_list("action", flat=True)) >= {
        "added a supplier", "changed a supplier", "set a tolerance",
    }  # fmt: skip


def test_the_api_does_the_same(branch, workroom, api_as, cast):
    api = api_as(workroom)
    supplier = api.post("/api/suppliers/", {"name": "Fenwater Weavers", "lead_days": 9}, format="json").json()
    facts = {"grams_per_m": "25", "width": "2", "stock": [{"length": "96", "price": "3.10"}]}
    sent = {"name": "Ash slat", "kind": "strip", "facts": facts, "kerf": "0", "supplier": supplier["id"], "pack": 50}

    made = api.post("/api/materials/", sent, format="json").json()
    no_weight = api.post("/api/materials/", {"name": "Air", "kind": "strip", "facts": {}}, format="json")
    changed = api.put(
        f"/api/materials/{made['id']}/", {"facts": {"width": None}, "reorder_at": 40}, format="json"
    ).json()
    tolerance = dict.fromkeys(("width_under", "width_over", "width_over_inside", "height_under", "height_over"), "1/8")
    off = api.post("/api/tolerances/", {"family": "slat", **tolerance}, format="json")

    assert (made["key"], made["pack"], made["supplier"]) == ("ash-slat", 50, supplier["id"])
    assert no_weight.status_code == 409
    assert no_weight.json()["errors"][0]["field"] == "grams_each"
    assert "width" not in changed["facts"]
    assert (changed["reorder_at"], changed["name"]) == (40, "Ash slat")
    assert off.json()["width_under"]["text"] == "1/8"
    stranger = api_as(make_user("workroom", branch=make_branch()))
    assert stranger.get("/api/materials/").json()["results"] == []
    assert stranger.put(f"/api/materials/{made['id']}/", {"pack": 2}, format="json").status_code == 404
    assert api_as(cast["dispatcher"]).post("/api/suppliers/", {"name": "X"}, format="json").status_code == 403


# -- a product of one's own ------------------------------------------------------------------


@pytest.fixture
def range_of_the_firm(branch):
    load_products(branch)
    load_materials(branch)
    load_recipes(branch)
    return branch


def test_a_new_product_leads_on_to_a_recipe(range_of_the_firm, workroom, as_user):
    fit = {"unit": "in", "min_depth": "2", "flush_depth": "3", "head_height": "2"}
    mine = Product.objects.create(branch=range_of_the_firm, key="lark", name="Lark", family="roller", fit=fit)
    page = as_user(workroom)

    recipes = page.get("/workroom/recipes/").content.decode()
    panel = page.get(f"/workroom/choices/products/{mine.pk}/").content.decode()
    other_family = page.post(f"/workroom/recipes/{mine.pk}/start/", {"source": "dunlin_wood"})
    started = page.post(f"/workroom/recipes/{mine.pk}/start/", {"source": "wren"})
    again = page.post(f"/workroom/recipes/{mine.pk}/start/", {"source": "wren"})

    assert f'action="/workroom/recipes/{mine.pk}/start/"' in recipes
    assert '<option value="wren">' in panel
    assert '<option value="dunlin_wood">' not in panel
    assert other_family.url == again.url == "/workroom/recipes/"
    assert started.url == f"/workroom/recipes/{mine.pk}/"
    revision = RecipeRevision.objects.get(product=mine)
    assert (revision.definition["key"], revision.definition["name"]) == ("lark", "Lark")
    mine.refresh_from_db()
    assert [row["key"] for row in mine.fit["controls"]] == ["spring", "chain", "battery", "mains"]
    assert page.get(f"/workroom/recipes/{mine.pk}/").status_code == 200


def test_a_product_is_copied_with_its_recipe_or_its_suppliers_list(range_of_the_firm, workroom, as_user):
    wren, snipe = (Product.objects.get(key=key) for key in ("wren", "snipe"))
    snipe.source = "bought"
    snipe.save()
    SupplierList.objects.create(
        product=snipe,
        takes="opening",
        options=[{"key": "colour", "name": "color", "choices": ["moss"], "needed": True}],
    )
    page = as_user(workroom)

    made = page.post(f"/workroom/products/{wren.pk}/copy/", {"name": "Lark"})
    page.post(f"/workroom/products/{snipe.pk}/copy/", {"name": "Corncrake"})
    taken = page.post(f"/workroom/products/{wren.pk}/copy/", {"name": "Lark"}, follow=True)

    lark, corncrake = (Product.objects.get(name=name) for name in ("Lark", "Corncrake"))
    assert made.url == "/workroom/recipes/"
    assert (lark.family, lark.fit, lark.source) == (wren.family, wren.fit, wren.source)
    ours, theirs = (product.recipe_revisions.get().definition for product in (lark, wren))
    assert {**ours, "key": "", "name": ""} == {**theirs, "key": "", "name": ""}
    assert (corncrake.supplier_list.takes, corncrake.supplier_list.options[0]["choices"]) == ("opening", ["moss"])
    assert "there is a product of this name already" in taken.content.decode()


def test_a_shop_has_its_own_roller_with_its_own_spline_in_three_pages(range_of_the_firm, workroom, as_user):
    """A material, a copy of a product, a part of its recipe: then its units are made with it."""
    wren, page = Product.objects.get(key="wren"), as_user(workroom)
    spline = {"name": "Lark spline", "grams_per_m": "9", "pack": "1", "is_active": "on"}

    added = page.post("/workroom/materials/new/cord/", spline)
    page.post(f"/workroom/products/{wren.pk}/copy/", {"name": "Lark"})
    lark = Product.objects.get(name="Lark")
    sent = {"new:name": "spline", "new:like": "3", "new:material": "lark-spline", "drop:parts[3]": "on"}
    saved = page.post(f"/workroom/recipes/{lark.pk}/", sent)

    assert (added.status_code, saved.status_code) == (302, 302)
    recipe = recipe_from(lark.recipe_revisions.get(is_current=True))
    made = make_unit(recipe, middling_order(recipe), materials_of(range_of_the_firm))
    parts = {part.name: part for part in made.parts}
    assert parts["spline"].material == "lark-spline"
    assert parts["spline"].length == parts["cloth"].width
    assert "double-sided tape" not in parts


# -- as CSV ----------------------------------------------------------------------------------


def imported(branch, by, do_runs, text, *, what="materials", dry=False):
    run = ask_for_import(branch=branch, what=what, text=text, by=by, dry=dry)
    assert do_runs() == ["done"]
    run.refresh_from_db()
    return run.result


@pytest.mark.parametrize("units", ["in", "mm"])
def test_the_firms_own_table_read_back_changes_nothing(range_of_the_firm, workroom, do_runs, units):
    branch = range_of_the_firm
    Branch.objects.filter(pk=branch.pk).update(units=units)
    supplier = Supplier.objects.create(
        branch=branch, name="=Fenwater", closed=[["2026-12-21", "2027-01-03"], ["2027-07-01", "2027-07-09"]]
    )
    branch.materials.filter(kind="cloth").update(supplier=supplier)
    workroom.refresh_from_db()
    branch.refresh_from_db()

    for what, count in (("materials", branch.materials.count()), ("suppliers", 1)):
        result = imported(branch, workroom, do_runs, range_csv(branch, what), what=what)
        assert (result["taken"], result["wrong"]) == (count, 0), [one for one in result["lines"] if one["wrong"]][:3]
        assert {one["fate"] for one in result["lines"]} == {"as it stands"}


TABLE = """name,kind,grams_per_m,kerf,pack,supplier,length_1,price_1,mains
Ash slat,strip,25,1/8,12,Fenwater Weavers,96,3.10,
Elm slat,strip,heavy,1/8,0,Nobody,ninety,3.10,
Fir slat,plank,25,,,,,,
Ash slat,strip,25,,,,,,yes
"""


def test_a_look_names_all_that_is_wrong_in_each_cell_and_writes_nothing(branch, workroom, do_runs):
    Supplier.objects.create(branch=branch, name="Fenwater Weavers")

    result = imported(branch, workroom, do_runs, TABLE, dry=True)

    wrong = [{cell["column"]: cell["problem"] for cell in line["wrong"]} for line in result["lines"]]
    assert (result["taken"], result["wrong"]) == (1, 3)
    assert result["lines"][0]["fate"] == "new"
    assert set(wrong[1]) == {"grams_per_m", "pack", "supplier", "length_1"}
    assert wrong[1]["supplier"] == "there is no such supplier"
    assert set(wrong[2]) == {"kind"}
    assert wrong[3] == {"name": "stands on line 2 already", "mains": "a strip has none"}
    assert not branch.materials.exists()


def test_an_import_keeps_what_can_be_and_a_column_left_out_stays(branch, workroom, do_runs):
    Supplier.objects.create(branch=branch, name="Fenwater Weavers")
    imported(branch, workroom, do_runs, TABLE)

    result = imported(branch, workroom, do_runs, "name,kind,pack\nash slat,strip,24\n")

    row = branch.materials.get()
    assert result["lines"][0]["fate"] == "changes name, pack"
    assert (row.pack, row.kerf, row.supplier.name) == (24, Length.parse("1/8"), "Fenwater Weavers")
    assert row.facts["stock"] == [{"length": "96", "price": "3.1"}]


def test_the_page_goes_from_the_file_to_the_look_to_the_materials(branch, workroom, as_user, do_runs, cast):
    from django.core.files.uploadedfile import SimpleUploadedFile

    page = as_user(workroom)
    look = page.post("/workroom/range/materials/import/", {"file": SimpleUploadedFile("m.csv", TABLE.encode())})
    do_runs()
    shown = page.get(look.url).content.decode()
    Supplier.objects.create(branch=branch, name="Fenwater Weavers")
    again = page.post("/workroom/range/materials/import/", {"file": SimpleUploadedFile("m.csv", TABLE.encode())})
    do_runs()
    kept = page.post(f"{again.url}confirm/")
    do_runs()

    assert "4 can&#x27;t" in shown or "4 can't" in shown
    assert "there is no such supplier" in shown
    assert "1 line imported" in page.get(kept.url).content.decode()
    assert branch.materials.get().name == "Ash slat"
    assert page.get("/workroom/range/materials.csv").content.decode().splitlines()[1].startswith("Ash slat,strip")
    assert page.get("/workroom/range/prices/import/").status_code == 404
    assert as_user(cast["dispatcher"]).get("/workroom/range/materials.csv").status_code == 403
