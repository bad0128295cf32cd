"""Steps are fine enough: halving them moves nothing, and an adaptive quadrature agrees."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest
from fluids import ATMOSPHERE_1976

from preflight.config.flight import Flight, Wind
from preflight.figures import of_flight
from preflight.figures.compute import compute

Change = Callable[..., Flight]
NAMES = (
    "flight.burst_altitude",
    "flight.ascent_time",
    "flight.descent_time",
    "flight.duration",
    "flight.mean_ascent_rate",
    "flight.landing_speed",
    "flight.landing_distance",
)
WINDS = """height [m],direction,speed [m/s]
0,250,3
2000,265,9
9000,280,38
16000,275,14
21000,95,4
33000,90,9
"""


@pytest.mark.parametrize("model", ["constant-rate", "constant-drag"])
@pytest.mark.parametrize("burst", [4.5, 6.7, 10.0])
def test_halving_the_step_moves_nothing(
    change: Change, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, model: str, burst: float
) -> None:
    (tmp_path / "winds.csv").write_text(WINDS)
    flight = change(balloon={"ascent_model": model, "burst_diameter": burst}, wind=Wind(table="winds.csv"))
    coarse = compute(flight, folder=tmp_path)
    monkeypatch.setattr(of_flight, "STEP", of_flight.STEP / 2)
    fine = compute(flight, folder=tmp_path)
    for name in NAMES:
        one, other = coarse.figure(name), fine.figure(name)
        assert one is not None
        assert other is not None
        for a, b in ((one.value, other.value), (one.low, other.low), (one.high, other.high)):
            assert a is b is None or a == pytest.approx(b, rel=1e-3)


def adaptive(f: Callable[[float], float], a: float, b: float, tolerance: float) -> float:
    """Adaptive Simpson quadrature with Richardson's correction."""

    def part(
        a: float, fa: float, b: float, fb: float, m: float, fm: float, whole: float, tol: float
    ) -> float:
        left, right = (a + m) / 2, (m + b) / 2
        fl, fr = f(left), f(right)
        one, two = (m - a) / 6 * (fa + 4 * fl + fm), (b - m) / 6 * (fm + 4 * fr + fb)
        if abs(one + two - whole) <= 15 * tol:
            return one + two + (one + two - whole) / 15
        return part(a, fa, m, fm, left, fl, one, tol / 2) + part(m, fm, b, fb, right, fr, two, tol / 2)

    m = (a + b) / 2
    fa, fb, fm = f(a), f(b), f(m)
    return part(a, fa, b, fb, m, fm, (b - a) / 6 * (fa + 4 * fm + fb), tolerance)


def density(z: float) -> float:
    return float(ATMOSPHERE_1976(z).rho)


@pytest.mark.parametrize("burst_diameter", [4.5, 6.7, 10.0])
@pytest.mark.parametrize("model", ["constant-rate", "constant-drag"])
def test_against_an_adaptive_quadrature(change: Change, burst_diameter: float, model: str) -> None:
    # The physics written out again, on the densities of fluids and in the plainest form: dt = dz / v(z).
    flight = change(
        site={"elevation": 0.0, "qnh": None, "temperature": None},
        balloon={"burst_diameter": burst_diameter, "ascent_model": model},
        recovery={"landing_elevation": 0.0},
    )
    helium = 101_325.0 * 4.002602e-3 / (8.314462618 * 288.15) / 1.0005
    volume = (0.75 + 1.70) / (1.225 - helium)
    free = 1.70 - 1.10

    def diameter(z: float) -> float:
        return (6 / math.pi * volume * 1.225 / density(z)) ** (1 / 3)

    def rise(z: float) -> float:
        z = 0.0 if model == "constant-rate" else z
        return math.sqrt(2 * free * 9.80665 / (density(z) * 0.33 * math.pi / 4 * diameter(z) ** 2))

    def fall(z: float) -> float:
        return math.sqrt(2 * 1.10 * 9.80665 / (density(z) * 0.9 * 0.75))

    low, high = 0.0, 47_000.0
    while high - low > 0.1:
        middle = (low + high) / 2
        low, high = (middle, high) if diameter(middle) < burst_diameter else (low, middle)
    up = adaptive(lambda z: 1 / rise(z), 0.0, low, 0.01)
    down = adaptive(lambda z: 1 / fall(z), 0.0, low, 0.01)

    figures = compute(flight)
    for name, expected in (
        ("flight.gas_volume", volume),
        ("flight.ascent_rate", rise(0.0)),
        ("flight.burst_altitude", low),
        ("flight.ascent_time", up / 60),
        ("flight.descent_time", down / 60),
        ("flight.landing_speed", fall(0.0)),
        ("flight.speed_after_burst", fall(low)),
    ):
        reading = figures.figure(name)
        assert reading is not None
        # one percent is asked for; the two differ by far less
        assert reading.value == pytest.approx(expected, rel=1e-3), name
