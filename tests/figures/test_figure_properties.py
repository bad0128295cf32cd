"""Properties that hold for every flight file, however odd."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from preflight.config.flight import Efficiency, Flight, Load, Package, Wind
from preflight.figures import atmosphere, gas, shown, winds
from preflight.figures.compute import FlightFigures, compute

Change = Callable[..., Flight]
several = settings(
    max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
fewer = settings(several, max_examples=50)


def number(figures: FlightFigures, name: str) -> float | None:
    reading = figures.figure(name)
    return None if reading is None or not isinstance(reading.value, (int, float)) else float(reading.value)


@st.composite
def sections(draw: st.DrawFn) -> dict[str, object]:
    """Sections over the whole range that the flight file allows."""
    f = st.floats
    cells = {
        "chemistry": draw(st.sampled_from(["alkaline", "li-fes2", "nimh", "li-ion", "lifepo4"])),
        "series": draw(st.integers(1, 20)),
        "parallel": draw(st.integers(1, 20)),
        "capacity": draw(f(1e-3, 1e6)),
        "cell_temperature": draw(f(173.15, 353.15)),
        "cut_off": draw(st.none() | f(0.01, 5)),
        "resistance": draw(st.none() | f(0, 100)),
        "rail": draw(st.none() | f(0.1, 60)),
        "dropout": draw(f(0, 10)),
        "regulator": draw(st.just("linear") | f(0.01, 1).map(lambda e: Efficiency(efficiency=e))),
        "load": (Load(name="all", current=draw(f(0, 100)), duty=draw(f(0, 1))),),
    }
    return {
        "site": {
            "elevation": draw(f(-430, 6000)),
            "qnh": draw(st.none() | f(85_000, 110_000)),
            "temperature": draw(st.none() | f(203.15, 333.15)),
        },
        "balloon": {
            "mass": draw(f(1e-3, 20)),
            "burst_diameter": draw(f(0.01, 40)),
            "gas": draw(st.sampled_from(["helium", "hydrogen"])),
            "neck_lift": draw(f(1e-3, 50)),
            "purity": draw(f(0.5, 1)),
            "drag_coefficient": draw(f(0.05, 2)),
            "ascent_model": draw(st.sampled_from(["constant-rate", "constant-drag"])),
        },
        "payload": {"package": (Package(name="p", mass=draw(f(1e-3, 50))),)},
        "parachute": {
            "area": draw(f(1e-3, 200)),
            "drag_coefficient": draw(f(0.01, 3)),
            "mass": draw(f(0, 20)),
        },
        "sample": {"rate": draw(f(1e-3, 10_000)), "length": draw(f(1, 65_536))},
        "link": {
            "baud": draw(st.integers(50, 4_000_000)),
            "framing": draw(st.sampled_from(["8N1", "7E2", "5O1.5", "8M2"])),
            "buffer": draw(f(1, 2**24)),
            "stall": draw(f(0.5, 60)),
            "clock": draw(st.none() | f(1, 1e9)),
            "oversampling": draw(st.sampled_from([8, 16])),
        },
        "battery": cells,
        "cylinder": {"pressure": draw(f(1, 1e8)), "temperature": draw(f(223.15, 338.15))},
        "recovery": {"search": draw(f(0, 30 * 86400)), "landing_elevation": draw(st.none() | f(-430, 6000))},
    }


@several
@given(sections=sections())
def test_never_nan_never_infinite_and_ranges_hold_their_values(
    change: Change, sections: dict[str, object]
) -> None:
    figures = compute(change(**sections))
    for reading in figures.figures:
        for part in (reading.value, reading.low, reading.high, reading.margin):
            assert part is None or math.isfinite(float(part))
        if reading.value is not None and reading.low is not None and reading.high is not None:
            assert reading.low <= float(reading.value) <= reading.high, reading
        shown.value_text(reading)
        shown.range_text(reading)
    for item in figures.run_out:
        assert math.isfinite(item.after)
    axis = figures.axis
    assert 0 == axis.power_up <= axis.release <= axis.burst <= axis.landing <= axis.end_of_search


@fewer
@given(loads=st.tuples(st.floats(1e-4, 5), st.floats(1e-4, 5)))
def test_margins_fall_as_load_grows(change: Change, loads: tuple[float, float]) -> None:
    small, large = sorted(loads)
    one, other = (
        compute(change(battery={"load": (Load(name="all", current=current),)}, beacon={"battery": None}))
        for current in (small, large)
    )
    for name in ("battery.margin", "battery.endurance", "battery.loaded_voltage_min"):
        a, b = number(one, name), number(other, name)
        assert a is not None
        assert b is not None
        assert a >= b


@fewer
@given(rates=st.tuples(st.floats(0.1, 500), st.floats(0.1, 500)), length=st.floats(8, 500))
def test_link_and_card_margins_fall_as_samples_grow(
    change: Change, rates: tuple[float, float], length: float
) -> None:
    slow, fast = sorted(rates)
    one, other = (compute(change(sample={"rate": rate, "length": length})) for rate in (slow, fast))
    for name in ("link.margin", "link.stall_margin", "card.file_limit_after"):
        a, b = number(one, name), number(other, name)
        assert a is not None
        assert b is not None
        assert a >= b
    assert number(one, "card.need") <= number(other, "card.need")  # type: ignore[operator]


@several
@given(lifts=st.tuples(st.floats(0.5, 20), st.floats(0.5, 20)), mass=st.floats(0.05, 5))
def test_more_lift_never_lowers_the_rate(change: Change, lifts: tuple[float, float], mass: float) -> None:
    less, more = sorted(lifts)
    one, other = (compute(change(balloon={"neck_lift": lift, "mass": mass})) for lift in (less, more))
    for name in ("flight.ascent_rate", "flight.gas_volume", "flight.free_lift"):
        a, b = number(one, name), number(other, name)
        assert a is not None
        assert b is not None
        assert a <= b + 1e-12 * abs(b)


@fewer
@given(rate=st.floats(0.5, 12), mass=st.floats(0.05, 5), train=st.floats(0.05, 8))
def test_neck_lift_for_a_rate_is_its_inverse(rate: float, mass: float, train: float) -> None:
    from preflight.figures import ascent

    neck = ascent.neck_lift_for_rate(
        rate,
        balloon_mass=mass,
        train_mass=train,
        lift_per_volume=1.0558,
        air_density=1.225,
        drag_coefficient=0.33,
    )
    diameter = gas.sphere_diameter(gas.fill_volume(mass + neck, 1.0558))
    assert ascent.rate_at_release(neck - train, diameter, 1.225, 0.33) == pytest.approx(rate, rel=1e-8)


@fewer
@given(height=st.floats(0, 45_000), volume=st.floats(0.1, 50), kind=st.sampled_from(["helium", "hydrogen"]))
def test_volume_conserves_mass(height: float, volume: float, kind: str) -> None:
    # The volume grows as the air thins; the gas in it stays the same, its real-gas factor apart.
    column = atmosphere.standard()
    air = column.at(height)
    grown = volume * 1.225 / air.density
    before = gas.density(kind, 101_325.0, 288.15) * volume
    after = gas.density(kind, air.pressure, max(220.0, air.temperature)) * grown
    if air.temperature >= 220:
        assert after == pytest.approx(before, rel=1e-3)
    assert math.pi / 6 * gas.sphere_diameter(grown) ** 3 == pytest.approx(grown)


@fewer
@given(
    moles=st.floats(1e5, 3e7), temperature=st.floats(230, 330), kind=st.sampled_from(["helium", "hydrogen"])
)
def test_cylinder_gives_what_it_holds(moles: float, temperature: float, kind: str) -> None:
    pressure = moles
    out = gas.free_gas(
        kind,
        water_volume=0.05,
        pressure=pressure,
        temperature=temperature,
        outside_pressure=100_000.0,
        outside_temperature=285.0,
    )
    given_out = gas.amount(kind, 100_000.0, 285.0, out)
    held = gas.amount(kind, pressure, temperature, 0.05) - gas.amount(kind, 100_000.0, temperature, 0.05)
    assert given_out == pytest.approx(max(0.0, held), rel=1e-9, abs=1e-12)


@fewer
@given(
    rows=st.lists(
        st.tuples(st.integers(0, 45_000), st.floats(0, 360), st.floats(0, 90)),
        min_size=1,
        max_size=12,
        unique_by=lambda row: row[0],
    ),
    latitude=st.floats(-90, 90),
)
def test_landing_points_are_places(
    change: Change, tmp_path: Path, rows: list[tuple[int, float, float]], latitude: float
) -> None:
    text = "height [m],direction,speed [m/s]\n" + "".join(f"{h},{d:f},{s:f}\n" for h, d, s in rows)
    (tmp_path / "winds.csv").write_text(text)
    figures = compute(change(wind=Wind(table="winds.csv"), site={"latitude": latitude}), folder=tmp_path)
    assert not figures.faults
    assert figures.landing is not None
    for place in figures.landing.spread:
        assert -90 <= place.latitude <= 90
        assert -180 <= place.longitude <= 180
    for name in ("flight.landing_distance", "flight.landing_bearing"):
        reading = figures.figure(name)
        assert reading is not None
        if reading.low is not None and reading.high is not None:
            assert reading.low <= float(reading.value or 0.0) <= reading.high


@fewer
@given(direction=st.floats(0, 360), speed=st.floats(0, 150))
def test_components_keep_the_speed(direction: float, speed: float) -> None:
    assert math.hypot(*winds.components(direction, speed)) == pytest.approx(speed, abs=1e-9)
