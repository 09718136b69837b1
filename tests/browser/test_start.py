"""A firm's first morning: from an empty database to the first job with a promised time, typed as a person does."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.servers import Site, start_site

LONG = 60_000
NEW_CODE = "from shared.setup.services import new_setup_code; print(new_setup_code())"


@pytest.fixture
def empty_site() -> Iterator[Site]:
    """A site whose database was only migrated."""
    running = start_site("sqlite", worker=False)
    yield running
    running.stop()


def test_an_empty_database_to_the_first_promised_visit(
    empty_site: Site, new_page: Callable[..., Any], looks_right: Callable[[Any], None]
) -> None:
    page, phone = new_page(), new_page(phone=True)
    page.goto(f"{empty_site.url}/jobs/")
    set_up_firm(page, empty_site.python(NEW_CODE).strip(), looks_right)
    code = set_up_crews_and_people(page, looks_right)
    take_range(page, looks_right)

    join(phone, empty_site.url, code, looks_right)
    book(page)


def set_up_firm(page: Any, code: str, look: Callable[[Any], None]) -> None:
    """The code from the terminal, the firm, its branch, the owner who is also the dispatcher."""
    look(page)
    page.get_by_label("One-time code").fill(code)
    page.get_by_role("button", name="Start").click()
    page.get_by_label("Name of the firm").fill("Weir & Daughters")
    look(page)
    save(page)
    page.get_by_role("textbox", name="Address (optional)", exact=True).fill("9 Weir Street\nLarkmere 00311")
    page.get_by_label("Place on the map").fill("41.6180, -91.8720")
    page.get_by_label("Time zone").select_option("America/Chicago")
    look(page)
    save(page)
    page.get_by_label("Name", exact=True).fill("Olive Orr")
    page.get_by_label("Username").fill("olive")
    page.get_by_label("Password").fill("ten brown sills")
    page.get_by_label("dispatcher").check()
    look(page)
    save(page)


def set_up_crews_and_people(page: Any, look: Callable[[Any], None]) -> str:
    """One crew that does everything, and somebody in it; gives the code that is handed to them."""
    expect(page.get_by_role("heading", name="Working days and crews")).to_be_visible()
    page.get_by_label("Crew", exact=True).first.fill("Una's crew")
    look(page)
    save(page)
    page.goto(page.url.split("/setup/")[0] + "/setup/")
    look(page)
    page.get_by_role("link", name="People", exact=True).click()
    page.get_by_label("Name", exact=True).fill("Una Reed")
    page.get_by_label("measurer").check()
    page.get_by_label("Drives with").first.select_option(label="Una's crew")
    look(page)
    page.get_by_role("button", name="Add and make a code").click()
    code = str(page.locator(".secret-code").inner_text())
    look(page)
    page.get_by_role("link", name="Done").click()
    page.get_by_role("link", name="That is everybody").click()
    return code


def take_range(page: Any, look: Callable[[Any], None]) -> None:
    """Two products, one of them under the firm's own name."""
    page.get_by_label("Take Wren open roller").check()
    page.get_by_label("Your name for Wren open roller").fill("Everyday roller")
    page.get_by_label("Take Siskin single cell").check()
    look(page)
    save(page)
    expect(page.get_by_text("You can book your first job")).to_be_visible()
    look(page)


def join(page: Any, url: str, code: str, look: Callable[[Any], None]) -> None:
    """Somebody types the code on their phone and chooses a password."""
    page.goto(f"{url}/join/")
    look(page)
    page.get_by_label("One-time code").fill(code)
    page.get_by_role("button", name="Go on").click()
    page.get_by_label("Password").fill("nine oak doors")
    look(page)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda address: "/join/" not in address)


class Hand:
    """Somebody at a keyboard: each key they press counts, Tab too, and each click."""

    def __init__(self, page: Any) -> None:
        self.page, self.keys, self.clicks = page, 0, 0

    def click(self, box: Any) -> None:
        box.click()
        self.clicks += 1

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
            self.keys += 1

    def reach(self, box: Any) -> None:
        """By Tab."""
        for _ in range(30):
            if box.evaluate("box => box === document.activeElement"):
                return
            self.press("Tab")
        raise AssertionError(f"{box} is not reached by Tab")

    def type(self, label: str, text: str) -> None:
        self.reach(self.page.get_by_label(label, exact=True).first)
        self.page.keyboard.type(text)
        self.keys += len(text)


def book(page: Any) -> None:
    """The first job, at a time that its openings fit into, within 140 keys and 6 clicks; no coordinates are typed."""
    page.get_by_role("link", name="book your first job").click()
    hand = Hand(page)
    hand.click(page.get_by_label("Name", exact=True).first)
    hand.type("Name", "Wilhelmina Overbury")
    hand.type("Phone", "5550142")
    hand.type("Street", "4 Plover Close")
    hand.type("Town", "Larkmere")
    hand.reach(page.locator("summary", has_text="Getting in"))
    hand.press("Enter")
    hand.type("Access", "k")  # with a key
    hand.type("Who opens, if not the payer", "Ike Orr")
    hand.type("Door phone", "5550143")
    hand.click(page.get_by_label("Measure", exact=True))
    hand.type("Openings", "3")
    hand.type("Product", "r")
    expect(page.get_by_label("Product", exact=True).first).to_have_value("roller")
    hand.click(page.get_by_role("button", name="Show times"))
    offer = page.locator(".offer:not(.risky)").first
    offer.wait_for(timeout=LONG)
    expect(page.locator("#windows")).to_contain_text("3 roller")
    hand.click(offer.locator("input"))
    hand.click(page.get_by_role("button", name="Book", exact=True))
    page.wait_for_url(re.compile(r"/visits/\d+/$"))
    hand.click(page.get_by_role("button", name="Promise it"))
    expect(page.locator(".state").first).to_have_text("promised")
    expect(page.get_by_text("key; Ike Orr opens")).to_be_visible()
    print(f"{hand.keys} keys, {hand.clicks} clicks")
    assert hand.keys <= 140
    assert hand.clicks <= 6


def save(page: Any) -> None:
    page.get_by_role("button", name="Save and go on").click()
