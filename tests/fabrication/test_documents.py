"""What the workroom prints: a set-up once, labels at the branch's size, codes that lead somewhere."""

import re
from io import BytesIO

import pytest
from django.template.loader import render_to_string
from django.urls import reverse
from pypdf import PdfReader

from fabrication.documents import (
    cut_list,
    cuts_of_plan,
    labels,
    pull_list,
    stock_label,
    stock_labels,
    tickets,
    work_order,
)
from fabrication.models import CutPlan, LabelSize, UnitMake
from fabrication.services.batches import open_batch
from fabrication.services.making import make_units
from fabrication.services.planning import plan_batch
from fabrication.services.starting_data import load_materials, load_recipes, load_steps
from fabrication.services.stock import save_label_size
from shared.documents import Content, kind_of, render
from shared.lengths import Length, LengthUnit
from tests.benchmarks.workroom import release
from tests.fabrication.letters import Words, words_of
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock
from tests.fabrication.rules.shop import made

pytestmark = pytest.mark.django_db


@pytest.fixture
def batch(branch, workroom, do_runs):
    """Five equal vanes, each out of a strip of its own."""
    strip = make_material(branch, "strip")
    make_stock(strip, length=Length.inches(84))
    make = make_made_unit(branch, workroom)
    make_part(make, strip, "81 3/8", quantity=5, name="vanes")
    batch = open_batch(branch=branch, makes=[make.pk], by=workroom)
    plan_batch(batch=batch, by=workroom, seconds=10)
    assert do_runs() == ["done"]
    return batch


def test_a_set_up_is_printed_once_with_how_often(batch):
    (plan,) = cut_list(batch)["plans"]

    (cut,) = plan["cuts"]
    assert (cut["order"], cut["last"], cut["times"], plan["in_all"]) == (1, 5, 5, 5)
    assert [piece["count"] for piece in cut["pieces"]] == [1]


def test_a_material_has_a_document_of_its_own(batch):
    plan = CutPlan.objects.get()

    assert cuts_of_plan(plan)["plans"][0]["material"] == plan.material.name
    plan.state = CutPlan.State.PLANNING
    assert cuts_of_plan(plan) == {"plans": []}


def test_a_plan_without_a_bound_says_so_on_page_and_paper(batch, workroom, as_user):
    plan = CutPlan.objects.get()
    plan.answer |= {"proven": False, "bound": 0, "gap": None}
    plan.save()

    page = as_user(workroom).get(reverse("fabrication:cut_plan", args=[plan.pk])).content.decode()
    paper = render_to_string(
        "fabrication/documents/cut_list.html", {"subject": plan, "unit": LengthUnit.INCH, **cuts_of_plan(plan)}
    )

    assert "no bound yet" in page
    assert "No bound yet" in paper
    assert "%" not in plan.within


def test_a_bars_cut_list_says_what_is_trimmed_off_its_ends(batch, workroom, as_user):
    """Half an inch at each end of every bar was in the plan and on no paper."""
    plan = CutPlan.objects.get()
    plan.material.trim = Length.inches("1/2")
    plan.material.save()

    page = as_user(workroom).get(reverse("fabrication:cut_plan", args=[plan.pk])).content.decode()
    paper = render_to_string(
        "fabrication/documents/cut_list.html", {"subject": plan, "unit": LengthUnit.INCH, **cuts_of_plan(plan)}
    )

    for text in (page, paper):
        assert "trim 1/2 in at each end" in " ".join(re.sub("<[^>]*>", "", text).split())


def test_a_label_says_color_mount_and_control(batch):
    """Two units of one room that differ in nothing but these had the same label."""
    unit = batch.makes.get().unit
    unit.product.key, unit.product.fit = "wren", {"controls": [{"key": "chain", "name": "chain loop"}]}
    unit.product.save()
    load_materials(batch.branch)
    load_recipes(batch.branch)
    unit.options = {"colour": "Dusk grey", "control": "chain", "control_side": "left"}
    unit.save()

    text = render_to_string("fabrication/documents/labels.html", {"subject": batch, **labels(batch)})

    assert "Dusk grey" in text
    assert f"{unit.get_mount_display()} · chain loop, left" in text


def test_labels_take_the_branchs_own_size(batch, branch, workroom):
    sheet = labels(batch)["on"]
    assert (sheet["is_roll"], sheet["columns"], sheet["width"]) == (False, 3, "60.33mm")

    sizes = {"width": Length.mm(57), "height": Length.mm(32)}
    save_label_size(branch=branch, by=workroom, kind=LabelSize.Kind.ROLL, **sizes)

    on = labels(batch)["on"]
    assert (on["is_roll"], on["width"]) == (True, "57.00mm")


def roll_of_two_by_one(branch, by):
    sizes = {"width": Length.inches(2), "height": Length.inches(1)}
    return save_label_size(branch=branch, by=by, kind=LabelSize.Kind.ROLL, **sizes)


def pages_of(key, subject, by):
    kind = kind_of(key)
    values = kind.gather(subject)
    pdf, _ = render(kind, subject, Content(values, values), revision=1, by=by)
    return [page.extract_text() for page in PdfReader(BytesIO(pdf)).pages]


def test_a_two_by_one_roll_prints_each_label_on_one_label(batch, branch, workroom):
    """The code came out on one label and the size on the next, and both packages of a unit had one code."""
    roll_of_two_by_one(branch, workroom)
    UnitMake.objects.update(packages=[{"name": "head", "longest": 1}, {"name": "vanes", "longest": 1}])
    code = batch.makes.get().unit.code

    pages = pages_of("fabrication.labels", batch, workroom)

    assert len({label["address"] for sheet in labels(batch)["sheets"] for label in sheet}) == 2
    assert len(pages) == 2
    for number, (page, name) in enumerate(zip(pages, ["head", "vanes"], strict=True), 1):
        assert f"{code}-{number}" in page
        assert f"{number} of 2: {name}" in page
        assert "× 60" in page
        assert "Kitchen 1" in page


def test_what_stands_beside_a_labels_code_is_printed_there(batch, branch, workroom):
    """Package, job and room were set below the code's corner of the label, where it is cut off: no label had them."""
    words, _ = set_of("fabrication.labels", batch, workroom)

    height = {one.text.strip(): one.height for one in words if one.text.strip() and not one.is_drawn}
    (code,) = [at for text, at in height.items() if text == batch.makes.get().unit.code]
    size = height["in"]
    (package,) = [at for text, at in height.items() if text.startswith("1 of")]
    assert code > package > size


def test_pieces_are_labelled_in_the_order_of_the_saw(batch, branch, workroom):
    roll_of_two_by_one(branch, workroom)

    pages = pages_of("fabrication.piece_labels", CutPlan.objects.get(), workroom)

    assert len(pages) == 5
    assert all(batch.makes.get().unit.code in page and "vanes" in page and "81" in page for page in pages)


def test_a_started_sheet_begins_at_its_first_free_label(branch, workroom, as_user):
    clips = make_material(branch)
    for _ in range(3):
        make_stock(clips)
    sizes = {"kind": "sheet", "width": "2 3/8", "height": "1 3/8", "columns": "3", "rows": "7"}
    sizes |= dict.fromkeys(("left", "top", "across", "down"), "0")
    page = as_user(workroom)

    page.post("/workroom/label-size/", sizes | {"start": "20"})
    beyond = page.post("/workroom/label-size/", sizes | {"start": "22"}).content.decode()

    first, second = stock_labels(clips)["sheets"]
    assert first[:19] == [None] * 19
    assert [len(first), len(second), len(pages_of("fabrication.stock_labels", clips, workroom))] == [21, 1, 2]
    assert "the sheet has no such label" in beyond


@pytest.mark.parametrize(
    ("width", "height", "problem"),
    [
        ("2", "7/8", "the code, the size and three lines do not fit on it: at least"),
        ("1 1/4", "2", "code and size do not fit beside the QR code: at least"),
        ("2", "1", ""),
    ],
)
def test_a_label_its_text_does_not_fit_is_refused_and_a_preview_keeps_nothing(
    branch, workroom, as_user, width, height, problem
):
    sizes = {"kind": "roll", "width": width, "height": height, "columns": "1", "rows": "1", "look": "yes"}
    sizes |= dict.fromkeys(("left", "top", "across", "down"), "0")

    answer = as_user(workroom).post("/workroom/label-size/", sizes)

    assert answer.status_code == (422 if problem else 200)
    text = answer.content.decode()
    assert problem in text
    assert ('width="50.80mm" height="25.40mm"' in text) == (not problem)
    assert not LabelSize.objects.exists()


def test_an_offcuts_label_leads_to_its_page(branch, workroom, as_user, stranger):
    offcut = make_stock(make_material(branch), length=Length.inches(40), quantity=1, is_offcut=True)
    path = reverse("fabrication:by_code", args=[offcut.code])

    ((label,),) = stock_label(offcut)["sheets"]
    assert label["address"].endswith(path)
    assert as_user(workroom).get(path).url == reverse("fabrication:stock_item", args=[offcut.pk])
    assert as_user(stranger).get(path).status_code == 404


def test_the_pull_list_is_a_document_too(batch, branch):
    caps = make_material(branch, "piece", name="end caps")
    make_part(batch.makes.get(), caps, None, quantity=2, name="caps")

    (line,) = pull_list(batch)["lines"]
    (part,) = line["parts"]

    assert (line["material"], line["pieces"], line["missing"]) == ("end caps", 2, 2)
    assert (part["quantity"], part["is_pulled"]) == (2, False)
    assert "end caps" in render_to_string(
        "fabrication/documents/pull_list.html", {"subject": batch, **pull_list(batch)}
    )


def test_page_and_work_order_number_one_list_of_steps(batch, workroom, as_user):
    """The work order had 8 lines, the unit's page the last 5 of them."""
    make = batch.makes.get()
    make.unit.steps = [{"what": "smallest width", "value": "35 3/8", "why": "of 3"}]
    make.unit.save()
    make.steps = [{"what": "finished width", "value": "35 1/4", "why": "less 1/8"}]
    make.save()

    page = as_user(workroom).get(reverse("fabrication:unit", args=[make.pk])).content.decode()

    assert work_order(make)["steps"] == [*make.unit.steps, *make.steps]
    assert page.index("smallest width: 35 3/8") < page.index("finished width: 35 1/4")


def test_a_batchs_tickets_are_its_units_work_orders_each_on_a_sheet(branch, batch, workroom):
    """Work orders were printed one by one, and said neither what to do nor what may be off."""
    load_steps(branch)
    make = batch.makes.get()
    make.figures = {"tolerance": {"width": [508, 0], "height": [1016, 1016]}}
    make.save()

    (ticket,) = tickets(batch)["tickets"]
    page = render_to_string("fabrication/documents/tickets.html", {"subject": batch, **tickets(batch)})

    assert ticket.items() <= work_order(make).items()
    assert [side.text() for side in ticket["limits"]["width"]] == ["35 3/16", "35 1/4"]
    assert "hem bar in, end caps on" in ticket["to_do"]
    assert make.unit.code in page
    assert page.count("hem bar in, end caps on") == 1


def test_a_ticket_says_what_its_unit_is_hung_with(cut_by_hand):
    """Screws and brackets stood on the installer's list only: nobody could put the bag beside its blind."""
    batch, by = cut_by_hand

    found = tickets(batch)["tickets"]
    words, pages = set_of("fabrication.tickets", batch, by)

    assert all(any("bracket" in line for line in one["hardware"]) for one in found)
    assert all(any("screw" in line for line in one["hardware"]) for one in found)
    assert sum("Hardware kit" in one.text for one in words) == pages == 24


def test_the_work_order_carries_the_exploded_drawing(batch):
    make = batch.makes.get()
    assert work_order(make)["drawing"] == ""

    make.figures = {"made": made("wren").to_json()}

    assert work_order(make)["drawing"].startswith("<svg")


# -- read at arm's length ----------------------------------------------------------------------------

LEAST_PT, LEAST_SIZE_PT, LEAST_NOTE_PT = 9, 11, 7


def set_of(key, subject, by):
    kind = kind_of(key)
    values = kind.gather(subject)
    pdf, pages = render(kind, subject, Content(values, values), revision=1, by=by)
    return words_of(pdf), pages


def too_small(words: list[Words]) -> list[Words]:
    """Words of a sheet under 9 pt, and lengths and codes in bold under 11; in drawings under 7."""
    return [
        one
        for one in words
        if one.text.strip()
        and one.points < (LEAST_NOTE_PT if one.is_drawn else LEAST_SIZE_PT if one.is_size else LEAST_PT) - 0.01
    ]


@pytest.fixture
def cut_by_hand(workroom, do_runs):
    """Twenty-four open rollers of random sizes in rooms of four, batched and planned."""
    branch, by, rows = release(24, ("wren",))
    load_steps(branch)
    batch = open_batch(branch=branch, makes=[make.pk for make in make_units(rows, by)], by=by)
    plan_batch(batch=batch, by=by, seconds=2)
    assert set(do_runs()) == {"done"}
    return batch, by


def test_sheets_of_24_units_are_few_and_read_at_arms_length(cut_by_hand, django_assert_max_num_queries):
    """Cut lists took 22 sheets, their drawings words of 4 pt; tickets two sheets a unit, codes at 7 pt."""
    batch, by = cut_by_hand
    with django_assert_max_num_queries(20):  # each ticket asked for its recipe's product
        tickets(batch)

    found = {key: set_of(f"fabrication.{key}", batch, by) for key in ("cut_list", "pull_list", "tickets")}

    pages = {key: count for key, (_, count) in found.items()}
    assert pages["cut_list"] <= 10
    assert pages["tickets"] == 24
    for key, (words, _) in found.items():
        assert words, key
        assert not too_small(words), (key, too_small(words)[:5])
    codes = set(batch.makes.values_list("unit__code", flat=True))
    for key in ("cut_list", "tickets"):
        text = " ".join(one.text for one in found[key][0] if not one.is_drawn)
        assert all(code in text for code in codes), key
