"""What can't fly is a no-go in words."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from preflight.config.flight import Flight, Load
from preflight.figures.compute import FlightFigures, compute

Change = Callable[..., Flight]


def refused(figures: FlightFigures, name: str) -> str:
    assert not figures.go
    return figures.no_go[name]


def test_not_enough_lift_to_rise(change: Change) -> None:
    figures = compute(change(balloon={"neck_lift": 1.0}))
    assert "Not enough lift to rise: 1.00 kg at the neck, 1.10 kg below it" in refused(
        figures, "flight.free_lift"
    )
    assert "a neck lift between" in figures.mends["flight.ascent_rate"]
    assert figures.figure("flight.ascent_time") is None
    rate = figures.figure("flight.ascent_rate")
    assert rate is not None
    assert rate.value == 0.0
    # the batteries are still held against the search
    assert figures.figure("beacon.margin") is not None


def test_lift_that_only_just_carries_is_not_enough(change: Change) -> None:
    figures = compute(change(balloon={"neck_lift": 1.10}))
    assert not figures.go


def test_so_slow_that_it_floats_away(change: Change) -> None:
    figures = compute(change(balloon={"neck_lift": 1.15}))
    assert "may float away" in refused(figures, "flight.ascent_rate")


def test_burst_below_5_km(change: Change) -> None:
    figures = compute(change(balloon={"burst_diameter": 1.9}))
    assert "Bursts too low" in refused(figures, "flight.burst_altitude")
    assert "larger balloon" in figures.mends["flight.burst_altitude"]


def test_burst_on_the_ground(change: Change) -> None:
    figures = compute(change(balloon={"burst_diameter": 1.5}))
    assert "Bursts on the ground" in refused(figures, "flight.burst_altitude")


def test_no_burst_below_the_ceiling(change: Change) -> None:
    figures = compute(change(balloon={"burst_diameter": 25.0}))
    assert "No burst below 47 km" in refused(figures, "flight.burst_altitude")
    assert figures.figure("flight.duration") is None
    reading = figures.figure("flight.burst_altitude")
    assert reading is not None
    assert reading.value is None


def test_the_band_alone_above_the_ceiling_is_cut_and_said(change: Change) -> None:
    figures = compute(change(balloon={"burst_diameter": 15.8}))
    reading = figures.figure("flight.burst_altitude")
    assert reading is not None
    assert reading.high == 47_350.0
    assert any("cut there" in remark for remark in figures.remarks)


def test_cut_off_above_full_voltage(change: Change) -> None:
    figures = compute(change(battery={"cut_off": 4.3}))
    assert "cut-off of 4.30 V a cell is not below the 4.20 V" in refused(figures, "battery.usable")
    endurance = figures.figure("battery.endurance")
    assert endurance is not None
    assert endurance.value == 0.0


def test_rail_that_a_full_pack_can_not_feed(change: Change) -> None:
    figures = compute(change(battery={"series": 1}))
    assert "can't feed its rail even when full" in refused(figures, "battery.usable")


@pytest.mark.parametrize("load", [Load(name="all", current=0.0), Load(name="all", current=0.1, duty=0.0)])
def test_zero_load(change: Change, load: Load) -> None:
    figures = compute(change(battery={"load": (load,)}))
    assert "loads add up to nothing" in refused(figures, "battery.load")
    endurance = figures.figure("battery.endurance")
    assert endurance is not None
    assert endurance.value is None


def test_cells_too_cold_to_give_anything(change: Change) -> None:
    figures = compute(change(battery={"cell_temperature": 223.15}))
    assert "li-ion at -50 degC" in refused(figures, "battery.endurance")
    assert figures.mends["battery.margin"] == "warmer cells, another chemistry or less load"


def test_cells_used_up_before_power_up(change: Change) -> None:
    from datetime import UTC, datetime

    figures = compute(change(battery={"fitted_at": datetime(2027, 5, 14, 8, 30, tzinfo=UTC)}))
    assert "used up before power-up" in refused(figures, "battery.endurance")


def test_voltage_at_the_peak(change: Change) -> None:
    # 3.0 V cut-off feeds no 3.3 V rail with 0.3 V of dropout, though the endurance counts to 3.6 V
    figures = compute(change(battery={"series": 1, "rail": 3.3, "resistance": 0.0}))
    voltage = figures.figure("battery.loaded_voltage_min")
    assert voltage is not None
    assert voltage.within is False
    assert 'battery.cut_off = "3.60 V"' in figures.mends["battery.loaded_voltage_min"]
    again = compute(change(battery={"series": 1, "rail": 3.3, "resistance": 0.0, "cut_off": 3.6}))
    mended = again.figure("battery.loaded_voltage_min")
    assert mended is not None
    assert mended.within is True
    one, other = figures.figure("battery.usable"), again.figure("battery.usable")
    assert one is not None
    assert other is not None
    assert one.value == pytest.approx(other.value)


def test_empty_cylinder(change: Change) -> None:
    figures = compute(change(cylinder={"pressure": 9e4}))
    assert "cylinder is empty" in refused(figures, "flight.cylinder_share")


def test_clock_beyond_what_a_frame_survives(change: Change) -> None:
    figures = compute(change(link={"baud": 921600, "clock": 8e6, "oversampling": 8}))
    assert "survives" in refused(figures, "link.clock_error")
