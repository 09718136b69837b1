"""Day sheets: every crew's, measuring ones too, made anew when the day changes."""

from __future__ import annotations

import io

import pytest
from pypdf import PdfReader

from jobs.models import DaySheet
from jobs.services import appointments, crews
from shared.documents import kind_of
from shared.models import Document
from tests.factories import a_monday, at, make_appointment, make_crew, make_job

pytestmark = pytest.mark.django_db
MONDAY = a_monday()


def printed(document):
    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(document.file.read())).pages)


def test_every_crew_that_drives_has_a_sheet(branch, dispatcher, measurer, as_user, do_runs):
    """Only a truck with a load had paper: who measures drove with a phone or with nothing."""
    measures, installs, idle = make_crew(branch, measurer), make_crew(branch), make_crew(branch)
    job = make_job(branch, openings_expected=6, rooms_expected="kitchen, den")
    job.customer.phone = "555 0142"
    job.customer.save()
    job.site.parking, job.site.access_secret = "behind the barn", "key under the pot"
    job.site.save()
    window = {"promised_from": at(branch, MONDAY, "9:00"), "promised_until": at(branch, MONDAY, "11:00")}
    make_appointment(job, crew=measures, day=MONDAY, time="9:15", state="promised", **window)
    make_appointment(make_job(branch), crew=installs, day=MONDAY, time="10:00", purpose="install")
    office = as_user(dispatcher)

    asked = office.post("/calendar/sheets/", {"day": str(MONDAY)})
    states = do_runs()
    page = office.get(asked.url).content.decode()

    assert states == ["done", "done"]
    assert {sheet.crew for sheet in DaySheet.objects.all()} == {measures, installs}
    assert idle.name not in page
    text = printed(Document.objects.about(DaySheet.objects.get(crew=measures)).get())
    words = ("9:15 am", "9:00 am to 11:00 am", "555 0142", "6 openings expected", "kitchen, den", "behind the barn")
    assert [word for word in (job.number, job.site.street, *words) if word not in text.replace("\n", " ")] == []
    assert "under the pot" not in text


def test_a_sheet_is_its_own_crews_and_goes_stale_with_the_day(branch, dispatcher, measurer, installer, do_runs):
    crew = make_crew(branch, measurer)
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:15")
    (sheet,) = crews.open_day_sheets(crews=[crew], day=MONDAY)
    (again,) = crews.open_day_sheets(crews=[crew], day=MONDAY)
    kind = kind_of("jobs.day_sheet")
    before = kind.hash_of(kind.content(sheet))

    appointments.place(appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "10:00"), by=dispatcher)

    assert again == sheet
    assert kind.hash_of(kind.content(sheet)) != before
    assert list(DaySheet.objects.visible_to(measurer)) == [sheet]
    assert list(DaySheet.objects.visible_to(installer)) == []
