"""Figures as people read them: few digits, a range in two, limits as signs."""

from __future__ import annotations

import math
from collections.abc import Callable

from preflight.readings import Reading, margin_text

_BYTES = ((1e9, "GB"), (1e6, "MB"), (1e3, "kB"))
DIGITS = 3
RANGE_DIGITS = 2
MOST_DIGITS = 6
SMALLEST = 1e-6
LARGEST = 1e7
"""Below the one a number is shown as 0, from the other on with an exponent."""


def number(value: float, digits: int = DIGITS) -> str:
    """`value` in so many significant digits, thousands apart: 29877 -> "29 900", 0.1603 -> "0.16"."""
    if abs(value) < SMALLEST:
        return "0"
    if abs(value) >= LARGEST:
        return f"{value:.{digits - 1}e}".replace("-", "−")
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, decimals)
    # Rounding may have carried into one more digit: 9.996 is 10.0.
    decimals = digits - 1 - math.floor(math.log10(abs(rounded)))
    return f"{rounded:,.{max(0, decimals)}f}".replace(",", " ").replace("-", "−")


def value_text(reading: Reading) -> str:
    """The value with its unit; enough digits that it doesn't look to be on the other side of a limit."""
    value = reading.value
    if value is None:
        return "—"
    if isinstance(value, str):
        return value
    if reading.name.endswith("margin") and reading.within is not False:
        return margin_text(value)
    factor, unit = _scale(reading, value)
    if unit == "B":
        return f"{value:.0f} B"
    if reading.source != "computed":
        return f"{value:.5g} {unit}".strip()
    digits = DIGITS
    while digits < MOST_DIGITS and _sides(reading, _rounded(value, digits)) != _sides(reading, value):
        digits += 1
    return f"{number(value / factor, digits)} {unit}".strip()


def range_text(reading: Reading) -> str:
    """Low to high in two significant digits, rounded outwards; "" where there is no range."""
    if reading.low is None or reading.high is None:
        return ""
    factor, _ = _scale(reading, reading.value if isinstance(reading.value, (int, float)) else reading.high)
    low, high = _outwards(reading.low / factor, math.floor), _outwards(reading.high / factor, math.ceil)
    return low if low == high else f"{low}–{high}"


def limit_text(reading: Reading) -> str:
    """The limits as signs: "≥ 1.5", "≤ 6", "3–6"; "" without any."""
    if reading.at_least is not None and reading.at_most is not None:
        return f"{_plain(reading.at_least)}–{_plain(reading.at_most)}"
    if reading.at_least is not None:
        return f"≥ {_plain(reading.at_least)}"
    return "" if reading.at_most is None else f"≤ {_plain(reading.at_most)}"


def margin_cell(margin: float | None) -> str:
    """A margin in three digits, rounded down, for a table's narrow column; "" for none."""
    return "" if margin is None else margin_text(margin, digits=3).replace("more than", ">")


def hours_text(seconds: float) -> str:
    """A time for people: "42 min", "4.2 h", "12 days", "6.3 years"."""
    for least, size, unit in (
        (2 * 365.25 * 86400, 365.25 * 86400, "years"),
        (72 * 3600, 86400, "days"),
        (3600, 3600, "h"),
    ):
        if seconds >= least:
            return f"{number(seconds / size, RANGE_DIGITS)} {unit}"
    return f"{seconds / 60:.0f} min"


def clock_text(seconds: float) -> str:
    """A moment of the axis, hours and minutes from power-up: "3:26"."""
    minutes = round(seconds / 60)
    return f"{minutes // 60}:{minutes % 60:02d}"


def _scale(reading: Reading, value: float) -> tuple[float, str]:
    if reading.unit == "B":
        for factor, unit in _BYTES:
            if abs(value) >= factor:
                return factor, unit
    return 1.0, reading.unit


def _rounded(value: float, digits: int) -> float:
    return 0.0 if abs(value) < SMALLEST else round(value, digits - 1 - math.floor(math.log10(abs(value))))


def _sides(reading: Reading, value: float) -> tuple[bool, bool]:
    low = reading.at_least is not None and value < reading.at_least
    high = reading.at_most is not None and value > reading.at_most
    return low, high


def _outwards(value: float, towards: Callable[[float], int]) -> str:
    if abs(value) < SMALLEST:
        return "0"
    scale = 10.0 ** (RANGE_DIGITS - 1 - math.floor(math.log10(abs(value))))
    whole = towards(round(value * scale, 6))
    return number(whole / scale, RANGE_DIGITS)


def _plain(limit: float) -> str:
    return f"{limit:,.3g}" if abs(limit) < 1e3 else f"{limit:,.0f}".replace(",", " ")
