"""The U.S. Standard Atmosphere 1976, a site's own column of air, QNH and thickness.

Source: NOAA-S/T 76-1562 (U.S. Standard Atmosphere, 1976), part 1, tables 2 and 4: the constants and the
layers below 71 km geopotential height. All values are SI; a height is geometric (above mean sea level)
unless its name says geopotential.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

G0 = 9.80665
"""Standard gravity, m/s^2."""
GAS_CONSTANT_AIR = 8314.32 / 28.9644
"""R* / M0 of the 1976 standard, J/(kg K)."""
EARTH_RADIUS = 6_356_766.0
"""r0 of the 1976 standard, m."""
KELVIN = 273.15
"""K of 0 degC."""
P0 = 101_325.0
T0 = 288.15
TROPOPAUSE = 11_000.0
"""Top of the first layer, geopotential m."""
OFFSET_GONE = 20_000.0
"""Geopotential height above which a surface temperature is taken to say nothing."""

_HYDROSTATIC = G0 / GAS_CONSTANT_AIR
_STANDARD_LAYERS = (
    # base geopotential m, dT/dH in K/m
    (0.0, -0.0065),
    (11_000.0, 0.0),
    (20_000.0, 0.0010),
    (32_000.0, 0.0028),
    (47_000.0, 0.0),
    (51_000.0, -0.0028),
)


def geopotential(geometric: float) -> float:
    """Geopotential height in m of a geometric height in m: H = r0 Z / (r0 + Z) (1976 standard, eq. 18)."""
    return EARTH_RADIUS * geometric / (EARTH_RADIUS + geometric)


def geometric(geopotential: float) -> float:
    """Geometric height in m of a geopotential height in m: Z = r0 H / (r0 - H) (1976 standard, eq. 19)."""
    return EARTH_RADIUS * geopotential / (EARTH_RADIUS - geopotential)


@dataclass(frozen=True, slots=True)
class Air:
    """Air at one height: K, Pa, kg/m^3."""

    temperature: float
    pressure: float
    density: float


@dataclass(frozen=True, slots=True)
class _Layer:
    """Air of constant temperature gradient from `base` (geopotential m) up."""

    base: float
    temperature: float
    gradient: float
    pressure: float

    def at(self, height: float) -> tuple[float, float]:
        """Temperature K and pressure Pa at a geopotential height m (1976 standard, eqs. 23, 33a, 33b)."""
        rise = height - self.base
        if self.gradient == 0.0:
            exponent = -_HYDROSTATIC * rise / self.temperature
            return self.temperature, self.pressure * math.exp(exponent)
        # log1p keeps its precision where the gradient is almost nothing, as in a layer a surface
        # temperature has barely bent.
        bent = math.log1p(self.gradient * rise / self.temperature)
        temperature = self.temperature + self.gradient * rise
        return temperature, self.pressure * math.exp(-_HYDROSTATIC / self.gradient * bent)

    @property
    def density(self) -> float:
        return self.pressure / (GAS_CONSTANT_AIR * self.temperature)

    def height_of_density(self, density: float) -> float:
        """The inverse of density = p / (R T) within this layer, geopotential m."""
        log_ratio = math.log(density / self.density)
        if self.gradient == 0.0:
            return self.base - log_ratio * self.temperature / _HYDROSTATIC
        power = -self.gradient / (_HYDROSTATIC + self.gradient)
        return self.base + self.temperature / self.gradient * math.expm1(log_ratio * power)

    def height_of_pressure(self, pressure: float) -> float:
        """The inverse of the pressure within this layer, geopotential m."""
        log_ratio = math.log(pressure / self.pressure)
        if self.gradient == 0.0:
            return self.base - log_ratio * self.temperature / _HYDROSTATIC
        power = -self.gradient / _HYDROSTATIC
        return self.base + self.temperature / self.gradient * math.expm1(log_ratio * power)


class Column:
    """A column of air in hydrostatic balance, piecewise linear in temperature."""

    __slots__ = ("_layers",)

    def __init__(self, base: float, pressure: float, profile: tuple[tuple[float, float, float], ...]) -> None:
        """`profile`: (base geopotential m, temperature there K, gradient K/m), rising; `pressure` at base."""
        layers: list[_Layer] = []
        for height, temperature, gradient in profile:
            p = pressure if not layers else layers[-1].at(height)[1]
            layers.append(_Layer(height if layers else base, temperature, gradient, p))
        self._layers = tuple(layers)

    @property
    def boundaries(self) -> tuple[float, ...]:
        """Geometric heights in m at which the temperature gradient changes."""
        return tuple(geometric(layer.base) for layer in self._layers[1:])

    def at(self, height: float) -> Air:
        """Air at a geometric height in m; the lowest layer goes on downwards, the highest upwards."""
        h = geopotential(height)
        layers = self._layers
        index = len(layers) - 1
        while index and h < layers[index].base:
            index -= 1
        temperature, pressure = layers[index].at(h)
        return Air(temperature, pressure, pressure / (GAS_CONSTANT_AIR * temperature))

    def density(self, height: float) -> float:
        """kg/m^3 at a geometric height in m."""
        return self.at(height).density

    def height_of_density(self, density: float) -> float:
        """The geometric height in m at which the air has this density in kg/m^3 (closed form)."""
        layers = self._layers
        index = len(layers) - 1
        while index and density > layers[index].density:
            index -= 1
        return geometric(layers[index].height_of_density(density))

    def height_of_pressure(self, pressure: float) -> float:
        """The geopotential height in m at which the air has this pressure in Pa (closed form)."""
        layers = self._layers
        index = len(layers) - 1
        while index and pressure > layers[index].pressure:
            index -= 1
        return layers[index].height_of_pressure(pressure)


@functools.cache
def standard() -> Column:
    """The U.S. Standard Atmosphere 1976."""
    profile = []
    temperature = T0
    for index, (base, gradient) in enumerate(_STANDARD_LAYERS):
        if index:
            below, slope = _STANDARD_LAYERS[index - 1]
            temperature += slope * (base - below)
        profile.append((base, temperature, gradient))
    return Column(0.0, P0, tuple(profile))


def site_column(elevation: float, *, qnh: float | None = None, temperature: float | None = None) -> Column:
    """The standard atmosphere bent to a site: elevation m, QNH Pa, surface temperature K.

    The pressure at the site is the QNH brought to the site's elevation by the standard atmosphere. The
    surface temperature's difference from the standard one is carried up to 11 km geopotential and faded out
    linearly by 20 km: a warm or cold day is one of the troposphere. The pressure above follows from
    hydrostatic balance. Without either value the column is the standard one.
    """
    base = geopotential(elevation)
    normal = T0 - 0.0065 * base
    offset = 0.0 if temperature is None else temperature - normal
    fade = offset / (OFFSET_GONE - TROPOPAUSE)
    tropopause = T0 - 0.0065 * TROPOPAUSE
    profile = [(base, normal + offset, -0.0065), (TROPOPAUSE, tropopause + offset, -fade)]
    high = tropopause
    for index in range(2, len(_STANDARD_LAYERS)):
        height, gradient = _STANDARD_LAYERS[index]
        if index > 2:
            below, slope = _STANDARD_LAYERS[index - 1]
            high += slope * (height - below)
        profile.append((height, high, gradient))
    return Column(base, pressure_at(P0 if qnh is None else qnh, base), tuple(profile))


def pressure_altitude(pressure: float) -> float:
    """Pressure altitude in m: the geopotential height at which the standard atmosphere has `pressure` Pa."""
    return standard().height_of_pressure(pressure)


_QNH_EXPONENT = 0.0065 / _HYDROSTATIC
"""0.190263: R 6.5 K/km / g0, from the 1976 constants."""


def qnh_of(station_pressure: float, elevation: float) -> float:
    """QNH in Pa of a station pressure (QFE) in Pa at `elevation` m.

    ICAO Doc 7488/9837: the standard height of the station pressure, less the elevation, gives the standard
    pressure at the altimeter's zero.
    """
    height = T0 / 0.0065 * (1 - (station_pressure / P0) ** _QNH_EXPONENT)
    return float(P0 * (1 - 0.0065 * (height - elevation) / T0) ** (1 / _QNH_EXPONENT))


def pressure_at(qnh: float, elevation: float) -> float:
    """Station pressure in Pa at `elevation` m for a QNH in Pa: the inverse of `qnh_of`."""
    height = T0 / 0.0065 * (1 - (qnh / P0) ** _QNH_EXPONENT)
    return float(P0 * (1 - 0.0065 * (height + elevation) / T0) ** (1 / _QNH_EXPONENT))


def thickness(lower_pressure: float, upper_pressure: float, virtual_temperature: float) -> float:
    """Geopotential thickness in m between two pressures in Pa at a mean virtual temperature in K.

    Hypsometric equation, z2 - z1 = (R Tv / g0) ln(p1 / p2) (Wallace and Hobbs 1977, pp. 55-57).
    """
    return GAS_CONSTANT_AIR * virtual_temperature / G0 * math.log(lower_pressure / upper_pressure)
