"""Drift of a whole flight: landing point, spread, keep-out areas, the table's age."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from geographiclib.geodesic import Geodesic

from preflight.config.flight import Flight, KeepOut, Wind
from preflight.figures.compute import FlightFigures, compute

Change = Callable[..., Flight]
WEST = "height [m],direction,speed [m/s]\n0,270,10\n40000,270,10\n"
STAMP = "# valid_at = 2027-05-16T06:00:00Z\n"


@pytest.fixture
def drifting(change: Change, tmp_path: Path) -> Callable[..., FlightFigures]:
    def make(text: str = STAMP + WEST, now: datetime | None = None, **sections: object) -> FlightFigures:
        (tmp_path / "winds.csv").write_text(text)
        return compute(change(wind=Wind(table="winds.csv"), **sections), folder=tmp_path, now=now)

    return make


def reading(figures: FlightFigures, name: str) -> tuple[float, float, float]:
    found = figures.figure(name)
    assert found is not None
    assert isinstance(found.value, float)
    assert found.low is not None
    assert found.high is not None
    return found.low, found.value, found.high


def test_constant_wind_drifts_by_the_duration(drifting: Callable[..., FlightFigures]) -> None:
    figures = drifting()
    low, value, high = reading(figures, "flight.duration")
    near, far, farthest = reading(figures, "flight.landing_distance")
    # 10 m/s for so many minutes is 0.6 km a minute; distance and bearing are those of the longest flight
    assert far == pytest.approx(0.6 * high, rel=1e-6)
    assert farthest == pytest.approx(far)
    assert near == pytest.approx(0.6 * low, rel=1e-6)
    assert reading(figures, "flight.landing_bearing")[1] == pytest.approx(90.0)
    assert figures.landing is not None
    assert figures.landing.expected.distance == pytest.approx(600 * value, rel=1e-6)
    line = Geodesic.WGS84.Inverse(
        -43.93, 171.62, figures.landing.expected.latitude, figures.landing.expected.longitude
    )
    assert line["s12"] == pytest.approx(600 * value, rel=1e-6)


def test_estimate_is_always_flagged(drifting: Callable[..., FlightFigures]) -> None:
    assert any("Compare it with the crew's usual forecast" in remark for remark in drifting().remarks)


def test_wind_of_one_height_counts_only_there(drifting: Callable[..., FlightFigures]) -> None:
    still = "height [m],direction,speed [m/s]\n0,270,0\n9999,270,0\n10000,270,20\n11000,270,20\n11001,270,0\n"
    figures = drifting(STAMP + still)
    rate, fall = figures.figure("flight.ascent_rate"), figures.figure("flight.landing_speed")
    assert rate is not None
    assert fall is not None
    assert isinstance(rate.value, float)
    assert figures.landing is not None
    # up through 1000 m at the rate of release, and down through it at the speed of that height
    down = figures.trajectory
    after = {round(point.altitude): point.after for point in down if point.after > down[len(down) // 2].after}
    seconds = 1000 / rate.value + (after[10000] - after[11000])
    assert figures.landing.expected.distance == pytest.approx(20 * seconds, rel=0.002)


def test_bearing_across_north_is_not_torn(drifting: Callable[..., FlightFigures]) -> None:
    veering = "height [m],direction,speed [m/s]\n0,170,10\n25000,185,10\n40000,190,10\n"
    low, value, high = reading(drifting(STAMP + veering), "flight.landing_bearing")
    assert low <= value <= high
    assert high - low < 30


def test_keep_out_inside_the_spread(drifting: Callable[..., FlightFigures]) -> None:
    open_land = drifting(
        recovery={"keep_out": (KeepOut(name="lake", latitude=-43.0, longitude=173.0, radius=3000.0),)}
    )
    assert open_land.landing is not None
    clear = open_land.figure("flight.keep_out_clearance")
    assert clear is not None
    assert isinstance(clear.value, float)
    assert clear.value > 0
    # between two corners of the spread, near neither
    near, far = sorted(open_land.landing.spread, key=lambda place: place.distance)[
        :: len(open_land.landing.spread) - 1
    ]
    middle = Geodesic.WGS84.Direct(-43.93, 171.62, 90.0, (near.distance + far.distance) / 2)
    hit = drifting(
        recovery={
            "keep_out": (
                KeepOut(name="town", latitude=middle["lat2"], longitude=middle["lon2"], radius=2000.0),
            )
        }
    )
    clearance = hit.figure("flight.keep_out_clearance")
    assert clearance is not None
    assert clearance.value == pytest.approx(-2.0, abs=1e-6)
    assert "reaches into town" in hit.no_go["flight.keep_out_clearance"]
    assert not hit.go


def test_clearance_is_the_least_over_several_areas(drifting: Callable[..., FlightFigures]) -> None:
    areas = tuple(
        KeepOut(name=name, latitude=lat, longitude=172.9, radius=1000.0)
        for name, lat in (("a", -43.0), ("b", -43.5))
    )
    both = drifting(recovery={"keep_out": areas}).figure("flight.keep_out_clearance")
    near = drifting(recovery={"keep_out": areas[1:]}).figure("flight.keep_out_clearance")
    assert both is not None
    assert near is not None
    assert both.value == near.value


@pytest.mark.parametrize(
    ("stamp", "now", "told"),
    [
        (STAMP, None, None),
        ("# valid_at = 2027-05-16T01:30:00Z\n", None, "7 h older than the release"),
        ("# valid_at = 2027-05-16T18:00:00Z\n", None, "10 h later than the release"),
        (STAMP, datetime(2027, 5, 16, 13, tzinfo=UTC), "7 h older"),
        (STAMP, datetime(2027, 5, 15, tzinfo=UTC), None),
        ("", None, "does not say valid_at"),
    ],
)
def test_age_of_the_table(
    drifting: Callable[..., FlightFigures], stamp: str, now: datetime | None, told: str | None
) -> None:
    cautions = [remark for remark in drifting(stamp + WEST, now).remarks if remark.startswith("Caution")]
    assert len(cautions) == (told is not None)
    assert told is None or told in cautions[0]


def test_table_that_ends_below_the_burst_is_said(drifting: Callable[..., FlightFigures]) -> None:
    figures = drifting(STAMP + "height [m],direction,speed [m/s]\n0,270,10\n12000,270,10\n")
    assert any("ends at 12000 m" in remark for remark in figures.remarks)


def test_table_that_is_not_there(change: Change, tmp_path: Path) -> None:
    figures = compute(change(wind=Wind(table="absent.csv")), folder=tmp_path)
    assert "absent.csv" in figures.faults[0]
    assert "No such file" in figures.faults[0]
    assert figures.figure("flight.landing_distance") is None
    assert figures.figure("battery.endurance") is not None


def test_table_that_is_a_folder(change: Change, tmp_path: Path) -> None:
    (tmp_path / "winds.csv").mkdir()
    figures = compute(change(wind=Wind(table="winds.csv")), folder=tmp_path)
    assert "not a plain file" in figures.faults[0]


def test_without_a_folder_nothing_is_read(change: Change) -> None:
    figures = compute(change(wind=Wind(table="winds.csv")))
    assert not figures.faults
    assert figures.landing is None
    assert any("was not read here" in remark for remark in figures.remarks)


def test_trajectory_ends_at_the_landing_point(drifting: Callable[..., FlightFigures]) -> None:
    figures = drifting()
    last = figures.trajectory[-1]
    assert figures.landing is not None
    assert last.east == pytest.approx(figures.landing.expected.distance)
    assert last.north == pytest.approx(0.0, abs=1e-6)
