"""One pack of cells: its load, what it can give in the cold, how long it lasts, its voltage at the peak.

SI throughout (A, V, C, ohm, K, s). The tables of chemistries are data (`data/cells.toml`, source named
there). A state of charge is told from an open voltage only where the table has a `rested` curve; that of
Li/FeS2 has none, as it says nothing.
"""

from __future__ import annotations

import functools
import itertools
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

from preflight.figures.atmosphere import KELVIN

NO_LOAD = 1e-9
"""A. Nothing at all, as far as a pack is concerned."""

Curve = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Chemistry:
    """Voltages per cell; `derating`: (degC, low, high), falling; curves as described in the data file."""

    name: str
    full: float
    nominal: float
    cut_off: float
    primary: bool
    derating: Curve
    discharge: Curve
    rested: Curve | None = None


@functools.cache
def _tables() -> tuple[dict[str, Chemistry], str]:
    text = resources.files("preflight.figures").joinpath("data/cells.toml").read_text("utf-8")
    data = tomllib.loads(text)
    source = str(data.pop("source"))
    return {name: _chemistry(name, table) for name, table in data.items()}, source


def _chemistry(name: str, table: dict[str, object]) -> Chemistry:
    curves = {
        key: tuple(tuple(float(x) for x in row) for row in value)
        for key, value in table.items()
        if isinstance(value, list)
    }
    plain = {key: value for key, value in table.items() if not isinstance(value, list)}
    return Chemistry(name=name, **plain, **curves)  # type: ignore[arg-type]


def chemistry(name: str) -> Chemistry:
    """The table of one chemistry by its flight-file name."""
    return _tables()[0][name]


def tables_source() -> str:
    """Where the tables come from, in words for people."""
    return _tables()[1]


@dataclass(frozen=True, slots=True)
class Pack:
    """A pack as figures see it.

    `capacity` C per cell, `cut_off` V and `resistance` ohm per cell, `derating` the low and high share at
    the cells' temperature. `rail` is the regulated voltage (None: loads hang on the pack itself),
    `dropout` the regulator's, `efficiency` None for a linear one. `mean` and `peak` are the loads' mean
    and greatest current in A, at the rail if there is one.
    """

    chemistry: Chemistry
    series: int
    parallel: int
    capacity: float
    cut_off: float
    derating: tuple[float, float]
    resistance: float
    rail: float | None
    dropout: float
    efficiency: float | None
    mean: float
    peak: float


def derating_at(table: Chemistry, temperature: float) -> tuple[float, float]:
    """Low and high share of capacity at K: straight lines between rows, nothing below the coldest."""
    celsius = temperature - KELVIN
    rows = table.derating
    if celsius < rows[-1][0]:
        return 0.0, 0.0
    low = _along(celsius, [(row[0], row[1]) for row in rows])
    high = _along(celsius, [(row[0], row[2]) for row in rows])
    return low, high


def steps_voltage(pack: Pack) -> bool:
    """Whether the regulator must also raise the voltage: a switching one, the rail above the cut-off."""
    return pack.efficiency is not None and pack.rail is not None and pack.rail > pack.series * pack.cut_off


def pack_current(pack: Pack, current: float, voltage: float) -> float:
    """A drawn from the pack at `voltage` V for `current` A of load.

    Linear (or no regulator): the same current. Switching: rail x current / (efficiency x voltage).
    """
    if pack.efficiency is None or pack.rail is None:
        return current
    return pack.rail * current / (pack.efficiency * voltage)


def mean_voltage(pack: Pack) -> float:
    """V of the pack to count a switching regulator's current by: midway between nominal and cut-off."""
    low = min(pack.cut_off, pack.chemistry.nominal)
    return pack.series * (pack.chemistry.nominal + low) / 2


def mean_load(pack: Pack) -> float:
    """A, drawn from the pack on average."""
    return pack_current(pack, pack.mean, mean_voltage(pack))


def drop_at_peak(pack: Pack) -> float:
    """V lost in the cells at the transmit peak: I (n R / p), at the cut-off."""
    return (
        pack_current(pack, pack.peak, pack.series * pack.cut_off)
        * pack.series
        * pack.resistance
        / pack.parallel
    )


def loaded_voltage_min(pack: Pack) -> float:
    """V of the pack at its cut-off, at the transmit peak: n V_cut - I (n R / p), 0 at least."""
    return max(0.0, pack.series * pack.cut_off - drop_at_peak(pack))


def voltage_needed(pack: Pack) -> float | None:
    """V the pack must hold: rail + dropout. None where nothing is regulated, or it may also be stepped up."""
    if pack.rail is None or steps_voltage(pack):
        return None
    return pack.rail + pack.dropout


def end_voltage(pack: Pack) -> float:
    """V per cell under load down to which charge counts: the cut-off, or more where the rail needs it."""
    needed = voltage_needed(pack)
    if needed is None:
        return pack.cut_off
    return max(pack.cut_off, (needed + drop_at_peak(pack)) / pack.series)


def share_down_to(table: Chemistry, end: float) -> float:
    """Share of the capacity given by the time a cell under load is down to `end` V; 0 at or above full."""
    return _along(end, table.discharge)


def share_left(table: Chemistry, open_voltage: float) -> float | None:
    """Share of the capacity left at an open voltage in V per cell; None where it doesn't tell."""
    return None if table.rested is None else _along(open_voltage, table.rested)


def usable(pack: Pack, *, left: float = 1.0, used: float = 0.0) -> tuple[float, float]:
    """C the pack can give at the low and the high end of the derating band.

    `left` is the share of charge it starts with, `used` the C taken since the cells were fitted. What the
    end voltage leaves behind is taken off as well.
    """
    spent = 1.0 - left
    to_end = max(0.0, share_down_to(pack.chemistry, end_voltage(pack)) - spent)
    whole = pack.capacity * pack.parallel
    low, high = (max(0.0, whole * share * to_end - used) for share in pack.derating)
    return low, high


def endurance(usable: float, load: float) -> float | None:
    """s that `usable` C last at `load` A; None for no load, which would last for ever."""
    return usable / load if load > NO_LOAD else None


def _along(x: float, points: Sequence[Sequence[float]]) -> float:
    """Straight lines through points whose first coordinate falls; held beyond the ends."""
    if x >= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        if x >= x1:
            return y1 + (y0 - y1) * (x - x1) / (x0 - x1)
    return points[-1][1]
