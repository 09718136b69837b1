"""Two people at once, on a real site with a real database: a slot is sold once."""

from __future__ import annotations

import datetime as dt
import html
import json
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import pytest
import requests

from tests import servers
from tests.factories import PASSWORD, a_monday
from tests.servers import Site

pytestmark = pytest.mark.slow

ROUNDS = 3
MAKE = f"""
import datetime as dt, json
from tests.factories import *
branch = make_branch()
people = [make_user("dispatcher", branch=branch).username for _ in range(2)]
crew = make_crew(branch)
monday = dt.date.fromisoformat("{a_monday().isoformat()}")
visits = [make_appointment(make_job(branch)).pk for _ in range({2 * ROUNDS + 1})]
slots = [
    f"{{crew.pk}}|{{at(branch, monday + dt.timedelta(days=n), '9:00').isoformat()}}"
    f"|{{at(branch, monday + dt.timedelta(days=n), '9:15').isoformat()}}"
    for n in range({ROUNDS})
]
print(json.dumps({{"people": people, "visits": visits, "slots": slots, "crew": crew.pk}}))
"""


def signed_in(url: str, username: str) -> requests.Session:
    session = requests.Session()
    page = session.get(f"{url}/sign-in/")
    token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page.text)[1]
    answer = session.post(
        f"{url}/sign-in/",
        {"username": username, "password": PASSWORD, "csrfmiddlewaretoken": token},
        headers={"Referer": url},
    )
    assert "sign-in" not in answer.url
    return session


def action(session: requests.Session, url: str, path: str, values: dict[str, str]) -> requests.Response:
    headers = {"Referer": url, "X-CSRFToken": session.cookies["csrftoken"]}
    return session.post(f"{url}{path}", values, headers=headers, allow_redirects=False)


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def race(request: pytest.FixtureRequest) -> Iterator[tuple[Site, dict[str, Any], list[requests.Session]]]:
    """A site, what stands there, and its two dispatchers signed in."""
    if request.param == "sqlite":
        site = request.getfixturevalue("site")
    elif servers.postgres_programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    else:
        site = servers.start_site("postgresql", worker=False)
    made = json.loads(site.python(MAKE).strip().splitlines()[-1])
    yield site, made, [signed_in(site.url, name) for name in made["people"]]
    if request.param == "postgresql":
        site.stop()


def test_two_dispatchers_cannot_hold_the_same_slot(race):
    site, made, people = race
    gate = Barrier(2)

    def take(person: int, visit: int, slot: str) -> int:
        gate.wait()
        return action(people[person], site.url, f"/visits/{visit}/windows/", {"window": slot}).status_code

    told = []
    with ThreadPoolExecutor(2) as pool:
        for number, slot in enumerate(made["slots"]):
            pair = made["visits"][2 * number : 2 * number + 2]
            asked = [pool.submit(take, person, visit, slot) for person, visit in enumerate(pair)]
            told.append(sorted(answer.result() for answer in asked))

    assert told == [[302, 422]] * ROUNDS
    count = "from jobs.models import *; print(Appointment.objects.filter(state='held', crew={}).count())"
    assert site.python(count.format(made["crew"])).strip() == str(ROUNDS)


def test_two_moves_drawn_from_the_same_board_do_not_cross(race):
    site, made, people = race
    visit, day = made["visits"][-1], a_monday() + dt.timedelta(days=7)
    gate = Barrier(2)

    def move(person: int) -> int:
        values = {"crew": str(made["crew"]), "day": str(day), "time": f"{9 + 3 * person:02}:00", "version": "0"}
        gate.wait()
        return action(people[person], site.url, f"/visits/{visit}/move/", values).status_code

    with ThreadPoolExecutor(2) as pool:
        told = sorted(pool.map(move, range(2)))

    assert told == [302, 422]
    count = f"from jobs.models import *; print(AppointmentMove.objects.filter(appointment={visit}).count())"
    assert site.python(count).strip() == "1"


TOKEN = re.compile(r'name="csrfmiddlewaretoken" value="([^"]+)"')


def test_one_press_that_arrives_twice_at_once_is_done_once(race):
    """Both were done: two absences, bookings, receipts."""
    site, made, people = race
    page, gate, day = f"/crews/{made['crew']}/", Barrier(2), a_monday() + dt.timedelta(days=21)

    def press(token: str, reason: str) -> tuple[int, str]:
        sent = {"from_day": str(day), "until_day": str(day), "reason": reason, "csrfmiddlewaretoken": token}
        gate.wait()
        answer = action(people[0], site.url, f"{page}absences/", sent)
        return answer.status_code, answer.headers.get("Location", "")

    told = []
    with ThreadPoolExecutor(2) as pool:
        for number in range(ROUNDS):
            token = TOKEN.search(people[0].get(f"{site.url}{page}").text)[1]
            told += [answer.result() for answer in [pool.submit(press, token, f"round {number}") for _ in range(2)]]

    assert told == [(302, page)] * 2 * ROUNDS
    count = "from jobs.models import *; print(Absence.objects.filter(reason__startswith='round').count())"
    assert site.python(count).strip() == str(ROUNDS)


def test_of_two_who_change_one_box_at_once_one_is_asked(race):
    """Both were kept, one after the other, and the first was gone."""
    site, made, people = race
    page, gate = f"/crews/{made['crew']}/", Barrier(2)

    def change(person: int, name: str) -> int:
        text = people[person].get(f"{site.url}{page}").text
        drawn = html.unescape(re.search(r'name="drawn_from" value="([^"]+)"', text)[1])
        sent = {"name": name, "people": "1", "overtime_min": "0", "is_active": "on", "drawn_from": drawn}
        gate.wait()
        return action(people[person], site.url, page, sent).status_code

    told = []
    with ThreadPoolExecutor(2) as pool:
        for number in range(ROUNDS):
            asked = [pool.submit(change, person, f"Pair {number}{person}") for person in range(2)]
            told.append(sorted(answer.result() for answer in asked))

    assert told == [[302, 422]] * ROUNDS
