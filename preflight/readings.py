"""Readings and findings: what checks, measurements and figures say, in one shape.

Base vocabulary that every layer may import. A figure is a `Reading` whose source is `computed`.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from typing import Literal

import msgspec

from preflight.live import Live

Source = Literal["measured", "computed", "declared"]
FindingOutcome = Literal["go", "no-go", "open"]


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One quantity with unit, source and limits.

    `name` is dotted ("link.margin"); the unit of a name never changes. `value` is a finite number, a word
    for a fact that has no number ("FAT32"), or None for what could not be had. `low` and `high` are the
    range the value may lie in, `at_least` and `at_most` its limits, all in `unit` ("" for a pure number).
    """

    name: str
    value: float | str | None
    unit: str = ""
    source: Source = "measured"
    low: float | None = None
    high: float | None = None
    at_least: float | None = None
    at_most: float | None = None

    def __post_init__(self) -> None:
        for part in (self.value, self.low, self.high, self.at_least, self.at_most):
            if isinstance(part, float) and not math.isfinite(part):
                raise ValueError(f"{self.name}: a reading is a finite number or None, not {part}")

    @property
    def margin(self) -> float | None:
        """have / need: value / at_least, or at_most / value; the smaller of both. 1.0 is exactly enough.

        None where there is no limit, no number, or where dividing makes no sense (a limit or value of zero
        or below).
        """
        if not isinstance(self.value, (int, float)):
            return None
        margins = []
        if self.at_least is not None and self.at_least > 0 and self.value >= 0:
            margins.append(self.value / self.at_least)
        if self.at_most is not None and self.at_most > 0 and self.value > 0:
            margins.append(self.at_most / self.value)
        finite = [m for m in margins if math.isfinite(m)]
        return min(finite) if finite else None

    @property
    def within(self) -> bool | None:
        """Whether the value is inside its limits; None where there is nothing to judge."""
        if self.at_least is None and self.at_most is None:
            return None
        if not isinstance(self.value, (int, float)):
            return None
        if self.at_least is not None and self.value < self.at_least:
            return False
        return not (self.at_most is not None and self.value > self.at_most)

    def to_json(self) -> dict[str, object]:
        """The contract's shape: numbers as numbers, absent as None."""
        return {
            "name": self.name,
            "value": self.value,
            "low": self.low,
            "high": self.high,
            "unit": self.unit,
            "source": self.source,
            "at_least": self.at_least,
            "at_most": self.at_most,
            "margin": self.margin,
        }


class Evidence(msgspec.Struct, frozen=True, kw_only=True):
    """Raw bytes that a check judged, kept beside the record under their SHA-256. `name` is for people."""

    name: str
    data: bytes


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """What a check, a measurement, a confirmation or a deferral found.

    `check` names what found it. `reads` names the values its outcome used (flight-file keys such as
    "link.baud", reading names such as "sample.rate", or "power"): a later change of one makes it stale.
    A limit crossed by a reading is a no-go whatever the rest says; see `judged`. `power_cycle` says from what
    it was seen that the payload or the logger started anew ("" if it was not): that is entered first.
    """

    check: str
    outcome: FindingOutcome
    readings: tuple[Reading, ...] = ()
    remarks: tuple[str, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    reads: tuple[str, ...] = ()
    seconds: float = 0.0
    power_cycle: str = ""


class Progress(msgspec.Struct, frozen=True):
    """A step of long work: what is being done, and how much of the whole is done (0 to 1, None if unknown).

    `reading` is the latest of what is measured, `readings` others beside it, `live` what else there is to
    see while it works.
    """

    text: str
    fraction: float | None = None
    reading: Reading | None = None
    readings: tuple[Reading, ...] = ()
    live: tuple[Live, ...] = ()


class ByHand(msgspec.Struct, frozen=True, kw_only=True):
    """One reading that a check takes, for a crew that takes it without the check.

    `reading` holds unit and limits, and as value what is computed beforehand, if anything is; `what` names it
    for people, `wanted` says in words what no limit can, such as "FAT16 or FAT32".
    """

    what: str
    reading: Reading
    wanted: str = ""


def judged(readings: tuple[Reading, ...], *, needs: tuple[str, ...] = ()) -> FindingOutcome:
    """The outcome that readings give by themselves.

    No-go if one is outside its limits; open if one of `needs`, or one that has a limit, has no value;
    otherwise go.
    """
    if any(r.within is False for r in readings):
        return "no-go"
    by_name = {r.name: r for r in readings}
    if any(name not in by_name or by_name[name].value is None for name in needs):
        return "open"
    if any(r.value is None and (r.at_least is not None or r.at_most is not None) for r in readings):
        return "open"
    return "go"


MARGIN_SHOWN = 1000.0
"""Beyond it a margin is "more than" this: by how much decides nothing."""

MARGIN_LEAST = 1e-6
"""A margin below it is none."""


def margin_text(margin: float, *limits: float, digits: int = 2) -> str:
    """A margin for people, in plain digits, rounded down: "0.81", "2.4", "472", "more than 1000".

    `digits` of them count, more where fewer would have it read as on or across 1 or one of `limits`.
    """
    if margin > MARGIN_SHOWN:
        return f"more than {MARGIN_SHOWN:.0f}"
    if margin < MARGIN_LEAST:
        return "0"
    for places in (digits, 3, 4, 6, 9, 17):
        step = min(0, math.floor(math.log10(margin)) - places + 1)
        shown = round(math.floor(round(margin * 10.0**-step, 6)) * 10.0**step, -step)
        if places >= digits and all(_side(shown, limit) == _side(margin, limit) for limit in (1.0, *limits)):
            return decimal_text(shown)
    return decimal_text(margin)


def _side(value: float, limit: float) -> int:
    return (value > limit) - (value < limit)


def rounded(value: float, digits: int, *, up: bool) -> float:
    """A number in so many significant digits, never below the value where `up`, else never above it.

    For the ends of a range, which is rounded outwards, and for what a crew has or needs.
    """
    # First to the digits that a float is good for: 0.1 + 0.2 is 0.3.
    exact = Decimal(f"{value:.12g}")
    return float(Context(prec=digits, rounding=ROUND_CEILING if up else ROUND_FLOOR).plus(exact))


def short_text(value: float, digits: int = 3) -> str:
    """A number for people in so many significant digits and no exponent: "1720", "0.0042"."""
    return decimal_text(float(f"{value:.{digits}g}"))


def decimal_text(value: float) -> str:
    """A number as the shortest plain decimal string that reads back to the same float: "0.1", "1500"."""
    if not math.isfinite(value):
        raise ValueError(f"not a finite number: {value}")
    text = format(Decimal(repr(value)), "f")
    return text[:-2] if text.endswith(".0") else text
