"""Cloth a customer brings: the job waits until it is here and good."""

import pytest

from fabrication.models import OwnCloth, StockItem
from fabrication.rules.own_cloth import judge
from fabrication.services.own_cloth import check_cloth, expect_again, expect_cloth, receive_cloth
from jobs.models import Job
from shared.errors import Refused
from shared.lengths import Length
from tests.fabrication.rows import make_job_row

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

    receive_cloth(cloth=cloth, by=workroom, place="shelf 2")
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
