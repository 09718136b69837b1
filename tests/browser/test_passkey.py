"""A passkey is made and used with Chromium's own authenticator, which it plays: on localhost, as WebAuthn asks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

from shared.models import User
from shared.second_factor import services
from tests.factories import PASSWORD

pytestmark = [pytest.mark.django_db(transaction=True)]


def with_authenticator(page: Any) -> tuple[Any, str]:
    """A session of the browser's tools, and the name of an authenticator in it that says yes to everything."""
    tools = page.context.new_cdp_session(page)
    tools.send("WebAuthn.enable")
    options = {
        "protocol": "ctap2", "transport": "internal", "hasResidentKey": True, "hasUserVerification": True,
        "isUserVerified": True, "automaticPresenceSimulation": True,
    }  # fmt: skip
    return tools, tools.send("WebAuthn.addVirtualAuthenticator", {"options": options})["authenticatorId"]


def test_a_passkey_is_the_second_step(
    live_server: Any, new_page: Callable[..., Any], looks_right: Any, measurer: User
) -> None:
    page, url = new_page(phone=True), live_server.url.replace("127.0.0.1", "localhost")
    tools, authenticator = with_authenticator(page)

    def give_password() -> None:
        page.goto(f"{url}/sign-in/?next=/account/second-step/")
        page.get_by_label("Username").fill(measurer.username)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()

    give_password()
    looks_right(page)
    page.get_by_role("link", name="Set up an app").click()
    looks_right(page)
    page.go_back()
    page.get_by_role("link", name="Add a passkey").click()
    page.get_by_label("Name").fill("my phone")
    looks_right(page)
    page.get_by_role("button", name="Add a passkey").click()
    expect(page.get_by_role("heading", name="Recovery codes")).to_be_visible()
    expect(page.locator("li code")).to_have_count(10)
    looks_right(page)
    page.goto(f"{url}/account/")
    page.get_by_role("button", name="Sign out").click()

    give_password()
    expect(page.get_by_role("heading", name="Second step")).to_be_visible()
    looks_right(page)
    page.get_by_role("button", name="Use a passkey").click()
    expect(page.get_by_text("Passkey: my phone")).to_be_visible()
    assert services.steps_of(measurer).get().last_used_at is not None

    page.context.clear_cookies()
    tools.send("WebAuthn.clearCredentials", {"authenticatorId": authenticator})  # the phone is lost
    give_password()
    page.get_by_role("button", name="Use a passkey").click()
    expect(page.get_by_text("No passkey answered")).to_be_visible()
    assert not page.context.cookies() or page.goto(f"{url}/account/").url.endswith("/sign-in/?next=/account/")
