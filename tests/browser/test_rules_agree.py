"""
The page's rules against the server's: the same openings, the same words and ticks.

Chromium loads measuring/static/measuring/rules.js and the one table from a small server with a
policy as strict as the site's, works every case out, and each answer is compared whole.
"""

import dataclasses
import functools
import json
import math
import random
import threading
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from measuring.drawings import outline
from measuring.rules.answers import all_findings, answer
from measuring.rules.families import FAMILIES, HEIGHTS, SHAPES, TABLE, WIDTHS
from measuring.rules.fit import ProductFit
from measuring.rules.opening import Opening
from measuring.rules.range import starting_rows
from measuring.rules.safety import Jurisdiction, Site
from measuring.rules.shapes import is_figure, rise_at_quarter, sketch
from measuring.rules.sizing import order_size
from shared.lengths import Length, LengthError, LengthUnit, parse_length

STATIC = Path(__file__).resolve().parents[2] / "measuring" / "static" / "measuring"
CASES = 10_000
PAGE = (
    b'<!doctype html><title>rules</title><link rel="icon" href="data:,"><script type="module" src="/run.js"></script>'
)
RUN = b"""
import { makeRules, formatLength, parseLength } from "/rules.js";
import { makeDocuments } from "/documents.js";
import { outline } from "/field/drawings.js";
const table = await (await fetch("/rules-table.json")).json();
const rules = makeRules(table), documents = makeDocuments(rules);
const attempt = (action) => {
  try { return action(); } catch (error) { return { error: error.problem ?? String(error.stack) }; }
};
window.answers = (text) => JSON.stringify(JSON.parse(text).map((one) => attempt(() => {
  const { unit } = one;
  if (one.room) {
    const alikes = one.room.map((doc) => documents.readOpening(doc, unit));
    return documents.answer(one.opening, unit, { alikes });
  }
  if (!one.product) return documents.answer(one.opening, unit);
  const opening = documents.readOpening(one.opening, unit);
  if (one.usual) {
    const found = rules.allFindings(opening, rules.orderSize(opening), { product: rules.readProduct(one.product) });
    if (!rules.shapes.isFigure(opening.shape)) return { found };
    const drawn = rules.shapes.sketch(opening.shape, opening.readings, one.usual);
    return { found, ...drawn, path: outline(drawn, 66, 44, 1e-4, 1e-4) };
  }
  const context = {
    product: rules.readProduct(one.product),
    control: one.control,
    site: rules.readSite(one.site, unit),
    place: rules.readJurisdiction(one.place),
  };
  return { found: rules.allFindings(opening, rules.orderSize(opening), context) };
})));
window.lengths = (texts) => texts.map(([text, unit]) => attempt(() => {
  const ticks = parseLength(text, unit);
  return { ticks, inches: formatLength(ticks, "in"), mm: formatLength(ticks, "mm") };
}));
document.title = "ready";
"""


class Server(SimpleHTTPRequestHandler):
    def do_GET(self):
        documents = Path(__file__).with_name("documents.js").read_bytes()
        own = {"/": (PAGE, "text/html")}
        own |= {"/run.js": (RUN, "text/javascript"), "/documents.js": (documents, "text/javascript")}
        if self.path not in own:
            super().do_GET()
            return
        body, kind = own[self.path]
        self.send_response(200)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Security-Policy", "default-src 'self'; img-src 'self' data:")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *arguments):
        pass


@pytest.fixture(scope="module")
def page(chromium):
    from playwright.sync_api import expect

    server = ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Server, directory=STATIC))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    tab = chromium.new_page()
    tab.goto(f"http://127.0.0.1:{server.server_port}/")
    expect(tab).to_have_title("ready")
    yield tab
    tab.close()
    server.shutdown()


# -- openings as they come, and as they should not ---------------------------------------


def text_of(ticks: int, unit: str) -> str:
    return str(ticks) if unit == "1" else Length(ticks).text(LengthUnit(unit))


def mark(rng: random.Random, unit: str) -> int:
    """The finest step a reading is typed in: mostly the tape's, now and then half or a tenth of it."""
    if unit == "1":
        return 1
    return rng.choice([1016, 1016, 1016, 508, 127] if unit == "in" else [320, 320, 320, 32])


def spoil(ticks: int, rng: random.Random) -> int:
    """A slip of some kind, or a crooked opening."""
    off = rng.choice([4064, 8128, 97536, 26416, 3200, 32000, 1016, 2032, 3048, 5080])
    how = rng.randrange(6)
    if how == 0:
        return max(1016, ticks * 50 // 127)
    if how == 1:
        return min(ticks * 127 // 50, 4_800_000)
    return max(1016, ticks + rng.choice([-1, 1]) * off)


def random_opening(rng: random.Random, unit: str, family: str | None = None, mount: str | None = None):
    family, mount = family or rng.choice(FAMILIES), mount or rng.choice(["inside", "inside", "outside"])
    width, height = rng.randrange(60_000, 1_500_000), rng.randrange(60_000, 1_500_000)
    diagonal = math.isqrt(width * width + height * height)
    true = {**dict.fromkeys(WIDTHS, width), **dict.fromkeys(HEIGHTS, height), "rising": diagonal, "falling": diagonal}
    spread = rng.choice([200, 600, 1500, 4000])
    spoiled = set(rng.sample(list(true), rng.choice([0, 0, 0, 1, 1, 2])))
    if rng.random() < 0.15:
        spoiled |= set(rng.choice([WIDTHS, HEIGHTS]))
    seed = rng.random()
    ticks = {}
    for spot, size in true.items():
        read = int(size + rng.gauss(0, spread))
        if spot in spoiled:
            read = spoil(read, random.Random(seed))
        step = mark(rng, unit)
        ticks[spot] = max(read // step, 4) * step
    document = {"id": f"o{rng.randrange(10**6)}", "family": family, "mount": mount}
    lone = family in ("roller", "solar", "sheer", "vertical") or mount == "outside"
    for group, spots in (("widths", WIDTHS), ("heights", HEIGHTS)):
        kept = [p for p in spots if not lone or group == "heights" or p == WIDTHS[0] or rng.random() < 0.6]
        if mount == "outside" and rng.random() < 0.5:
            kept = [rng.choice(spots)]
        document[group] = {p.partition(".")[2]: text_of(ticks[p], unit) for p in kept}
    if rng.random() < 0.7:
        document["diagonals"] = [text_of(ticks["rising"], unit), text_of(ticks["falling"], unit)]
    if rng.random() < 0.7:
        document["depth"] = text_of(rng.randrange(0, 50) * 1016, unit if unit != "mm" else "1")
        if unit == "mm":
            document["depth"] = str(rng.randrange(0, 150))
    return extras(document, rng, unit)


def extras(document: dict, rng: random.Random, unit: str) -> dict:
    if rng.random() < 0.3:
        fields = [f"widths.{p}" for p in document["widths"]] + [f"heights.{p}" for p in document["heights"]]
        document["tape_case"] = {
            "length": text_of(rng.choice([26416, 25908, 24384] if unit != "mm" else [25600, 24320]), unit),
            "fields": rng.sample(fields, rng.randrange(len(fields))),
        }
    if rng.random() < 0.1:
        document["laser"] = text_of(35560 if unit != "mm" else 35200, unit)
    if rng.random() < 0.2:
        document["again"] = {
            "widths.top": text_of(spoil(300_000, rng) // 1016 * 1016 if unit != "mm" else 304000, unit)
        }
    if rng.random() < 0.3:
        thing = {"kind": "crank", "projection": text_of(rng.randrange(1, 24) * 32 * 127, "1" if unit == "1" else "in")}
        thing["projection"] += "" if unit == "1" else " in"
        document["obstructions"] = [{**thing, "at": rng.choice(["head", "path"])}]
    if document["mount"] == "outside":
        outside(document, rng, unit)
    if rng.random() < 0.15:
        document["floor"] = rng.choice(["hard", "carpet", "rug", "unknown"])
    return document


def outside(document: dict, rng: random.Random, unit: str) -> None:
    step = 1016 if unit != "mm" else 320
    if rng.random() < 0.7:
        sides = rng.sample(["left", "right", "top", "bottom"], rng.randrange(5))
        document["cover"] = {side: text_of(rng.randrange(0, 40) * step, unit) for side in sides}
    if rng.random() < 0.3:
        document["cloth_extra"] = text_of(rng.randrange(0, 30) * step, unit)
    if rng.random() < 0.2:
        document["chosen"] = {
            "width": text_of(rng.randrange(90, 1200) * step, unit),
            "height": text_of(400 * step, unit),
        }
    if rng.random() < 0.2:
        between_corners(document, rng, unit)
    if rng.random() < 0.2:
        document["stops_on"] = {"bottom": {"on": rng.choice(["sill", "floor"]), "limit": text_of(12 * step, unit)}}


def between_corners(document: dict, rng: random.Random, unit: str) -> None:
    """A wall of a bay, now and then too short for its corners; its width may not have been read at all."""
    step = 508 if unit != "mm" else 320
    sides = rng.sample(["left", "right"], rng.choice([0, 1, 2]))
    backs = {side: {"by": text_of(rng.randrange(0, 200) * step, unit), "why": "135°"} for side in sorted(sides)}
    wall = text_of(rng.choice([100, 900, 2000]) * step, unit)
    document["bay"] = {"wall": wall, "set_back": backs, "meets": rng.choice(["", "", "Kitchen C"])}
    if rng.random() < 0.5:
        document.pop("widths")
        document.pop("tape_case", None)
        document.pop("again", None)


def cases(count: int, seed: int = 3) -> list[dict]:
    """Plain openings, openings of a room, and openings with a product, a site and a place."""
    rng = random.Random(seed)
    products, places = starting_rows("products"), starting_rows("jurisdictions")
    out = []
    for number in range(count):
        unit = rng.choice(["in", "in", "mm", "mm", "1"])
        case = {"unit": unit, "opening": random_opening(rng, unit)}
        if number % 8 == 0:
            case["room"] = room_of(case["opening"], rng, unit)
        elif number % 8 == 1 and unit != "1":
            with_product(case, rng, products, places)
        out.append(case)
    return out


def room_of(document: dict, rng: random.Random, unit: str) -> list[dict]:
    """Other openings of the room (with no name) and of the rest of the job, many of them of the same size."""
    others = []
    for _ in range(rng.randrange(1, 7)):
        other = random_opening(rng, unit, document["family"], document["mount"])
        for group in ("widths", "heights"):
            if group in document and rng.random() < 0.8:
                other[group] = dict(document[group])
        if rng.random() < 0.3:
            turned = dict(zip(("top", "middle", "bottom"), document["heights"].values(), strict=False))
            other["widths"] = {**other.get("widths", {}), **turned}
        other.pop("tape_case", None)
        if rng.random() < 0.5:
            other["room"] = "another"
        others.append(other)
    return others


def with_product(case: dict, rng: random.Random, products: list[dict], places: list[dict]) -> None:
    product = json.loads(json.dumps(rng.choice(products)))
    product["fit"]["confirmed"] = rng.random() < 0.5
    if rng.random() < 0.1:
        product["fit"]["mounts"] = ["outside"]
    unit = case["unit"]
    case["opening"] = random_opening(rng, unit, product["family"])
    case["product"] = product
    case["control"] = rng.choice(["", "gone", *[control["key"] for control in product["fit"]["controls"]]])
    case["place"] = rng.choice(places)
    case["site"] = {
        "children": rng.choice(["unknown", "none", "visit", "live"]),
        "built": rng.choice([None, 1950, 1977, 1978, 2010]),
        "substrate": rng.choice(["wood", "masonry", "unknown", "post_tensioned_slab"]),
        "reach_height": rng.choice(["6 ft", "8 ft", "97 in", "2500 mm"]),
        "power": rng.choice(["none", "outlet", "unknown"]),
        "cord_bottom": rng.choice([None, "1500 mm", "1600 mm", "1599 mm"]),
        "cleat": rng.choice([None, "1600 mm", "1500 mm"]),
        "door": rng.choice(["", "in", "out", "slides"]),
        "way_in": {"truck": "120 in", "lift": "80 in"},
    }


def expected(case: dict) -> dict:
    """What the server says to a case."""
    unit = case["unit"]
    opening = Opening.from_json(case["opening"], unit)
    if "room" in case:
        return answer(opening, [Opening.from_json(other, unit) for other in case["room"]])
    if "product" not in case:
        return answer(opening)
    site, place = Site.from_json(case["site"], unit), Jurisdiction.from_json(case["place"])
    product = ProductFit.from_json(case["product"])
    found = all_findings(opening, order_size(opening), product=product, control=case["control"], site=site, place=place)
    return {"found": [one.to_json() for one in found]}


def test_page_and_server_answer_every_generated_opening_alike(page):
    given = cases(CASES)
    assert len(given) >= 10_000

    said = json.loads(page.evaluate("window.answers", json.dumps(given)))

    differing = [
        (case, there, here) for case, there in zip(given, said, strict=True) if there != (here := expected(case))
    ]
    assert not differing, f"{len(differing)} of {CASES} differ, first: {json.dumps(differing[0], indent=1)[:6000]}"
    codes = {found["code"] for answer in said for found in answer.get("findings", answer.get("found", []))}
    assert {"misread", "control_unchosen"} <= codes
    assert len(codes) > 30  # the comparison is not one of empty lists


def shaped(rng: random.Random, products: list[dict]) -> dict:
    """An opening that is no rectangle: read well, a little off, or anyhow; of a product that is made so or not."""
    unit, shape = rng.choice(["in", "mm"]), rng.choice([name for name in SHAPES if SHAPES[name]["reads"]])
    product = json.loads(json.dumps(rng.choice(products)))
    if rng.random() < 0.5:
        product["fit"]["shapes"] = rng.sample(list(SHAPES), 3)
    document = {"id": "s", "family": product["family"], "mount": rng.choice(["inside", "inside", "outside"])}
    width, high = rng.randrange(100_000, 900_000), rng.randrange(100_000, 900_000)
    rise, low = rng.randrange(20_000, width), rng.randrange(50_000, high)
    true = {
        "shape.width": width, "shape.leg_left": high, "shape.leg_right": high, "shape.left": low, "shape.right": high,
        "shape.rise": rise, "shape.rise_left": rise_at_quarter(width, rise), "shape.level": width,
        "shape.rise_right": rise_at_quarter(width, rise), "shape.slope": math.isqrt(width**2 + (high - low) ** 2),
        "shape.upright": width, "shape.slant": width, "shape.peak": high + rise if shape == "gable" else width,
        "shape.slope_left": math.isqrt((width // 2) ** 2 + (high + rise - low) ** 2),
        "shape.slope_right": math.isqrt((width - width // 2) ** 2 + rise**2),
        "widths.top": width, "widths.bottom": width, "heights.left": high, "heights.right": high,
        **dict.fromkeys(("diagonals.rising", "diagonals.falling"), math.isqrt(width**2 + high**2)),
    }  # fmt: skip
    read: dict = {"widths": {}, "heights": {}, "figure": {}, "diagonals": []}
    for spot in SHAPES[shape]["reads"]:
        ticks = true[spot] + (rng.choice([-1, 1]) * rng.choice([900, 1500, 2500, 30_000]) if rng.random() < 0.2 else 0)
        step = mark(rng, unit)
        text = text_of(max(ticks, 4 * step) // step * step, unit)
        group, _, name = spot.partition(".")
        if group == "diagonals":
            read["diagonals"].append(text)
        elif spot in TABLE["size_needs_not"] and rng.random() < 0.1:
            continue
        else:
            read["figure" if group == "shape" else group][name] = text
    document |= {name: held for name, held in read.items() if held}
    usual = rng.randrange(50_000, 400_000)
    return {"unit": unit, "opening": {**document, "shape": shape}, "product": product, "usual": usual}


def sketched(case: dict) -> dict:
    """What the server says of a shape, and what it draws."""
    opening = Opening.from_json(case["opening"], case["unit"])
    found = all_findings(opening, order_size(opening), product=ProductFit.from_json(case["product"]))
    said = {"found": [one.to_json() for one in found]}
    if not is_figure(opening.shape):
        return said
    drawn = sketch(opening.shape, opening.readings, case["usual"])
    path = outline(drawn, 66, 44, 1e-4, 1e-4)
    return json.loads(json.dumps({**said, "path": path, **dataclasses.asdict(drawn)}))


def test_page_and_server_find_and_draw_every_shape_alike(page):
    rng = random.Random(5)
    products = starting_rows("products")
    given = [shaped(rng, products) for _ in range(2000)]
    plain = [{"unit": one["unit"], "opening": one["opening"]} for one in given]

    said, sized = (json.loads(page.evaluate("window.answers", json.dumps(asked))) for asked in (given, plain))

    differing = [
        (case, there, here) for case, there in zip(given, said, strict=True) if there != (here := sketched(case))
    ]
    assert not differing, f"{len(differing)} differ, first: {json.dumps(differing[0])[:4000]}"
    assert sized == [expected(case) for case in plain]
    codes = {found["code"] for answer in said for found in answer["found"]}
    assert {"shape_is", "shape_again", "shape_template", "shape_product", "skylight_hold", "misread"} <= codes


TYPED = [
    "35 3/8", "35-3/8", '35 3/8"', "35⅜", "⅜", "11/16", "35.375", ".5", "2' 11 3/8\"", "2 ft", "2’ 3″", "904 mm",
    "90.4 cm", "1.2 m", "35 in", "35 inches", "0", " 7 ", "35\u00a03/8", "35 3/7", "35.4", "35 9/8", "353/8", "-3",
    "−3", "", "  ", "abc", "35,5", "35 3/8 mm", "2' 13", "2' 5 mm", "904.05 mm", "1e3", "٣٥", "1" * 41, "35 3/0",
    "12/64", "35 6/16", "35 3/8 in.", "1000000000000", "9'", "3'-4\"", "5 ' 6", "\ufeff35", "35\t1/2", "35 6/7 mm",
    "35 and 3/8", "35 AND ⅜", "35 and 3", "2' 3 and 1/2", "1,200", "1,2 m", ",5 cm",
    "thirty five and three eighths", "Thirty-five and a half", "two feet eleven and a quarter", "seven sixteenths",
    "six and three thirty-seconds", "nine hundred four millimeters", "ninety point four cm", "thirty forty",
    "twenty five eighths", "a", "35 /8", "35 3 /8", "one half", "sixty-fourths",
]  # fmt: skip


def test_page_and_server_read_and_print_lengths_alike(page):
    rng = random.Random(4)
    texts = [(text, unit) for text in TYPED for unit in ("in", "mm")]
    texts += [(text_of(rng.randrange(10**7), unit), unit) for _ in range(2000) for unit in ("in", "mm")]

    said = page.evaluate("window.lengths", texts)

    for (text, unit), there in zip(texts, said, strict=True):
        try:
            length = parse_length(text, LengthUnit(unit))
        except LengthError as error:
            here = {"error": error.problem}
        else:
            here = {"ticks": length.ticks, "inches": length.text(LengthUnit.INCH), "mm": length.text(LengthUnit.MM)}
        assert there == here, (text, unit)
