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
    number, values = next(imports._lines(TEXT))

    first, again = (imports._take(run, branch, number, values, dispatcher) for _ in range(2))

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
    look = client.post("/jobs/import/", {"file": SimpleUploadedFile("jobs.csv", TEXT.encode())})
    do_runs()
    page = client.get(look.url).content.decode()
    again = client.post(f"{look.url}confirm/")
    do_runs()

    assert "2 lines can be booked, 3 can&#x27;t" in page or "2 lines can be booked, 3 can't" in page
    assert "J-1001" in client.get(again.url).content.decode()
    assert Job.objects.count() == 2
