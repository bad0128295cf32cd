"""Lifting gas against CoolProp and published airship figures."""

import pytest
from CoolProp.CoolProp import PropsSI

from preflight.figures import gas

NAMES = {"helium": "Helium", "hydrogen": "Hydrogen"}
P0 = 101_325.0


@pytest.mark.parametrize("kind", NAMES)
@pytest.mark.parametrize("celsius", [-30, -10, 0, 15, 20, 25, 40])
def test_density(kind: str, celsius: int) -> None:
    # CoolProp 8: reference equations of helium and (normal) hydrogen
    kelvin = celsius + 273.15
    assert gas.density(kind, P0, kelvin) == pytest.approx(
        PropsSI("D", "T", kelvin, "P", P0, NAMES[kind]), rel=1e-4
    )


@pytest.mark.parametrize("kind", NAMES)
@pytest.mark.parametrize("bar", [1, 50, 150, 200, 201.01325, 300, 700])
@pytest.mark.parametrize("celsius", [-40, -10, 15, 40, 60])
def test_compressibility(kind: str, bar: float, celsius: int) -> None:
    kelvin = celsius + 273.15
    reference = PropsSI("Z", "T", kelvin, "P", bar * 1e5, NAMES[kind])
    assert gas.compressibility(kind, bar * 1e5, kelvin) == pytest.approx(reference, rel=3e-4)


# CoolProp 8.0.0: degC, kg/m^3 of lift of helium and hydrogen in dry air at 101325 Pa
@pytest.mark.parametrize(
    ("celsius", "helium", "hydrogen"),
    [(0, 1.11458, 1.20318), (15, 1.05634, 1.14033), (20, 1.03826, 1.12082), (25, 1.02080, 1.10197)],
)
def test_lift_in_dry_air(celsius: int, helium: float, hydrogen: float) -> None:
    kelvin = celsius + 273.15
    air = PropsSI("D", "T", kelvin, "P", P0, "Air")
    for kind, lift in (("helium", helium), ("hydrogen", hydrogen)):
        assert gas.lift_per_volume(kind, P0, kelvin, air_density=air) == pytest.approx(lift, abs=5e-5)


def test_lift_in_standard_air() -> None:
    # with the 1976 standard's sea-level air of 1.2250 kg/m^3
    assert gas.lift_per_volume("helium", P0, 288.15, air_density=1.2250) == pytest.approx(1.05580, abs=5e-5)
    assert gas.lift_per_volume("hydrogen", P0, 288.15, air_density=1.2250) == pytest.approx(1.13980, abs=5e-5)


def test_airship_handbook() -> None:
    # A US airship handbook, 60 degF and 29.92 inHg, per 1000 cubic feet: hydrogen 5.31 lb, helium 10.54 lb,
    # air 76.36 lb, so that they lift 71.05 and 65.82 lb.
    kelvin = (60 - 32) / 1.8 + 273.15
    pound, thousand_feet = 0.45359237, 1000 * 0.3048**3
    air = 76.36 * pound / thousand_feet
    for kind, weight, lift in (("hydrogen", 5.31, 71.05), ("helium", 10.54, 65.82)):
        density = gas.density(kind, P0, kelvin) / pound * thousand_feet
        # The handbook's helium is that of its day, 0.2 % lighter than today's.
        assert density == pytest.approx(weight, rel=0.005)
        lifted = gas.lift_per_volume(kind, P0, kelvin, air_density=air) / pound * thousand_feet
        assert lifted == pytest.approx(lift, rel=5e-4)


def test_compressibility_of_a_full_cylinder() -> None:
    # CoolProp 8.0.0, 15 degC: Z at 200 bar absolute
    assert gas.compressibility("helium", 2e7, 288.15) == pytest.approx(1.0970, abs=2e-4)
    assert gas.compressibility("hydrogen", 2e7, 288.15) == pytest.approx(1.1264, abs=2e-4)
    # and the density there
    assert gas.density("helium", 2e7, 288.15) == pytest.approx(30.460, abs=0.01)
    assert gas.density("hydrogen", 2e7, 288.15) == pytest.approx(14.940, abs=0.005)


# CoolProp 8.0.0: 50 L at 200 bar absolute, 15 degC, as free gas at 15 degC and 101325 Pa: m^3 down to 1 atm,
# and by how much the ideal-gas answer (9.869 m^3) over-reads the whole content
@pytest.mark.parametrize(
    ("kind", "whole", "usable", "over"), [("helium", 9.001, 8.951, 0.096), ("hydrogen", 8.767, 8.717, 0.126)]
)
def test_cylinder(kind: str, whole: float, usable: float, over: float) -> None:
    given = gas.free_gas(
        kind,
        water_volume=0.05,
        pressure=2e7,
        temperature=288.15,
        outside_pressure=P0,
        outside_temperature=288.15,
    )
    assert given == pytest.approx(usable, abs=0.002)
    content = given + 0.05
    assert content == pytest.approx(whole, abs=0.002)
    ideal = 0.05 * 2e7 / P0
    assert ideal == pytest.approx(9.869, abs=0.001)
    assert ideal / content - 1 == pytest.approx(over, abs=0.001)


def test_normal_and_standard_cubic_metres() -> None:
    # "normal" (0 degC) and "standard" (15 degC) cubic metres differ by 5.49 %
    n0, n15 = (gas.amount("helium", P0, kelvin, 1.0) for kelvin in (273.15, 288.15))
    assert n0 / n15 - 1 == pytest.approx(0.0549, abs=1e-4)
