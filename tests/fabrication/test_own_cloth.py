"""Cloth a customer brings: the job waits until it is here and good."""

import pytest

from fabrication.documents import cuts_of_plan
from fabrication.models import CutPlan, OwnCloth, Part, PlannedCut, StockItem
from fabrication.rules.own_cloth import judge
from fabrication.services.batches import open_batch
from fabrication.services.bench import mark_cut
from fabrication.services.making import materials_of
from fabrication.services.own_cloth import check_cloth, cut_from_cloth, expect_again, expect_cloth, receive_cloth
from fabrication.services.planning import plan_batch
from jobs.models import Job
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
