"""Jobs and sites from a CSV file."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.models import Appointment, Customer, Job
from jobs.services import imports
from jobs.services import imports as services
from shared import runs
from shared.errors import Refused
from shared.models import Run
from tests.factories import make_customer, make_site

pytestmark = pytest.mark.django_db

TEXT = """customer,street,town,latitude,longitude,openings,visit
Ada Ashdown,7 Kiln Lane,Millrace,41.9,-88.3,4,yes
Bram Birdsall,8 Kiln Lane,Millrace,,,2,no
Celia Calloway,9 Kiln Lane,Millrace,141.9,-88.3,1,yes
,10 Kiln Lane,Millrace,,,1,yes
Dov Drewitt,11 Kiln Lane,Millrace,41.9,,1,perhaps
"""


def told(branch, dispatcher, do_runs, text=TEXT, *, dry):
    services.ask_for_import(branch=branch, text=text, by=dispatcher, dry=dry)
    assert do_runs() == ["done"]
    return Run.objects.filter(kind="jobs.import").first().result


def test_a_dry_run_tells_every_lines_fate_and_writes_nothing(branch, dispatcher, do_runs):
    result = told(branch, dispatcher, do_runs, dry=True)

    assert (result["taken"], result["wrong"]) == (2, 3)
    fates = [fate["fate"] for fate in result["fates"]]
    assert "new customer, new site" in fates[0]
    assert "place taken from its address" in fates[1]
    assert fates[2] == "latitude: 141.9 is out of bounds (-90 to 90)"
    assert fates[3] == "customer: is empty"
    assert "perhaps is neither yes nor no" in fates[4]
    assert not Job.objects.exists()
    assert not Customer.objects.exists()


def test_a_table_with_semicolons_is_read_as_well(branch, dispatcher, do_runs):
    result = told(branch, dispatcher, do_runs, TEXT.replace(",", ";"), dry=True)

    assert (result["taken"], result["wrong"]) == (2, 3)


def test_an_import_books_the_lines_that_can_be(branch, dispatcher, do_runs):
    told(branch, dispatcher, do_runs, dry=False)

    assert list(Job.objects.order_by("pk").values_list("number", "customer__name", "openings_expected")) == [
        ("J-1001", "Ada Ashdown", 4),
        ("J-1002", "Bram Birdsall", 2),
    ]
    assert Appointment.objects.get().job.number == "J-1001"


def test_a_known_customer_and_site_are_found_again(branch, dispatcher, do_runs):
    customer = make_customer(branch, name="Ada Ashdown")
    make_site(customer, street="7 Kiln Lane", town="Millrace")

    result = told(branch, dispatcher, do_runs, dry=False)

    assert "known customer, known site" in result["fates"][0]["fate"]
    assert Customer.objects.filter(name="Ada Ashdown").count() == 1


def test_a_line_is_booked_once_whichever_attempt_comes_to_it(branch, dispatcher):
    run = services.ask_for_import(branch=branch, text=TEXT, by=dispatcher, dry=False)
    kind = imports.kinds["jobs"]
    sheet = imports.read_sheet(kind, TEXT)
    number, cells = sheet.lines[0]

    to = imports.Importing(branch, dispatcher)
    first, again = (imports._take(run, kind, to, number, sheet.values(cells)) for _ in range(2))

    assert first == again
    assert Job.objects.count() == 1


def test_what_was_booked_before_a_stop_stays_and_is_shown(branch, dispatcher, as_user, do_runs, monkeypatch):
    """The whole file was one transaction: minutes in which nobody else could book, and a stop came to nothing."""
    looks = iter([None, None, runs.Stopped()])

    def look(ctx):
        if (what := next(looks)) is not None:
            raise what

    monkeypatch.setattr(runs.Context, "raise_if_stopped", look)
    run = services.ask_for_import(branch=branch, text=TEXT, by=dispatcher, dry=False)
    do_runs()

    page = as_user(dispatcher).get(f"/jobs/import/{run.pk}/").content.decode()
    assert Run.objects.get(pk=run.pk).state == "stopped"
    assert Job.objects.count() == 2
    assert "J-1001" in page
    assert "J-1002" in page


def test_a_look_writes_and_locks_nothing(branch, dispatcher, do_runs):
    """It booked the whole file and took it back: on SQLite nobody could sign in meanwhile."""
    with CaptureQueriesContext(connection) as asked:
        result = told(branch, dispatcher, do_runs, dry=True)

    touched = [
        query["sql"]
        for query in asked.captured_queries
        if query["sql"].startswith(("INSERT", "UPDATE", "DELETE")) or "FOR UPDATE" in query["sql"]
        if '"shared_run"' not in query["sql"]
    ]
    assert touched == []
    assert result["taken"] == 2


def test_a_look_knows_whom_earlier_lines_would_bring(branch, dispatcher, do_runs):
    text = TEXT.splitlines()[0] + "\n" + "Ada Ashdown,7 Kiln Lane,Millrace,,,1,yes\n" * 2

    looked = [fate["fate"] for fate in told(branch, dispatcher, do_runs, text, dry=True)["fates"]]
    booked = [fate["fate"] for fate in told(branch, dispatcher, do_runs, text, dry=False)["fates"]]

    assert [fate.partition(": ")[2] for fate in looked] == [fate.partition(": ")[2] for fate in booked]


def test_a_look_is_booked_once_however_often_it_is_confirmed(branch, dispatcher, as_user, do_runs):
    look = services.ask_for_import(branch=branch, text=TEXT, by=dispatcher, dry=True)
    do_runs()
    client = as_user(dispatcher)

    first = client.post(f"/jobs/import/{look.pk}/confirm/")
    do_runs()
    again = client.post(f"/jobs/import/{look.pk}/confirm/")
    do_runs()

    assert first.url == again.url
    assert Job.objects.count() == 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("customer,street\nA,B\n", "lacks the column town"),
        ("customer,street,town,colour\nA,B,C,D\n", "no such column: colour"),
        ("", "lacks the column"),
    ],
)
def test_a_file_that_is_no_table_of_ours_is_refused(branch, dispatcher, text, words):
    with pytest.raises(Refused, match=words):
        services.ask_for_import(branch=branch, text=text, by=dispatcher, dry=True)


def test_the_page_goes_from_the_file_to_the_fates_to_the_jobs(branch, dispatcher, as_user, do_runs):
    from django.core.files.uploadedfile import SimpleUploadedFile

    client = as_user(dispatcher)
    sent = {"kind": "jobs", "file": SimpleUploadedFile("jobs.csv", TEXT.encode())}
    look = client.post("/jobs/import/", sent)
    do_runs()
    page = client.get(look.url).content.decode()
    again = client.post(f"{look.url}confirm/")
    do_runs()

    assert "2 lines can be taken in, 3 can't" in page
    assert "J-1001" in client.get(again.url).content.decode()
    assert Job.objects.count() == 2


BUILDERS = """Client;Where;City;Reach them;Mail;Windows
Ada Ashdown;7 Kiln Lane;Millrace;555 0147;ada@example.org;4
Bram Birdsall;8 Kiln Lane;;555-0148;bram@;many
"""


def upload(client, do_runs, text, **fields):
    from django.core.files.uploadedfile import SimpleUploadedFile

    data = text if isinstance(text, bytes) else text.encode()
    sent = {"kind": "jobs", "file": SimpleUploadedFile("table.csv", data), **fields}
    look = client.post("/jobs/import/", sent)
    assert look.status_code == 302, look.content.decode()
    do_runs()
    return look.url


def choices(client, url):
    """Which heading is read as which column, as the page's selects say."""
    import re

    page = client.get(url).content.decode()
    found = re.findall(r'name="column-\d+" aria-label="([^"]*) is read as">(.*?)</select>', page, re.DOTALL)
    return {head: (re.search(r'value="(\w*)" selected', inner) or ["", ""])[1] for head, inner in found}


def test_columns_are_known_by_heading_and_by_what_their_cells_look_like(branch, dispatcher, as_user, do_runs):
    client = as_user(dispatcher)

    url = upload(client, do_runs, BUILDERS)

    assert choices(client, url) == {
        "Client": "customer", "Where": "", "City": "town", "Reach them": "phone", "Mail": "email",
        "Windows": "openings",
    }  # fmt: skip
    assert "Say below which column is street" in client.get(url).content.decode()


def test_every_wrong_cell_of_a_line_is_named_at_once(branch, dispatcher, as_user, do_runs):
    client = as_user(dispatcher)
    url = upload(client, do_runs, BUILDERS)
    names = ["customer", "street", "town", "phone", "email", "openings"]

    again = client.post(f"{url}again/", {f"column-{at}": name for at, name in enumerate(names)})
    do_runs()

    fates = Run.objects.get(pk=again.url.split("/")[-2]).result["fates"]
    assert not fates[0]["is_wrong"]
    assert set(fates[1]["cells"]) == {"town", "email", "openings"}


def test_what_was_chosen_of_a_sources_columns_is_kept_for_its_next_table(branch, dispatcher, as_user, do_runs):
    client = as_user(dispatcher)
    url = upload(client, do_runs, BUILDERS, source="Weir Builders")
    names = ["customer", "street", "town", "phone", "", "openings"]  # their mail is nobody's
    again = client.post(f"{url}again/", {f"column-{at}": name for at, name in enumerate(names)})
    do_runs()
    client.post(f"{again.url}confirm/")
    do_runs()
    assert Job.objects.get().site.street == "7 Kiln Lane"
    assert Job.objects.get().customer.email == ""

    other, same = (upload(client, do_runs, BUILDERS, source=source) for source in ("Others", "Weir Builders"))

    assert choices(client, same)["Where"] == "street"
    assert choices(client, same)["Mail"] == ""
    assert choices(client, other)["Where"] == ""


def test_an_xlsx_is_read_as_its_csv_would_be(branch, dispatcher, as_user, do_runs):
    import io

    import openpyxl

    book = openpyxl.Workbook()
    book.create_sheet("Jobs")
    for row in (["customer", "street", "town", "openings"], ["Ada", "7 Kiln Lane", "Millrace", 4.0], [None, "x"]):
        book["Jobs"].append(row)
    out = io.BytesIO()
    book.save(out)
    client = as_user(dispatcher)

    url = upload(client, do_runs, out.getvalue())

    result = Run.objects.get(pk=url.split("/")[-2]).result
    assert [fate["is_wrong"] for fate in result["fates"]] == [False, True]
    client.post(f"{url}confirm/")
    do_runs()
    assert Job.objects.get().openings_expected == 4


@pytest.mark.parametrize("data", [b"PK\x03\x04 no zip", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 old", b"\x00\x01\x02"])
def test_what_is_no_table_is_refused_beside_the_file(branch, dispatcher, as_user, data):
    from django.core.files.uploadedfile import SimpleUploadedFile

    sent = {"kind": "jobs", "file": SimpleUploadedFile("table.xlsx", data)}
    answer = as_user(dispatcher).post("/jobs/import/", sent)

    assert answer.status_code == 422
    assert 'id="id_file_error"' in answer.content.decode()


def test_an_import_is_undone_but_for_what_something_hangs_on(branch, dispatcher, as_user, do_runs):
    from jobs.services import booking
    from jobs.services.search import find_customers

    make_customer(branch, name="Known Before")
    rows = ["A One,1 Kiln Lane", "B Two,2 Kiln Lane", "C Three,3 Kiln Lane", "Known Before,4 Kiln Lane"]
    text = "customer,street,town\n" + "".join(f"{row},Millrace\n" for row in rows)
    client = as_user(dispatcher)
    run = services.ask_for_import(branch=branch, text=text, by=dispatcher, dry=False)
    do_runs()
    booked = {job.customer.name: job for job in Job.objects.all()}
    booking.edit_job(job=booked["B Two"], by=dispatcher, note="they called")
    booking.new_project(customer=booked["C Three"].customer, name="Three houses", by=dispatcher)

    client.post(f"/jobs/import/{run.pk}/undo/")
    do_runs()

    assert sorted(Customer.objects.values_list("name", flat=True)) == ["B Two", "C Three", "Known Before"]
    assert sorted(job.customer.name for job in Job.objects.all()) == ["B Two", "C Three"]
    page = client.get(f"/jobs/import/{run.pk}/").content.decode()
    assert "2 lines undone" in page
    assert "changed the job" in page
    assert "C Three has project" in page
    assert find_customers(dispatcher, "One", 5) == []
    assert [one.name for one in find_customers(dispatcher, "Known Before", 5)] == ["Known Before"]


def test_crews_come_with_their_days_and_purposes(branch, dispatcher, do_runs):
    from jobs.models import Crew

    text = "crew,people,purposes,days,starts,ends\n"
    text += "North,2,install + return,Mon-Thu,7:30,16:00\nSouth,x,fly,Moon,9,8\n"
    run = services.ask_for_import(branch=branch, text=text, by=dispatcher, dry=False, kind="crews")
    do_runs()

    crew = Crew.objects.get()
    assert (crew.people, crew.purposes, crew.hours.count()) == (2, ["install", "return"], 4)
    assert set(Run.objects.get(pk=run.pk).result["fates"][1]["cells"]) == {"people", "purposes", "days", "ends"}
