"""Openings with measurements, a builder's window schedule, and products, from tables."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from jobs.models import Job
from jobs.services import imports
from measuring.models import Opening, Product, Reading
from measuring.rules.range import starting_rows
from measuring.services.openings import change_opening
from measuring.services.starting_data import load_products
from shared.models import Run, User
from tests.factories import make_job

pytestmark = pytest.mark.django_db

SCHEDULE = """Level,Location,Window,Window type,Qty,RO width,RO height
2,Unit 204,W3,W3,2,36,60 1/4
2,Unit 204,W4,Roller shade,1,3x,
2,Unit 205,W3,,1,,
"""


@pytest.fixture
def job(dispatcher: User) -> Job:
    load_products(dispatcher.own_branch)
    return make_job(dispatcher.branch, by=dispatcher)


def taken(by: User, do_runs: Callable[[], list[str]], text: str, **how: Any) -> Run:
    kind = imports.kinds[how["kind"]]
    columns = imports.read_sheet(kind, text).columns
    run = imports.ask_for_import(branch=by.own_branch, text=text, by=by, dry=False, columns=columns, **how)
    assert do_runs() == ["done"]
    return Run.objects.get(pk=run.pk)


def test_a_builders_schedule_becomes_openings_with_the_plans_sizes_as_rough(
    job: Job, dispatcher: User, do_runs: Callable[[], list[str]]
) -> None:
    run = taken(dispatcher, do_runs, SCHEDULE, kind="openings", job=job)

    assert [str(one) for one in Opening.objects.order_by("pk")] == ["Unit 204 W3-1", "Unit 204 W3-2", "Unit 205 W3"]
    first = Opening.objects.order_by("pk")[0]
    assert (first.room.floor, first.note, first.state) == ("2", "Type W3", Opening.State.UNDER_WAY)
    assert list(first.readings.values_list("spot", "typed", "grade")) == [
        ("heights.center", "60 1/4", "rough"),
        ("widths.middle", "36", "rough"),
    ]
    assert list(run.result["fates"][1]["cells"]) == ["width"]


def test_openings_of_several_jobs_come_with_their_measurements_and_go_again(
    job: Job, dispatcher: User, do_runs: Callable[[], list[str]]
) -> None:
    spots = "width_top,width_middle,width_bottom,height_left,height_center,height_right,depth"
    text = f"job,room,mark,product,mount,{spots},grade\n{job.number},Den,A,roller,inside,35,35,35,60,60,60,4,final\n"
    text += f"J-9999,Den,B,roller,inside,{'35,' * 7}final\n{job.number},Den,A,nothing,sideways,{'35,' * 7}final\n"
    product = Product.objects.filter(branch=job.branch, family="roller")[0]
    text = text.replace(",roller,", f",{product.name},")
    run = taken(dispatcher, do_runs, text, kind="openings")

    opening = Opening.objects.get()
    assert (opening.product, opening.readings.filter(grade=Reading.Grade.FINAL).count()) == (product, 7)
    wrong = [set(fate["cells"]) for fate in run.result["fates"][1:]]
    assert wrong == [{"job"}, {"product", "mount", "mark"}]

    undo = imports.ask_to_undo(run=run, by=dispatcher)
    do_runs()
    assert Run.objects.get(pk=undo.pk).result["undone"] == 1
    assert not Opening.objects.exists()


def test_openings_that_somebody_worked_on_since_stay(
    job: Job, dispatcher: User, do_runs: Callable[[], list[str]]
) -> None:
    run = taken(dispatcher, do_runs, SCHEDULE, kind="openings", job=job)
    change_opening(opening=Opening.objects.order_by("pk")[0], by=dispatcher, facts={"note": "arched"})

    imports.ask_to_undo(run=run, by=dispatcher)
    do_runs()

    assert [str(one) for one in Opening.objects.order_by("pk")] == ["Unit 204 W3-1", "Unit 204 W3-2"]


def test_products_come_with_their_familys_mounting_needs(owner: User, do_runs: Callable[[], list[str]]) -> None:
    text = "Name,Type,Made or bought\nMillrace Roller,roller shade,made here\nOdd,curtain,\n"
    run = taken(owner, do_runs, text, kind="products")

    made = Product.objects.get()
    assert (made.name, made.family, made.source) == ("Millrace Roller", "roller", "made")
    assert made.fit == next(row["fit"] for row in starting_rows("products") if row["family"] == "roller")
    assert list(run.result["fates"][1]["cells"]) == ["family"]
