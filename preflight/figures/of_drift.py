"""The figures of the drift: landing point, spread, clearance to keep-out areas."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from preflight.clean import clean
from preflight.figures import drift
from preflight.figures.of_flight import Course, Way
from preflight.figures.profile import Sums
from preflight.figures.sheet import Sheet
from preflight.figures.winds import WindTable

OLD = timedelta(hours=6)
"""Winds further from the release than this are a caution. Common practice, no source."""
ABOVE_TABLE = 1000.0
"""m of ascent above the table's highest row that go without a remark."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Landing:
    """Where the flight may come down: as declared, by the longest flight, and corners round the spread."""

    expected: drift.Place
    longest: drift.Place
    spread: tuple[drift.Place, ...]


def drift_figures(sheet: Sheet, course: Course, table: WindTable, now: datetime | None) -> Landing:
    """Adds flight.landing_distance, .landing_bearing and .keep_out_clearance.

    Distance and bearing are those of the longest flight, their ranges span the spread; the clearance is the
    least over the whole spread.
    """
    site = sheet.flight.site
    points = _spread(course)
    corners = drift.hull(points)
    expected = drift.place(site.latitude, site.longitude, _landing_point(course, course.expected))
    longest = drift.place(site.latitude, site.longitude, _landing_point(course, course.longest))
    spread = tuple(drift.place(site.latitude, site.longitude, point) for point in corners)
    distances = [place.distance for place in (*spread, expected, longest)]
    nearest = drift.distance_to_hull((0.0, 0.0), corners)
    sheet.add(
        "flight.landing_distance", longest.distance, low=min(nearest, longest.distance), high=max(distances)
    )
    if nearest > 0:
        low, high = drift.bearing_range(longest.bearing, [place.bearing for place in (*spread, longest)])
        sheet.add("flight.landing_bearing", longest.bearing, low=low, high=high)
    else:
        sheet.add("flight.landing_bearing", longest.bearing)
    sheet.remark(
        "flight",
        f"The landing point is an estimate: {expected.distance / 1000:.0f} km towards "
        f"{expected.bearing:03.0f} deg as declared, {longest.distance / 1000:.0f} km towards "
        f"{longest.bearing:03.0f} deg for the longest flight. "
        "Compare it with the crew's usual forecast.",
    )
    _clearance(sheet, corners)
    _age(sheet, table, now)
    if course.bursts[2] > table.heights[-1] + ABOVE_TABLE:
        sheet.remark(
            "flight",
            f"The wind table ends at {table.heights[-1]:.0f} m; above it the last wind is taken to go on.",
        )
    return Landing(expected=expected, longest=longest, spread=spread)


def offset_at(course: Course, way: Way, height: float, *, descending: bool) -> drift.Point:
    """m east and north of the site at a height of the profile, on the way up or down."""
    top = way.burst if descending else height
    here = course.profile.upto(top)
    start = course.profile.upto(course.site)
    if way.constant:
        east, north = here.east - start.east, here.north - start.north
    else:
        east, north = here.east_drag - start.east_drag, here.north_drag - start.north_drag
    east, north = east / way.rate, north / way.rate
    if descending:
        low: Sums = course.profile.upto(min(height, top))
        east += (here.east_fall - low.east_fall) * course.fall_factor
        north += (here.north_fall - low.north_fall) * course.fall_factor
    return east, north


def _landing_point(course: Course, way: Way) -> drift.Point:
    return offset_at(course, way, course.landing, descending=True)


def _spread(course: Course) -> list[drift.Point]:
    """Landing points over both ascent models, the drag band's ends and every burst height of the pass."""
    low, _, high = course.bursts
    ways = [course.expected]
    for burst in course.profile.between(low, high):
        for rate in course.rates:
            ways += [Way(rate=rate, constant=constant, burst=burst) for constant in (True, False)]
    return [_landing_point(course, way) for way in ways]


def _clearance(sheet: Sheet, corners: list[drift.Point]) -> None:
    site = sheet.flight.site
    least: tuple[float, str] | None = None
    for area in sheet.flight.recovery.keep_out:
        centre = drift.offset_of(site.latitude, site.longitude, area.latitude, area.longitude)
        clear = drift.distance_to_hull(centre, corners) - area.radius
        if least is None or clear < least[0]:
            least = (clear, clean(area.name, limit=80))
    if least is None:
        return
    reading = sheet.add("flight.keep_out_clearance", least[0])
    sheet.mend("flight.keep_out_clearance", lambda _: "another release time, site or fill")
    if reading.within is False:
        sheet.refuse(
            "flight.keep_out_clearance",
            f"The spread of landing points comes within {least[0] / 1000:.1f} km of {least[1]}."
            if least[0] > 0
            else f"The spread of landing points reaches into {least[1]}.",
        )


def _age(sheet: Sheet, table: WindTable, now: datetime | None) -> None:
    if table.valid_at is None:
        sheet.remark("flight", "Caution: the wind table does not say valid_at; its age is unknown.")
        return
    release = sheet.flight.flight.release
    if release.tzinfo is None:
        release = release.replace(tzinfo=UTC)
    # A release that slipped is later than planned.
    moment = release if now is None else max(release, now)
    apart = moment - table.valid_at
    if abs(apart) > OLD:
        hours = abs(apart).total_seconds() / 3600
        when = "older" if apart > timedelta(0) else "later"
        sheet.remark(
            "flight",
            f"Caution: the winds are {hours:.0f} h {when} than the release; take those of the release.",
        )
