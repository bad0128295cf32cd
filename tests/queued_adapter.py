"""A serial adapter as many are: it sends at the line's pace, and forgets at its closing what was not sent."""

from __future__ import annotations

import contextlib
import threading
from typing import Any

import pytest
import serial

BYTE_TIME = 0.004  # seconds for one byte, so that a short leave sequence takes a while


class QueuedAdapter(serial.Serial):  # type: ignore[misc]
    """Bytes written go into a queue that a thread sends byte by byte; closing throws the queue away.

    `faults` are numbers of reads (from 1, over the life of the port) that fail as a loose lead makes them.
    """

    faults: frozenset[int] = frozenset()

    def open(self) -> None:
        super().open()
        self._queue = bytearray()
        self._over = threading.Event()
        self._reads = 0
        self._sender = threading.Thread(target=self._send, daemon=True)
        self._sender.start()

    def write(self, data: bytes) -> int:
        self._queue += data
        return len(data)

    def read(self, size: int = 1) -> bytes:
        self._reads += 1
        if self._reads in self.faults:
            raise serial.SerialException("the device reports readiness to read but returned no data")
        return super().read(size)

    @property
    def out_waiting(self) -> int:
        return len(self._queue)

    def close(self) -> None:
        if self.is_open:
            self._over.set()
            self._sender.join()
        super().close()

    def _send(self) -> None:
        while not self._over.wait(BYTE_TIME):
            if self._queue:
                with contextlib.suppress(serial.SerialException):
                    super().write(bytes(self._queue[:1]))
                del self._queue[:1]


def plug_in(monkeypatch: pytest.MonkeyPatch, faults: frozenset[int] = frozenset()) -> None:
    """Let every port that is opened from here on be one."""

    def opened(at: str, *, do_not_open: bool, **more: Any) -> QueuedAdapter:
        port = QueuedAdapter(None, **more)
        port.faults = faults
        port.port = at
        assert do_not_open
        return port

    monkeypatch.setattr(serial, "serial_for_url", opened)
