"""Steps, photo and check of a unit; what its material costs; what a remake does."""

import io
from decimal import Decimal

import pytest
from PIL import Image

from fabrication.adapters.costs import cost_of
from fabrication.models import AssemblyStep, Part, UnitMake
from fabrication.services.assembly import add_photo, steps_left, tick_all, tick_step, untick_step
from fabrication.services.batches import proposals_of
from fabrication.services.bench import check_unit
from fabrication.services.making import remake_effects
from fabrication.services.starting_data import load_steps
from measuring.models import Family
from shared.errors import Refused
from shared.lengths import Length
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock

pytestmark = pytest.mark.django_db


@pytest.fixture
def make(branch, workroom):
    """A roller at the assembly table, with the starting steps."""
    load_steps(branch)
    return make_made_unit(branch, workroom, state=UnitMake.State.ASSEMBLY)


def test_every_family_has_starting_steps_once(branch):
    load_steps(branch)
    count = AssemblyStep.objects.count()
    load_steps(branch)

    assert AssemblyStep.objects.count() == count
    assert set(AssemblyStep.objects.values_list("family", flat=True)) == set(Family.values)


@pytest.mark.parametrize(
    ("control", "asked"),
    [
        ("spring", []),
        ("chain", ["chain: tension device packed"]),
        ("mains", ["battery, mains: motor limits as ordered"]),
    ],
)
def test_a_step_that_names_a_control_is_asked_of_its_units_alone(make, workroom, control, asked):
    """Every roller was asked for its tension device or its motor's limits, a spring roller too."""
    make.unit.options = {"control": control}
    make.unit.product.fit = {"controls": [{"key": key} for key in ("spring", "chain", "battery", "mains")]}
    make.unit.product.save()

    texts = [step.text for step in steps_left(make)]

    assert [text for text in texts if "device" in text or "limits" in text] == asked
    assert any(text.startswith("rolled up and down twice:") for text in texts)


def test_a_unit_is_checked_only_once_its_steps_are_done(make, workroom):
    size = {"width": make.finished_width, "height": make.finished_height}
    with pytest.raises(Refused, match="not put together yet"):
        check_unit(make=make, by=workroom, **size)

    tick_all(make=make, by=workroom)

    assert check_unit(make=make, by=workroom, **size).state == UnitMake.State.MADE


def test_a_step_is_done_by_somebody_and_can_be_taken_back(make, workroom):
    step = steps_left(make)[0]

    first = tick_step(make=make, step=step, by=workroom)
    second = tick_step(make=make, step=step, by=workroom)
    assert first.pk == second.pk
    untick_step(make=make, step=step, by=workroom)

    assert step in steps_left(make)


def test_a_step_of_another_family_is_refused(make, workroom):
    foreign = AssemblyStep.objects.filter(family="slat").first()

    with pytest.raises(Refused, match="no step of a roller shade"):
        tick_step(make=make, step=foreign, by=workroom)


def test_a_photo_of_the_finished_unit_is_kept_without_what_it_carried(make, workroom):
    picture = io.BytesIO()
    exif = Image.Exif()
    exif[0x010E] = "taken at the kitchen table"
    Image.new("RGB", (2400, 1200), "white").save(picture, "JPEG", exif=exif)

    photo = add_photo(make=make, data=picture.getvalue(), by=workroom)

    with Image.open(photo.file) as kept:
        assert max(kept.size) == 1600
        assert not kept.getexif()


def test_material_costs_its_share_of_the_stock(branch, make):
    tube = make_material(branch)
    make_stock(tube, price=Decimal("19.20"))  # ten cents an inch
    cloth = make_material(branch, "cloth")
    make_stock(cloth, width=Length.mm(2000), price=Decimal("20.00"))  # a metre: 10 a square metre
    clip = make_material(branch, "piece")
    make_part(make, tube, "50", done=1, state=Part.State.CUT)
    make_part(make, cloth, "1500 mm", width=Length.mm(1000))
    make_part(make, clip, None, quantity=2)

    cost = cost_of(make)

    assert cost.total == Decimal("5.00") + Decimal("15.00")
    assert cost.cut == Decimal("5.00")
    assert cost.unpriced == [clip.name]


def test_a_remake_tells_what_is_cut_what_it_costs_and_what_it_must_match(branch, make):
    cloth = make_material(branch, "cloth")
    make_stock(cloth, width=Length.mm(2000), price=Decimal("20.00"))
    make_part(make, cloth, "1500 mm", width=Length.mm(1000), done=1, state=Part.State.CUT, lot="A7")

    lines = remake_effects(make)

    assert lines[0] == "cut or pulled already: 1 piece, $15.00 of material at stock prices"
    assert any("lot A7" in line for line in lines)


def test_proposals_by_material_name_what_is_short(branch, workroom):
    cloth = make_material(branch, "cloth", name="Brant")
    tube = make_material(branch, name="tube 38")
    make_stock(tube)
    for material in (cloth, cloth, tube):
        make_part(make_made_unit(branch, workroom), material, "60", width=Length.inches(30))

    found = {one.title: one for one in proposals_of(branch=branch, places=(), by_material=True)}

    assert {title: len(one.makes) for title, one in found.items()} == {"Brant": 2, "tube 38": 1}
    assert [lack.material for lack in found["Brant"].short] == [cloth]
    assert found["tube 38"].short == ()
