"""The far end of a serial line on a real pseudo-terminal, and flights that name it."""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable

import msgspec

from preflight.config.flight import Flight

BASE = {
    "flight": {"name": "Dotterel 4", "release": "2031-03-09T09:00:00Z", "power_up": 2700.0, "checklist": "c"},
    "site": {"latitude": -41.5, "longitude": 12.25, "elevation": 40.0, "timezone": "UTC"},
    "balloon": {"mass": 0.6, "burst_diameter": 6.0, "gas": "helium", "neck_lift": 1.6},
    "payload": {"package": [{"name": "instrument pack", "mass": 0.9}]},
    "recovery": {"search": 10800.0},
}
# Where the simulated payload stands.
PAYLOAD_SITE = {
    "latitude": -43.93,
    "longitude": 171.62,
    "elevation": 212.0,
    "timezone": "UTC",
    "qnh": 101800.0,
    "temperature": 282.15,
}

LEAVE = b"exit\rlog on\r"
"""The leave sequence of the logger below."""


def logger_text(at: str, within: str) -> str:
    """A flight file's tables of a logger at `at` that is asked once and then left logging."""
    return f"""
[[port]]
use = "logger"
at = "{at}"
[[logger.exchange]]
send = "?\\r"
expect = "ready"
within = "{within}"
[[logger.leave]]
send = "exit\\r"
[[logger.leave]]
send = "log on\\r"
"""


def make_flight(**sections: object) -> Flight:
    """A flight of the smallest sections and these, in SI units."""
    return msgspec.convert(BASE | sections, Flight)


def wait_until(condition: Callable[[], object], within: float = 10.0) -> None:
    """Return as soon as `condition` holds; fail after `within` seconds."""
    deadline = time.monotonic() + within
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.005)


class FarEnd:
    """A thread at the other end of a pseudo-terminal; `answer(line end, bytes)` is called with what comes."""

    def __init__(self, answer: Callable[[FarEnd, bytes], None] = lambda *_: None) -> None:
        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.heard = bytearray()
        self._answer = answer
        self._ended = threading.Event()
        self._open = True
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> FarEnd:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    @property
    def over(self) -> bool:
        """Whether the test is over."""
        return self._ended.is_set()

    def pause(self, seconds: float) -> None:
        """Wait as a slow device does; no longer than the test goes on."""
        self._ended.wait(seconds)

    def unplug(self) -> None:
        """Both ends are gone, as when the adapter is pulled."""
        self._ended.set()
        # A terminal that is waited on stays there: the thread must have let go of it.
        if threading.current_thread() is not self._thread:
            self._thread.join(5)
        if self._open:
            self._open = False
            os.close(self._slave)
            os.close(self.master)

    def _run(self) -> None:
        while not self._ended.is_set():
            ready, _, _ = select.select([self.master], [], [], 0.02)
            if ready:
                try:
                    data = os.read(self.master, 1024)
                except OSError:
                    return
                self.heard += data
                self._answer(self, data)
