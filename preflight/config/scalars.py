"""Single values of a file, typed: each rule gives the value, or `BAD` with the problem noted."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import msgspec.inspect as mi

from preflight.config.found import BAD, Found, literal, nearest, what
from preflight.config.problems import Path
from preflight.config.quantities import (
    KINDS,
    BadQuantity,
    convert,
    kind_of_unit,
    shown,
    split_quantity,
    to_si,
)
from preflight.names import UNITS

YEARS = (2000, 2199)

# Text that goes to a device or matches what comes from one may hold any character.
_ANY_CHARACTERS = {"send", "expect", "delimiter"}
_PROSE = {"why", "caution", "response"}
_BIDI = re.compile("[\u202a-\u202e\u2066-\u2069\u200e\u200f\u061c]")


def limit(found: Found, raw: object, path: Path) -> Any:
    """A limit on a figure: a plain number in the figure's own unit, or a quantity."""
    unit = UNITS.get(str(path[-2]))
    if unit is None:  # the unknown name is a problem of its own
        return 0.0
    if isinstance(raw, str):
        kind = kind_of_unit(unit)
        try:
            amount, own = split_quantity(raw)
            if kind is None and own:
                found.add(path, f"is {what(raw)}, this figure is a plain number", "leave quotes and unit out")
                return BAD
            if kind is not None:
                to_si(raw, kind)
            return convert(float(amount), own, unit)
        except BadQuantity as bad:
            found.add(path, bad.message, bad.remedy)
            return BAD
    return _finite(found, raw, path, f'a number or a quantity such as "6 {unit}"' if unit else "a number")


def quantity(found: Found, info: mi.FloatType, kind: str, raw: object, path: Path) -> Any:
    """A quantity in the SI unit of its kind, inside its bounds."""
    example = KINDS[kind].example
    if not isinstance(raw, str):
        plain = isinstance(raw, (int, float)) and not isinstance(raw, bool)
        message = f"is {what(raw)} without a unit" if plain else f"is {what(raw)}"
        found.add(path, message, f'write number and unit in quotes, as in "{example}"')
        return BAD
    try:
        value = to_si(raw, kind)
    except BadQuantity as bad:
        found.add(path, bad.message, bad.remedy)
        return BAD
    unit = split_quantity(raw)[1]
    return _bounded(found, info, value, lambda bound: shown(bound, kind, unit), path)


def _finite(found: Found, raw: object, path: Path, wanted: str) -> Any:
    if isinstance(raw, bool) or not isinstance(raw, (int, float)):
        remedy = f"write {wanted}" + (", without quotes" if isinstance(raw, str) else "")
        found.add(path, f"is {what(raw)}", remedy)
        return BAD
    try:
        value = float(raw)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        found.add(path, "is not a finite number", f"write {wanted}")
        return BAD
    return value


def number(found: Found, info: mi.IntType | mi.FloatType, raw: object, path: Path) -> Any:
    """A finite number inside its bounds."""
    whole = isinstance(info, mi.IntType)
    value = _finite(found, raw, path, "a whole number" if whole else "a number")
    if value is BAD:
        return BAD
    if whole:
        if not isinstance(raw, int):
            found.add(path, f"is {what(raw)}", "write a whole number")
            return BAD
        value = raw
    return _bounded(found, info, value, lambda bound: f"{bound:g}" if not whole else str(bound), path)


def _bounded(
    found: Found,
    info: mi.IntType | mi.FloatType,
    value: float,
    show: Callable[[float], str],
    path: Path,
) -> Any:
    low, high = info.ge, info.le
    over, under = info.gt, info.lt
    inside = (
        (low is None or value >= low)
        and (over is None or value > over)
        and (high is None or value <= high)
        and (under is None or value < under)
    )
    if inside:
        return value
    bounds = bounds_text(info, show)
    found.add(path, f"{show(value)} is out of range", f"give a value {bounds}")
    return BAD


def bounds_text(info: mi.IntType | mi.FloatType, show: Callable[[float], str]) -> str:
    """The bounds of a number in words, "" where it has none."""
    low, over, high, under = (
        None if bound is None else show(bound) for bound in (info.ge, info.gt, info.le, info.lt)
    )
    if low is not None and high is not None:
        return f"from {low} to {high}"
    parts = (
        f"of at least {low}" if low is not None else "",
        f"above {over}" if over is not None else "",
        f"of at most {high}" if high is not None else "",
        f"below {under}" if under is not None else "",
    )
    return " and ".join(part for part in parts if part)


def text(found: Found, info: mi.StrType, description: str, raw: object, path: Path) -> Any:
    """Text of the right length and pattern, without control characters."""
    if not isinstance(raw, str):
        found.add(path, f"is {what(raw)}", "write text in quotes")
        return BAD
    name = path[-1] if isinstance(path[-1], str) else path[-2]
    if name not in _ANY_CHARACTERS:
        allowed = "\n\t" if name in _PROSE else ""
        odd = [c for c in raw if (ord(c) < 0x20 and c not in allowed) or 0x7F <= ord(c) < 0xA0]
        if odd or _BIDI.search(raw):
            found.add(path, f"holds a control character: {what(raw)}", "remove it")
            return BAD
    if info.min_length and len(raw) < info.min_length:
        found.add(path, "is empty", "write something in the quotes")
        return BAD
    if info.max_length is not None and len(raw) > info.max_length:
        found.add(path, f"has {len(raw)} characters", f"keep to {info.max_length}")
        return BAD
    if info.pattern is not None and re.search(info.pattern, raw) is None:
        wanted = description or f"text that matches {info.pattern}"
        found.add(path, f"is {what(raw)}", f"write {wanted}")
        return BAD
    return raw


def choice(found: Found, info: mi.LiteralType, raw: object, path: Path) -> Any:
    """One of a few words."""
    # True == 1, so the types must agree too.
    if any(raw == value and type(raw) is type(value) for value in info.values):
        return raw
    names = ", ".join(literal(value) for value in info.values)
    near = nearest(raw, [str(value) for value in info.values]) if isinstance(raw, str) else None
    hint = f'did you mean "{near}"? ' if near else ""
    found.add(path, f"is {what(raw)}", f"{hint}use one of {names}")
    return BAD


def moment(found: Found, raw: object, path: Path) -> Any:
    """A date with its UTC offset, kept in UTC."""
    if not isinstance(raw, datetime):
        quoted = isinstance(raw, str)
        remedy = "write the date without quotes" if quoted else "write date, time and UTC offset"
        found.add(path, f"is {what(raw)}", f"{remedy}, as in 2027-05-16T08:30:00Z")
        return BAD
    if raw.tzinfo is None:
        found.add(path, "has no UTC offset", "add it, as in 2027-05-16T08:30:00Z or +12:00 in place of Z")
        return BAD
    if not YEARS[0] <= raw.year <= YEARS[1]:
        found.add(path, f"is in the year {raw.year}", f"give a year from {YEARS[0]} to {YEARS[1]}")
        return BAD
    return raw.astimezone(UTC)
