"""Descent under a parachute."""

import math

import pytest

from preflight.figures import atmosphere, descent

# Knacke, Parachute Recovery Systems Design Manual (NWC TP 6575, 1991), table 5-1: CD0 on nominal area,
# numbers from memory. v = sqrt(2 m g / (rho CD S0)) at sea level: kg, m of nominal diameter, CD0, m/s.
SPEEDS = [
    (1.0, 1.2, 0.62, 4.78),
    (1.0, 1.2, 0.75, 4.34),
    (1.0, 1.2, 0.80, 4.21),
    (2.0, 1.5, 0.62, 5.41),
    (2.0, 1.5, 0.75, 4.92),
    (2.0, 1.5, 0.80, 4.76),
]


@pytest.mark.parametrize(("mass", "diameter", "drag", "speed"), SPEEDS)
def test_speed(mass: float, diameter: float, drag: float, speed: float) -> None:
    area = math.pi / 4 * diameter**2
    found = descent.speed(mass, 1.225, descent.drag_area(area, drag))
    assert found == pytest.approx(speed, abs=0.006)


def test_speed_at_30_km() -> None:
    # sqrt of the printed densities of the 1976 standard: sqrt(1.225 / 0.01841) = 8.16
    column = atmosphere.standard()
    ratio = descent.speed(1.0, column.density(30_000.0), 1.0) / descent.speed(1.0, column.density(0.0), 1.0)
    assert ratio == pytest.approx(8.16, abs=0.005)


def test_energy() -> None:
    # one kilogram at 5 m/s, by definition
    assert descent.energy(1.0, 5.0) == 12.5
