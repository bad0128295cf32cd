"""Readings as lines of text."""

from __future__ import annotations

from preflight.clean import clean
from preflight.figures.shown import value_text
from preflight.readings import Reading, decimal_text, margin_text, rounded


def reading_text(reading: Reading, width: int = 0) -> str:
    """A reading in one line: its name in so wide a column, value with range, limits, margin to them."""
    parts = [f"{clean(reading.name, limit=100):<{width}}", _value(reading)]
    limits = [
        f"{word} {number(limit, reading.unit)}"
        for word, limit in (("at least", reading.at_least), ("at most", reading.at_most))
        if limit is not None
    ]
    if limits:
        verdict = {True: "within", False: "OUTSIDE", None: "not judged"}[reading.within]
        margin = f", margin {margin_text(reading.margin, digits=4)}" if reading.margin is not None else ""
        parts.append(f"({', '.join(limits)}: {verdict}{margin})")
    return "  ".join(parts)


def _value(reading: Reading) -> str:
    if reading.value is None:
        return "not known"
    if isinstance(reading.value, str):
        return clean(reading.value, limit=100) or "none"
    computed = reading.source == "computed"
    text = value_text(reading) if computed else number(reading.value, reading.unit)
    if reading.low is None or reading.high is None or reading.low == reading.high:
        return text
    # A computed band is no sharper than its models: two figures are all it is worth.
    digits = 2 if computed else 4
    low, high = rounded(reading.low, digits, up=False), rounded(reading.high, digits, up=True)
    return f"{text} [{decimal_text(low)} to {decimal_text(high)}]"


def number(value: float, unit: str = "") -> str:
    """A number with its unit in four digits, without an exponent; whole numbers in full."""
    short = float(value) if float(value).is_integer() else float(f"{value:.4g}")
    return f"{decimal_text(short)} {unit}".rstrip()
