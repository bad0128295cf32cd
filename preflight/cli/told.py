"""Readings as lines of text."""

from __future__ import annotations

from preflight.clean import clean
from preflight.readings import Reading, decimal_text, margin_text


def reading_text(reading: Reading) -> str:
    """A reading in one line: name, value with its range, limits, and the margin to them."""
    parts = [clean(reading.name, limit=100), _value(reading)]
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
        return clean(reading.value, limit=100)
    text = number(reading.value, reading.unit)
    if reading.low is None or reading.high is None or reading.low == reading.high:
        return text
    # A computed band is no sharper than its models: two figures are all it is worth.
    digits = 2 if reading.source == "computed" else 4
    return f"{text} [{number(reading.low, digits=digits)} to {number(reading.high, digits=digits)}]"


def number(value: float, unit: str = "", *, digits: int = 4) -> str:
    """A number with its unit, without an exponent; whole numbers in full unless two digits are asked for."""
    whole = float(value).is_integer() and digits > 2
    short = float(value) if whole else float(f"{value:.{digits}g}")
    return f"{decimal_text(short)} {unit}".rstrip()
