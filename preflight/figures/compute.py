"""All figures of one flight, from its flight file and what was measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from preflight.clean import clean
from preflight.config.flight import Flight
from preflight.figures import winds
from preflight.figures.feed import Feed
from preflight.figures.of_battery import pack_figures
from preflight.figures.of_card import card_figures
from preflight.figures.of_drift import Landing, drift_figures, offset_at
from preflight.figures.of_flight import Course, axis_of, course_figures, fill_figures
from preflight.figures.of_line import line_figures
from preflight.figures.run_out import Axis, RunOut, governing, ordered
from preflight.figures.sheet import Sheet
from preflight.readings import Reading


@dataclass(frozen=True, slots=True)
class TrackPoint:
    """One point of the flight as declared: s from release, m, and m east and north of the site.

    The last two are None without a wind table.
    """

    after: float
    altitude: float
    east: float | None = None
    north: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightFigures:
    """Every figure of a flight.

    `figures` are in their names' units; `inputs` those values that could have been measured, with where they
    came from. `axis` is that of the longest flight, which every `run_out` is held against, `expected` that of
    the declared values. `governing` is the resource with the least margin. `no_go` are sentences about what
    can't fly, by the figure each belongs to; `mends` what would bring a figure inside its limits. `faults`
    are complaints about files that could not be read: what needs them is absent; `wind_data` are the bytes
    of the wind table that was read. `about` gives each remark the first word of the names it is about.
    """

    figures: tuple[Reading, ...]
    inputs: tuple[Reading, ...]
    run_out: tuple[RunOut, ...]
    axis: Axis
    expected: Axis
    governing: RunOut | None
    no_go: Mapping[str, str]
    mends: Mapping[str, str]
    remarks: tuple[str, ...]
    about: Mapping[str, str]
    faults: tuple[str, ...]
    trajectory: tuple[TrackPoint, ...]
    landing: Landing | None
    wind_data: bytes | None

    def figure(self, name: str) -> Reading | None:
        """The figure of that name, None where the flight has none."""
        return next((reading for reading in self.figures if reading.name == name), None)

    def sentences(self, *words: str) -> tuple[str, ...]:
        """What a person should read about the names that begin with one of `words`, the worst first."""
        no_go = [text for name, text in self.no_go.items() if name.partition(".")[0] in words]
        mends = [
            f"What would mend {name}: {text}."
            for name, text in self.mends.items()
            if name.partition(".")[0] in words
        ]
        return (*no_go, *mends, *(text for text, word in self.about.items() if word in words))

    @property
    def go(self) -> bool:
        """Whether every figure is inside its limits and nothing says otherwise in words."""
        return not self.no_go and all(reading.within is not False for reading in self.figures)


def compute(
    flight: Flight,
    measured: Mapping[str, Reading] | None = None,
    *,
    folder: Path | None = None,
    now: datetime | None = None,
) -> FlightFigures:
    """All figures of `flight`.

    `measured` holds readings by name; those that were measured feed the figures on the safe side. `folder`
    is the flight file's, where its wind table's path starts; without it no wind table is read. `now`, in
    UTC, tells whether the release has slipped. A section that is absent has no figures. Never raises for
    what the flight file says.
    """
    feed = Feed(measured or {})
    sheet = Sheet(flight, feed)
    faults: list[str] = []
    data = _wind_data(sheet, folder, faults)
    table = _wind_table(flight, data, faults)
    line_figures(sheet)
    fill = fill_figures(sheet)
    course = course_figures(
        sheet, fill, None if table is None else table.at, () if table is None else table.heights
    )
    axis = axis_of(sheet, course, None if course is None else course.longest)
    expected = axis_of(sheet, course, None if course is None else course.expected)
    landing = None
    if course is not None and table is not None and flight.parachute is not None:
        landing = drift_figures(sheet, course, table, now)
    ends = [*card_figures(sheet, axis), *_battery_figures(sheet, axis)]
    for remark, about in feed.remarks.items():
        sheet.remark(about, remark)
    return FlightFigures(
        figures=tuple(sheet.figures.values()),
        inputs=tuple(feed.inputs.values()),
        run_out=ordered(ends),
        axis=axis,
        expected=expected,
        governing=governing(ends),
        no_go=sheet.no_go,
        mends=sheet.mends,
        remarks=tuple(sheet.remarks),
        about=sheet.remarks,
        faults=tuple(faults),
        trajectory=() if course is None else _trajectory(course, drifts=landing is not None),
        landing=landing,
        wind_data=data,
    )


def _battery_figures(sheet: Sheet, axis: Axis) -> list[RunOut]:
    flight = sheet.flight
    release = flight.flight.release
    if release.tzinfo is None:
        release = release.replace(tzinfo=UTC)
    power_up = release - timedelta(seconds=flight.flight.power_up)
    own = None if flight.beacon is None else flight.beacon.battery
    ends: list[RunOut] = []
    if flight.battery is not None:
        # A beacon with cells of its own takes the search off the payload's.
        need = axis.end_of_search if own is None else axis.landing
        ends += pack_figures(
            sheet, flight.battery, axis, prefix="battery", resource="battery", need=need, power_up=power_up
        )
    if own is not None:
        ends += pack_figures(
            sheet,
            own,
            axis,
            prefix="beacon",
            resource="beacon battery",
            need=axis.end_of_search,
            power_up=power_up,
        )
    return ends


def _wind_data(sheet: Sheet, folder: Path | None, faults: list[str]) -> bytes | None:
    wind = sheet.flight.wind
    if wind is None:
        return None
    if folder is None:
        sheet.remark("flight", "The wind table was not read here: no drift is computed.")
        return None
    path = folder / wind.table
    why = "is not a plain file"
    try:
        # Opening a pipe would wait for ever.
        if path.is_file() or not path.exists():
            with path.open("rb") as file:
                return file.read(winds.MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        why = clean(getattr(error, "strerror", None) or "can't be opened", limit=100)
    shown = clean(str(path), limit=300)
    faults.append(f"{shown}: {why}; [wind] table is a path from the flight file's folder")
    return None


def _wind_table(flight: Flight, data: bytes | None, faults: list[str]) -> winds.WindTable | None:
    if data is None or flight.wind is None:
        return None
    try:
        return winds.read(data, name=flight.wind.table)
    except winds.WindTableError as error:
        faults.append(str(error))
    return None


def _trajectory(course: Course, *, drifts: bool) -> tuple[TrackPoint, ...]:
    way = course.expected
    rising = course.profile.between(course.site, way.burst)
    falling = course.profile.between(course.landing, way.burst)[::-1]
    top = course.up(way)
    points = []
    for heights, descending in ((rising, False), (falling[1:], True)):
        for height in heights:
            after = top + course.down(way.burst, height) if descending else course.up(way, height)
            if drifts:
                points.append(
                    TrackPoint(after, height, *offset_at(course, way, height, descending=descending))
                )
            else:
                points.append(TrackPoint(after, height))
    return tuple(points)
