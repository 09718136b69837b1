"""Customers, sites and jobs are found by whatever somebody knows of them, and by nobody who may not see them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test import Client

from jobs.models import Job, SearchEntry, SearchWord
from jobs.rules.search_text import name_words, phones, readings, search_text
from jobs.services import booking as services
from jobs.services import search
from shared.models import Branch, User
from tests.factories import make_appointment, make_crew, make_job, make_user

pytestmark = [pytest.mark.django_db, pytest.mark.database]

PAYER = {"name": "Zoë O'Brien", "phone": "(312) 555-0147", "email": "zoe.ob@example.org"}
PLACE = {
    "street": "12 North Kiln Street",
    "town": "Millrace",
    "postcode": "60187",
    "latitude": 41.9,
    "longitude": -88.3,
}


@pytest.fixture
def job(dispatcher: User) -> Job:
    """One job among others that share its words."""
    branch = dispatcher.own_branch
    for name, street in (("Ann Kiln", "14 Mill Street"), ("Bo Hale", "12 South Forge Road")):
        place = {**PLACE, "street": street}
        services.book_job(branch=branch, by=dispatcher, customer={"name": name, "phone": "312 555 0199"}, site=place)
    return services.book_job(branch=branch, by=dispatcher, customer=PAYER, site=PLACE)


def page(client: Client, words: str) -> Any:
    return client.get("/find/", {"words": words}, follow=True)


@pytest.mark.parametrize(
    "words",
    [
        "312.555.0147",  # other marks between
        "+1 (312) 555 0147",  # with the country
        "3125550147",  # none at all
        "555-0147",  # without the area
        "0147",  # the last four
        "obrien 312-555-0147",  # with a name
        "zoe obrien",  # no accent, no apostrophe
        "O’Brien",  # the other apostrophe
        "12 n kiln st",  # short forms
        "12 N. Kiln Str., Millrace",
        "12 north kiln street",
        "kiln st 60187 zoe",  # in another order
        "zoe.ob@example.org",
        "obr",  # while it is typed
        "obiren",  # letters swapped
        "zoe ob kilm",
        "Millrase obrian",  # two mistakes
    ],
)
def test_a_job_is_found_by_whatever_somebody_knows_of_it(dispatcher: User, job: Job, words: str) -> None:
    jobs, _customers, _close = search.find_jobs(dispatcher, words, 9)

    assert [row.pk for row in jobs] == [job.pk]


@pytest.mark.parametrize("spell", ["{0}", "j-{0}", "J{0}", "#{0}", "j {0}"])
def test_a_job_is_found_by_its_number_however_it_is_written(
    dispatcher: User, job: Job, as_user: Callable[[User], Client], spell: str
) -> None:
    digits = job.number.partition("-")[2]

    answer = as_user(dispatcher).get("/find/", {"words": spell.format(digits)})

    assert answer.url == job.get_absolute_url()


@pytest.mark.parametrize("words", ["qqqq zzzz", "0148", "%", '" OR text:', "12 kiln ann", "x", "|"])
def test_what_nobody_has_is_not_found(dispatcher: User, job: Job, words: str) -> None:
    assert search.find_jobs(dispatcher, words, 9)[0] == []


def test_a_stranger_finds_nothing_and_the_field_what_it_drives_to(cast: dict[str, User], branch: Branch) -> None:
    by, measurer = cast["dispatcher"], cast["measurer"]
    place = {key: value for key, value in PLACE.items() if key not in {"latitude", "longitude"}}
    booked = [
        services.book_job(branch=branch, by=by, customer=PAYER, site=place | {"street": f"{n} Kiln Lane"}, purpose=None)
        for n in (1, 2)
    ]
    make_appointment(booked[0], crew=make_crew(branch, measurer), day=dt.date(2026, 6, 2), time="9:00")

    found = {name: {row.pk for row in search.find_jobs(user, "obrien", 9)[0]} for name, user in cast.items()}

    both = {row.pk for row in booked}
    assert (found["dispatcher"], found["workroom"], found["stranger"]) == (both, both, set())
    assert (found["measurer"], found["installer"]) == ({booked[0].pk}, set())


def test_the_workroom_finds_nobody_by_phone_or_e_mail(cast: dict[str, User], branch: Branch) -> None:
    """Else it could try out which number is whose."""
    services.book_job(branch=branch, by=cast["dispatcher"], customer=PAYER, site=PLACE)

    for words in ("312 555 0147", "0147", "zoe.ob@example.org"):
        assert search.find_jobs(cast["dispatcher"], words, 9)[0]
        assert search.find_jobs(cast["workroom"], words, 9)[0] == []


def test_known_already_finds_a_telephone_and_a_job_number(
    dispatcher: User, job: Job, as_user: Callable[[User], Client]
) -> None:
    client = as_user(dispatcher)

    for words in ("+1 312 5550147", job.number.lower(), job.number[2:], "obrian kiln"):
        shown = client.get("/jobs/book/find/", {"who": words}).content.decode()
        assert "O&#x27;Brien" in shown
        assert f"for_site={job.site_id}" in shown
        assert "Bo Hale" not in shown


def test_a_customer_without_a_job_is_found_by_the_office(dispatcher: User, as_user: Callable[[User], Client]) -> None:
    row = services.new_customer(branch=dispatcher.own_branch, by=dispatcher, name="Wren Ashby", phone="312 555 0111")

    assert as_user(dispatcher).get("/find/", {"words": "ashby"}).url == f"/jobs/book/?for_customer={row.pk}"


def test_what_is_changed_is_found_by_the_new_and_no_longer_by_the_old(dispatcher: User, job: Job) -> None:
    services.edit_customer(customer=job.customer, by=dispatcher, name="Vesper Quill", phone="+44 20 7946 0018")
    services.edit_site(site=job.site, by=dispatcher, street="3 Weir Court")

    def keys(words: str) -> list[int]:
        return [row.pk for row in search.find_jobs(dispatcher, words, 9)[0]]

    assert keys("quill 3 weir ct") == keys("20 7946 0018") == keys("qiull") == [job.pk]
    assert keys("obrien") == keys("312 555 0147") == keys("obrain") == keys("12 n kiln") == []


def test_a_name_that_was_changed_is_left_nowhere_in_the_index(dispatcher: User, job: Job) -> None:
    services.edit_customer(customer=job.customer, by=dispatcher, name="Vesper Quill", email="", phone="")

    assert not SearchWord.objects.filter(word="obrien").exists()
    assert not SearchEntry.objects.filter(text__contains="obrien").exists()
    if connection.vendor == "sqlite":
        for table in ("jobs_searchentry_fts", "jobs_searchword_fts"):
            with connection.cursor() as cursor:
                cursor.execute(f"SELECT count(*) FROM {table} WHERE {table} MATCH %s", ['"obrien"'])
                assert cursor.fetchone() == (0,)


def test_written_anew_the_entries_are_the_same(dispatcher: User, job: Job) -> None:
    def all_of_it() -> tuple[set[Any], set[str]]:
        entries = SearchEntry.objects.values_list("branch", "customer", "site", "text")
        return set(entries), set(SearchWord.objects.values_list("word", flat=True))

    kept = all_of_it()

    assert search.rebuild() == 3
    assert all_of_it() == kept
    assert [row.pk for row in search.find_jobs(dispatcher, "obiren", 9)[0]] == [job.pk]


def test_every_page_has_the_box_and_shows_what_is_close_as_such(
    cast: dict[str, User], as_user: Callable[[User], Client], branch: Branch
) -> None:
    services.book_job(branch=branch, by=cast["dispatcher"], customer=PAYER, site=PLACE)

    assert 'action="/find/"' in as_user(cast["measurer"]).get("/account/").content.decode()
    shown = page(as_user(cast["dispatcher"]), "obiren").content.decode()
    assert "Nothing is spelled" in shown
    assert "O&#x27;Brien" in shown
    assert "Nothing is found" in page(as_user(cast["stranger"]), "obiren").content.decode()


def test_somebody_without_a_branch_looks_over_the_whole_firm(job: Job) -> None:
    assert search.find_jobs(make_user("owner"), "312 555 0147", 9)[0] == [job]


# -- the line itself ---------------------------------------------------------------------------


def test_two_numbers_in_one_field_are_both_found() -> None:
    assert phones("312 555 0147 / 312-555-0148 x9", "US") == ["13125550147", "13125550148"]


def test_a_number_is_read_as_its_country_writes_it() -> None:
    assert phones("020 7946 0018", "GB") == phones("+44 20 7946 0018", "US") == ["442079460018"]


def test_a_house_number_and_a_postcode_are_no_telephone_number_alone() -> None:
    assert [("1204",), ("60187",)] in readings("1204 60187", "US")


def test_nothing_of_the_contact_is_offered_for_a_mistyped_word() -> None:
    text = search_text(["Ann Lee"], [], ["312 555 0147"], "US")

    assert name_words(text) == set()
    assert text == " ann lee | 13125550147 "


def test_a_job_of_the_bulk_is_found_after_the_index_is_written(dispatcher: User) -> None:
    row = make_job(dispatcher.branch, by=dispatcher)
    assert search.find_jobs(dispatcher, row.site.street, 9)[0] == []

    search.rebuild()

    assert search.find_jobs(dispatcher, row.site.street, 9)[0] == [row]
