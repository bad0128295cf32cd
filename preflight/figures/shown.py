"""Figures as people read them: few digits, a range in two, limits as signs."""

from __future__ import annotations

import math
from collections.abc import Callable

from preflight.readings import Reading, margin_text, rounded

_BYTES = ((1e9, "GB"), (1e6, "MB"), (1e3, "kB"))
DIGITS = 3
RANGE_DIGITS = 2
MOST_DIGITS = 6
SMALLEST = 1e-6
LARGEST = 1e7
"""Below the one a number is shown as 0, from the other on with an exponent."""
_YEAR = 365.25 * 86400
_SPANS = ((2 * _YEAR, _YEAR, "years", 10), (345_600, 86_400.0, "days", 1), (7200, 3600.0, "h", 10))
"""From how many seconds on which unit is used, and into how many parts of it a span is told."""
_LASTING = (".endurance", ".full_after", ".file_limit_after")
_NEEDED = (".duration",)
"""Figures of how long something lasts, and of how long it has to."""


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
    if told := duration_text(reading):
        return told
    factor, unit = _scale(reading, value)
    if unit == "B":
        return f"{value:.0f} B"
    if reading.source != "computed":
        return f"{value:.5g} {unit}".strip()
    digits = DIGITS
    while digits < MOST_DIGITS and _sides(reading, _nearest(value, digits)) != _sides(reading, value):
        digits += 1
    return f"{number(value / factor, digits)} {unit}".strip()


def range_text(reading: Reading) -> str:
    """Low to high in two significant digits, rounded outwards; "" where there is no range."""
    if reading.low is None or reading.high is None:
        return ""
    factor, _ = _scale(reading, reading.value if isinstance(reading.value, (int, float)) else reading.high)
    ends = (
        rounded(reading.low / factor, RANGE_DIGITS, up=False),
        rounded(reading.high / factor, RANGE_DIGITS, up=True),
    )
    low, high = (number(end, RANGE_DIGITS) for end in ends)
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


def lasts_text(seconds: float) -> str:
    """How long something lasts, never more than it does: "42 min", "15.5 h", "12 days", "6.3 years"."""
    return _span(seconds, math.floor)


def needs_text(seconds: float) -> str:
    """For how long something is needed, never less than it is."""
    return _span(seconds, math.ceil)


def duration_text(reading: Reading) -> str:
    """A computed duration, what lasts rounded down and what is needed up; "" for any other reading."""
    up = reading.name.endswith(_NEEDED)
    if not (up or reading.name.endswith(_LASTING)) or not isinstance(reading.value, (int, float)):
        return ""
    value = rounded(reading.value, DIGITS, up=up)
    if _sides(reading, value) != _sides(reading, reading.value):
        value = reading.value
    return f"{number(value, DIGITS if value != reading.value else MOST_DIGITS)} {reading.unit}"


def _span(seconds: float, towards: Callable[[float], int]) -> str:
    size, unit, parts = next(
        ((size, unit, parts) for least, size, unit, parts in _SPANS if seconds >= least), (60.0, "min", 1)
    )
    whole = towards(round(seconds / size * parts, 6))
    return f"{whole / parts:.1f} {unit}" if parts > 1 else f"{whole} {unit}"


def clock_text(seconds: float) -> str:
    """A moment of the axis, hours and minutes from power-up: "3:26"; the minute in which it is over."""
    minutes = math.ceil(round(seconds / 60, 6))
    return f"{minutes // 60}:{minutes % 60:02d}"


def _scale(reading: Reading, value: float) -> tuple[float, str]:
    if reading.unit == "B":
        for factor, unit in _BYTES:
            if abs(value) >= factor:
                return factor, unit
    return 1.0, reading.unit


def _nearest(value: float, digits: int) -> float:
    return 0.0 if abs(value) < SMALLEST else round(value, digits - 1 - math.floor(math.log10(abs(value))))


def _sides(reading: Reading, value: float) -> tuple[bool, bool]:
    low = reading.at_least is not None and value < reading.at_least
    high = reading.at_most is not None and value > reading.at_most
    return low, high


def _plain(limit: float) -> str:
    return f"{limit:,.3g}" if abs(limit) < 1e3 else f"{limit:,.0f}".replace(",", " ")
