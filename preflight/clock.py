"""Where time comes from; always passed in, never read from a global inside the rules."""

from __future__ import annotations

import functools
import time
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Moment:
    """One reading of a clock.

    `at` is UTC; `boot` names this run of the machine; `boot_ns` is nanoseconds on a clock that goes on
    through suspend (meaningful only between moments of one `boot`); `source` says where `at` came from and
    `uncertainty` how far it may be off in seconds, None if unknown.
    """

    at: datetime
    boot: str
    boot_ns: int
    source: str = "system"
    uncertainty: float | None = None

    def since(self, earlier: Moment) -> timedelta:
        """Time passed since `earlier`: by the running clock within one boot, by UTC across boots."""
        if self.boot == earlier.boot:
            return timedelta(microseconds=(self.boot_ns - earlier.boot_ns) // 1000)
        return self.at - earlier.at


class Clock(Protocol):
    """Anything that can say what time it is."""

    def now(self) -> Moment: ...


@functools.cache
def _boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        # No such id on this system: one id a process, so durations are never taken across two of them.
        return str(uuid.uuid4())


class SystemClock:
    """The machine's clock. Durations come from the clock that runs through suspend, where there is one."""

    def now(self) -> Moment:
        running = getattr(time, "CLOCK_BOOTTIME", None)
        ticks = time.clock_gettime_ns(running) if running is not None else time.monotonic_ns()
        return Moment(at=datetime.now(UTC), boot=_boot_id(), boot_ns=ticks)
