"""Samples set against what else is known: the site, its air and altitude, the battery, each other aloft.

A limit here finds a sensor that is wired, scaled or addressed wrong, not one that is a little off: each is
wide enough for real weather and for receivers in order.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from preflight.checks.columns import Column, Table
from preflight.checks.cross_site import SiteChecks
from preflight.clean import clean
from preflight.config.flight import Flight, SampleField
from preflight.config.quantities import convert

MOVING_ALTITUDE = 200.0
"""m between the lowest and highest altitude of a run from which on it is a flight. Receivers on the ground
wander by tens of metres. Common practice, no source."""
MOVING_PRESSURE = 0.03
"""The same of pressure, as a share of the highest: some 250 m near the ground. Common practice, no source."""
ON_GROUND = 100.0, 0.015
"""m of altitude and share of pressure from the first sample's within which a flight has not begun."""
AT_SITE = 300.0
"""m from the site's elevation within which the first sample of a flight counts as taken there."""

# Pressure altitude against altitude: real soundings differ from the standard atmosphere by 5 % of altitude;
# twice that, and 300 m for a sensor of 3 % at low heights. Common practice, no source.
ALOFT_SHARE, ALOFT_LEAST = 0.10, 300.0
LOWEST_PRESSURE = 2000.0
"""Pa below which common sensors are too far off to say an altitude: 2 hPa off is 3 % of altitude at 20 hPa,
and more above. Common practice, no source."""
ALOFT_WRONG = 0.05
"""Share of samples that may differ: single ones are spikes."""
COLDEST, HOTTEST = -100.0, 70.0
"""degC between which the air, and a box in it, lies: the tropical tropopause has -90, a box in the sun 60.
From memory."""
MOST = 1e12
"""Numbers beyond this are none of any quantity judged here, in whatever unit."""
_LOOKED_AT = 500

UNITS = {
    "pressure": "Pa",
    "altitude": "m",
    "temperature": "degC",
    "latitude": "deg",
    "longitude": "deg",
    "battery": "V",
    "satellites": "",
    "dilution": "",
}
"""Numeric roles and the unit each is judged in."""


@dataclass(frozen=True, slots=True)
class Columns:
    """The values of fields by role, in the units of UNITS; None where a sample has no number in it.

    A role whose field no sample has a number in is left out. `names` are the fields' names, cleaned.
    """

    values: Mapping[str, Sequence[float | None]]
    names: Mapping[str, str]

    def numbers(self, role: str) -> Sequence[float]:
        """The numbers of a role, in order."""
        column = self.values.get(role, ())
        if None not in column:
            return column  # type: ignore[return-value]
        return [value for value in column if value is not None]


def columns_of(fields: Sequence[SampleField], table: Table) -> Columns:
    """Columns by role from the values by field."""
    values: dict[str, Sequence[float | None]] = {}
    names: dict[str, str] = {}
    for field in fields:
        if field.role is None or field.role not in UNITS:
            continue
        scale, zero = _linear(field.unit, UNITS[field.role])
        column = _scaled(table[field.name], scale, zero)
        if any(value is not None for value in column):
            values[field.role] = column
            names[field.role] = clean(field.name, limit=80)
    return Columns(values, names)


def _scaled(values: Column, scale: float, zero: float) -> Sequence[float | None]:
    plain = values.extent is not None and -MOST <= values.extent[0] <= values.extent[1] <= MOST
    if plain and (scale, zero) == (1.0, 0.0):
        return values  # type: ignore[return-value]
    if plain:
        return [value * scale + zero for value in values]  # type: ignore[operator]
    return [
        value * scale + zero if isinstance(value, float) and abs(value) <= MOST else None for value in values
    ]


def _linear(unit: str, to: str) -> tuple[float, float]:
    if not unit or not to or unit == to:
        return 1.0, 0.0
    zero = convert(0.0, unit, to)
    return convert(1.0, unit, to) - zero, zero


def cross_checks(
    flight: Flight,
    fields: Sequence[SampleField],
    table: Table,
    *,
    skip: Collection[str] = (),
) -> tuple[list[str], list[str]]:
    """(faults, remarks) on the values of samples against the site and each other, naming the field.

    Fields named in `skip` are left out: placeholders, that is, of which all is said.
    A run that stays where it is is judged as standing on the ground at the site; of one that moves the part
    before it moves, if that was at the site, and what it says of itself aloft.
    """
    columns = columns_of([field for field in fields if field.name not in skip], table)
    count = max(map(len, table.values()), default=0)
    ground, remarks = _ground(columns, count, flight.site.elevation)
    faults: list[str] = []
    if ground.stop > 0:
        site = SiteChecks(flight, columns.names, _medians(columns, ground))
        faults += site.faults
        remarks += site.remarks
    if ground.stop < count:
        aloft = slice(ground.stop, count)
        faults += _aloft(columns, aloft) + _temperature(columns, aloft)
    return faults, remarks


def _ground(columns: Columns, count: int, elevation: float) -> tuple[slice, list[str]]:
    """The leading values that were taken at the site, and what to say where there are none."""
    altitudes, pressures = columns.numbers("altitude"), columns.numbers("pressure")
    rises = bool(altitudes) and max(altitudes) - min(altitudes) > MOVING_ALTITUDE
    thins = bool(pressures) and max(pressures) - min(pressures) > MOVING_PRESSURE * abs(max(pressures))
    # One of the two moving alone is a fault of its sensor: the air and the receiver must agree.
    if (not (rises and thins) and (altitudes and pressures)) or not (rises or thins):
        return slice(0, count), []
    stop = count
    for role, first, room in (
        ("altitude", altitudes[:1], ON_GROUND[0]),
        ("pressure", pressures[:1], ON_GROUND[1] * abs(pressures[0]) if pressures else 0.0),
    ):
        column = columns.values.get(role, ())
        moved = (n for n, value in enumerate(column) if value is not None and abs(value - first[0]) > room)
        stop = min(stop, next(moved, count))
    if altitudes and abs(altitudes[0] - elevation) > AT_SITE:
        return slice(0, 0), [
            f"The samples begin at {altitudes[0]:.0f} m, not at the site: they were not compared with it"
        ]
    return slice(0, stop), []


def _medians(columns: Columns, part: slice) -> dict[str, float]:
    """The median of each role over at most _LOOKED_AT samples."""
    medians = {}
    step = part.stop // _LOOKED_AT + 1
    for role, column in columns.values.items():
        numbers = sorted(value for value in column[: part.stop : step] if value is not None)
        if numbers:
            medians[role] = numbers[len(numbers) // 2]
    return medians


def _aloft(columns: Columns, part: slice) -> list[str]:
    """Pressure and altitude against each other, over at most _LOOKED_AT samples."""
    from preflight.figures.atmosphere import geometric, pressure_altitude

    pairs = [
        (pressure, altitude)
        for pressure, altitude in zip(
            columns.values.get("pressure", ())[part], columns.values.get("altitude", ())[part], strict=False
        )
        if pressure is not None and altitude is not None and pressure >= LOWEST_PRESSURE
    ]
    pairs = pairs[:: len(pairs) // _LOOKED_AT + 1]
    apart = []
    for pressure, altitude in pairs:
        told = geometric(pressure_altitude(min(pressure, 120_000.0)))
        if abs(told - altitude) > max(ALOFT_LEAST, ALOFT_SHARE * abs(altitude)):
            apart.append((told, altitude))
    if len(apart) <= ALOFT_WRONG * len(pairs):
        return []
    told, altitude = apart[len(apart) // 2]
    return [
        f"{columns.names['pressure']} and {columns.names['altitude']} contradict each other aloft: the "
        f"pressure is that of {told:.0f} m where the altitude is {altitude:.0f} m. Check the sensor, and "
        "that its port is open to the air"
    ]


def _temperature(columns: Columns, part: slice) -> list[str]:
    numbers = [value for value in columns.values.get("temperature", ())[part] if value is not None]
    outside = [value for value in numbers if not COLDEST <= value <= HOTTEST]
    if not outside:
        return []
    return [
        f"{columns.names['temperature']} is {outside[0]:.1f} degC aloft, in {len(outside)} of {len(numbers)} "
        "samples: no air has that. Check the sensor, its wiring and the field's unit"
    ]
