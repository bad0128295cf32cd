"""The values of a notification sheet's items, from the flight file and the figures.

What is computed comes with two significant digits of its range, and places to a minute of arc.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta, tzinfo
from typing import Literal

from preflight.config.airspace import Fill
from preflight.config.flight import Flight
from preflight.figures import drift, shown
from preflight.figures.airspace import AirspaceFacts
from preflight.figures.compute import FlightFigures, TrackPoint
from preflight.figures.notice_windows import Times, clock_text, span_text
from preflight.figures.printed import both_units
from preflight.readings import Reading

Standing = Literal["declared", "measured", "estimate", "missing"]
FT_60000 = 18288.0
KM_18 = 18000.0
FOOT = 0.3048
NO_PARACHUTE = "add [parachute]: without one no descent can be computed"
NO_FLIGHT = "no flight can be computed: see preflight figures"
NO_WIND = "add [wind], or take it from the crew's usual forecast"


def dms(latitude: float, longitude: float) -> str:
    """A position in degrees, minutes and seconds: "43°55'48"S 171°37'12"E"."""
    return f"{_dms(latitude, 'N', 'S')} {_dms(longitude, 'E', 'W')}"


def _dms(angle: float, positive: str, negative: str) -> str:
    # Whole seconds are rounded first: 59.6 seconds are the next minute, not 60 seconds.
    seconds = round(abs(angle) * 3600)
    side = positive if angle >= 0 or seconds == 0 else negative
    return f"{seconds // 3600}°{seconds // 60 % 60:02d}'{seconds % 60:02d}\"{side}"


def position_text(latitude: float, longitude: float) -> str:
    """A position in decimal degrees, and in degrees, minutes and seconds."""
    return f"{latitude:.5f}, {longitude:.5f} = {dms(latitude, longitude)} (WGS 84)"


def near_text(latitude: float, longitude: float) -> str:
    """A forecast place: hundredths of a degree, and whole minutes of arc, about a nautical mile."""
    minutes = [round(abs(angle) * 60) for angle in (latitude, longitude)]
    sides = ("S" if latitude < 0 else "N", "W" if longitude < 0 else "E")
    arcs = " ".join(f"{m // 60}°{m % 60:02d}'{side}" for m, side in zip(minutes, sides, strict=True))
    return f"near {latitude:.2f}, {longitude:.2f} = {arcs}"


Filled = tuple[str, Standing, str]
"""A value in words, where it comes from, and for a missing one what to do."""


class Filler:
    """Finds the value of each item."""

    def __init__(
        self, flight: Flight, figures: FlightFigures, facts: AirspaceFacts, times: Times, zone: tzinfo
    ) -> None:
        self.flight, self.figures, self.facts, self.times, self.zone = flight, figures, facts, times, zone
        track = figures.trajectory
        top = max(range(len(track)), key=lambda i: track[i].altitude, default=0)
        self.rising, self.top = track[: top + 1], track[top] if track else None

    def fill(self, what: Fill) -> Filled:
        """The value, where it comes from, and for a missing one what to do."""
        ways: dict[Fill, Callable[[], Filled]] = {
            "identification": lambda: (self.flight.flight.name, "declared", ""),
            "classification": self._classification,
            "description": self._description,
            "transponder": lambda: self._declared("transponder"),
            "operator": lambda: self._declared("operator"),
            "telephone": lambda: self._declared("telephone"),
            "site": self._site,
            "launch-time": lambda: (self._clock(self.times.release), "declared", ""),
            "number-of-balloons": lambda: ("1", "declared", ""),
            "direction-of-ascent": self._direction,
            "cruising-level": self._cruising,
            "time-at-18-km": lambda: self._passing(KM_18, "18,000 m"),
            "time-at-60000-ft": lambda: self._passing(FT_60000, "60,000 ft (18,288 m)"),
            "balloon-size": self._size,
            "suspension-length": lambda: self._length(
                self.flight.payload.suspension_length, "suspension_length to [payload]"
            ),
            "payload-mass": self._payload,
            "antenna-length": lambda: self._length(
                None if self.flight.airspace is None else self.flight.airspace.antenna_length,
                'antenna_length to [airspace], "0 m" for none',
            ),
            "duration": self._duration,
            "drift": self._drift,
            "burst": self._burst,
            "impact": self._impact,
        }
        return ways[what]()

    def _clock(self, at: datetime) -> str:
        return clock_text(at, self.zone)

    def _declared(self, key: str) -> Filled:
        value = None if self.flight.airspace is None else getattr(self.flight.airspace, key)
        return (value, "declared", "") if value else ("", "missing", f"add {key} to [airspace]")

    def _length(self, value: float | None, key: str) -> Filled:
        if value is None:
            return "", "missing", f"add {key}"
        return f"{value:.4g} m ({both_units(value, 'length', 'ft').partition(' (')[0]})", "declared", ""

    def _classification(self) -> Filled:
        said = []
        for rules, words in self.facts.given.items():
            clauses = [f.clause.citation for f in self.facts.clauses if f.rules == rules and f.met]
            said += [f"{word} (by the figures known here: {', '.join(clauses)})" for word in words[:1]]
        if not said:
            return "", "missing", "no clause that names a class is met by the figures known here: ask"
        return "; ".join(said), "estimate", ""

    def _description(self) -> Filled:
        balloon, packages = self.flight.balloon, self.flight.payload.package
        count = f"{len(packages)} package{'s' * (len(packages) != 1)}"
        boxes = ", ".join(f"{package.name} {package.mass:.4g} kg" for package in packages)
        parachute = "parachute" if self.flight.parachute is not None else "no parachute"
        return (
            f"Latex balloon of {balloon.mass:.4g} kg, {balloon.gas}; {parachute}; {count}: {boxes}",
            "declared",
            "",
        )

    def _site(self) -> Filled:
        site = self.flight.site
        where = position_text(site.latitude, site.longitude)
        return f"{where}, {site.elevation:.0f} m above sea level", "declared", ""

    def _number(self, name: str) -> float | None:
        reading = self.figures.figure(name)
        value = None if reading is None else reading.value
        return float(value) if isinstance(value, (int, float)) else None

    def _direction(self) -> Filled:
        if self.top is None:
            return "", "missing", NO_FLIGHT
        place = self._place(self.top)
        if place is None:
            return "", "missing", NO_WIND
        return f"towards {place.bearing:03.0f}° true", "estimate", ""

    def _cruising(self) -> Filled:
        burst = self.figures.figure("flight.burst_altitude")
        if burst is None or burst.value is None:
            return "", "missing", "no burst can be computed: see preflight figures"
        return f"none: it climbs until it bursts at {_height(burst)}", "estimate", ""

    def _passing(self, height: float, name: str) -> Filled:
        if self.top is None:
            return "", "missing", NO_FLIGHT
        if self.top.altitude < height:
            return f"{name} is not reached: it bursts at {shown.number(self.top.altitude)} m", "estimate", ""
        point = _at_height(self.rising, height)
        after = span_text(timedelta(seconds=point.after))
        where = self._near(point, exact=True)
        return (
            f"{name} after {after}{self._spread(height)}: {self._clock(self._at(point))}, {where}. Height as "
            "computed, not pressure altitude",
            "estimate",
            "",
        )

    def _spread(self, height: float) -> str:
        rate = self.figures.figure("flight.mean_ascent_rate")
        if rate is None or not rate.low or not rate.high:
            return ""
        climb = height - self.flight.site.elevation
        low, high = (span_text(timedelta(seconds=climb / each)) for each in (rate.high, rate.low))
        return f" ({low} to {high})"

    def _size(self) -> Filled:
        release = self._number("flight.release_diameter")
        if release is None:
            return "", "missing", "no fill can be computed: see preflight figures"
        sizes = (release, self.flight.balloon.burst_diameter)
        at_release, at_burst = (f"{each:.2g} m ({each / FOOT:.2g} ft)" for each in sizes)
        return f"a sphere {at_release} across at release, {at_burst} at the burst", "estimate", ""

    def _payload(self) -> Filled:
        weighed = next((each for each in self.figures.inputs if each.name == "payload.mass"), None)
        if weighed is None or not isinstance(weighed.value, (int, float)):
            return "", "missing", "add [[payload.package]]"
        text = both_units(weighed.value, "mass", "lb")
        return text, "measured" if weighed.source == "measured" else "declared", ""

    def _duration(self) -> Filled:
        duration = self._number("flight.duration")
        if duration is None:
            return "", "missing", NO_PARACHUTE
        return f"{span_text(timedelta(minutes=duration))}{self._from_to('flight.duration')}", "estimate", ""

    def _from_to(self, name: str) -> str:
        reading = self.figures.figure(name)
        if reading is None or reading.low is None or reading.high is None:
            return ""
        low, high = (span_text(timedelta(minutes=each)) for each in (reading.low, reading.high))
        return f" ({low} to {high})"

    def _drift(self) -> Filled:
        if self.figures.landing is None or self.top is None:
            return "", "missing", NO_WIND
        landing = self.figures.landing.expected
        wanted = [each for each in (5000.0, 10000.0, KM_18) if self.rising[0].altitude < each]
        points = [_at_height(self.rising, each) for each in wanted if each < self.top.altitude]
        way = [
            f"{shown.number(each.altitude)} m at {self._at(each):%H:%M} UTC {self._near(each)}"
            for each in (*points, self.top)
        ]
        towards = f"towards {landing.bearing:03.0f}° true, {landing.distance / 1000:.0f} km to the landing"
        return f"{towards}; {'; '.join(way)}", "estimate", ""

    def _burst(self) -> Filled:
        burst = self.figures.figure("flight.burst_altitude")
        if self.top is None or self.times.burst is None or burst is None or burst.value is None:
            return "", "missing", "no burst can be computed: see preflight figures"
        when = self._clock(self.times.burst) + self._from_to("flight.ascent_time")
        return f"{when}, {_height(burst)}, {self._near(self.top, exact=True)}", "estimate", ""

    def _impact(self) -> Filled:
        if self.times.landing is None:
            return "", "missing", NO_PARACHUTE
        when = self._clock(self.times.landing)
        duration = self.figures.figure("flight.duration")
        if duration is not None and duration.low is not None and duration.high is not None:
            ends = (self.times.release + timedelta(minutes=each) for each in (duration.low, duration.high))
            when += " ({:%H:%M} to {:%H:%M} UTC)".format(*ends)
        landing = self.figures.landing
        if landing is None:
            return "", "missing", f"time {when}; for the place {NO_WIND}"
        place = landing.expected
        spread = [each.distance / 1000 for each in landing.spread] or [place.distance / 1000]
        return (
            f"{when}; {near_text(place.latitude, place.longitude)}, {place.distance / 1000:.0f} km towards "
            f"{place.bearing:03.0f}° true; places computed lie {min(spread):.0f} to {max(spread):.0f} km off",
            "estimate",
            "",
        )

    def _at(self, point: TrackPoint) -> datetime:
        return self.times.release + timedelta(seconds=point.after)

    def _place(self, point: TrackPoint) -> drift.Place | None:
        if point.east is None or point.north is None:
            return None
        site = self.flight.site
        return drift.place(site.latitude, site.longitude, (point.east, point.north))

    def _near(self, point: TrackPoint, *, exact: bool = False) -> str:
        place = self._place(point)
        if place is None:
            return "place not known, as the flight file has no [wind]"
        where = f"{place.distance / 1000:.0f} km {place.bearing:03.0f}° from the site"
        return f"{near_text(place.latitude, place.longitude)}, {where}" if exact else where


def _height(reading: Reading) -> str:
    """A height in m and ft with its range: "29 900 m (98 000 ft), 26 000–31 000 m"."""
    assert isinstance(reading.value, (int, float))
    span = shown.range_text(reading)
    text = f"{shown.value_text(reading)} ({shown.number(reading.value / FOOT)} ft)"
    return f"{text}, {span} m" if span else text


def _at_height(rising: Sequence[TrackPoint], height: float) -> TrackPoint:
    """The point of the ascent at a height that it reaches, between the computed ones."""
    before = rising[0]
    for point in rising:
        if point.altitude >= height:
            span = point.altitude - before.altitude
            share = (height - before.altitude) / span if span > 0 else 0.0
            return TrackPoint(
                before.after + share * (point.after - before.after),
                height,
                _between(before.east, point.east, share),
                _between(before.north, point.north, share),
            )
        before = point
    return rising[-1]


def _between(start: float | None, end: float | None, share: float) -> float | None:
    return None if start is None or end is None else start + share * (end - start)
