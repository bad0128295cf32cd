"""Where the wind takes the flight: landing points, their spread, clearance to keep-out areas.

Displacements east and north of the site are summed on the plane and laid off as one geodesic on WGS 84
(geographiclib): exact for a wind that holds its direction, and far inside the spread otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geographiclib.geodesic import Geodesic

Point = tuple[float, float]
"""m east and north of the site, on the azimuthal equidistant plane about it."""


@dataclass(frozen=True, slots=True)
class Place:
    """A point on the earth as seen from the site: degrees WGS 84, m, degrees from true north."""

    latitude: float
    longitude: float
    distance: float
    bearing: float


def place(latitude: float, longitude: float, offset: Point) -> Place:
    """The place at `offset` from the site at `latitude`, `longitude` (degrees, WGS 84)."""
    distance = math.hypot(*offset)
    bearing = math.degrees(math.atan2(*offset)) % 360.0
    end = Geodesic.WGS84.Direct(latitude, longitude, bearing, distance, Geodesic.STANDARD)
    return Place(end["lat2"], end["lon2"], distance, bearing)


def offset_of(latitude: float, longitude: float, to_latitude: float, to_longitude: float) -> Point:
    """m east and north of a place from the site, both in degrees WGS 84; the inverse of `place`."""
    line = Geodesic.WGS84.Inverse(
        latitude, longitude, to_latitude, to_longitude, Geodesic.DISTANCE | Geodesic.AZIMUTH
    )
    angle = math.radians(line["azi1"])
    return line["s12"] * math.sin(angle), line["s12"] * math.cos(angle)


def hull(points: Sequence[Point]) -> list[Point]:
    """The convex hull of points, anticlockwise (Andrew's monotone chain); one or two points for thin sets."""
    ordered = sorted(set(points))
    if len(ordered) < 3:
        return ordered
    halves: list[list[Point]] = []
    for run in (ordered, ordered[::-1]):
        half: list[Point] = []
        for point in run:
            while len(half) > 1 and _turn(half[-2], half[-1], point) <= 0:
                half.pop()
            half.append(point)
        halves.append(half[:-1])
    return halves[0] + halves[1]


def distance_to_hull(point: Point, corners: Sequence[Point]) -> float:
    """m from a point to a convex hull as `hull` gives it; 0 inside."""
    if len(corners) == 1:
        return math.dist(point, corners[0])
    edges = list(zip(corners, (*corners[1:], corners[0]), strict=True))
    if len(corners) > 2 and all(_turn(a, b, point) >= 0 for a, b in edges):
        return 0.0
    return min(_to_segment(point, a, b) for a, b in edges)


def bearing_range(around: float, bearings: Sequence[float]) -> Point:
    """Lowest and highest of bearings in degrees, unwrapped about `around`: 350 and 10 about 0 are -10, 10."""
    turns = [(b - around + 180.0) % 360.0 - 180.0 for b in bearings]
    return around + min(turns), around + max(turns)


def _turn(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _to_segment(point: Point, a: Point, b: Point) -> float:
    along = (b[0] - a[0], b[1] - a[1])
    length = along[0] ** 2 + along[1] ** 2
    if length == 0:
        return math.dist(point, a)
    share = ((point[0] - a[0]) * along[0] + (point[1] - a[1]) * along[1]) / length
    share = min(1.0, max(0.0, share))
    return math.dist(point, (a[0] + share * along[0], a[1] + share * along[1]))
