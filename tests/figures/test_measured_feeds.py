"""Measured values feed figures on the safe side."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from preflight.config.flight import Flight
from preflight.figures.compute import FlightFigures, compute
from preflight.figures.feed import Feed
from preflight.figures.limits import DEFAULTS, DISAGREEMENT, limit_for
from preflight.names import UNITS
from preflight.readings import Reading

Change = Callable[..., Flight]


def fed(flight: Flight, name: str, value: float, unit: str, **more: object) -> FlightFigures:
    return compute(flight, {name: Reading(name=name, value=value, unit=unit, **more)})  # type: ignore[arg-type]


def value(figures: FlightFigures, name: str) -> float:
    reading = figures.figure(name)
    assert reading is not None
    assert isinstance(reading.value, (int, float))
    return float(reading.value)


@pytest.mark.parametrize(
    ("name", "unit", "declared"), [("sample.length", "B", 64.0), ("sample.rate", "Hz", 2.0)]
)
def test_what_may_get_worse_keeps_the_larger(flight: Flight, name: str, unit: str, declared: float) -> None:
    shorter = fed(flight, name, declared * 0.7, unit).figure(name)
    assert shorter is not None
    assert (shorter.value, shorter.source) == (declared, "declared")
    longer = fed(flight, name, declared * 1.5, unit)
    reading = longer.figure(name)
    assert reading is not None
    assert (reading.value, reading.source) == (declared * 1.5, "measured")
    assert value(longer, "link.load") == pytest.approx(64 * 2 * 1.5)
    assert value(longer, "card.need") > value(compute(flight), "card.need")


def test_stall(flight: Flight) -> None:
    quick = fed(flight, "card.stall", 40.0, "ms")
    slow = fed(flight, "card.stall", 2000.0, "ms")
    assert value(quick, "link.stall_bytes") == 128.0
    assert value(slow, "link.stall_bytes") == 5 * 64.0


def test_load(flight: Flight) -> None:
    assert value(fed(flight, "battery.load", 90.0, "mA"), "battery.load") == pytest.approx(119.0)
    more = fed(flight, "battery.load", 180.0, "mA")
    reading = more.figure("battery.load")
    assert reading is not None
    assert (reading.value, reading.source) == (pytest.approx(180.0), "measured")
    assert any("battery.load: measured 180 mA, declared 119 mA" in remark for remark in more.remarks)


def test_what_is_known_better_is_replaced_both_ways(flight: Flight) -> None:
    assert value(fed(flight, "balloon.neck_lift", 1.60, "kg"), "flight.free_lift") == pytest.approx(0.50)
    assert value(fed(flight, "balloon.neck_lift", 1.80, "kg"), "flight.free_lift") == pytest.approx(0.70)
    assert value(fed(flight, "payload.mass", 0.9, "kg"), "flight.free_lift") == pytest.approx(0.72)


@pytest.mark.parametrize(("amount", "unit"), [(1700.0, "g"), (1.7 / 0.45359237, "lb"), (1.7, "kg")])
def test_units_are_converted(flight: Flight, amount: float, unit: str) -> None:
    figures = fed(flight, "balloon.neck_lift", amount, unit)
    assert value(figures, "flight.free_lift") == pytest.approx(0.60)
    assert not [remark for remark in figures.remarks if "neck_lift" in remark]


@pytest.mark.parametrize("unit", ["s", "m", "", "pint"])
def test_units_can_not_be_mixed_up(flight: Flight, unit: str) -> None:
    figures = fed(flight, "balloon.neck_lift", 5.0, unit)
    assert value(figures, "flight.free_lift") == pytest.approx(0.60)
    assert any(remark.startswith("The measured balloon.neck_lift was left out") for remark in figures.remarks)


def test_temperature_is_a_scale_with_an_offset(flight: Flight) -> None:
    celsius = fed(flight, "site.temperature", 20.0, "degC")
    fahrenheit = fed(flight, "site.temperature", 68.0, "degF")
    assert value(celsius, "flight.gas_volume") == pytest.approx(value(fahrenheit, "flight.gas_volume"))
    assert value(celsius, "flight.gas_volume") > value(compute(flight), "flight.gas_volume")


def test_disagreement_gives_a_remark(flight: Flight) -> None:
    near = fed(flight, "balloon.neck_lift", 1.72, "kg")
    far = fed(flight, "balloon.neck_lift", 1.90, "kg")
    assert not any("balloon.neck_lift" in remark for remark in near.remarks)
    assert any("measured 1.9 kg, declared 1.7 kg, more than 5% apart" in remark for remark in far.remarks)


def test_computed_readings_do_not_feed_themselves(flight: Flight) -> None:
    figures = fed(flight, "battery.load", 500.0, "mA", source="computed")
    assert value(figures, "battery.load") == pytest.approx(119.0)


@pytest.mark.parametrize("amount", [0.0, -1.0])
def test_senseless_measurements_are_left_out(flight: Flight, amount: float) -> None:
    figures = fed(flight, "payload.mass", amount, "kg")
    assert value(figures, "flight.free_lift") == pytest.approx(0.60)
    assert any("payload.mass was left out" in remark for remark in figures.remarks)


def test_open_voltage_of_lithium_ion_tells_its_charge(flight: Flight) -> None:
    full = value(fed(flight, "battery.open_voltage", 8.34, "V"), "battery.usable")
    assert full == pytest.approx(value(compute(flight), "battery.usable"))
    half = fed(flight, "battery.open_voltage", 7.6, "V")
    assert value(half, "battery.usable") == pytest.approx(full * 0.5)
    assert any("counted as 50% full" in remark for remark in half.remarks)


def test_open_voltage_of_lithium_iron_disulphide_tells_nothing(change: Change) -> None:
    cells = {"chemistry": "li-fes2", "series": 4, "state": "fresh", "cut_off": None}
    flight = change(battery=cells)
    figures = fed(flight, "battery.open_voltage", 4 * 1.2, "V")
    assert value(figures, "battery.usable") == value(compute(flight), "battery.usable")
    assert any("does not tell its charge" in remark for remark in figures.remarks)


STATED = {
    "sample.length": 0.10,
    "sample.rate": 0.05,
    "card.stall": 0.25,
    "battery.load": 0.10,
    "balloon.neck_lift": 0.05,
    "balloon.mass": 0.05,
    "payload.mass": 0.05,
    "parachute.mass": 0.05,
    "cylinder.pressure": 0.05,
}
"""Shares by which measured and declared may differ unremarked: common practice, no source."""


def test_a_disagreement_is_told_from_the_stated_share_on() -> None:
    assert STATED.keys() == DISAGREEMENT.keys()
    for name, share in STATED.items():
        for factor, told in ((share - 0.002, False), (share + 0.002, True)):
            for measured in (100 * (1 + factor), 100 * (1 - factor)):
                feed = Feed({name: Reading(name=name, value=measured, unit=UNITS[name])})
                feed.better(name, 100.0)
                assert bool(feed.remarks) is told, (name, measured)


def test_the_limits_where_a_flight_file_sets_none(flight: Flight) -> None:
    """Common practice, no source, but for the stall (SD physical layer specification, 4.6.2.2)."""
    limits = {
        "link.margin": (2.0, None),
        "link.stall_margin": (1.0, None),
        "card.margin": (2.0, None),
        "battery.margin": (1.5, None),
        "beacon.margin": (1.5, None),
        "flight.free_lift": (0.0, None),
        "flight.ascent_rate": (3.0, 6.0),
        "flight.burst_altitude": (5000.0, None),
        "flight.landing_speed": (None, 6.0),
        "flight.landing_speed_fouled": (None, 9.0),
        "flight.keep_out_clearance": (0.0, None),
    }
    assert {name: limit_for(flight, name) for name in DEFAULTS} == limits
    for reading in compute(flight).figures:
        if reading.name in limits:
            assert (reading.at_least, reading.at_most) == limits[reading.name], reading.name
