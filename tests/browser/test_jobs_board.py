"""The board in a real browser: drag, keys, what breaks is shown before letting go, undo, sixty crews."""

from __future__ import annotations

import json
from io import BytesIO
from typing import Any

import pytest
from playwright.sync_api import expect
from pypdf import PdfReader

from tests.factories import PASSWORD, a_monday

MONDAY = a_monday().isoformat()
MAKE = f"""
import datetime as dt, json
from tests.factories import *
from jobs.models import Appointment
branch = make_branch()
user = make_user("dispatcher", branch=branch)
monday = dt.date.fromisoformat("{MONDAY}")
first, second = make_crew(branch, name="A first"), make_crew(branch, name="B second")
early = make_appointment(make_job(branch), crew=first, day=monday, time="9:00")
waits = make_appointment(make_job(branch), purpose="install")
kept = make_appointment(make_job(branch), crew=first, day=monday, time="13:00", state="promised",
    promised_from=at(branch, monday, "12:30"), promised_until=at(branch, monday, "13:15"))
print(json.dumps({{"user": user.username, "early": early.pk, "kept": kept.pk,
    "waits": waits.pk, "first": first.pk, "second": second.pk,
    "numbers": [early.job.number, kept.job.number]}}))
"""
PLACE = """
from jobs.models import *
visit = Appointment.objects.get(pk={pk})
start = visit.starts_at and visit.starts_at.astimezone(visit.job.branch.tz)
print(visit.crew and visit.crew.name, start and start.strftime("%H:%M"))
"""


@pytest.fixture
def board(site: Any, new_page: Any, sign_in: Any) -> Any:
    """Monday of a branch of its own, on the screen of its dispatcher."""
    made = json.loads(site.python(MAKE).strip().splitlines()[-1])
    page = new_page()
    sign_in(page, site.url, made["user"], PASSWORD)
    page.goto(f"{site.url}/calendar/?day={MONDAY}")
    return site, page, made


def where(site: Any, pk: int) -> str:
    return str(site.python(PLACE.format(pk=pk)).strip())


def middle(locator: Any) -> tuple[float, float]:
    box = locator.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_a_block_is_dragged_to_another_crew_and_taken_back(board: Any, looks_right: Any) -> None:
    site, page, made = board
    block = page.locator(f".block[data-pk='{made['early']}']")
    nights = page.locator(".lane .off")  # one before and one after each crew's hours
    x, y = middle(block.locator("rect").first)
    low = nights.nth(2).bounding_box()["y"] - nights.nth(0).bounding_box()["y"]

    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 30, y + low / 2, steps=4)
    page.mouse.move(x + 60, y + low, steps=4)
    expect(page.locator(".board-status .price")).to_be_visible()
    before = where(site, made["early"])
    page.mouse.up()
    expect(page.get_by_role("button", name="Undo")).to_be_visible()

    assert before == "A first 09:00"  # nothing moves before letting go
    assert where(site, made["early"]).startswith("B second")
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_text("The move is taken back.")).to_be_visible()
    assert where(site, made["early"]) == "A first 09:00"
    looks_right(page)


def test_keys_move_a_block_and_escape_leaves_it(board: Any) -> None:
    site, page, made = board
    block = page.locator(f".block[data-pk='{made['early']}']")

    block.focus()
    page.keyboard.press("m")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Escape")
    left = where(site, made["early"])
    page.keyboard.press("m")
    for key in ("ArrowRight", "ArrowRight", "ArrowDown"):
        page.keyboard.press(key)
    expect(page.locator(".board-status")).to_contain_text("min driving")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Undo")).to_be_visible()

    assert left == "A first 09:00"
    assert where(site, made["early"]) == "B second 09:30"


def test_a_locked_block_moves_neither_by_keys_nor_by_the_pointer(board: Any) -> None:
    site, page, made = board
    site.python(
        f"from jobs.models import Appointment; Appointment.objects.filter(pk={made['early']}).update(is_locked=True)"
    )
    page.reload()
    block = page.locator(f".block[data-pk='{made['early']}']")

    block.focus()
    page.keyboard.press("m")
    expect(page.locator(".board-status")).to_contain_text("unlock it on its page first")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowDown")
    page.reload()
    box = block.bounding_box()
    page.mouse.move(box["x"] + 9, box["y"] + 9)
    page.mouse.down()
    page.mouse.move(box["x"] + 90, box["y"] + 9, steps=4)
    page.mouse.up()

    assert where(site, made["early"]) == "A first 09:00"


def test_a_move_that_breaks_a_promise_is_done_only_after_a_yes(board: Any) -> None:
    site, page, made = board
    block = page.locator(f".block[data-pk='{made['early']}']")

    block.focus()
    page.keyboard.press("m")
    for _ in range(14):  # 9:00 to 12:30: the promised one after it would begin at half past one
        page.keyboard.press("ArrowRight")
    expect(page.locator(".board-status")).to_contain_text("breaks a promise")
    assert made["numbers"][1] in page.locator(".board-status").inner_text()
    page.keyboard.press("Escape")

    assert where(site, made["early"]) == "A first 09:00"


def test_a_visit_to_schedule_is_dragged_from_the_tray_and_taken_back(board: Any, looks_right: Any) -> None:
    """What was not scheduled stood in a list under the map, and could only be opened."""
    site, page, made = board
    waiting = page.locator(f".tray-visit[data-pk='{made['waits']}']")
    lane = page.locator(".lane").nth(1).locator(".off").first.bounding_box()
    x, y = middle(waiting)

    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 60, y + 5, steps=3)
    page.mouse.move(lane["x"] + lane["width"] + 100, lane["y"] + 20, steps=5)
    expect(page.locator(".board-status .price")).to_be_visible()
    before = where(site, made["waits"])
    page.mouse.up()
    expect(page.get_by_role("button", name="Undo")).to_be_visible()

    assert before == "None None"
    assert where(site, made["waits"]).startswith("B second")
    expect(page.locator(f".block[data-pk='{made['waits']}']")).to_be_visible()
    expect(waiting).to_have_count(0)
    looks_right(page)
    page.get_by_role("button", name="Undo").click()
    expect(waiting).to_be_visible()
    assert where(site, made["waits"]) == "None None"


def test_a_visit_let_go_beside_the_lanes_stays_in_the_tray(board: Any) -> None:
    site, page, made = board
    x, y = middle(page.locator(f".tray-visit[data-pk='{made['waits']}']"))

    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 20, y + 5, steps=3)
    expect(page.locator(".board-status")).to_contain_text("let it go over a crew's lane")
    page.mouse.up()

    assert page.url.endswith(f"/calendar/?day={MONDAY}")
    assert page.locator(".ghost").count() == 0
    assert where(site, made["waits"]) == "None None"


def test_keys_bring_a_visit_from_the_tray(board: Any) -> None:
    site, page, made = board

    page.locator(f".tray-visit[data-pk='{made['waits']}']").focus()
    page.keyboard.press("m")
    expect(page.locator(".board-status .price")).to_be_visible()
    for key in ("ArrowDown", "ArrowRight", "ArrowRight"):
        page.keyboard.press(key)
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Undo")).to_be_visible()

    assert where(site, made["waits"]) == "B second 08:30"


def test_a_visit_from_the_tray_that_breaks_a_promise_is_placed_only_after_a_yes(
    board: Any, new_page: Any, sign_in: Any
) -> None:
    site, _, made = board
    page = new_page(errors_allowed=True)  # the refusal that asks is a 409
    sign_in(page, site.url, made["user"], PASSWORD)
    page.goto(f"{site.url}/calendar/?day={MONDAY}")

    page.locator(f".tray-visit[data-pk='{made['waits']}']").focus()
    page.keyboard.press("m")
    for _ in range(18):  # 8:00 to 12:30: the promised one after it would begin at half past one
        page.keyboard.press("ArrowRight")
    expect(page.locator(".board-status")).to_contain_text("breaks a promise")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Move it anyway")).to_be_visible()
    held = where(site, made["waits"])
    page.get_by_role("button", name="Move it anyway").click()
    expect(page.get_by_role("button", name="Undo")).to_be_visible()

    assert held == "None None"
    assert where(site, made["waits"]) == "A first 12:30"


def test_a_day_is_printed_on_one_page(board: Any) -> None:
    """Filters, decisions, tray and map ran over three pages beside the lanes."""
    _, page, made = board

    for query in (f"day={MONDAY}", f"day={MONDAY}&view=week", f"day={MONDAY}&view=month"):
        page.goto(f"{page.url.partition('?')[0]}?{query}")
        (sheet,) = PdfReader(BytesIO(page.pdf(prefer_css_page_size=True))).pages
        if "month" not in query:
            assert sheet.mediabox.width > sheet.mediabox.height
            assert made["numbers"][0] in sheet.extract_text()
            assert "To schedule" not in sheet.extract_text()


@pytest.mark.slow
def test_sixty_crews_and_five_days_load_and_move_without_lag(site: Any, new_page: Any, sign_in: Any) -> None:
    """Loading and moving within the browser: 200 ms each is the aim; the server's part is measured apart."""
    user = site.python(MANY).strip()
    page = new_page()
    sign_in(page, site.url, user, PASSWORD)
    page.goto(f"{site.url}/calendar/?view=week&day={MONDAY}")
    assert page.locator(".block").count() == 60 * 5 * 4
    drawn = page.evaluate(
        "() => { const t = performance.getEntriesByType('navigation')[0]; return t.domComplete - t.responseEnd; }"
    )
    block = page.locator(".block").first
    block.focus()
    page.keyboard.press("m")
    moved = page.evaluate(
        """() => {
            const began = performance.now();
            const block = document.activeElement;
            for (let n = 0; n < 10; n++)
                block.dispatchEvent(new KeyboardEvent('keydown', {key: 'ArrowRight', bubbles: true}));
            block.getBoundingClientRect();
            return (performance.now() - began) / 10;
        }"""
    )
    page.keyboard.press("Escape")

    print(f"drawn in {drawn:.0f} ms, a step of a move in {moved:.1f} ms")
    assert moved < 200
    assert drawn < 10_000  # a bound for slow machines; the figure is printed above


MANY = f"""
import datetime as dt
from tests.factories import *
from jobs.models import Appointment
branch = make_branch()
user = make_user("dispatcher", branch=branch)
monday = dt.date.fromisoformat("{MONDAY}")
job = make_job(branch)
rows = []
for _ in range(60):
    crew = make_crew(branch)
    for day in range(5):
        for time in ("8:30", "10:30", "13:00", "15:00"):
            date = monday + dt.timedelta(days=day)
            rows.append(Appointment(job=job, purpose="measure", state="planned", crew=crew, day=date,
                starts_at=at(branch, date, time), created_by=job.created_by))
Appointment.objects.bulk_create(rows)
print(user.username)
"""
