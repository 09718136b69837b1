"""An error is told to where the DSN says, and names nobody."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import brotli

from tests.servers import ROOT, clean_environment, free_port

BREAK = """
import django, logging
django.setup()
import sentry_sdk
from django.test import RequestFactory
from django.core.handlers.wsgi import WSGIHandler
from django.urls import path
import shared.urls

def broken(request):
    customer = "Ada Ashdown"
    raise KeyError("grid")

shared.urls.urlpatterns.insert(0, path("healthz", broken))
headers = {"Cookie": "sessionid=of-ada", "X-Request-ID": "from-the-proxy-1"}
request = RequestFactory().get("/healthz?q=Ada+Ashdown", headers=headers)
request.environ["SERVER_NAME"] = "localhost"
WSGIHandler()(request.environ, lambda *said: None)
sentry_sdk.flush(5)
"""


class Taker(BaseHTTPRequestHandler):
    taken: list[bytes] = []

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.taken.append(
            brotli.decompress(body) if self.headers["Content-Encoding"] == "br" else gzip.decompress(body)
        )
        self.send_response(200)
        self.end_headers()
        self.wfile.write(b"{}")

    def log_message(self, *args: object) -> None:
        pass


def test_an_error_is_told_with_its_request_and_names_nobody(tmp_path: Any) -> None:
    server = ThreadingHTTPServer(("127.0.0.1", free_port()), Taker)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    dsn = f"http://key@127.0.0.1:{server.server_address[1]}/1"
    env = {**clean_environment(), "JAMBWISE_DATA": str(tmp_path), "ERRORS_DSN": dsn}

    done = subprocess.run([sys.executable, "-c", BREAK], cwd=ROOT, env=env, capture_output=True, text=True)

    server.shutdown()
    assert Taker.taken, done.stderr
    told = b"".join(Taker.taken)
    event = next(line for one in Taker.taken for line in map(json.loads, one.splitlines()) if "exception" in line)
    assert event["exception"]["values"][-1]["type"] == "KeyError"
    assert event["tags"]["request_id"] == "from-the-proxy-1"
    assert event["request"] == {"method": "GET", "url": "http://localhost/healthz"}
    assert b"Ada" not in told
    assert b"of-ada" not in told
