"""Figures and thresholds as airspace texts print them, with the metric unit beside the printed one."""

from __future__ import annotations

from decimal import Decimal

from preflight.config.flight import Package
from preflight.config.quantities import from_si, split_quantity, to_si
from preflight.readings import decimal_text

SAME = 1e-9
"""Two figures this close, as a share, are the same: 6 lb stays 6 lb on its way through kilograms."""

SIGNS = {">": ">", ">=": "≥", "<": "<", "<=": "≤"}
_METRIC = {"mass": "kg", "area density": "g/cm^2", "force": "N", "length": "m"}
_PRETTY = {
    "g/cm^2": "g/cm²",
    "oz/in^2": "oz/in²",
    "kg/m^2": "kg/m²",
    "cm^2": "cm²",
    "in^2": "in²",
    "m^2": "m²",
}


def holds(value: float, sign: str, threshold: float) -> bool:
    """Whether the value stands to the threshold as the printed sign says."""
    at = side(value, threshold)
    return {">": at > 0, ">=": at >= 0, "<": at < 0, "<=": at <= 0}[sign]


def side(value: float, threshold: float) -> int:
    """-1 below, 0 at and 1 above the threshold."""
    if abs(value - threshold) <= SAME * abs(threshold):
        return 0
    return 1 if value > threshold else -1


def both_units(value: float, kind: str | None, unit: str, *, near: float | None = None) -> str:
    """A value in SI as text in the printed unit, the metric one beside it where that is another.

    `near` is the threshold, in SI too: enough digits are given not to round across it.
    """
    if kind is None:
        return f"{value:g}"
    texts = [_rounded(value, kind, unit, near)]
    metric = _METRIC[kind]
    if metric != unit:
        texts.append(f"({_rounded(value, kind, metric, near)})")
    return " ".join(texts)


def _rounded(value: float, kind: str, unit: str, near: float | None) -> str:
    shown = from_si(value, kind, unit)
    for digits in (3, 4, 6, 9, 12):
        text = f"{shown:.{digits}g}"
        again = to_si(f"{Decimal(text):f} {unit}", kind)
        if near is None or side(again, near) == side(value, near):
            break
    return f"{decimal_text(float(text))} {pretty(unit)}"


def threshold_text(text: str, si: float, kind: str | None, unit: str) -> str:
    """A printed threshold, `si` being its value, with the metric one: "4 lb (1.814 kg)"."""
    if kind is None:
        return text
    number, _ = split_quantity(text)
    printed = f"{number:f} {pretty(unit)}"
    metric = _METRIC[kind]
    return printed if metric == unit else f"{printed} ({from_si(si, kind, metric):.4g} {pretty(metric)})"


def face_text(package: Package, unit: str) -> str:
    """What an area density comes from: "1.02 kg on 180 cm²"."""
    assert package.smallest_face is not None
    inches = unit.endswith("in^2")
    mass, face = ("oz", "in^2") if inches else ("kg", "cm^2")
    weighs = f"{from_si(package.mass, 'mass', mass):.4g} {mass}"
    return f"{weighs} on {from_si(package.smallest_face, 'area', face):.4g} {pretty(face)}"


def mark(confidence: str) -> str:
    """What is shown beside a passage that was not read at source: " [from memory]"; "" for one that was."""
    return "" if confidence == "read at source" else f" [{confidence}]"


def pretty(unit: str) -> str:
    """A unit as people write it: "g/cm²"."""
    return _PRETTY.get(unit, unit)
