"""Faults that can be planted in the simulated payload: on the logger's side and on the tap's."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from preflight.config.flight import SampleField
from preflight.errors import PreflightError

SAMPLE_FIELDS: tuple[SampleField, ...] = (
    SampleField(name="counter", role="counter", at_least=0),
    SampleField(name="time", role="time"),
    SampleField(name="latitude", unit="deg", role="latitude", at_least=-90, at_most=90),
    SampleField(name="longitude", unit="deg", role="longitude", at_least=-180, at_most=180),
    SampleField(name="altitude", unit="m", role="altitude", at_least=-430, at_most=50000),
    SampleField(name="satellites", role="satellites", at_least=4, at_most=60),
    SampleField(name="pressure", unit="hPa", role="pressure", at_least=1, at_most=1100),
    SampleField(name="temperature", unit="degC", role="temperature", at_least=-90, at_most=60),
    SampleField(name="battery", unit="V", role="battery", at_least=6, at_most=9),
)
"""What the simulated payload sends, in order: delimited by commas, lines ended by CR LF."""

FIELD_NAMES = tuple(field.name for field in SAMPLE_FIELDS)


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault: `takes` is what its value is ("" for none), `default` the value where none is given.

    `least` is the smallest value, where it is not the one of all values of that sort.
    """

    name: str
    text: str
    takes: str = ""
    default: str = ""
    least: float | None = None


FAULTS: dict[str, Fault] = {
    fault.name: fault
    for fault in (
        Fault("late", "the logger answers late", "seconds", "5"),
        Fault("silent", "the logger does not answer"),
        Fault("echo", "the logger repeats what it hears, then answers"),
        Fault("bridged", "transmit and receive are bridged: only what was sent comes back"),
        Fault("noise", "noise comes before each of the logger's replies"),
        Fault("pieces", "the logger's replies come in pieces"),
        Fault("stuck", "the logger does not go back to logging"),
        Fault("logger-speed", "the logger runs at another speed", "baud", "9600"),
        Fault("no-samples", "the flight computer sends nothing"),
        Fault("garbled", "only noise arrives from the flight computer, at whatever speed"),
        Fault("speed", "the flight computer sends at another speed", "baud", "19200"),
        Fault("out-of-range", "a field is outside its range", "field", "pressure"),
        Fault("frozen", "a field keeps one value", "field", "temperature"),
        Fault("placeholder", "a field holds 999 instead of a value", "field", "pressure"),
        Fault("longer", "samples are longer than declared", "bytes", "40"),
        Fault("skipping", "every so many samples one is lost", "samples", "7"),
        Fault("repeating", "every so many samples one is sent twice", "samples", "7"),
        Fault("slow", "samples come at a share of the declared rate", "share", "0.5"),
        Fault("no-fix", "the positioning receiver has no fix"),
        Fault("low-battery", "the battery is low", "volts", "5.8"),
        Fault("power-off", "the payload's power is pulled until this is taken back"),
        Fault("log-jammed", "the logger loses samples whenever the beacon sends", "seconds", "60"),
        Fault("log-losing", "the logger loses one sample in so many, now and then", "samples", "50"),
        Fault("log-damaging", "one sample in so many reaches the card damaged", "samples", "50"),
        Fault("log-unflushed", "the logger writes its buffer to the card only so often", "seconds", "30"),
        Fault("log-no-restart", "the logger does not log again after a power cut"),
        Fault("beacon-silent", "the beacon is not heard"),
        Fault("beacon-old", "the beacon repeats an old position"),
        Fault("clock-off", "the flight computer's clock is off", "seconds", "95", -86400.0),
    )
}
"""Every fault by its name."""


def fault_values(faults: Iterable[str] | Mapping[str, str]) -> dict[str, str]:
    """Check faults given as "name" or "name=value"; PreflightError names a wrong one and what there is."""
    pairs = faults.items() if isinstance(faults, Mapping) else (fault.partition("=")[::2] for fault in faults)
    return {name: _value(name, value) for name, value in pairs}


def _value(name: str, value: str) -> str:
    fault = FAULTS.get(name)
    if fault is None:
        near = difflib.get_close_matches(name, FAULTS, n=1)
        hint = f"the nearest is {near[0]!r}" if near else f"there are {', '.join(FAULTS)}"
        raise PreflightError(f"There is no fault {name!r}: {hint}")
    value = value or fault.default
    if not fault.takes:
        if value:
            raise PreflightError(f"The fault {name!r} takes no value")
        return ""
    if fault.takes == "field":
        if value not in FIELD_NAMES:
            raise PreflightError(f"The fault {name!r} takes a field: one of {', '.join(FIELD_NAMES)}")
        return value
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    whole = fault.takes in ("bytes", "samples", "baud")
    highest = 4e6 if fault.takes == "baud" else 86400
    lowest = {"samples": 2.0, "baud": 50.0, "share": 0.01}.get(fault.takes, 0.0)
    lowest = lowest if fault.least is None else fault.least
    if not lowest <= number <= highest or (whole and number != int(number)):
        between = f"{'a whole number' if whole else 'a number'} from {lowest:g} to {highest:.0f}"
        raise PreflightError(f"The fault {name!r} takes {fault.takes}, {between}, and not {value!r}")
    return value
