"""The values in force: what the flight file declares, what was replanned, what was measured since.

A finding keeps a snapshot of the values that it used; when one of them is no longer the same, the finding is
stale. Of what may get worse aloft the larger of measured and declared counts, so a bench sample that is
shorter than declared changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable

from preflight.config.flight import Flight
from preflight.config.keys import replace_value
from preflight.readings import Reading, decimal_text

TOLERANCE = 0.02
"""Two numbers within two percent of each other are the same value: a rate is never measured twice alike."""

Known = float | int | str | object | None
Snapshot = dict[str, Known]


class Values:
    """Values by name: "power" (how often it was cycled), a reading's name, or a flight-file key."""

    def __init__(self, flight: Flight) -> None:
        self.declared = flight
        self.flight = flight
        self.measured: dict[str, Reading] = {}
        self.replaced: dict[str, str] = {}
        self.power = 0

    def copy(self) -> Values:
        """The values as they stand now, untouched by what comes later."""
        other = Values(self.declared)
        other.flight, other.power = self.flight, self.power
        other.measured, other.replaced = dict(self.measured), dict(self.replaced)
        return other

    def replace(self, key: str, text: str) -> None:
        """A flight-file key gets another value; `text` is as the flight file would have it."""
        self.flight = replace_value(self.flight, key, text)
        self.replaced[key] = text

    def note(self, readings: Iterable[Reading]) -> None:
        """Readings of a finding become the latest of their names."""
        for reading in readings:
            if reading.value is not None:
                self.measured[reading.name] = reading

    def current(self, name: str) -> Known:
        """The value in force, None where there is none."""
        if name == "power":
            return self.power
        reading = self.measured.get(name)
        if reading is not None:
            return self._at_worst(name, reading)
        if name in self.replaced:
            return self.replaced[name]
        return self._declared(name)

    def snapshot(self, names: Iterable[str]) -> Snapshot:
        """The values in force of these names, to be compared later."""
        return {name: self.current(name) for name in names}

    def changed(self, then: Snapshot) -> str | None:
        """What changed since a snapshot, in words; None if nothing did."""
        for name, before in then.items():
            now = self.current(name)
            if not _same(before, now):
                return _told(name, before, now)
        return None

    def _at_worst(self, name: str, reading: Reading) -> Known:
        declared = None
        if self.flight.sample is not None:
            declared = {
                "sample.length": self.flight.sample.length,
                "sample.rate": self.flight.sample.rate,
            }.get(name)
        if declared is not None and isinstance(reading.value, (int, float)):
            return max(declared, reading.value)
        return reading.value

    def _declared(self, name: str) -> Known:
        here: object = self.flight
        for part in name.split("."):
            here = getattr(here, part, None)
            if here is None:
                return None
        return here


def _same(before: Known, now: Known) -> bool:
    if isinstance(before, (int, float)) and isinstance(now, (int, float)):
        return abs(before - now) <= TOLERANCE * max(abs(before), abs(now))
    return before == now


def _told(name: str, before: Known, now: Known) -> str:
    if name == "power":
        return "the payload's power was cycled since"
    if name == "logger.left_at":
        return "the logger was spoken to since, and left to log again"
    if _plain(before) and _plain(now):
        return f"{name} was {_word(before)}, now {_word(now)}"
    return f"{name} changed since"


def _plain(value: Known) -> bool:
    return value is None or isinstance(value, (int, float, str))


def _word(value: Known) -> str:
    if value is None:
        return "not known"
    return decimal_text(float(value)) if isinstance(value, (int, float)) else str(value)
