"""The travel port against a server of our own that speaks the table protocol."""

from __future__ import annotations

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs

import pytest
from django.core.cache import cache

from jobs.models import TravelLeg
from jobs.schedule.travel import LONGEST_SECONDS, travel_between, travel_to_and_from

pytestmark = pytest.mark.django_db
POINTS = [(-88.31, 41.87), (-88.30, 41.88), (-88.29, 41.86)]


class Server:
    """A small table service: seconds are 100 × (from + to) by place in the request, or what a test says."""

    def __init__(self):
        self.asked: list[str] = []
        self.answer = None
        self.has_roads = True
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self):
                outer.asked.append(self.path)
                body = json.dumps(outer.table(self.path)).encode() if outer.answer is None else outer.answer
                self.send_response(200)
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *args):
                pass

        self.http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.http.server_address[1]}"
        threading.Thread(target=self.http.serve_forever, daemon=True).start()

    def table(self, path):
        where, _, asked = path.partition("?")
        places = where.rpartition("/")[2].split(";")
        query = parse_qs(asked)
        sources = [int(n) for n in query["sources"][0].split(";")]
        targets = [int(n) for n in query["destinations"][0].split(";")]
        seconds = {place: 100 * n for n, place in enumerate(sorted(set(places)), 1)}
        rows = [
            [0 if places[s] == places[t] else seconds[places[s]] + seconds[places[t]] + 0.4 for t in targets]
            for s in sources
        ]
        if not self.has_roads:
            rows = [[None for _ in row] for row in rows]
        return {"code": "Ok", "durations": rows}


@pytest.fixture
def server(settings):
    cache.clear()
    server = Server()
    settings.TRAVEL_URL = server.url
    yield server
    server.http.shutdown()
    server.http.server_close()
    cache.clear()


def test_the_servers_seconds_are_used_and_kept(branch, server):
    first = travel_between(branch, POINTS)
    asked = len(server.asked)
    second = travel_between(branch, POINTS)

    assert first.word == ""
    assert first.seconds.tolist() == second.seconds.tolist()
    assert first.seconds[0][1] > 0
    assert first.seconds[0][0] == 0
    assert len(server.asked) == asked
    assert TravelLeg.objects.count() == 6
    assert server.asked[0].startswith("/table/v1/driving/-88.30000,41.88000;")


def test_a_new_place_asks_only_for_its_own_legs(branch, server):
    travel_between(branch, POINTS[:2])
    asked = len(server.asked)

    travel_between(branch, POINTS)

    assert len(server.asked) == asked + 2
    assert TravelLeg.objects.count() == 6


def test_every_drive_of_the_calendar_is_whole_minutes_rounded_up(branch, server, settings):
    """A drive of 612 s was 10 min on one page and 11 on another; starts behind it carried its seconds."""
    told = travel_between(branch, POINTS).rows
    legs = {(leg.from_at, leg.to_at): leg.seconds for leg in TravelLeg.objects.all()}
    keys = [f"{lon:.5f},{lat:.5f}" for lon, lat in POINTS]
    into, out_of, _ = travel_to_and_from(branch, POINTS[:2], POINTS[2])
    settings.TRAVEL_URL = ""

    assert any(seconds % 60 for seconds in legs.values())
    assert told == [[0 if a == b else -(-legs[a, b] // 60) * 60 for b in keys] for a in keys]
    assert (into, out_of) == ([told[0][2], told[1][2]], told[2][:2])
    assert not (travel_between(branch, POINTS).seconds % 60).any()
    assert not any(s % 60 for way in travel_to_and_from(branch, POINTS[:2], POINTS[2])[:2] for s in way)


def test_no_road_is_out_of_reach(branch, server):
    server.has_roads = False

    travel = travel_between(branch, POINTS[:2])

    assert travel.seconds[0][1] == LONGEST_SECONDS


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"not json", "does not answer"),
        (b'{"code":"NoTable"}', "no table of times"),
        (b'{"code":"Ok","durations":[[0]]}', "wrong shape"),
        (b'{"code":"Ok","durations":[[0,0],[0,0]]}', "no table of times"),
        (b'{"code":"Ok","durations":[["soon","soon"]]}', "no number"),
        (b'{"code":"Ok","durations":[[-5,-5]]}', "-5 seconds"),
        (b'{"code":"Ok","durations":[[1e99,1e99]]}', "seconds for one drive"),
        (b"[]", "no table of times"),
    ],
)
def test_nonsense_falls_back_to_estimates_with_a_visible_word(branch, server, answer, words):
    server.answer = answer

    travel = travel_between(branch, POINTS[:2])

    assert travel.word.startswith("Driving times are estimates")
    assert words in travel.word
    assert travel.seconds[0][1] > 0
    assert not TravelLeg.objects.exists()


def test_a_silent_server_is_left_alone_for_a_while(branch, settings):
    cache.clear()
    settings.TRAVEL_URL = "http://127.0.0.1:9"  # the discard port: nobody listens

    first = travel_between(branch, POINTS)
    second = travel_between(branch, POINTS)

    assert "does not answer" in first.word
    assert "does not answer" in second.word
    cache.clear()


def test_without_a_server_the_great_circle_is_used_in_silence(branch, settings):
    settings.TRAVEL_URL = ""

    assert travel_between(branch, POINTS).word == ""


def test_the_board_says_when_times_are_estimates(branch, dispatcher, as_user, settings):
    from tests.factories import make_appointment, make_crew, make_job

    cache.clear()
    settings.TRAVEL_URL = "http://127.0.0.1:9"
    from django.utils import timezone

    today = timezone.now().astimezone(branch.tz).date()
    make_appointment(make_job(branch), crew=make_crew(branch), day=today, time="9:00")

    page = as_user(dispatcher).get("/calendar/").content.decode()

    assert "Driving times are estimates" in page
    cache.clear()
