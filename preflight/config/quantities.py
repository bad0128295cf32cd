"""Kinds of quantity that files may hold: which units each allows, and the SI unit it is kept in.

A typed field is a plain float in SI after loading; its kind rides in the annotation, so that one type gives
the loader its rule, the JSON Schema its pattern and the reader its unit.
"""

from __future__ import annotations

import difflib
import re
from decimal import Decimal
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from preflight.config.problems import quoted
from preflight.config.units import registry
from preflight.errors import PreflightError


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
        Kind(name="area density", si="kg/m^2", units=("kg/m^2", "g/cm^2", "oz/in^2"), example="13 g/cm^2"),
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
        extra_json_schema={"x-kind": kind, "examples": [k.example]},
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


class BadQuantity(PreflightError):  # noqa: N818
    """A quantity that can't be read: `message` says what is wrong, `remedy` what to write."""

    title = "Bad quantity"

    def __init__(self, message: str, remedy: str) -> None:
        super().__init__(f"{message}; {remedy}")
        self.message = message
        self.remedy = remedy


MAX_TEXT = 64
NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)"
_SPLIT = re.compile(rf"({NUMBER})[ \t]*(\S.*)?", re.DOTALL)
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_TYPED = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)")
_EXPONENT = re.compile(rf"{NUMBER}[eE][+-]?[0-9]")

# How people write a unit that has one spelling here.
_OTHER_SPELLINGS = {
    "°C": "degC", "°c": "degC", "C": "degC", "℃": "degC", "celsius": "degC", "°F": "degF", "F": "degF",
    "℉": "degF", "°": "deg", "degrees": "deg", "Kelvin": "K", "k": "K", "kgs": "kg", "Kg": "kg", "KG": "kg",
    "grams": "g", "gr": "g", "lbs": "lb", "pounds": "lb", "meters": "m", "metres": "m", "feet": "ft",
    "nm": "nmi", "NM": "nmi", "m²": "m^2", "m2": "m^2", "cm²": "cm^2", "cm2": "cm^2", "in²": "in^2",
    "in2": "in^2", "ft²": "ft^2", "ft2": "ft^2", "m³": "m^3", "m3": "m^3", "ft³": "ft^3", "ft3": "ft^3",
    "l": "L", "ltr": "L", "litres": "L", "liters": "L", "newton": "N", "sec": "s", "secs": "s",
    "seconds": "s", "S": "s", "mins": "min", "minutes": "min", "hr": "h", "hrs": "h", "hours": "h", "H": "h",
    "d": "day", "days": "day", "hz": "Hz", "HZ": "Hz", "khz": "kHz", "mhz": "MHz", "hpa": "hPa",
    "kpa": "kPa", "Bar": "bar", "mb": "mbar", "PSI": "psi", "kmh": "km/h", "kph": "km/h", "kt": "kn",
    "kts": "kn", "knots": "kn", "fpm": "ft/min", "mps": "m/s", "bytes": "B", "byte": "B", "b": "B",
    "KB": "kB", "kib": "KiB", "Mb": "MB", "Gb": "GB", "v": "V", "volt": "V", "volts": "V", "mv": "mV",
    "amp": "A", "amps": "A", "ma": "mA", "\u00b5A": "uA", "\u03bcA": "uA",
    "Ah": "A*h", "mAh": "mA*h", "mah": "mA*h",
    "A·h": "A*h", "mA·h": "mA*h", "\u03a9": "ohm", "\u2126": "ohm", "Ohm": "ohm", "ohms": "ohm",
    "m\u03a9": "mohm", "m\u2126": "mohm",
}  # fmt: skip

# The units' own names, so that no text of a file ever meets pint's parser.
_PINT_NAMES = {
    "kg": "kilogram", "g": "gram", "lb": "pound", "oz": "ounce",
    "m": "meter", "km": "kilometer", "cm": "centimeter", "mm": "millimeter", "ft": "foot",
    "nmi": "nautical_mile",
    "m^2": "meter**2", "cm^2": "centimeter**2", "in^2": "inch**2", "ft^2": "foot**2",
    "m^3": "meter**3", "L": "liter", "ft^3": "foot**3",
    "kg/m^2": "kilogram/meter**2", "g/cm^2": "gram/centimeter**2", "oz/in^2": "ounce/inch**2",
    "N": "newton", "lbf": "force_pound",
    "s": "second", "ms": "millisecond", "min": "minute", "h": "hour", "day": "day",
    "Hz": "hertz", "kHz": "kilohertz", "MHz": "megahertz",
    "Pa": "pascal", "hPa": "hectopascal", "kPa": "kilopascal", "mbar": "millibar", "bar": "bar",
    "psi": "pound_force_per_square_inch",
    "degC": "degree_Celsius", "K": "kelvin", "degF": "degree_Fahrenheit",
    "m/s": "meter/second", "km/h": "kilometer/hour", "kn": "knot", "ft/min": "foot/minute",
    "B": "byte", "kB": "kilobyte", "KiB": "kibibyte", "MB": "megabyte", "MiB": "mebibyte",
    "GB": "gigabyte", "GiB": "gibibyte", "B/s": "byte/second", "kB/s": "kilobyte/second",
    "V": "volt", "mV": "millivolt", "A": "ampere", "mA": "milliampere", "uA": "microampere",
    "C": "coulomb", "A*h": "ampere*hour", "mA*h": "milliampere*hour", "ohm": "ohm", "mohm": "milliohm",
    "deg": "degree", "%": "percent", "": "dimensionless",
}  # fmt: skip

_KIND_OF_UNIT = {unit: kind.name for kind in KINDS.values() for unit in kind.units}


def split_quantity(text: str) -> tuple[Decimal, str]:
    """The number and the unit of `text`, the unit "" where there is none.

    A number is an optional sign, digits and at most one point; no expressions, no decimal comma, no
    exponent. The space before the unit may be left out ("5V"). Raises `BadQuantity`.
    """
    text = text.strip(" \t")
    if len(text) > MAX_TEXT:
        raise BadQuantity(f"a quantity of {len(text)} characters", "write a number and a unit")
    found = _SPLIT.fullmatch(text)
    if found is None or _EXPONENT.match(text):
        raise BadQuantity(f"{quoted(text)} is not a number and a unit", _number_remedy(text))
    number, unit = found.group(1), found.group(2) or ""
    if unit.startswith((",", ".", "*", "/", "+", "-", "^", "_")) or unit[:1].isdigit():
        raise BadQuantity(f"{quoted(text)} is not a plain number and a unit", _number_remedy(text))
    return Decimal(number), unit


def _number_remedy(text: str) -> str:
    if _COMMA.match(text):
        return f"write a decimal point: {quoted(text.replace(',', '.', 1))}"
    if text.startswith(("−", "–", "—")):
        return "write the sign as a plain hyphen, -"
    if text.lstrip("+-").lower().startswith(("nan", "inf")):
        return "write a finite number"
    if _EXPONENT.match(text):
        return "write the number out, without an exponent"
    if text == "":
        return "write a number and a unit"
    return "write digits with at most one decimal point, then the unit"


def unit_of(unit: str, kind: str) -> str:
    """`unit` itself where `kind` allows it; otherwise raises `BadQuantity` that names the allowed ones."""
    k = KINDS[kind]
    if unit in k.units:
        return unit
    allowed = ", ".join(k.units)
    if unit == "":
        raise BadQuantity("has no unit", f'write one of {allowed}, as in "{k.example}"')
    other = _OTHER_SPELLINGS.get(unit)
    if other in k.units:
        raise BadQuantity(f"unknown unit {quoted(unit)}", f'write "{other}"')
    if unit in _KIND_OF_UNIT:
        article = "an" if kind[0] in "aeiou" else "a"
        raise BadQuantity(
            f"{unit} is a unit of {_KIND_OF_UNIT[unit]}, this is {article} {kind}", f"use one of {allowed}"
        )
    folded = [u for u in k.units if u.lower() == unit.lower()]
    near = folded or difflib.get_close_matches(unit, k.units, n=1)
    hint = f'write "{near[0]}", or one of' if near else "use one of"
    raise BadQuantity(f"unknown unit {quoted(unit)}", f"{hint} {allowed}")


def kind_of_unit(unit: str) -> str | None:
    """The name of the kind that allows `unit`; None where none does."""
    return _KIND_OF_UNIT.get(unit)


def _converted(value: Decimal, unit: str, to: str) -> Decimal:
    if unit == to:
        return value
    known = registry()
    quantity = known.Quantity(value, known.Unit(_PINT_NAMES[unit]))
    magnitude: Decimal = quantity.to(known.Unit(_PINT_NAMES[to])).magnitude
    return magnitude


def to_si(text: str, kind: str) -> float:
    """The value of a quantity such as "9 degC" in the SI unit of `kind` (282.15). Raises `BadQuantity`."""
    number, unit = split_quantity(text)
    return float(_converted(number, unit_of(unit, kind), KINDS[kind].si))


def from_si(value: float, kind: str, unit: str) -> float:
    """`value`, in the SI unit of `kind`, in `unit`."""
    return float(_converted(Decimal(repr(float(value))), KINDS[kind].si, unit_of(unit, kind)))


def _common_kind(unit: str, other: str) -> str:
    kind = _KIND_OF_UNIT.get(unit)
    if kind is None:
        raise BadQuantity(f"unknown unit {quoted(unit)}", f"known are {', '.join(_KIND_OF_UNIT)}")
    unit_of(other, kind)
    return kind


def convert(value: float, from_unit: str, to_unit: str) -> float:
    """`value` of `from_unit` in `to_unit`, a unit of the same kind ("" only to ""). Raises `BadQuantity`."""
    if from_unit == to_unit == "":
        return float(value)
    _common_kind(from_unit, to_unit)
    return float(_converted(Decimal(repr(float(value))), from_unit, to_unit))


def difference(text: str, unit: str) -> float:
    """A difference such as "2 degC" or "50 g" in `unit`, offsets of temperature scales left out.

    With `unit` "" the text is a plain number. Raises `BadQuantity`.
    """
    number, own = split_quantity(text)
    if unit == "":
        if own:
            raise BadQuantity(f"{quoted(text)} has a unit, this is a plain number", "leave the unit out")
        return float(number)
    if own == "":
        kind = _KIND_OF_UNIT.get(unit)
        if kind is not None:
            unit_of(own, kind)
    _common_kind(unit, own)
    zero = _converted(Decimal(0), own, unit)
    return float(_converted(number, own, unit) - zero)


def typed_number(text: str) -> float:
    """A number typed in a screen: as in files, and a decimal comma may stand for the point.

    "1,700" is 1.7. Raises `BadQuantity`, also for NaN and infinity.
    """
    text = text.strip()
    if len(text) > MAX_TEXT or not _TYPED.fullmatch(text):
        raise BadQuantity(f"{quoted(text)} is not a number", "type digits with at most one point or comma")
    return float(Decimal(text.replace(",", ".")))


def shown(value: float, kind: str, unit: str | None = None) -> str:
    """`value`, in SI, as people write it: "850 hPa"; in the unit of the kind's example unless `unit`."""
    unit = unit or split_quantity(KINDS[kind].example)[1]
    return f"{from_si(value, kind, unit):.6g} {unit}".strip()
