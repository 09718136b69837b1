"""The page frame in a real browser: phone and desk, light and dark."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from shared import menu
from tests.factories import PASSWORD

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.urls("tests.shared.specimen")]


def keep_picture(page: Any, name: str) -> None:
    """Keeps a picture for eyes, where JAMBWISE_PICTURES names a folder."""
    if folder := os.environ.get("JAMBWISE_PICTURES"):
        page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=True)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("phone", [True, False], ids=["phone", "desk"])
def test_one_of_everything_is_accessible_and_fits(
    live_server: Any, new_page: Callable[..., Any], sign_in: Any, looks_right: Any, dispatcher: Any,
    phone: bool, scheme: str,
) -> None:  # fmt: skip
    page = new_page(phone=phone, color_scheme=scheme)
    sign_in(page, live_server.url, dispatcher.username, PASSWORD)
    page.goto(f"{live_server.url}/specimen/")

    keep_picture(page, f"specimen-{'phone' if phone else 'desk'}-{scheme}")
    looks_right(page)


@pytest.mark.parametrize("phone", [True, False], ids=["phone", "desk"])
def test_sign_in_is_accessible_and_says_what_is_wrong(
    live_server: Any, new_page: Callable[..., Any], looks_right: Any, dispatcher: Any, phone: bool
) -> None:
    page = new_page(phone=phone)
    page.goto(f"{live_server.url}/sign-in/")
    keep_picture(page, f"sign-in-{'phone' if phone else 'desk'}")
    looks_right(page)

    page.get_by_label("Username").fill(dispatcher.username)
    page.get_by_label("Password").fill("not it")
    page.keyboard.press("Enter")

    expect(page.get_by_text("Wrong username or password.")).to_be_visible()


def test_everything_is_reached_by_keyboard(live_server: Any, page: Any, sign_in: Any, dispatcher: Any) -> None:
    sign_in(page, live_server.url, dispatcher.username, PASSWORD)
    page.goto(f"{live_server.url}/specimen/")

    page.keyboard.press("Tab")
    expect(page.get_by_text("Skip to the sheet")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")

    expect(page.get_by_role("link", name="Job 1042")).to_be_focused()


def test_the_menu_shows_the_pages_of_the_role(as_user: Any, cast: dict[str, Any]) -> None:
    assert menu.entries() is not menu.entries()
    page = as_user(cast["installer"]).get("/account/").content.decode()

    for entry in menu.entries():
        assert (f">{entry.title}<" in page) == any(
            other.title == entry.title and "installer" in other.roles for other in menu.entries()
        )
