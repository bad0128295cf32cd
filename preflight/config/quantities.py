"""Kinds of quantity that files may hold: which units each allows, and the SI unit it is kept in.

A typed field is a plain float in SI after loading; its kind rides in the annotation, so that one type gives
the loader its rule, the JSON Schema its pattern and the reader its unit.
"""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
from msgspec import Meta


class Kind(msgspec.Struct, frozen=True, kw_only=True):
    """A dimension as files write it: `units` are the spellings allowed, `si` the unit values are kept in."""

    name: str
    si: str
    units: tuple[str, ...]
    example: str


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(name="mass", si="kg", units=("kg", "g", "lb", "oz"), example="1.1 kg"),
        Kind(name="length", si="m", units=("m", "km", "cm", "mm", "ft", "nmi"), example="212 m"),
        Kind(name="area", si="m^2", units=("m^2", "cm^2", "in^2", "ft^2"), example="180 cm^2"),
        Kind(name="volume", si="m^3", units=("m^3", "L", "ft^3"), example="50 L"),
        Kind(name="force", si="N", units=("N", "lbf"), example="180 N"),
        Kind(name="duration", si="s", units=("s", "ms", "min", "h", "day"), example="45 min"),
        Kind(name="frequency", si="Hz", units=("Hz", "kHz", "MHz"), example="2 Hz"),
        Kind(name="pressure", si="Pa", units=("Pa", "hPa", "kPa", "mbar", "bar", "psi"), example="1018 hPa"),
        Kind(name="temperature", si="K", units=("degC", "K", "degF"), example="9 degC"),
        Kind(name="speed", si="m/s", units=("m/s", "km/h", "kn", "ft/min"), example="6 m/s"),
        Kind(name="bytes", si="B", units=("B", "kB", "KiB", "MB", "MiB", "GB", "GiB"), example="512 B"),
        Kind(name="byte rate", si="B/s", units=("B/s", "kB/s"), example="960 B/s"),
        Kind(name="voltage", si="V", units=("V", "mV"), example="3.3 V"),
        Kind(name="current", si="A", units=("A", "mA", "uA"), example="95 mA"),
        Kind(name="charge", si="C", units=("A*h", "mA*h"), example="3400 mA*h"),
        Kind(name="resistance", si="ohm", units=("ohm", "mohm"), example="60 mohm"),
        Kind(name="angle", si="deg", units=("deg",), example="12 deg"),
        Kind(name="ratio", si="", units=("%",), example="5 %"),
    )
}


def _quantity(kind: str) -> Any:
    k = KINDS[kind]
    return Meta(
        description=f"{kind}: a number and one of {', '.join(k.units)}",
        extra={"kind": kind},
        extra_json_schema={"type": "string", "examples": [k.example]},
    )


Mass = Annotated[float, _quantity("mass")]
Length = Annotated[float, _quantity("length")]
Area = Annotated[float, _quantity("area")]
Volume = Annotated[float, _quantity("volume")]
Force = Annotated[float, _quantity("force")]
Duration = Annotated[float, _quantity("duration")]
Frequency = Annotated[float, _quantity("frequency")]
Pressure = Annotated[float, _quantity("pressure")]
Temperature = Annotated[float, _quantity("temperature")]
Bytes = Annotated[float, _quantity("bytes")]
Voltage = Annotated[float, _quantity("voltage")]
Current = Annotated[float, _quantity("current")]
Charge = Annotated[float, _quantity("charge")]
Resistance = Annotated[float, _quantity("resistance")]
