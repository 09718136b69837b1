"""Where a stock piece's length and shelf stand, and how many there are."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator

from django.urls import reverse

from fabrication.models import Batch, CutPlan, StockItem
from tests.agreement.compare import Seen
from tests.agreement.pages import LENGTH, Eyes, length, size, ticks

WORKROOM = "workroom"
CODE = r"[0-9A-Z]{7}"


def see_stock(eyes: Eyes) -> Iterator[Seen]:
    """Everything that shows a bar, an offcut or a roll."""
    rows = eyes.rows(WORKROOM, reverse("api:stock-list"))
    yield from api(rows)
    yield from stock_list(eyes)
    used = set(StockItem.objects.filter(cuts__isnull=False).values_list("pk", flat=True))
    offcuts = set(StockItem.objects.filter(is_offcut=True).values_list("pk", flat=True))
    for pk in sorted(used | offcuts | {row["id"] for row in rows[:4]}):
        yield from stock_page(eyes, pk)
        yield from label(eyes, pk)
    yield from plans(eyes)
    yield from cut_lists(eyes)
    yield from buying(eyes)


def _shown(place: str, code: str, **facts: str) -> Iterator[Seen]:
    for fact, value in facts.items():
        yield Seen(f"piece's {fact}", code, place, value)


def api(rows: list[dict]) -> Iterator[Seen]:
    for row in rows:
        yield from _shown(
            "API", row["code"], shelf=row["shelf"], there=str(row["quantity"]),
            length=ticks(row["width"], row["length"]) if row["width"] else ticks(row["length"]),
        )  # fmt: skip
        if not row["width"]:
            yield from _shown("API", row["code"], reserved=str(row["reserved"]))


def stock_list(eyes: Eyes) -> Iterator[Seen]:
    """The list, page after page; what is free of each material is what buying goes by."""
    free: dict[str, int] = defaultdict(int)
    number, pages = 1, 1
    while number <= pages:
        page = eyes.page(WORKROOM, f"{reverse('fabrication:stock')}?page={number}")
        found = re.search(r"page \d+ of (\d+)", page.text.lower())
        pages = int(found[1]) if found else pages
        rows = [row for row in page.all("tr") if row.cell("On hand").text]
        pages = pages if found or not rows or len(rows) < 60 else number + 1
        for row in rows:
            code, long = row.one("th").text, row.cell("Size").text
            is_roll = "×" in long
            yield from _shown(
                "stock list", code, shelf=row.cell("Place").text, there=row.cell("On hand").text,
                length=size(long) if is_roll else length(long), reserved="" if is_roll else row.cell("Reserved").text,
            )  # fmt: skip
            if long and not is_roll:
                name = row.cell("Material").text.partition(" · ")[0]
                free[name] += int(length(long)) * (int(row.cell("On hand").text) - int(row.cell("Reserved").text))
        number += 1
    for name, there in free.items():
        yield from _shown("stock list", name, free=str(there))


def stock_page(eyes: Eyes, pk: int) -> Iterator[Seen]:
    """Its own page: what stands above, and what the moves below add up to."""
    page = eyes.page(WORKROOM, reverse("fabrication:stock_item", args=[pk]))
    code = page.one("h1").text.split(" ")[0]
    counts = re.search(r"(\d+) (?:there|on hand), (\d+) (?:promised|reserved)", page.text)
    assert counts is not None
    long = page.fact("Length") or page.fact("Width × length left")
    shelf = page.fact("Place")
    yield from _shown(
        "stock page", code, length=size(long) if "×" in long else length(long), there=counts[1],
        shelf="" if shelf == "not said" else shelf, reserved="" if "×" in long else counts[2],
    )  # fmt: skip
    changes = [int(cell.text) for row in page.all("tr") if (cell := row.cell("Change")).text]
    if changes and len(changes) < 50:
        yield from _shown("moves", code, there=str(sum(changes)))


def label(eyes: Eyes, pk: int) -> Iterator[Seen]:
    item = StockItem.objects.select_related("material__branch").get(pk=pk)
    document = eyes.document("fabrication.stock_label", item)
    said = document.one("p", "label-size").text
    code = re.search(CODE, document.one("div", "label-code").text)
    assert code is not None
    yield from _shown("stock label", code[0], length=size(said) if "×" in said else length(said))


def plans(eyes: Eyes) -> Iterator[Seen]:
    """The page at the saw: which piece to take next, where it lies, how long it is; the last offcut."""
    for plan in CutPlan.objects.filter(state=CutPlan.State.READY).exclude(batch__state=Batch.State.CANCELLED):
        page = eyes.page(WORKROOM, reverse("fabrication:cut_plan", args=[plan.pk]))
        take = page.one("p", "take").text
        found = re.match(rf"Take ({CODE})(?: from (.+?))?(?:, lot (\w+))?(?:, .*)?$", take)
        if found:
            begun = page.one("section", "next-cut").one("h2").text.startswith("Under way")
            is_roll = "run off" in take
            long = "" if is_roll or begun else length(page.one("p", "take").one("span", "huge").text)
            yield from _shown("cut plan", found[1], shelf=(found[2] or "").split(",")[0], length=long)
        offcut = re.match(rf"Offcut ({CODE}), ([\d /×]+)", page.one("section", "offcut").text)
        if offcut:
            said = offcut[2]
            yield from _shown("cut plan", offcut[1], length=size(said) if "×" in said else length(said))


def cut_lists(eyes: Eyes) -> Iterator[Seen]:
    """The document beside the saw: code, shelf and length of each bar still to be cut."""
    for plan in CutPlan.objects.filter(state=CutPlan.State.READY).select_related("batch__branch", "material"):
        if plan.batch.state == Batch.State.CANCELLED:
            continue
        for head in eyes.document("fabrication.cuts", plan).all("h3"):
            parts = head.text.split(" · ")
            found = re.fullmatch(CODE, parts[1]) if len(parts) > 2 else None
            if found:
                shelf = next((part for part in parts[2:] if not re.fullmatch(rf"{LENGTH} in", part)), "")
                shelf = "" if shelf.startswith(("lot ", "first cut", "left ")) else shelf
                is_bar = plan.material.is_cut_from_bars()
                is_whole = is_bar and not plan.cuts.filter(item__code=parts[1]).exclude(state="to_cut").exists()
                long = next((part for part in parts[2:] if re.fullmatch(rf"{LENGTH} in", part)), "")
                yield from _shown("cut list", parts[1], shelf=shelf, length=length(long) if is_whole and long else "")


def buying(eyes: Eyes) -> Iterator[Seen]:
    """What the buying list takes for free of each material that is short, and what its bars' own pages add up to."""
    for row in eyes.page(WORKROOM, reverse("fabrication:buying")).all("tr"):
        if said := row.cell("Free").text:
            name = row.one("th").text
            yield from _shown("buying list", name, free=length(said))
            yield from _bars_of(eyes, name)


def _bars_of(eyes: Eyes, name: str) -> Iterator[Seen]:
    """Length × (there − promised) over the pages of a material's bars; of rolls nothing."""
    rows = StockItem.objects.filter(material__name=name, material__branch=eyes.firm.branch, quantity__gt=0)
    bars = rows.filter(width__isnull=True).values_list("pk", flat=True)
    shown = [list(stock_page(eyes, pk)) for pk in bars]
    for place in ("stock page", "moves"):
        free = 0
        for facts in shown:
            said = {one.fact.removeprefix("piece's "): one.value for one in facts}
            there = next((one.value for one in facts if (one.place, one.fact) == (place, "piece's there")), "0")
            free += int(said["length"]) * (int(there) - int(said["reserved"]))
        if bars:
            yield from _shown(place, name, free=str(free))
