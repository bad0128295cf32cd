"""Collects figures while they are computed: readings in their names' units, words about what is wrong."""

from __future__ import annotations

import math
from collections.abc import Callable

from preflight.config.flight import Flight
from preflight.figures.feed import Feed
from preflight.figures.limits import Bounds, limit_for
from preflight.names import UNITS
from preflight.readings import Reading, Source

# How many of the unit one SI unit makes; units that are SI stay as they are.
_PER_SI = {
    "h": 1 / 3600,
    "min": 1 / 60,
    "ms": 1e3,
    "mA": 1e3,
    "mA*h": 1 / 3.6,
    "%": 100.0,
    "km": 1e-3,
    "hPa": 1e-2,
    "bar": 1e-5,
}


def from_si(name: str, value: float) -> float:
    """A value in SI in the unit of `name`."""
    return value * _PER_SI.get(UNITS[name], 1.0)


def to_si(name: str, value: float) -> float:
    """A value in the unit of `name` in SI."""
    return value / _PER_SI.get(UNITS[name], 1.0)


class Sheet:
    """Figures so far.

    `no_go` are sentences about what can't fly and `mends` what would help, by figure name; `remarks` are
    sentences, each with the first word of the names it is about.
    """

    def __init__(self, flight: Flight, feed: Feed) -> None:
        self.flight = flight
        self.feed = feed
        self.figures: dict[str, Reading] = {}
        self.remarks: dict[str, str] = {}
        self.no_go: dict[str, str] = {}
        self.mends: dict[str, str] = {}

    def add(
        self,
        name: str,
        value: float | None,
        *,
        low: float | None = None,
        high: float | None = None,
        limits: Bounds = (None, None),
        source: Source = "computed",
    ) -> Reading:
        """One figure from values in SI. `limits` are defaults that depend on the flight, in SI too.

        A value that is not finite is left out and said so: nothing here ever prints NaN.
        """
        parts = [None if part is None else from_si(name, part) for part in (value, low, high, *limits)]
        if any(part is not None and not math.isfinite(part) for part in parts):
            self.remark(
                name, f"{name} is beyond all bounds and was left out; check what the flight file says."
            )
            parts = [None] * 5
        at_least, at_most = limit_for(self.flight, name, (parts[3], parts[4]))
        reading = Reading(
            name=name,
            value=parts[0],
            unit=UNITS[name],
            source=source,
            low=parts[1],
            high=parts[2],
            at_least=at_least,
            at_most=at_most,
        )
        self.figures[name] = reading
        return reading

    def value(self, name: str) -> float | None:
        """The number of a figure in its own unit, None where there is none."""
        reading = self.figures.get(name)
        return float(reading.value) if reading and isinstance(reading.value, (int, float)) else None

    def remark(self, about: str, text: str) -> None:
        """Something a person should know, once; `about` is a name or the first word of one."""
        self.remarks.setdefault(text, about.partition(".")[0])

    def refuse(self, name: str, text: str) -> None:
        """A no-go in words, under the figure it belongs to."""
        self.no_go[name] = text

    def mend(self, name: str, how: Callable[[Reading], str]) -> None:
        """What would bring a figure back inside its limits, a phrase; asked for only if it is outside."""
        reading = self.figures.get(name)
        if reading is not None and reading.within is False and (text := how(reading)):
            self.mends[name] = text
