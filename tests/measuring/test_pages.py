"""The plain pages: they work without a script, and what is refused stands beside its field."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from pypdf import PdfReader

from jobs.models import Appointment, Job
from measuring.models import MeasureVisit, Opening, Product, SizeChange, Unit
from measuring.services import range as range_services
from measuring.services import readings as reading_services
from measuring.services import releases, sizes, visits
from measuring.services.starting_data import load_jurisdictions
from shared import documents
from shared.errors import Refused
from shared.models import User
from tests.measuring.makers import (
    INSIDE,
    choose_all,
    inch,
    make_appointment,
    make_approved,
    make_job,
    make_opening,
    make_range,
    make_tape,
)
from tests.measuring.test_readings import a_photo

pytestmark = pytest.mark.django_db
AsUser = Callable[[User], Client]


@pytest.fixture
def appointment(dispatcher: User, measurer: User) -> Appointment:
    make_range(dispatcher.own_branch)
    return make_appointment(make_job(dispatcher), dispatcher, measurer)


@pytest.fixture
def opening(appointment: Appointment, measurer: User) -> Opening:
    visit = visits.open_visit(appointment=appointment, by=measurer)
    return make_opening(appointment.job, measurer, visit=visit, readings={})


def url(name: str, *args: Any) -> str:
    return reverse(f"measuring:{name}", args=args)


def test_a_visit_is_walked_by_plain_forms(appointment: Appointment, measurer: User, as_user: AsUser) -> None:
    client = as_user(measurer)
    visit = appointment.pk
    Job.objects.filter(pk=appointment.job_id).update(openings_expected=1)

    client.post(url("begin", visit))
    client.post(url("add_room", visit), {"name": "Kitchen", "floor": ""})
    opening = Opening.objects.get()
    form = {
        "product": "dunlin_wood", "mount": "inside", "mark": "A", "room": opening.room_id, "units_wanted": "1",
        "fixed_to": "jamb", "substrate": "wood", "sill": "sill",
    }  # fmt: skip
    client.post(url("facts", opening.pk), form)
    client.post(url("readings", opening.pk), {f"{spot}:1": typed for spot, typed in INSIDE.items()})
    page = client.get(url("close", visit)).content.decode()
    closed = client.post(url("close", visit), {"note": "dog is friendly"})

    assert "Nothing is missing" in page
    assert closed.status_code == 302
    assert MeasureVisit.objects.get().outcome == MeasureVisit.Outcome.WHOLE
    assert Unit.objects.get().order_width == inch("35 3/8")
    assert Job.objects.get().stage == Job.Stage.MEASURED


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("abc", "is not a length"),
        ("-3", "is negative"),
        ("0", "is too small"),
        ("1000", "the most is 600 in"),
        ("35 3/7", "the nearest are"),
        ("35 9/8", "an inch or more"),
        ("<script>alert(1)</script>", "&lt;script&gt;"),
    ],
)
def test_a_bad_reading_is_said_at_its_box_and_the_rest_is_kept(
    opening: Opening, measurer: User, as_user: AsUser, typed: str, words: str
) -> None:
    sent = {"widths.top:1": typed, "widths.middle:1": "35 1/4", "heights.left:1": "60"}

    answer = as_user(measurer).post(url("readings", opening.pk), sent)

    page = answer.content.decode()
    box = re.search(r'<div class="field reading wrong.*?</ul>', page, re.S)
    assert answer.status_code == 422
    assert box is not None
    assert "width, top" in box[0]
    assert words in page
    assert opening.readings.count() == 2
    assert "<script>alert" not in page


def test_a_bay_is_entered_on_its_page_and_its_sizes_stand_there_and_at_the_job(
    appointment: Appointment, measurer: User, as_user: AsUser
) -> None:
    job, client = appointment.job, as_user(measurer)
    readings = {"heights.left": "60", "cover.top": "4", "cover.bottom": "2"}
    made = [make_opening(job, measurer, family="roman", mount="outside", readings=readings) for _ in range(3)]
    chosen = {"kind": "bay", "name": "front", "openings": [one.pk for one in made]}

    there = client.post(url("groups", job.pk), chosen)["Location"]
    sent = {"room_between": "", "angle_0": "135", "past_0": "", "angle_1": "", "past_1": "left"}
    sent |= {"leg_left_1": "12", "leg_right_1": "12", "across_1": "22 1/8"}
    for one, wall in zip(made, ("30", "62", "30"), strict=True):
        sent |= {f"wall_{one.pk}": wall, f"off_{one.pk}": ""}
    wrong = client.post(there, sent | {"angle_0": "wide"})
    kept = client.post(there, sent)

    assert (wrong.status_code, kept.status_code) == (422, 302)
    assert "wide is no angle" in wrong.content.decode()
    page = client.get(there).content.decode()
    assert Unit.objects.get(opening=made[0]).order_width == inch("28 9/16")
    assert "135° with" in page
    assert "134.4°" in page
    for shown in (
        page,
        client.get(url("opening", made[0].pk)).content.decode(),
        client.get(url("job_openings", job.pk)).content.decode(),
    ):
        assert 'class="drawing bay"' in shown


def test_an_empty_set_is_nothing_to_keep_and_blocks_the_close_out(
    opening: Opening, measurer: User, as_user: AsUser
) -> None:
    client = as_user(measurer)

    client.post(url("readings", opening.pk), {"widths.top:1": ""})
    answer = client.post(url("close", opening.job.appointments.get().pk), {})

    assert answer.status_code == 422
    assert "width, top: not read" in answer.content.decode()
    assert not opening.readings.exists()


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("big.jpg", b"\xff\xd8" + bytes(20 * 1024 * 1024), "20 MB; the most is 12 MB"),
        ("notes.txt", b"no picture at all", "no picture we can read"),
        ("empty.jpg", b"", "empty"),
    ],
)
def test_a_photo_that_is_none_is_said_at_the_field(
    opening: Opening, measurer: User, as_user: AsUser, name: str, content: bytes, words: str
) -> None:
    sent = {"photo": SimpleUploadedFile(name, content), "caption": "the sill"}

    answer = as_user(measurer).post(url("add_photo", opening.pk), sent)

    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert "the sill" in answer.content.decode()


def test_a_photo_is_shown_to_who_may_see_it(opening: Opening, measurer: User, stranger: User, as_user: AsUser) -> None:
    as_user(measurer).post(url("add_photo", opening.pk), {"photo": SimpleUploadedFile("a.jpg", a_photo(90, 60))})
    photo = opening.photos.get()

    shown = as_user(measurer).get(url("photo", photo.pk))

    assert shown["Content-Type"] == "image/jpeg"
    assert shown["Cache-Control"].startswith("private")
    assert as_user(stranger).get(url("photo", photo.pk)).status_code == 404


def test_facts_that_are_not_fit_stand_beside_their_fields(opening: Opening, measurer: User, as_user: AsUser) -> None:
    form = {
        "product": "siskin", "mount": "inside", "mark": "A", "room": opening.room_id, "units_wanted": "0",
        "fixed_to": "jamb", "substrate": "tile", "sill": "sill", "reach_height": "high up",
    }  # fmt: skip

    answer = as_user(measurer).post(url("facts", opening.pk), form)

    page = answer.content.decode()
    opening.refresh_from_db()
    assert answer.status_code == 422
    assert "0 units in one opening" in page
    assert "high up is not a length" in page
    assert 'value="high up"' in page
    assert opening.substrate == "tile"  # what was fit is kept


def test_a_reading_with_case_says_both(opening: Opening, measurer: User, as_user: AsUser) -> None:
    tape = make_tape(measurer, "3 1/4")
    client = as_user(measurer)

    client.post(
        url("readings", opening.pk),
        {"widths.top:1": "32 1/8", "case:widths.top:1": "on", "tape": tape.pk},
    )

    assert opening.readings.get().value == inch("35 3/8")
    page = client.get(url("opening", opening.pk)).content.decode()
    assert "now 35 3/8 = read + 3 1/4" in page


def test_a_doubt_asks_to_read_again(opening: Opening, measurer: User, as_user: AsUser) -> None:
    client = as_user(measurer)
    readings = INSIDE | {"widths.middle": "53 3/8"}
    client.post(url("readings", opening.pk), {f"{spot}:1": typed for spot, typed in readings.items()})

    page = client.get(url("opening", opening.pk)).content.decode()
    client.post(url("reading_same", opening.readings.get(spot="widths.middle").pk))
    after = client.get(url("opening", opening.pk)).content.decode()

    assert "Read again: width, middle" in page
    assert "Read again: width, middle" not in after
    assert "read again the same" in after


def test_the_office_reads_the_gaps_the_phone_names(dispatcher: User, as_user: AsUser) -> None:
    job = make_job(dispatcher)
    readings = {spot: typed for spot, typed in INSIDE.items() if spot not in ("heights.right", "depth")}
    opening = make_opening(job, dispatcher, readings=readings)
    client = as_user(dispatcher)

    pages = [client.get(url("opening", opening.pk)), client.get(url("sizes", job.pk))]
    sent = client.get(f"/api/openings/{opening.pk}/").json()

    for gap in ("height, right: not read", "depth: not read"):
        assert all(f"<li>{gap}</li>" in page.content.decode() for page in pages)
        assert gap in [one["problem"] for one in sent["missing"]]


def test_a_list_is_tried_before_it_is_loaded(appointment: Appointment, measurer: User, as_user: AsUser) -> None:
    visits.open_visit(appointment=appointment, by=measurer)
    client = as_user(measurer)
    text = "floor,room,mark\n2,201,A\n2,201,B\n"

    tried = client.post(url("load_list", appointment.pk), {"text": text}).content.decode()
    assert not Opening.objects.exists()
    client.post(url("load_list", appointment.pk), {"text": text, "sure": "1"})

    assert "This adds 2 openings" in tried
    assert Opening.objects.count() == 2
    assert appointment.visit_openings.count() == 2


def test_a_file_that_is_no_text_is_no_list(appointment: Appointment, measurer: User, as_user: AsUser) -> None:
    visits.open_visit(appointment=appointment, by=measurer)

    answer = as_user(measurer).post(
        url("load_list", appointment.pk), {"file": SimpleUploadedFile("a.csv", b"\xff\xfe\x00bad\xff")}
    )

    assert answer.status_code == 422
    assert "no text in UTF-8" in answer.content.decode()


def test_sizes_are_approved_and_released_on_one_page(dispatcher: User, as_user: AsUser) -> None:
    job = make_job(dispatcher)
    unit = choose_all(make_opening(job, dispatcher).units.get(), dispatcher)
    client = as_user(dispatcher)

    nameless = client.post(url("approve", job.pk), {"units": unit.pk, "approved_by": "", "how": "signed"})
    client.post(url("approve", job.pk), {"units": unit.pk, "approved_by": "Ida Marl", "how": "signed"})
    client.post(url("release", job.pk), {"units": unit.pk, "due_on": "2031-02-03"})

    unit.refresh_from_db()
    assert nameless.status_code == 422
    assert unit.state == Unit.State.RELEASED
    page = client.get(url("sizes", job.pk)).content.decode()
    assert "order width" in page  # the derivation is there
    assert "Ida Marl, signed" in page


def test_a_corded_release_in_the_us_is_cautioned_whoever_lives_there(dispatcher: User, as_user: AsUser) -> None:
    load_jurisdictions()
    job = make_job(dispatcher, site={"children": False})
    assert job.branch.jurisdiction == "US"
    chain = make_opening(job, dispatcher, family="roller", room="Den").units.get()
    plain = make_opening(job, dispatcher).units.get()
    sizes.set_options(unit=chain, options={"control": "chain"}, by=dispatcher)

    page = unescape(as_user(dispatcher).get(url("sizes", job.pk)).content.decode())

    caution = page[page.index('class="caution"') : page.index("</ul></div>")]
    assert f"{chain.code}: United States: by the voluntary standard a custom covering has a loop only" in caution
    assert "local code" in caution
    assert "was vacated and is not in force" in caution
    assert plain.code not in caution


def test_a_release_that_is_held_says_why(dispatcher: User, as_user: AsUser) -> None:
    unit = make_approved(make_job(dispatcher), dispatcher)
    Job.objects.filter(pk=unit.job.pk).update(hold="own_cloth")

    answer = as_user(dispatcher).post(url("release", unit.job.pk), {"units": unit.pk})

    assert answer.status_code == 422
    assert "the job is held: customer&#x27;s own cloth" in answer.content.decode()


def test_a_change_of_size_is_seen_and_decided(dispatcher: User, measurer: User, as_user: AsUser) -> None:
    unit = make_approved(make_job(dispatcher), dispatcher)
    releases.release_to_workroom(job=unit.job, units=[unit], by=dispatcher)
    reading_services.record_reading(opening=unit.opening, spot="widths.top", typed="35", by=measurer)
    change = SizeChange.objects.get()
    client = as_user(dispatcher)

    page = client.get(url("size_change", change.pk)).content.decode()
    client.post(url("size_change", change.pk), {"do": "accept", "text": "told Ida"})

    unit.refresh_from_db()
    assert "order width shrinks by 3/8 in" in page
    assert unit.order_width == inch("35")


def test_a_measurer_does_not_decide_it(dispatcher: User, measurer: User, as_user: AsUser) -> None:
    job = make_job(dispatcher)
    make_appointment(job, dispatcher, measurer)
    unit = make_approved(job, dispatcher)
    releases.release_to_workroom(job=job, units=[unit], by=dispatcher)
    reading_services.record_reading(opening=unit.opening, spot="widths.top", typed="35", by=measurer)

    answer = as_user(measurer).post(url("size_change", SizeChange.objects.get().pk), {"do": "accept"})

    assert answer.status_code == 422
    assert SizeChange.objects.get().state == SizeChange.State.OPEN


# -- the range ---------------------------------------------------------------------------------


def product_form(product: Product, client: Client) -> dict[str, Any]:
    """What the product's own page would send back."""
    form = client.get(url("product", product.pk)).context["form"]
    sent: dict[str, Any] = {}
    for name, field in form.fields.items():
        value = form.get_initial_for_field(field, name)
        if value is not None and value is not False and value != "":
            sent[name] = value
    return sent


def test_a_product_changes_by_revision(owner: User, as_user: AsUser) -> None:
    product = make_range(owner.own_branch)["dunlin_wood"]
    client = as_user(owner)
    sent = product_form(product, client)

    same = client.post(url("product", product.pk), sent)
    product.refresh_from_db()
    assert (same.status_code, product.revision) == (302, 1)
    client.post(url("product", product.pk), sent | {"min_depth": "1 1/4", "confirmed": "on"})

    product.refresh_from_db()
    assert product.revision == 2
    assert product.fit["min_depth"] == "1 1/4"
    assert product.fit["confirmed"] is True


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("min_depth", "deep", "deep is not a length"),
        ("flush_depth", "1/2", "less than the depth to mount"),
        ("controls", "{", "not JSON"),
        ("tubes", "2 in tube", "a name, a colon"),
        ("name", "", "This field is required"),
    ],
)
def test_a_figure_that_is_not_fit_stands_beside_its_field(
    owner: User, as_user: AsUser, field: str, value: str, words: str
) -> None:
    product = make_range(owner.own_branch)["dunlin_wood"]
    client = as_user(owner)

    answer = client.post(url("product", product.pk), product_form(product, client) | {field: value})

    assert answer.status_code == 422
    assert any(words in str(error) for error in answer.context["form"].errors[field])
    product.refresh_from_db()
    assert product.revision == 1


def test_a_product_is_added_once_under_a_name(owner: User) -> None:
    branch = owner.own_branch
    fit = make_range(branch)["siskin"].fit

    def added(name: str, key: str = "") -> Product:
        return range_services.save_product(branch=branch, by=owner, name=name, family="roller", fit=fit, key=key)

    product = added("Pipit open")
    assert (product.key, product.family, product.revision) == ("pipit_open", "roller", 1)
    for name in ("Pipit open", "pipit OPEN", "!!"):  # the last leaves nothing to make a key of
        with pytest.raises(Refused) as refusal:
            added(name)
        assert refusal.value.field in {"name", "key"}
    assert Product.objects.filter(branch=branch, key="pipit_open").count() == 1


def test_the_dispatcher_reads_the_range_and_does_not_write_it(owner: User, dispatcher: User, as_user: AsUser) -> None:
    product = make_range(owner.own_branch)["siskin"]
    client = as_user(dispatcher)

    answer = client.post(url("product", product.pk), product_form(product, client) | {"name": "Other"})

    assert answer.status_code == 422
    assert "the owner changes the range" in answer.content.decode()


def test_a_tape_without_a_case_is_refused(measurer: User, as_user: AsUser) -> None:
    answer = as_user(measurer).post(url("tapes"), {"label": "yellow", "case_length": "none"})

    assert answer.status_code == 422
    assert "none is not a length" in answer.content.decode()


def test_measure_times_are_bounded(owner: User, as_user: AsUser) -> None:
    from measuring.adapters.minutes import starting_minutes

    sent = {key: str(value) for key, value in starting_minutes().items()}
    client = as_user(owner)

    bad = client.post(url("measure_times"), sent | {"door": "700"})
    good = client.post(url("measure_times"), sent | {"door": "3"})

    assert (bad.status_code, good.status_code) == (422, 302)
    assert "700 is out of bounds (0 to 600)" in bad.content.decode()


# -- documents --------------------------------------------------------------------------------------


def text_of(kind: str, subject: Any) -> str:
    what = documents.kind_of(kind)
    pdf, _ = documents.render(what, subject, what.content(subject), revision=1, by=None)
    return " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)


def test_the_record_tells_every_reading_and_how_the_size_was_reached(dispatcher: User) -> None:
    job = make_job(dispatcher)
    unit = make_opening(job, dispatcher, readings=INSIDE | {"widths.bottom": "35 1/8"}).units.get()

    text = re.sub(r"\s+", " ", text_of("measuring.record", job))

    assert "Measure record" in text
    assert unit.code in text
    assert "width, bottom" in text
    assert "order width: 35 1/8 inside slat: the narrowest of top, middle and bottom" in text


def test_the_sheet_has_a_drawing_for_every_opening_expected(dispatcher: User, measurer: User) -> None:
    job = make_job(dispatcher, openings_expected=3)
    appointment = make_appointment(job, dispatcher, measurer)
    make_opening(job, dispatcher, readings={})

    content = documents.kind_of("measuring.sheet").content(appointment).context
    text = text_of("measuring.sheet", appointment)

    assert [row["name"] for row in content["rows"]] == ["Kitchen A", "opening 2", "opening 3"]
    assert "First width, then height" in text


def test_the_record_goes_stale_when_a_reading_changes(dispatcher: User) -> None:
    job = make_job(dispatcher)
    opening = make_opening(job, dispatcher)
    kind = documents.kind_of("measuring.record")
    before = kind.hash_of(kind.content(job))

    reading_services.record_reading(opening=opening, spot="depth", typed="3", by=dispatcher)

    assert kind.hash_of(kind.content(job)) != before
