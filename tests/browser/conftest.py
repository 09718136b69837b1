"""What browser tests share beside the fixtures of the whole suite."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Everything in this folder drives a browser."""
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker("browser")


@pytest.fixture
def sign_in() -> Callable[..., None]:
    """``sign_in(page, url, username, password)`` through the form, as a person does."""

    def enter(page: Any, url: str, username: str, password: str) -> None:
        page.goto(f"{url}/sign-in/")
        page.get_by_label("Username").fill(username)
        page.get_by_label("Password").fill(password)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(lambda address: "/sign-in/" not in address)

    return enter


@pytest.fixture
def looks_right() -> Callable[[Any], None]:
    """
    ``looks_right(page)``: no sideways scroll, nothing under its size for fingers, no axe violations.

    axe-core's rules of WCAG 2.0 to 2.2, levels A and AA.
    """

    def look(page: Any) -> None:
        from axe_playwright_python.sync_playwright import Axe

        width = page.evaluate("() => [document.documentElement.scrollWidth, window.innerWidth]")
        assert width[0] <= width[1], f"scrolls sideways: {width[0]} px in {width[1]}"
        tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
        found = Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}})
        assert found.violations_count == 0, found.generate_report()

    return look


HOLD_THE_QUEUE = """
async () => {
  const names = (await indexedDB.databases()).map((one) => one.name).filter((name) => /^jambwise-\\d+$/.test(name));
  const forever = new Promise(() => {});
  const hold = (name) => new Promise((held) => navigator.locks.request(name, () => (held(), forever)));
  await Promise.all(names.map(hold));
  return names.length;
}
"""


@pytest.fixture
def put_away() -> Callable[[Any], Any]:
    """
    ``put_away(page)``: closes a tab that has no signal and opens another one.

    Chromium ends the emulated want of signal a little before a closed tab is gone (2 of 120 let a request
    out). What the queue sends is let end first, and nothing begins, as if another tab were sending.
    """

    def away(page: Any) -> Any:
        assert page.evaluate(HOLD_THE_QUEUE) == 1
        page.close()
        return page.context.new_page()

    return away
