"""Cloth a customer brings: the job waits until it is here and good."""

import pytest

from fabrication.documents import cuts_of_plan
from fabrication.models import CutPlan, Material, OwnCloth, Part, PlannedCut, StockItem, UnitMake
from fabrication.rules.own_cloth import judge
from fabrication.rules.recipes import starting_recipes
from fabrication.services.batches import open_batch
from fabrication.services.bench import mark_cut
from fabrication.services.making import make_units, materials_of, remake_after_change
from fabrication.services.own_cloth import (
    check_cloth,
    cut_from_cloth,
    expect_again,
    expect_cloth,
    give_back,
    given_back,
    left_of,
    own_text,
    receive_cloth,
)
from fabrication.services.planning import plan_batch
from fabrication.services.starting_data import load_materials, load_recipes
from jobs.models import Job
from measuring.models import Opening, Product, Room, SizeChange, Unit
from shared.errors import Refused
from shared.lengths import Length
from tests.fabrication.rows import make_job_row, make_made_unit, make_material, make_part, make_stock

IN = Length.inches


@pytest.mark.parametrize(
    ("measured", "problem"),
    [
        ({"width": IN(54)}, ""),  # as needed
        ({"width": IN(53)}, "53 in wide, 54 in needed"),
        ({"length": IN(199)}, "199 in long, 200 in needed"),
        ({"flaws": [(IN(10), IN(12))], "length": IN(201)}, "199 in long after 2 in of flaws, 200 in needed"),
        ({"repeat": IN(25)}, "the pattern repeats every 25 in, the order reckons with 24 in"),
        ({"repeat": IN(12)}, ""),  # a smaller repeat wastes less
    ],
)
def test_cloth_is_judged_by_width_clean_length_and_repeat(measured, problem):
    size = {"width": IN(54), "length": IN(200), "repeat": IN(24), **measured}

    verdict = judge(**size, width_needed=IN(54), length_needed=IN(200), repeat_expected=IN(24))

    assert verdict.problems == ((problem,) if problem else ())


@pytest.fixture
def cloth(branch, workroom):
    job = make_job_row(branch, workroom)
    return expect_cloth(job=job, name="blue linen", width_needed=IN(54), length_needed=IN(200), by=workroom)


@pytest.mark.django_db
def test_the_job_is_held_until_good_cloth_is_here(cloth, workroom):
    assert Job.objects.get().hold == Job.Hold.CLOTH

    receive_cloth(cloth=cloth, by=workroom, shelf="shelf 2")
    assert Job.objects.get().hold == Job.Hold.CLOTH
    done = check_cloth(cloth=cloth, width=IN(54), length=IN(210), by=workroom)

    assert done.state == OwnCloth.State.ACCEPTED
    assert Job.objects.get().hold == ""
    assert StockItem.objects.get().quantity == 1
    assert StockItem.objects.get().material.is_active is False


@pytest.mark.django_db
def test_cloth_that_falls_short_is_refused_and_other_cloth_expected(cloth, workroom):
    receive_cloth(cloth=cloth, by=workroom)
    refused = check_cloth(cloth=cloth, width=IN(50), length=IN(210), by=workroom)

    assert refused.state == OwnCloth.State.REFUSED
    assert refused.verdict == "50 in wide, 54 in needed"
    assert Job.objects.get().hold == Job.Hold.CLOTH
    assert expect_again(cloth=cloth, by=workroom).state == OwnCloth.State.EXPECTED


@pytest.mark.django_db
def test_short_cloth_can_be_taken_by_agreement(cloth, workroom):
    receive_cloth(cloth=cloth, by=workroom)
    taken = check_cloth(cloth=cloth, width=IN(50), length=IN(210), by=workroom, anyway="a seam is agreed")

    assert taken.state == OwnCloth.State.ACCEPTED
    assert "taken anyway: a seam is agreed" in taken.verdict


@pytest.mark.django_db
def test_cloth_that_has_not_come_is_not_checked(cloth, workroom):
    with pytest.raises(Refused, match="expected, not received"):
        check_cloth(cloth=cloth, width=IN(54), length=IN(210), by=workroom)


@pytest.mark.django_db
def test_a_job_held_for_something_else_keeps_its_reason(branch, workroom):
    job = make_job_row(branch, workroom)
    Job.objects.filter(pk=job.pk).update(hold=Job.Hold.DEPOSIT)

    cloth = expect_cloth(job=job, name="linen", width_needed=IN(54), length_needed=IN(20), by=workroom)
    receive_cloth(cloth=cloth, by=workroom)
    check_cloth(cloth=cloth, width=IN(54), length=IN(20), by=workroom)

    assert Job.objects.get().hold == Job.Hold.DEPOSIT


# -- cut from it ---------------------------------------------------------------------------


@pytest.fixture
def accepted(cloth, workroom):
    receive_cloth(cloth=cloth, by=workroom)
    return check_cloth(cloth=cloth, width=IN(54), length=IN(210), by=workroom)


@pytest.fixture
def linen(branch):
    """The product's own cloth, slit and kept by its data."""
    return make_material(branch, "cloth", kerf=IN(0), trim=None, keep=IN(12))


@pytest.fixture
def panels(branch, workroom, cloth, linen):
    """Two panels of the job, 40 x 72."""
    makes = [make_made_unit(branch, workroom, job=cloth.job) for _ in range(2)]
    return [make_part(make, linen, "72", width=IN(40), name="cloth", may_turn=True) for make in makes]


@pytest.mark.django_db
def test_own_cloth_goes_through_a_plan_a_cut_list_and_the_saw_to_its_offcut(
    accepted, panels, branch, workroom, do_runs
):
    make_stock(panels[0].material)
    batch = open_batch(branch=branch, makes=[part.make_id for part in panels], by=workroom)
    cut_from_cloth(cloth=accepted, parts=[part.pk for part in panels], by=workroom)
    plan_batch(batch=batch, by=workroom)
    assert do_runs() == ["done"]

    plan = CutPlan.objects.get()
    assert plan.material == accepted.item.material
    assert {cut["stock"] for cut in cuts_of_plan(plan)["plans"][0]["cuts"]} == {accepted.item.code}
    for cut in plan.cuts.order_by("order"):
        mark_cut(cut=cut, by=workroom)

    assert StockItem.objects.get(pk=accepted.item_id).length == IN(210 - 2 * 72)
    offcuts = StockItem.objects.filter(material=plan.material, is_offcut=True)
    assert [(item.width, item.length) for item in offcuts] == [(IN(14), IN(72))] * 2
    assert set(Part.objects.values_list("state", "lot")) == {("cut", "own")}


@pytest.mark.django_db
def test_what_stood_in_a_plan_is_planned_anew_and_may_go_back(accepted, panels, branch, workroom, do_runs):
    make_stock(panels[0].material)
    batch = open_batch(branch=branch, makes=[part.make_id for part in panels], by=workroom)
    plan_batch(batch=batch, by=workroom)
    do_runs()

    cut_from_cloth(cloth=accepted, parts=[panels[0].pk], by=workroom)
    do_runs()

    pieces = {cut.item_id: [piece["part"] for piece in cut.pieces] for cut in PlannedCut.objects.filter(state="to_cut")}
    assert pieces.pop(accepted.item_id) == [panels[0].pk]
    assert list(pieces.values()) == [[panels[1].pk]]


@pytest.mark.django_db
def test_what_is_cut_already_is_not_moved_to_own_cloth(accepted, panels, workroom):
    Part.objects.filter(pk=panels[0].pk).update(done=1, state="cut")

    with pytest.raises(Refused, match="is cut already, from Material"):
        cut_from_cloth(cloth=accepted, parts=[panels[0].pk], by=workroom)


@pytest.mark.django_db
def test_other_jobs_pieces_are_not_cut_from_it(accepted, branch, workroom, linen):
    other = make_part(make_made_unit(branch, workroom), linen, "72", width=IN(40))

    with pytest.raises(Refused, match="of this job"):
        cut_from_cloth(cloth=accepted, parts=[other.pk], by=workroom)


@pytest.mark.django_db
def test_the_branchs_range_is_still_read_with_own_cloth_on_the_rack(accepted, branch):
    assert accepted.item.material.key not in materials_of(branch)


@pytest.mark.django_db
def test_the_range_is_read_once_until_somebody_changes_it(branch):
    cloth = make_material(branch, "cloth", facts={"grams_per_m2": 300})
    before = materials_of(branch)
    assert materials_of(branch) is before

    cloth.facts = {"grams_per_m2": 512}
    cloth.save()

    assert (before[cloth.key].facts.grams_per_m2, materials_of(branch)[cloth.key].facts.grams_per_m2) == (300, 512)


@pytest.mark.django_db
def test_the_page_and_the_api_choose_the_pieces(accepted, panels, workroom, as_user, api_as):
    page = as_user(workroom)
    assert f'value="{panels[1].pk}"' in page.get(f"/workroom/own-cloth/{accepted.pk}/").content.decode()

    page.post(f"/workroom/own-cloth/{accepted.pk}/pieces/", {"parts": [panels[0].pk]})
    assert Part.objects.get(material=accepted.item.material).pk == panels[0].pk
    sent = {"parts": [part.pk for part in panels]}
    assert api_as(workroom).post(f"/api/own-cloth/{accepted.pk}/pieces/", sent, format="json").status_code == 202
    assert Part.objects.filter(material=accepted.item.material).count() == 2


# -- lengths worked out anew, and what remains -------------------------------------------------


@pytest.fixture
def romans(branch, workroom, cloth):
    """Three of 42 × 60 of the job, two in one room: their face cloth is cut 74 7/8 long."""
    product = Product.objects.create(branch=branch, key="curlew", name="Curlew", family="roman")
    load_materials(branch)
    load_recipes(branch)
    tried = starting_recipes()["curlew"].tried_with() | {"lining": "lined", "control": "spring"}
    units = []
    for _ in range(3):
        unit = make_made_unit(branch, workroom, job=cloth.job).unit
        UnitMake.objects.filter(unit=unit).delete()
        unit.product, unit.options = product, tried
        unit.order_width, unit.order_height = IN(42), IN(60)
        unit.save()
        units.append(unit)
    study = Room.objects.create(job=cloth.job, name="Study", order=9)
    Opening.objects.filter(pk=units[2].opening_id).update(room=study)
    return make_units([Unit.objects.get(pk=unit.pk) for unit in units], workroom)


def faces(makes):
    return list(Part.objects.filter(make__in=makes, name="face cloth").order_by("make"))


def came(cloth, workroom, length, repeat):
    receive_cloth(cloth=cloth, by=workroom)
    return check_cloth(cloth=cloth, width=IN(54), length=IN(length), repeat=repeat, by=workroom, anyway="as agreed")


@pytest.mark.django_db
def test_pieces_of_own_cloth_are_cut_to_its_repeat_and_go_back_to_the_products(cloth, romans, workroom):
    """They kept the product's lengths, without a repeat: the third would not have matched."""
    accepted = came(cloth, workroom, 500, IN(24))
    before = [(part.length, part.material_id) for part in faces(romans)]

    cut_from_cloth(cloth=accepted, parts=[part.pk for part in faces(romans)], by=workroom)
    matched = [(part.length, "repeat" in part.derivation) for part in faces(romans)]
    cut_from_cloth(cloth=accepted, parts=[faces(romans)[1].pk], by=workroom)
    one = [part.length for part in faces(romans)]

    plain = Length.parse("74 7/8")
    assert [length for length, _ in before] == [plain] * 3
    # each room's first takes one repeat more: 4 × 24 + 24, 4 × 24 | 4 × 24 + 24
    assert matched == [(IN(120), True), (IN(96), True), (IN(120), True)]
    assert one == [plain, IN(120), plain]
    assert faces(romans)[0].material_id == before[0][1]


@pytest.mark.django_db
def test_own_cloth_that_is_short_is_said_before_anything_is_cut(cloth, romans, workroom, as_user):
    accepted = came(cloth, workroom, 300, IN(24))
    parts = [part.pk for part in faces(romans)]
    page, address = as_user(workroom), f"/workroom/own-cloth/{accepted.pk}/"

    said = page.post(f"{address}pieces/", {"parts": parts}, follow=True).content.decode()
    none = {part.material_id for part in faces(romans)}
    page.post(f"{address}pieces/", {"parts": parts, "sure": "on"})

    # 120 + 96 + 120
    assert "short by 36 in (1 yd): these pieces take 336 in (9.33 yd), 300 in (8.33 yd) is there" in said
    assert accepted.item.material_id not in none
    assert {part.material_id for part in faces(romans)} == {accepted.item.material_id}


@pytest.mark.django_db
def test_own_cloth_too_narrow_is_seamed_where_the_products_may_be_else_refused(cloth, romans, workroom):
    receive_cloth(cloth=cloth, by=workroom)
    accepted = check_cloth(cloth=cloth, width=IN(40), length=IN(500), by=workroom, anyway="a seam is agreed")
    part = faces(romans)[0]

    cut_from_cloth(cloth=accepted, parts=[part.pk], by=workroom)
    seamed = faces(romans)[0]
    cut_from_cloth(cloth=accepted, parts=[], by=workroom)
    Material.objects.filter(pk=part.material_id).update(facts={**part.material.facts, "seam": False})

    assert (seamed.quantity, seamed.width <= IN(40)) == (2, True)
    assert "2 widths seamed" in seamed.derivation
    with pytest.raises(Refused, match="across the roll"):
        cut_from_cloth(cloth=accepted, parts=[part.pk], by=workroom)


@pytest.mark.django_db
def test_a_new_size_is_cut_to_the_repeat_of_own_cloth_too(cloth, romans, workroom):
    accepted = came(cloth, workroom, 500, IN(24))
    cut_from_cloth(cloth=accepted, parts=[part.pk for part in faces(romans)], by=workroom)
    unit = Unit.objects.get(pk=romans[1].unit_id)
    change = SizeChange.objects.create(
        unit=unit, old_width=unit.order_width, old_height=unit.order_height, new_width=IN(42), new_height=IN(84),
        opened_by=workroom,
    )  # fmt: skip
    Unit.objects.filter(pk=unit.pk).update(order_height=IN(84), longest_height=IN(84))

    remake_after_change(Unit.objects.get(pk=unit.pk), change, workroom)

    part = faces(romans)[1]
    assert part.material_id == accepted.item.material_id
    assert part.length.ticks % IN(24).ticks == 0
    assert part.length > IN(96)


@pytest.mark.django_db
def test_what_remains_of_own_cloth_goes_back_once_nothing_is_left_to_cut(accepted, panels, workroom, as_user):
    """It lay on the rack for ever."""
    job = accepted.job
    cut_from_cloth(cloth=accepted, parts=[part.pk for part in panels], by=workroom)
    waiting = left_of([job.pk])
    Part.objects.update(done=1, state="cut")
    StockItem.objects.filter(pk=accepted.item_id).update(length=IN(66))
    shown = as_user(workroom).get(f"/workroom/own-cloth/{accepted.pk}/").content.decode()

    as_user(workroom).post(f"/workroom/own-cloth/{accepted.pk}/back/")

    assert waiting == {}
    assert "Goes back to the customer" in shown
    assert StockItem.objects.get(pk=accepted.item_id).quantity == 0
    assert [own_text(item) for item in given_back(job)] == ["blue linen, 54 in × 66 in"]
    assert give_back(job=job, by=workroom) == []


@pytest.mark.django_db
def test_the_repeat_and_the_unit_of_the_length_are_asked_when_cloth_is_checked(cloth, workroom, as_user):
    receive_cloth(cloth=cloth, by=workroom)
    page, address = as_user(workroom), f"/workroom/own-cloth/{cloth.pk}/check/"

    bare = page.post(address, {"width": "54", "length": "9"}).content.decode()
    page.post(address, {"width": "54", "length": "9", "length_in": "yd", "no_pattern": "on"})

    cloth.refresh_from_db()
    assert "9 what? Choose inches, yards or meters." in bare
    assert "Measure the pattern&#x27;s repeat, or tick that it has none." in bare
    assert (cloth.state, cloth.length, cloth.repeat) == ("accepted", IN(324), None)
