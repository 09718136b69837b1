"""Drawings of the calendar: routes from coordinates, and the sketch a place is picked on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from django.conf import settings
from django.utils.safestring import SafeString

from jobs.models import Site
from jobs.rules.tiles import corner_of, squares_over, zoom_for
from jobs.schedule.day import DaySchedule, Standing, crew_point
from jobs.schedule.travel import Point, Via, place_of
from shared.drawings import LEAST_PX, NARROW, Svg, by_width, least_for
from shared.formats.dates import long_day
from shared.formats.distance import ground_unit
from shared.lengths import LengthUnit
from shared.models import Branch

WIDE: Final = 640
HIGH: Final = 420
EDGE: Final = 36
KM_A_DEGREE: Final = 111.195


class Ground:
    """Longitudes and latitudes on a sheet: north up, to one scale, the same in both directions."""

    def __init__(self, points: Sequence[Point], wide: float = WIDE, high: float = HIGH, least_km: float = 1.0) -> None:
        lons, lats = [p[0] for p in points], [p[1] for p in points]
        self.lon, self.lat = (min(lons) + max(lons)) / 2, (min(lats) + max(lats)) / 2
        self.squeeze = max(0.05, math.cos(math.radians(self.lat)))
        across = max((max(lons) - min(lons)) * self.squeeze * KM_A_DEGREE, least_km)
        up = max((max(lats) - min(lats)) * KM_A_DEGREE, least_km)
        self.px_km = min((wide - 2 * EDGE) / across, (high - 2 * EDGE) / up)
        self.wide, self.high = wide, high

    def at(self, point: Point) -> tuple[float, float]:
        """Where a point stands on the sheet."""
        east = (point[0] - self.lon) * self.squeeze * KM_A_DEGREE
        north = (point[1] - self.lat) * KM_A_DEGREE
        return self.wide / 2 + east * self.px_km, self.high / 2 - north * self.px_km

    def degrees_at(self, x: float, y: float) -> Point:
        """The point that stands there on the sheet; the way back of `at`."""
        km_east, km_north = (x - self.wide / 2) / self.px_km, (self.high / 2 - y) / self.px_km
        return self.lon + km_east / (self.squeeze * KM_A_DEGREE), self.lat + km_north / KM_A_DEGREE

    def scale_bar(self, km_each: float = 1.0) -> tuple[float, float]:
        """How many of so many kilometres a round bar of at most a fifth of the sheet is, and its length there."""
        most = self.wide / 5 / self.px_km / km_each
        power = 10 ** math.floor(math.log10(most))
        many = max(step * power for step in (1, 2, 5) if step * power <= most)
        return many, many * km_each * self.px_km


def map_by_width(*several: DaySchedule) -> SafeString | str:
    """Crews' routes for a page, narrow or wide; nothing when no stop has coordinates."""
    narrow = route_map(*several, wide=NARROW, high=NARROW, least=LEAST_PX)
    wide = route_map(*several, least=LEAST_PX)
    return by_width(narrow, wide) if narrow and wide else ""


def route_map(*several: DaySchedule, wide: float = WIDE, high: float = HIGH, least: float = 0) -> Svg | None:
    """
    Crews' routes with numbered stops; roads are not pretended.

    None when no stop has coordinates.
    """
    drawn = [one for one in several if any(visit.point for visit in one.standing)]
    points = [p for one in drawn for visit in one.standing for p in _way(visit)]
    points += [p for one in drawn if (p := crew_point(one.crew, one.crew.branch)) is not None]
    if not points or not drawn:
        return None
    ground = Ground(points, wide, high)
    names = ", ".join(f"{one.crew.name} {len(one.standing)} stops" for one in drawn)
    svg = Svg(wide, high, title=f"Routes of {long_day(drawn[0].day)}",
              desc=f"Straight lines between stops, north up: {names}.", look="route-map", least=least)  # fmt: skip
    _tiles(svg, ground)
    svg.rect(0.5, 0.5, wide - 1, high - 1, "thin")
    for position, one in enumerate(drawn):
        _route(svg, ground, one, position)
    _frame(svg, ground, drawn[0].crew.branch.unit)
    return svg


def _way(visit: Standing) -> list[Point]:
    """Where a crew goes for a visit: there, by way of a van whose goods it takes over; nowhere without coordinates."""
    spot = visit.point
    if spot is None:
        return []
    return [spot.by, place_of(spot)] if isinstance(spot, Via) else [spot]


LOOKS: Final = ("chalk", "ink", "dashed", "pencil")


def _route(svg: Svg, ground: Ground, one: DaySchedule, position: int) -> None:
    base = crew_point(one.crew, one.crew.branch)
    stops = [(number, way[-1]) for number, visit in enumerate(one.standing, 1) if (way := _way(visit))]
    ends = [base] if base else []
    line = [ground.at(p) for p in (*ends, *(p for visit in one.standing for p in _way(visit)), *ends)]
    if len(line) > 1:
        svg.polyline(line, LOOKS[position % len(LOOKS)])
    if base is not None:
        x, y = ground.at(base)
        svg.polygon([(x - 7, y + 5), (x - 7, y - 2), (x, y - 9), (x + 7, y - 2), (x + 7, y + 5)], "fill-sheet")
    for number, point in stops:
        x, y = ground.at(point)
        svg.circle(x, y, 10, "fill-sheet")
        svg.text(x, y + 4, str(number), size=11)
    if stops:
        x, y = ground.at(stops[0][1])
        svg.text(x + 14, y - 8, one.crew.name, size=11, anchor="start", look="pencil-word")


def _tiles(svg: Svg, ground: Ground) -> None:
    """The squares of a web map beneath, where the firm has named a server of them, with its credit."""
    if not settings.TILES:
        return
    zoom = zoom_for(ground.squeeze * KM_A_DEGREE * ground.px_km)
    west, north = ground.degrees_at(0, 0)
    east, south = ground.degrees_at(ground.wide, ground.high)
    for column, row in squares_over(west, north, east, south, zoom):
        left, top = ground.at(corner_of(column, row, zoom))
        right, low = ground.at(corner_of(column + 1, row + 1, zoom))
        href = settings.TILES
        for mark, value in (("{z}", zoom), ("{x}", column), ("{y}", row)):
            href = href.replace(mark, str(value))
        svg.image(href, left, top, right - left + 0.3, low - top + 0.3)  # a hair over: no seams
    svg.text(ground.wide - 6, ground.high - 6, settings.TILES_CREDIT, size=10, anchor="end")


def _frame(svg: Svg, ground: Ground, unit: LengthUnit) -> None:
    km_each, name = ground_unit(unit)
    many, length = ground.scale_bar(km_each)
    left, low = 16, ground.high - 16
    svg.line(left, low, left + length, low, "ink")
    svg.line(left, low - 4, left, low + 4, "ink")
    svg.line(left + length, low - 4, left + length, low + 4, "ink")
    svg.text(left + length + 6, low + 4, f"{many:g} {name}", size=11, anchor="start")
    x = ground.wide - 18
    svg.polyline([(x, 36), (x, 14)], "ink")
    svg.polyline([(x - 4, 20), (x, 13), (x + 4, 20)], "ink")
    svg.text(x, 48, "N", size=11)


def picking_map(branch: Branch, site: Site | None = None) -> dict[str, object] | None:
    """
    The sketch a place is picked on: the base and the sites nearby, with what a click needs.

    The page's script turns a click into degrees with `lon`, `lat`, `px_km` and `squeeze`.
    """
    if branch.latitude is None or branch.longitude is None:
        return None
    base: Point = (branch.longitude, branch.latitude)
    rows = Site.objects.filter(branch=branch, latitude__isnull=False).order_by("-pk")
    found = rows.values_list("longitude", "latitude")[:120]
    near: list[Point] = [(lon, lat) for lon, lat in found if lon is not None and lat is not None]
    ground = Ground([base, *near], least_km=4)
    svg = Svg(
        WIDE,
        HIGH,
        title="Sketch of the sites",
        desc="Click where the site is; north up.",
        look="picking-map",
        least=least_for(WIDE),
    )
    _tiles(svg, ground)
    svg.rect(0.5, 0.5, WIDE - 1, HIGH - 1, "thin")
    for point in near:
        x, y = ground.at(point)
        svg.circle(x, y, 2.5, "pencil")
    x, y = ground.at(base)
    svg.polygon([(x - 7, y + 5), (x - 7, y - 2), (x, y - 9), (x + 7, y - 2), (x + 7, y + 5)], "fill-sheet")
    if site is not None and site.point is not None:
        x, y = ground.at(site.point)
        svg.circle(x, y, 7, "chalk")
    _frame(svg, ground, branch.unit)
    return {
        "svg": svg, "lon": f"{ground.lon:.6f}", "lat": f"{ground.lat:.6f}", "px_km": f"{ground.px_km:.6f}",
        "squeeze": f"{ground.squeeze:.6f}", "wide": WIDE, "high": HIGH, "km": KM_A_DEGREE,
    }  # fmt: skip
