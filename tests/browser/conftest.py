"""What browser tests share beside the fixtures of the whole suite."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conditions import Condition, Line


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


SMALL_FOR_FINGERS = """
() => ["button", "a.button", "summary", "select", "textarea", "input:not([type=hidden], [type=file])"]
  .flatMap((kind) => [...document.querySelectorAll(`#sheet ${kind}, #field ${kind}, [data-next-action] ${kind}`)])
  .map((one) => (["checkbox", "radio"].includes(one.type) ? one.closest(".tick") ?? one.labels[0] : one))
  .filter((one) => one.checkVisibility({ visibilityProperty: true }) && one.getBoundingClientRect().height < 47.5)
  .map((one) => `${one.outerHTML.slice(0, 200)}: ${one.getBoundingClientRect().height} px`)
"""


@pytest.fixture
def fits_fingers(looks_right: Callable[[Any], None]) -> Callable[[Any], None]:
    """``fits_fingers(page)``: a field page that looks right, and whatever is tapped on it is 48 px high at least."""

    def look(page: Any) -> None:
        looks_right(page)
        assert page.evaluate(SMALL_FOR_FINGERS) == []

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


# -- the conditions that a phone is used in ---------------------------------------------------------


@pytest.fixture
def condition(request: pytest.FixtureRequest) -> Condition | None:
    """What the test runs `under`, if it says so."""
    return getattr(request, "param", None)


@pytest.fixture
def line(condition: Condition | None) -> Iterator[Line | None]:
    """The line of the test's phones, where it is to be slow."""
    made = Line() if condition is not None and condition.is_slow else None
    yield made
    if made is not None:
        made.stop()


@pytest.fixture
def new_page(condition: Condition | None, line: Line | None, new_page: Callable[..., Any]) -> Callable[..., Any]:
    """The suite's `new_page`; a phone has the condition's screen, and a line that ends after it."""
    if condition is None:
        return new_page

    def page(*, phone: bool = False, **how: Any) -> Any:
        if not phone:
            return new_page(**how)
        over = {} if line is None else {"proxy": {"server": f"http://{line.address}"}}
        errors = {} if condition.has_signal else {"errors_allowed": True}  # the browser logs each failed request
        made = new_page(phone=True, **over, **(how | errors))
        made.set_viewport_size(dict(zip(("width", "height"), condition.screen, strict=True)))
        return made

    return page


@pytest.fixture
def go_out(condition: Condition | None, line: Line | None) -> Iterator[Callable[[Any], None]]:
    """``go_out(page)``: the phone has left the yard; from here on line, signal and phone are the condition's."""
    from playwright.sync_api import expect

    went: list[Any] = []

    def go(page: Any) -> None:
        went.append(page)
        if condition is None:
            return
        if condition.slower > 1:
            page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": condition.slower})
        if line is not None:
            line.is_slow = True
        if line is not None or condition.slower > 1:
            expect.set_options(timeout=60_000)
        page.context.set_offline(not condition.has_signal)

    yield go
    expect.set_options(timeout=5_000)
    assert went, "the phone never left the yard"


@pytest.fixture
def has_signal_again() -> Callable[[Any], None]:
    """``has_signal_again(page)``: a phone that had none sends what waits, over the line there is."""

    def back(page: Any) -> None:
        page.context.set_offline(False)
        page.evaluate("window.dispatchEvent(new Event('online'))")

    return back
