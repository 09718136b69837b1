"""The common pages: permissions, throttled sign-in, errors, no inline anything."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from shared import menu, panels, runs
from shared.access import FAILED_OFTEN
from shared.models import Branch, Run, User
from tests.factories import PASSWORD, make_user
from tests.servers import ROOT
from tests.shared import works  # noqa: F401 - registers tests.add

pytestmark = pytest.mark.django_db


# -- sign-in ---------------------------------------------------------------------------------


def sign_in(client: Client, username: str, password: str) -> Any:
    return client.post("/sign-in/", {"username": username, "password": password})


def test_the_right_password_opens_the_first_page_of_the_menu(client: Client, dispatcher: User) -> None:
    answer = sign_in(client, dispatcher.username, PASSWORD)

    assert (answer.status_code, answer.url) == (302, "/")


def test_a_wrong_password_says_the_same_for_a_name_that_is_not_there(client: Client, dispatcher: User) -> None:
    wrong = sign_in(client, dispatcher.username, "not it")
    nobody = sign_in(client, "nobody", "not it")

    for answer in (wrong, nobody):
        assert "Wrong username or password." in answer.content.decode()


def test_guessing_is_stopped_and_then_the_right_password_waits_too(client: Client, dispatcher: User) -> None:
    for _ in range(FAILED_OFTEN):
        last = sign_in(client, dispatcher.username, "not it")

    assert last.status_code == 429
    assert "Too many wrong passwords" in last.content.decode()
    assert sign_in(client, dispatcher.username, PASSWORD).status_code == 429


def test_guessing_at_one_name_does_not_lock_another(client: Client, dispatcher: User, installer: User) -> None:
    for _ in range(FAILED_OFTEN):
        sign_in(client, dispatcher.username, "not it")

    assert sign_in(client, installer.username, PASSWORD).status_code == 302


def test_passwords_are_kept_with_argon2() -> None:
    from shared import settings

    assert settings.PASSWORD_HASHERS[0].endswith("Argon2PasswordHasher")


def test_a_password_is_changed_with_the_old_one(client: Client, dispatcher: User) -> None:
    client.force_login(dispatcher)

    answer = client.post(
        "/account/password/",
        {"old_password": PASSWORD, "new_password1": "twelve brown sills", "new_password2": "twelve brown sills"},
    )

    assert answer.status_code == 302
    dispatcher.refresh_from_db()
    assert dispatcher.check_password("twelve brown sills")


def test_signing_out_needs_a_post_and_works(client: Client, dispatcher: User) -> None:
    client.force_login(dispatcher)

    assert client.get("/sign-out/").status_code == 405
    client.post("/sign-out/")
    assert client.get("/account/").status_code == 302


def test_sign_in_leads_nowhere_but_here(client: Client, dispatcher: User) -> None:
    answer = client.post(
        "/sign-in/", {"username": dispatcher.username, "password": PASSWORD, "next": "https://elsewhere.example/"}
    )

    assert answer.url == "/"


# -- permissions --------------------------------------------------------------------------------------

OPEN = {
    "sign_in",
    "second_step",  # after the password: tests/shared/test_second_step.py
    "join_code",  # who joins has no password yet; tests/shared/test_people.py
    "join",
    "forgotten",
    "healthz",
    "readyz",
    "metrics",  # with a token, or from this machine: tests/shared/test_metrics.py
    "worker",  # the field pages' service worker: a script without data
    "feed",  # a calendar program cannot sign in: its address holds a secret
    "text_in",  # a gateway's reply: a key in its address, tests/jobs/test_texts_in.py
    "your_job",
    "your_photo",
    "your_question",
    "your_approval",
    "your_readiness",
    "your_record",
    "your_site",
    "your_times",  # nor has a customer an account: tests/jobs/test_your_job.py
}
"""The only pages a stranger may see."""
A_UUID = "00000000-0000-4000-8000-000000000000"


def every_route(patterns: Any = None, before: str = "") -> list[tuple[str, str]]:
    """Address (with 1 or a UUID for its keys) and name of every page and API route."""
    found = []
    for one in patterns or get_resolver().url_patterns:
        here = before + str(one.pattern)
        if isinstance(one, URLResolver):
            found += every_route(one.url_patterns, here)
        elif isinstance(one, URLPattern):
            found.append((here, one.name or ""))
    return found


def address_of(route: str) -> str:
    """A route with something in each of its keys."""
    route = re.sub(r"\(\?P<\w+>[^)]*\{36\}\)", A_UUID, route)
    route = re.sub(r"\(\?P<\w+>[^)]*\)", "1", route)
    route = re.sub(r"<uuid:\w+>", A_UUID, route)
    route = re.sub(r"<(?:str|slug|path):\w+>", "x", route)
    route = re.sub(r"<(?:\w+:)?\w+>", "1", route)
    return "/" + re.sub(r"[\^$\\?]", "", route)


def test_a_stranger_enters_no_page_and_no_api_route(client: Client, cast: dict[str, User]) -> None:
    opened = []
    for route, name in every_route():
        if name in OPEN:
            continue
        for method in ("get", "post"):
            answer = getattr(client, method)(address_of(route))
            sent_away = answer.status_code == 302 and answer.url.startswith("/sign-in/")
            if not (sent_away or answer.status_code in {401, 403, 404, 405}):
                opened.append((method, route, answer.status_code))

    assert [row for row in opened if "sign-out" not in row[1] and "manifest" not in row[1]] == []


@pytest.mark.parametrize(
    ("path", "may"),
    [
        ("/account/", {"dispatcher", "measurer", "workroom", "installer", "owner", "stranger"}),
        ("/trail/", {"dispatcher", "owner", "stranger"}),  # the stranger's is that of another branch
        ("/machine/", {"owner"}),
    ],
)
def test_common_pages_open_to_their_roles_only(
    cast: dict[str, User], as_user: Callable[[User], Any], path: str, may: set[str]
) -> None:
    answers = {name: as_user(user).get(path).status_code for name, user in cast.items()}

    assert {name for name, code in answers.items() if code == 200} == may
    assert set(answers.values()) <= {200, 403}


def test_a_run_is_seen_and_stopped_only_by_who_may(
    cast: dict[str, User], as_user: Callable[[User], Any], api_as: Callable[[User], Any]
) -> None:
    run = runs.start("tests.add", by=cast["installer"], params={"a": 1, "b": 1})

    for path in (f"/runs/{run.pk}/", f"/runs/{run.pk}/bar/"):
        assert as_user(cast["stranger"]).get(path).status_code == 404
        assert as_user(cast["installer"]).get(path).status_code == 200
    assert api_as(cast["stranger"]).post(f"/api/runs/{run.pk}/stop/").status_code == 404
    as_user(cast["stranger"]).post(f"/runs/{run.pk}/stop/")
    assert Run.objects.get().state == "waiting"
    as_user(cast["installer"]).post(f"/runs/{run.pk}/stop/")
    assert Run.objects.get().state == "stopped"


def test_somebody_without_a_role_is_told_so(as_user: Callable[[User], Any], branch: Branch) -> None:
    assert "no role" in as_user(make_user(branch=branch)).get("/").content.decode()


def test_everybodys_first_page_is_one_of_their_menu(cast: dict[str, User], as_user: Callable[[User], Any]) -> None:
    for user in cast.values():
        entries = menu.for_user(user)
        if entries:
            assert as_user(user).get("/").url == entries[0][1]


def test_registered_pages_exist() -> None:
    from shared.checks import registered_pages_exist

    assert registered_pages_exist() == []
    menu._entries.append(menu.Entry("Nowhere", "nowhere:at_all", frozenset({"owner"}), 999))
    panels._panels.append(panels.Panel("jobs:job", "Nothing", "nowhere:at_all", frozenset({"owner"}), 999))
    try:
        assert [error.id for error in registered_pages_exist()] == ["jambwise.E001", "jambwise.E002"]
    finally:
        menu._entries.pop()
        panels._panels.pop()


# -- the bar -----------------------------------------------------------------------------------------


def test_the_bar_asks_again_while_it_goes_and_reloads_the_page_when_done(
    dispatcher: User, as_user: Callable[[User], Any]
) -> None:
    client = as_user(dispatcher)
    run = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1})

    going = client.get(f"/runs/{run.pk}/bar/?then=reload")
    runs.perform(run.pk)
    done = client.get(f"/runs/{run.pk}/bar/?then=reload")

    assert 'hx-trigger="every 1s"' in going.content.decode()
    assert "goes on if you leave" in going.content.decode()
    assert "HX-Refresh" not in going
    assert "hx-get" not in done.content.decode()
    assert done["HX-Refresh"] == "true"


def test_the_bar_links_nowhere_but_here(dispatcher: User, as_user: Callable[[User], Any]) -> None:
    run = runs.start("tests.add", by=dispatcher, params={"a": 1, "b": 1})
    runs.perform(run.pk)

    page = as_user(dispatcher).get(f"/runs/{run.pk}/bar/?then=https://elsewhere.example/").content.decode()

    assert "elsewhere" not in page


# -- errors and health ---------------------------------------------------------------------------------


def test_a_missing_page_says_so_in_our_frame(dispatcher: User, as_user: Callable[[User], Any]) -> None:
    answer = as_user(dispatcher).get("/no/such/sheet/")

    assert answer.status_code == 404
    assert "Nothing here" in answer.content.decode()


def test_a_broken_page_answers_500_without_a_database(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    from shared import views

    monkeypatch.setattr(views.menu, "for_user", None)
    client.raise_request_exception = False
    client.force_login(make_user("owner"))

    answer = client.get("/")

    assert answer.status_code == 500
    assert "Something broke on our side" in answer.content.decode()


def test_a_form_from_elsewhere_is_refused(dispatcher: User) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(dispatcher)

    answer = client.post("/sign-out/")

    assert answer.status_code == 403
    assert "The form had gone stale" in answer.content.decode()


def test_health_tells_strangers_nothing_else(client: Client) -> None:
    assert client.get("/healthz").json() == {"ok": True}


def test_the_machine_page_names_the_tzdata(owner: User, as_user: Callable[[User], Any]) -> None:
    assert "tzdata 20" in as_user(owner).get("/machine/").content.decode()


# -- the API -------------------------------------------------------------------------------------------


def test_api_errors_are_problem_details(dispatcher: User, api_as: Callable[[User], Any]) -> None:
    """RFC 9457 section 3: media type, and type, title, status and detail members."""
    answer = api_as(dispatcher).post("/api/documents/", {"kind": ""}, format="json")

    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    body = answer.json()
    assert {"type", "title", "status", "detail"} <= set(body)
    assert {row["field"] for row in body["errors"]} == {"kind", "subject"}


def test_the_schema_lists_every_route(dispatcher: User, api_as: Callable[[User], Any]) -> None:
    paths = api_as(dispatcher).get("/api/schema/").json()["paths"]

    assert {"/api/me/", "/api/runs/{id}/", "/api/documents/"} <= set(paths)


def test_the_api_says_who_i_am(dispatcher: User, api_as: Callable[[User], Any]) -> None:
    assert api_as(dispatcher).get("/api/me/").json()["roles"] == ["dispatcher"]


def test_a_token_opens_the_api(dispatcher: User, client: Client) -> None:
    from rest_framework.authtoken.models import Token

    token = Token.objects.create(user=dispatcher)

    assert client.get("/api/me/").status_code in {401, 403}
    assert client.get("/api/me/", headers={"Authorization": f"Token {token.key}"}).status_code == 200


# -- no inline anything -----------------------------------------------------------------------------------


class Inline(HTMLParser):
    """Collects what a strict Content-Security-Policy refuses."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = dict(attrs)
        self.found += [f"<{tag} {name}>" for name in names if name == "style" or name.startswith("on")]
        if tag == "style" or (tag == "script" and "src" not in names):
            self.found.append(f"<{tag}>")


TEMPLATES = sorted(
    path for app in ("shared", "jobs", "measuring", "fabrication", "installs")
    for path in (ROOT / app).glob("templates/**/*.html")
    if "documents" not in path.parts  # sheets for the printer, which no policy governs
)  # fmt: skip


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_template_has_inline_style_or_script(path: Path) -> None:
    seen = Inline()
    seen.feed(re.sub(r"\{[%{#].*?[%}#]\}", "", path.read_text(), flags=re.DOTALL))

    assert seen.found == []
    assert "hx-on" not in path.read_text()


def test_pages_carry_the_policy(client: Client) -> None:
    """CSP Level 3: without 'unsafe-inline' nothing inline runs or is styled."""
    policy = client.get("/sign-in/")["Content-Security-Policy"]

    rules = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert rules["default-src"] == rules["script-src"] == rules["style-src"] == "'self'"
    assert rules["frame-ancestors"] == "'none'"
    assert "unsafe" not in policy


# -- colours ------------------------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it, 1 to 21."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def schemes() -> dict[str, dict[str, str]]:
    text = (ROOT / "shared/static/shared/tokens.css").read_text()
    light, dark = text.split("prefers-color-scheme: dark")
    tokens = {name: re.findall(r"--([a-z]+): (#[0-9a-f]{6});", part) for name, part in
              (("light", light), ("dark", dark.split("@media print")[0]))}  # fmt: skip
    return {name: dict(found) for name, found in tokens.items()}


def test_contrast_is_computed_as_the_standard_says() -> None:
    """Black on white is 21:1 (WCAG 2.2); #777777 on white is 4.48:1 (WebAIM's checker, from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("token", ["ink", "pencil", "chalk", "stop"])
def test_text_colours_have_the_contrast_of_level_aa(scheme: str, token: str) -> None:
    """WCAG 2.2 success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (lines that mean something, 3:1)."""
    colours = schemes()[scheme]

    assert contrast(colours[token], colours["sheet"]) >= 4.5


def test_colours_have_values_in_tokens_only() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}: {colour}"
        for app in ("shared", "jobs", "measuring", "fabrication", "installs")
        for path in (ROOT / app).glob("static/**/*.css")
        if path.name != "tokens.css" and path.name != "documents.css"
        for colour in re.findall(r"#[0-9a-fA-F]{3,8}\b(?![^{]*\{)", path.read_text())
    ]

    assert wrong == []
