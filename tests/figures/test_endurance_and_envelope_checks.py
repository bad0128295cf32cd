"""The checks battery-endurance and flight-envelope."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from preflight.checks import table
from preflight.checks.base import Check, Context, run_check
from preflight.clock import Moment
from preflight.config.flight import Flight, Wind
from preflight.readings import Finding, Reading

Change = Callable[..., Flight]
WEST = "# valid_at = 2027-05-16T06:00:00Z\nheight [m],direction,speed [m/s]\n0,270,10\n40000,270,10\n"


class Fixed:
    def now(self) -> Moment:
        return Moment(at=datetime(2027, 5, 16, 7, tzinfo=UTC), boot="b", boot_ns=0)


def find(name: str, flight: Flight, folder: Path, measured: dict[str, Reading] | None = None) -> Finding:
    context = Context(flight=flight, folder=folder, clock=Fixed(), measured=measured or {})
    return run_check(table.get(name), context)


@pytest.mark.parametrize("name", ["battery-endurance", "flight-envelope"])
def test_they_are_checks(name: str) -> None:
    check = table.get(name)
    assert isinstance(check, Check)
    assert check.name == name


def test_batteries_that_last(change: Change, tmp_path: Path) -> None:
    finding = find("battery-endurance", change(), tmp_path)
    assert finding.outcome == "go"
    assert {r.name for r in finding.readings} >= {"battery.margin", "battery.endurance", "beacon.margin"}
    assert "battery.capacity" in finding.reads
    assert any("beacon battery ends 56.4 h after power-up, after the search" in r for r in finding.remarks)


def test_batteries_that_do_not(change: Change, tmp_path: Path) -> None:
    finding = find("battery-endurance", change(battery={"capacity": 900 * 3.6}), tmp_path)
    assert finding.outcome == "no-go"
    assert any(
        "What would mend battery.margin: add one parallel string of 2 cells" in r for r in finding.remarks
    )


def test_zero_load_is_a_no_go_not_an_open(change: Change, tmp_path: Path) -> None:
    flight = change()
    import msgspec

    load = tuple(msgspec.structs.replace(load, current=0.0) for load in flight.battery.load)  # type: ignore[union-attr]
    finding = find("battery-endurance", change(battery={"load": load}), tmp_path)
    assert finding.outcome == "no-go"
    assert "add up to nothing" in finding.remarks[0]


def test_measured_load_counts(change: Change, tmp_path: Path) -> None:
    more = {"battery.load": Reading(name="battery.load", value=0.9, unit="A")}
    finding = find("battery-endurance", change(), tmp_path, more)
    assert finding.outcome == "no-go"


def test_without_a_battery_it_is_open(change: Change, tmp_path: Path) -> None:
    finding = find("battery-endurance", change(battery=None), tmp_path)
    assert finding.outcome == "open"
    assert "[battery]" in finding.remarks[0]


def test_flight_inside_its_limits(change: Change, tmp_path: Path) -> None:
    (tmp_path / "winds.csv").write_text(WEST)
    finding = find("flight-envelope", change(wind=Wind(table="winds.csv")), tmp_path)
    assert finding.outcome == "go"
    assert "flight.keep_out_clearance" in {r.name for r in finding.readings}
    assert [e.data for e in finding.evidence] == [WEST.encode()]
    assert any("estimate" in remark for remark in finding.remarks)


def test_keep_out_without_wind_is_not_a_silent_go(change: Change, tmp_path: Path) -> None:
    finding = find("flight-envelope", change(), tmp_path)
    assert finding.outcome == "open"
    assert finding.remarks[0] == "Not checked: the keep-out areas, as the flight file has no [wind]"
    without = find("flight-envelope", change(recovery={"keep_out": ()}), tmp_path)
    assert without.outcome == "go"


def test_unreadable_winds_are_open(change: Change, tmp_path: Path) -> None:
    finding = find("flight-envelope", change(wind=Wind(table="winds.csv")), tmp_path)
    assert finding.outcome == "open"
    assert "wind table can't be read" in finding.remarks[0]
    assert len([remark for remark in finding.remarks if remark.startswith("Not checked")]) == 1


def test_no_parachute_is_open(change: Change, tmp_path: Path) -> None:
    finding = find("flight-envelope", change(parachute=None, recovery={"keep_out": ()}), tmp_path)
    assert finding.outcome == "open"


@pytest.mark.parametrize(
    ("balloon", "told"),
    [
        ({"neck_lift": 1.0}, "Not enough lift to rise"),
        ({"neck_lift": 1.15}, "may float away"),
        ({"burst_diameter": 25.0}, "No burst below 47 km"),
        ({"burst_diameter": 1.9}, "Bursts too low"),
    ],
)
def test_bad_physics_is_a_no_go_in_words(
    change: Change, tmp_path: Path, balloon: dict[str, float], told: str
) -> None:
    finding = find("flight-envelope", change(balloon=balloon, recovery={"keep_out": ()}), tmp_path)
    assert finding.outcome == "no-go"
    assert any(told in remark for remark in finding.remarks)


def test_landing_too_fast_names_the_canopy(change: Change, tmp_path: Path) -> None:
    finding = find("flight-envelope", change(parachute={"area": 0.4}, recovery={"keep_out": ()}), tmp_path)
    assert finding.outcome == "no-go"
    # 5.13 m/s on 0.9 m^2 is 6 m/s on 0.658 m^2
    assert any("landing_speed: a parachute of 0.66 m^2" in remark for remark in finding.remarks)


def test_measured_neck_lift_is_judged(change: Change, tmp_path: Path) -> None:
    weighed = {"balloon.neck_lift": Reading(name="balloon.neck_lift", value=1300.0, unit="g")}
    finding = find("flight-envelope", change(recovery={"keep_out": ()}), tmp_path, weighed)
    assert finding.outcome == "no-go"
    assert any("measured 1.3 kg, declared 1.7 kg" in remark for remark in finding.remarks)
