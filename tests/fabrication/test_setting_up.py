"""What a firm sets for its workroom: steps of assembly, places of work, what the API may change too."""

from collections.abc import Mapping
from io import BytesIO
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from fabrication.models import AssemblyStep, StockItem, Supplier, SupplierList, Tolerance, WorkPlace
from fabrication.rules.starting import starting_values
from fabrication.services.assembly import steps_left, tick_step
from fabrication.services.setting_up import save_steps, save_work_place
from fabrication.services.starting_data import load_materials, load_recipes, load_tolerances
from measuring.models import Product
from shared.errors import Refused
from shared.lengths import Length
from tests.fabrication.rows import make_made_unit, make_material

pytestmark = pytest.mark.django_db


def test_steps_are_kept_in_order_and_a_dropped_one_keeps_its_ticks(branch, workroom):
    save_steps(branch=branch, family="roller", texts=["fit the tube", "hang it", ""], by=workroom)
    make = make_made_unit(branch, workroom, state="assembly")
    first = AssemblyStep.objects.get(text="fit the tube")
    tick_step(make=make, step=first, by=workroom)

    save_steps(branch=branch, family="roller", texts=["hang it", "tie it up"], by=workroom)

    assert [step.text for step in steps_left(make)] == ["hang it", "tie it up"]
    first.refresh_from_db()
    assert not first.is_active
    assert make.steps_done.get().step == first


def test_a_step_of_no_family_or_too_long_is_refused(branch, workroom):
    with pytest.raises(Refused, match="no family tent"):
        save_steps(branch=branch, family="tent", texts=[], by=workroom)
    with pytest.raises(Refused, match="too long"):
        save_steps(branch=branch, family="roller", texts=["x" * 161], by=workroom)


def test_tolerances_are_loaded_for_the_families_that_have_none(branch):
    own = {name: Length(1) for name in ("width_under", "width_over", "height_under", "height_over")}
    Tolerance.objects.create(branch=branch, family="roller", **own)

    load_tolerances(branch)
    load_tolerances(branch)

    rows = {row.family: row for row in Tolerance.objects.filter(branch=branch)}
    assert set(rows) == set(starting_values("tolerances", "families", Mapping[str, Any]))
    assert rows["roller"].width_under == Length(1)
    assert all(row.width_under > Length(1) for family, row in rows.items() if family != "roller")


def test_two_places_of_one_name_are_refused(branch, workroom):
    save_work_place(branch=branch, name="saw", day_min=420, minutes={"roller": 6, "slat": 0}, by=workroom)

    assert WorkPlace.objects.get().minutes == {"roller": 6}
    with pytest.raises(Refused, match="there is a Saw already"):
        save_work_place(branch=branch, name="Saw", day_min=60, minutes={}, by=workroom)


def test_steps_that_are_refused_stay_as_they_were_typed(workroom, as_user):
    answer = as_user(workroom).post("/workroom/set-up/steps/roller/", {"steps": "cut the tube\n" + "x" * 161})

    assert answer.status_code == 422
    assert "x" * 161 in answer.content.decode()
    assert "160 characters" in answer.content.decode()


def test_the_page_keeps_steps_and_places_and_takes_one_away(branch, workroom, as_user):
    page = as_user(workroom)
    page.post("/workroom/set-up/steps/roller/", {"steps": "cut the tube\r\nhang it"})
    sent = {"new-name": "saw", "new-day_min": "420", **{f"new-{key}": "0" for key in FAMILIES}, "new-roller": "6"}
    assert page.post("/workroom/set-up/places/", sent).status_code == 302
    place = WorkPlace.objects.get()

    shown = page.get("/workroom/set-up/").content.decode()
    assert "cut the tube\nhang it" in shown
    assert "saw: 7 h a day" in shown
    bad = {name.replace("new", f"place-{place.pk}"): value for name, value in sent.items()} | {
        f"place-{place.pk}-day_min": "0"
    }
    assert page.post(f"/workroom/set-up/places/{place.pk}/", bad).status_code == 422
    page.post(f"/workroom/set-up/places/{place.pk}/", {"do": "remove"})
    assert not WorkPlace.objects.exists()


def test_the_api_sets_what_the_page_sets(branch, workroom, dispatcher, api_as):
    api = api_as(workroom)
    steps = api.post("/api/assembly-steps/", {"family": "slat", "texts": ["cut", "lace"]}, format="json")
    assert [row["text"] for row in steps.json()] == ["cut", "lace"]
    place = api.post("/api/work-places/", {"name": "saw", "day_min": 60, "minutes": {"slat": 5}}, format="json").json()
    sent = {"name": "big saw", "day_min": 90, "minutes": {}}
    assert api.put(f"/api/work-places/{place['id']}/", sent, format="json").json()["day_min"] == 90
    assert api.delete(f"/api/work-places/{place['id']}/").status_code == 204
    size = {"kind": "roll", "width": "57 mm", "height": "32 mm", "columns": 1, "rows": 1}
    size |= dict.fromkeys(["left", "top", "across", "down"], "0")
    assert api.post("/api/label-sizes/", size, format="json").status_code == 200
    assert api.post("/api/label-sizes/", size | {"width": "2 mm"}, format="json").status_code == 400
    assert api_as(dispatcher).post("/api/work-places/", sent, format="json").status_code == 403


def test_the_api_saves_a_recipe_and_refuses_one_that_cannot_be(branch, workroom, api_as):
    Product.objects.create(branch=branch, key="wren", name="Wren", family="roller")
    load_materials(branch)
    load_recipes(branch)
    api = api_as(workroom)
    (now,) = api.get("/api/recipes/").json()["results"]

    bad = api.post("/api/recipes/", {"product": "wren", "definition": {"parts": []}}, format="json")
    same = api.post("/api/recipes/", {"product": "wren", "definition": now["definition"]}, format="json")

    assert (bad.status_code, same.status_code) == (409, 409)
    assert "nothing was changed" in same.json()["detail"]


def test_the_api_orders_receives_and_names_what_differs(branch, workroom, api_as):
    api = api_as(workroom)
    supplier = Supplier.objects.create(branch=branch, name="Fenwater Weavers")
    tube = make_material(branch)
    bought = make_made_unit(branch, workroom, source="bought")
    SupplierList.objects.create(product=bought.unit.product, takes="opening")

    lines = [{"material": tube.key, "quantity": 2, "length": "192"}]
    stock = api.post("/api/purchases/", {"supplier": supplier.pk, "lines": lines}, format="json").json()
    line = stock["lines"][0]["id"]
    assert api.post(f"/api/purchase-lines/{line}/receive/", {"packages": 1}, format="json").status_code == 200
    assert StockItem.objects.get(material=tube).quantity == 2

    units = api.post("/api/purchases/", {"supplier": supplier.pk, "makes": [bought.pk]}, format="json").json()
    line = units["lines"][0]["id"]
    told = api.post(f"/api/purchase-lines/{line}/acknowledge/", {"width": "35", "height": "60"}, format="json").json()
    assert (told["state"], told["mount"], told["basis"]) == ("differs", "inside", "opening size")
    assert api.post("/api/purchases/", {"supplier": supplier.pk}, format="json").status_code == 400


def test_the_api_takes_a_photo_of_the_finished_unit(branch, workroom, api_as):
    make = make_made_unit(branch, workroom, state="made")
    picture = BytesIO()
    Image.new("RGB", (40, 30), "grey").save(picture, "JPEG")
    sent = {"photo": SimpleUploadedFile("made.jpg", picture.getvalue(), "image/jpeg")}

    assert api_as(workroom).post(f"/api/makes/{make.pk}/photos/", sent, format="multipart").status_code == 201
    assert make.photos.count() == 1


FAMILIES = ["roller", "solar", "sheer", "vertical", "slat", "cellular", "pleated", "roman"]
