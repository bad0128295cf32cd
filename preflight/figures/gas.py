"""Lifting gas: density, real-gas compressibility, lift, the fill and what it takes of a cylinder.

SI throughout; masses of lift are forces expressed as masses, in kg. Dry air is assumed: at 25 degC and full
humidity the lift is about 1 % less.
"""

from __future__ import annotations

import math

GAS_CONSTANT = 8.314462618
"""J/(mol K), CODATA 2018."""

MOLAR_MASS = {"helium": 4.002602e-3, "hydrogen": 2.01588e-3}
"""kg/mol."""

_COMPRESSIBILITY: dict[str, tuple[tuple[float, float, float], ...]] = {
    # Z = 1 + sum of a (100 K / T)^b (p / 1 MPa)^c
    #
    # Lemmon, Huber and Leachman, "Revised standardized equation for hydrogen gas densities for fuel
    # consumption applications", J. Res. NIST 113 (2008) 341: 150 to 1000 K, to 200 MPa.
    "hydrogen": (
        (0.05888460, 1.325, 1.0),
        (-0.06136111, 1.87, 1.0),
        (-0.002650473, 2.5, 2.0),
        (0.002731125, 2.8, 2.0),
        (0.001802374, 2.938, 2.42),
        (-0.001150707, 3.14, 2.63),
        (0.9588528e-4, 3.37, 3.0),
        (-0.1109040e-6, 3.75, 4.0),
        (0.1264403e-9, 4.0, 5.0),
    ),
    # The same form fitted to the reference equation of helium as CoolProp 8.0.0 gives it, over 220 to
    # 340 K and 0.05 to 100 MPa: within 0.02 % of it everywhere.
    "helium": (
        (0.01233474, 1.0, 1.0),
        (-0.02439227, 3.0, 1.0),
        (0.02388649, 2.5, 1.0),
        (-2.981005e-05, 1.5, 2.0),
        (1.086199e-06, 2.0, 2.5),
        (1.301338e-08, 1.0, 3.0),
    ),
}


def compressibility(gas: str, pressure: float, temperature: float) -> float:
    """Z = p V / (n R T) of "helium" or "hydrogen" at Pa and K (220 to 340 K, to 100 MPa)."""
    cold = 100.0 / temperature
    high = pressure / 1e6
    return 1.0 + math.fsum(a * cold**b * high**c for a, b, c in _COMPRESSIBILITY[gas])


def density(gas: str, pressure: float, temperature: float) -> float:
    """kg/m^3 of the pure gas at Pa and K: p M / (Z R T)."""
    z = compressibility(gas, pressure, temperature)
    return pressure * MOLAR_MASS[gas] / (z * GAS_CONSTANT * temperature)


def lift_per_volume(
    gas: str, pressure: float, temperature: float, *, air_density: float, purity: float = 1.0
) -> float:
    """kg lifted by each m^3 at Pa and K in air of `air_density` kg/m^3.

    `purity` is the share by volume of the named gas; the rest is taken as air, which lifts nothing.
    """
    return purity * (air_density - density(gas, pressure, temperature))


def fill_volume(gross_lift: float, lift: float) -> float:
    """m^3 at release that lift `gross_lift` kg (balloon and neck lift) at `lift` kg/m^3."""
    return gross_lift / lift


def sphere_diameter(volume: float) -> float:
    """m, of a sphere of `volume` m^3."""
    return math.cbrt(6.0 * volume / math.pi)


def amount(gas: str, pressure: float, temperature: float, volume: float) -> float:
    """mol of gas in `volume` m^3 at Pa and K: n = p V / (Z R T)."""
    z = compressibility(gas, pressure, temperature)
    return pressure * volume / (z * GAS_CONSTANT * temperature)


def free_gas(
    gas: str,
    *,
    water_volume: float,
    pressure: float,
    temperature: float,
    outside_pressure: float,
    outside_temperature: float,
) -> float:
    """m^3 at the outside Pa and K that a cylinder gives until it is down to the outside pressure.

    `pressure` is absolute, `temperature` the cylinder's; what stays in the cylinder has its temperature.
    """
    left = amount(gas, outside_pressure, temperature, water_volume)
    given = amount(gas, pressure, temperature, water_volume) - left
    z = compressibility(gas, outside_pressure, outside_temperature)
    return max(0.0, given) * z * GAS_CONSTANT * outside_temperature / outside_pressure
