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
"""A measured number within two percent of another is the same value: a rate is never measured twice alike."""

AT_WORST = frozenset({"sample.length", "sample.rate"})
"""Values of which the larger of measured and declared counts."""

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
        """A flight-file key gets another value; `text` is as the flight file would have it.

        What was measured of it before no longer counts. Raises `BadFile` for what a file may not say.
        """
        self.flight = replace_value(self.flight, key, text)
        self.replaced[key] = text
        self.measured.pop(key, None)

    def note(self, readings: Iterable[Reading]) -> None:
        """Readings of a finding become the latest of their names."""
        for reading in readings:
            if reading.value is not None:
                self.measured[reading.name] = reading

    def current(self, name: str) -> Known:
        """The value in force, None where there is none."""
        if name == "power":
            return self.power
        in_force = self._in_force(name)
        reading = self.measured.get(name)
        if reading is None:
            return in_force
        if in_force is None:
            return reading.value
        if (
            name in AT_WORST
            and isinstance(in_force, (int, float))
            and isinstance(reading.value, (int, float))
        ):
            return max(in_force, reading.value)
        return in_force

    def snapshot(self, names: Iterable[str]) -> Snapshot:
        """The values in force of these names, to be compared later."""
        return {name: self.current(name) for name in names}

    def changed(self, then: Snapshot) -> str | None:
        """What changed since a snapshot, in words; None if nothing did."""
        for name, before in then.items():
            now = self.current(name)
            if not _same(before, now, TOLERANCE if name in self.measured else 0.0):
                return _told(name, before, now)
        return None

    def _in_force(self, name: str) -> Known:
        here: object = self.flight
        for part in name.split("."):
            here = getattr(here, part, None)
            if here is None:
                return self.replaced.get(name)
        return here


def _same(before: Known, now: Known, tolerance: float) -> bool:
    if isinstance(before, (int, float)) and isinstance(now, (int, float)):
        return abs(before - now) <= tolerance * max(abs(before), abs(now))
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
