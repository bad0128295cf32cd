"""The simulated beacon as an independent receiver hears it: a text file that grows by a line each time."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from preflight.clock import Clock

if TYPE_CHECKING:
    from preflight.practice.payload import Ground

HEARD = "beacon.txt"
CALL = "SIM-7"
OLD = timedelta(minutes=10)


class SimulatedBeacon:
    """Adds a line to `path` every `interval` seconds: time, call, degrees, metres."""

    def __init__(self, path: Path, ground: Ground, clock: Clock, interval: float) -> None:
        self.path = path
        self.interval = interval
        self._ground, self._clock = ground, clock
        self._due = 0.0
        self._old = ""
        path.write_text("receiver ready\n")

    def look(self, now: float, faults: dict[str, str]) -> None:
        """Send if it is time; `now` is any clock in seconds that only goes on."""
        if now < self._due:
            return
        self._due = now + self.interval
        if "beacon-silent" in faults or "power-off" in faults:
            return
        at = self._clock.now().at
        line = f"{at:%H:%M:%S} {CALL} {self._place()}\n"
        if "beacon-old" in faults:
            self._old = self._old or f"{at - OLD:%H:%M:%S} {CALL} {self._place()}\n"
            line = self._old
        else:
            self._old = ""
        with self.path.open("a") as file:
            file.write(line)

    def _place(self) -> str:
        here = self._ground
        return f"{here.latitude:.5f}, {here.longitude:.5f}, {here.elevation:.0f} m"
