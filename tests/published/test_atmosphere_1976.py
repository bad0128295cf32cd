"""The atmosphere against the printed tables of 1976 and two reference libraries."""

import math
from itertools import pairwise

import pytest
from ambiance import Atmosphere
from fluids import ATMOSPHERE_1976

from preflight.figures import atmosphere

# U.S. Standard Atmosphere, 1976 (NOAA-S/T 76-1562), table I, pages 53 to 65, geometric altitude:
# km, K, mb, kg/m^3 as printed, with the value of one unit of the last printed digit of the last two.
TABLE_I = [
    (0, 288.150, 1.01325e3, 1e-2, 1.2250e0, 1e-4),
    (1, 281.651, 8.9876e2, 1e-2, 1.1117e0, 1e-4),
    (5, 255.676, 5.4048e2, 1e-2, 7.3643e-1, 1e-5),
    (10, 223.252, 2.6499e2, 1e-2, 4.1351e-1, 1e-5),
    (11, 216.774, 2.2699e2, 1e-2, 3.6480e-1, 1e-5),
    (15, 216.650, 1.2111e2, 1e-2, 1.9476e-1, 1e-5),
    (20, 216.650, 5.5293e1, 1e-3, 8.8910e-2, 1e-6),
    (25, 221.552, 2.5492e1, 1e-3, 4.0084e-2, 1e-6),
    (30, 226.509, 1.1970e1, 1e-3, 1.8410e-2, 1e-6),
    (32, 228.490, 8.8906e0, 1e-4, 1.3555e-2, 1e-6),
    (35, 236.513, 5.7459e0, 1e-4, 8.4634e-3, 1e-7),
    (40, 250.350, 2.8714e0, 1e-4, 3.9957e-3, 1e-7),
]


@pytest.mark.parametrize(("km", "kelvin", "millibar", "unit_p", "density", "unit_rho"), TABLE_I)
def test_printed_table(
    km: int, kelvin: float, millibar: float, unit_p: float, density: float, unit_rho: float
) -> None:
    air = atmosphere.standard().at(km * 1000.0)
    assert abs(air.temperature - kelvin) <= 0.001
    # The printed pressures at 10, 11 and 15 km are truncated, not rounded: hence a whole unit.
    assert abs(air.pressure / 100 - millibar) <= unit_p
    assert abs(air.density - density) <= unit_rho


# The same standard, table 4 (layers) with base values as the definition gives them:
# geopotential km, K, Pa, kg/m^3, geometric m.
LAYERS = [
    (0, 288.15, 101325.0, 1.22500, 0.0),
    (11, 216.65, 22632.06, 0.363918, 11019.1),
    (20, 216.65, 5474.89, 0.0880348, 20063.1),
    (32, 228.65, 868.019, 0.0132250, 32161.9),
    (47, 270.65, 110.906, 1.42753e-3, 47350.1),
    (51, 270.65, 66.9389, 8.61605e-4, 51412.5),
    (71, 214.65, 3.95642, 6.42110e-5, 71802.0),
]


@pytest.mark.parametrize(("km", "kelvin", "pascal", "density", "height"), LAYERS)
def test_layer_bases(km: int, kelvin: float, pascal: float, density: float, height: float) -> None:
    geometric = atmosphere.geometric(km * 1000.0)
    assert geometric == pytest.approx(height, abs=0.06)
    assert atmosphere.geopotential(geometric) == pytest.approx(km * 1000.0, abs=1e-6)
    air = atmosphere.standard().at(geometric)
    assert air.temperature == pytest.approx(kelvin, abs=1e-6)
    assert air.pressure == pytest.approx(pascal, rel=5e-6)
    assert air.density == pytest.approx(density, rel=5e-6)


GRID = range(0, 71_800, 200)


def test_agrees_with_fluids() -> None:
    # fluids 1.3, ATMOSPHERE_1976
    column = atmosphere.standard()
    for z in GRID:
        air, reference = column.at(float(z)), ATMOSPHERE_1976(float(z))
        assert air.temperature == pytest.approx(reference.T, rel=1e-5)
        assert air.pressure == pytest.approx(reference.P, rel=1e-5)
        assert air.density == pytest.approx(reference.rho, rel=1e-5)


def test_agrees_with_ambiance() -> None:
    # ambiance 1.3, which implements the ICAO standard atmosphere (Doc 7488), identical up to 80 km
    reference = Atmosphere([float(z) for z in GRID])
    column = atmosphere.standard()
    for z, t, p, rho in zip(GRID, reference.temperature, reference.pressure, reference.density, strict=True):
        air = column.at(float(z))
        assert air.temperature == pytest.approx(t, rel=1e-5)
        assert air.pressure == pytest.approx(p, rel=1e-5)
        assert air.density == pytest.approx(rho, rel=1e-5)


@pytest.mark.parametrize("km", range(0, 71, 3))
def test_inverses_lead_back(km: int) -> None:
    column = atmosphere.standard()
    air = column.at(km * 1000.0)
    assert column.height_of_density(air.density) == pytest.approx(km * 1000.0, abs=1e-3)
    assert atmosphere.pressure_altitude(air.pressure) == pytest.approx(
        atmosphere.geopotential(km * 1000.0), abs=1e-3
    )


def test_troposphere_formula_is_not_used_aloft() -> None:
    # The formula of the lowest layer reads 4.6 km low at 30 km geopotential (from the definition).
    pressure = atmosphere.standard().at(atmosphere.geometric(30_000.0)).pressure
    troposphere_only = 288.15 / 0.0065 * (1 - (pressure / 101325.0) ** 0.190263)
    assert 30_000.0 - troposphere_only == pytest.approx(4600, abs=60)
    assert atmosphere.pressure_altitude(pressure) == pytest.approx(30_000.0, abs=0.01)


@pytest.mark.parametrize("kelvin", [243.15, 273.15, 288.15 - 0.0065 * 212, 303.15])
def test_site_column_is_in_hydrostatic_balance(kelvin: float) -> None:
    # dp/dZ = -rho g with g = g0 (r0 / (r0 + Z))^2: 1976 standard, eqs. 4 and 17.
    column = atmosphere.site_column(212.0, qnh=101_800.0, temperature=kelvin)
    assert column.at(212.0).temperature == pytest.approx(kelvin)
    for z in range(300, 45_000, 700):
        slope = (column.at(z + 1.0).pressure - column.at(z - 1.0).pressure) / 2
        gravity = 9.80665 * (6_356_766 / (6_356_766 + z)) ** 2
        assert slope == pytest.approx(-column.density(float(z)) * gravity, rel=2e-6)


def test_site_column_without_a_day_is_the_standard_one() -> None:
    column = atmosphere.site_column(500.0)
    for z in (0.0, 500.0, 9000.0, 15000.0, 30000.0, 46000.0):
        assert column.density(z) == pytest.approx(atmosphere.standard().density(z), rel=1e-9)


def test_site_column_has_no_jump() -> None:
    column = atmosphere.site_column(1200.0, qnh=99_000.0, temperature=308.15)
    edges = [1200.0, *column.boundaries]
    for z in edges[1:]:
        below, above = column.at(z - 1e-3), column.at(z + 1e-3)
        assert below.temperature == pytest.approx(above.temperature, abs=1e-4)
        assert below.pressure == pytest.approx(above.pressure, rel=1e-6)
    assert all(a < b for a, b in pairwise(edges))
    assert column.at(25_000.0).temperature == pytest.approx(atmosphere.standard().at(25_000.0).temperature)
    assert math.isfinite(column.density(-400.0))
