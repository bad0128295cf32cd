"""The simulated logger: answers while it is spoken to, and logs what passes on the line to its card."""

from __future__ import annotations

import random
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from preflight.practice.payload import Terminal

NOISE = bytes.fromhex("fe80ff91e7c3009dbfa8")
CARD = "card"
"""The folder, beside the lines, that holds what is on the logger's card."""
SYNC = 0.5
"""Seconds after which the logger has what it took written to the card."""
START = 0.4
"""Seconds that it takes to start."""
JAMMED = 1.2
"""Seconds that a transmission near it lasts, an eighth of its interval at most."""

_REPLIES = {b"?": b"ready sim-logger 1.0\r\n", b"space": b"free 131 MB of 133 MB\r\n"}


class SimulatedLogger:
    """The invented logger: answers lines ended by CR while it is spoken to, logs again after "go"."""

    def __init__(self) -> None:
        self.logging = True
        self.heard: list[str] = []
        self._line = bytearray()

    def hear(self, data: bytes, terminal: Terminal, faults: dict[str, str]) -> bool:
        """Take bytes in and queue the replies; whether a whole line was among them."""
        if "bridged" in faults or "echo" in faults:
            terminal.send(data)
        whole = False
        for byte in data:
            if byte not in b"\r\n":
                self._line.append(byte)
                del self._line[:-200]
                continue
            command, self._line = bytes(self._line), bytearray()
            if command:
                whole = True
                self._obey(command, terminal, faults)
        return whole

    def _obey(self, command: bytes, terminal: Terminal, faults: dict[str, str]) -> None:
        self.heard = [*self.heard[-19:], command.decode("ascii", "replace")]
        if command == b"go" and "stuck" not in faults:
            self.logging, reply = True, b"logging\r\n"
        elif command == b"go":
            reply = b"card busy\r\n"
        else:
            self.logging = False
            reply = _REPLIES.get(command, b"what?\r\n")
        if "silent" in faults or "bridged" in faults:
            return
        late = float(faults.get("late", "0"))
        if "noise" in faults:
            terminal.send(NOISE, after=late)
        if "pieces" in faults:
            for begin in range(0, len(reply), 4):
                terminal.send(reply[begin : begin + 4], after=late + 0.02 * begin)
        else:
            terminal.send(reply, after=late)


class LoggersCard:
    """What the logger writes: a file LOGnnn.CSV in `folder` for each time it was powered up.

    `now` is any clock in seconds that only goes on. What was not synced when the power goes is lost.
    """

    def __init__(self, folder: Path, now: float) -> None:
        self.folder = folder
        self._random = random.Random(11)  # noqa: S311 - the same losses every time
        self._kept = bytearray()
        self._synced = now
        self._began = now
        self._file: Path | None = None
        self._cycles = 0

    def power_off(self) -> None:
        """The power is pulled: what was not written to the card is gone."""
        self._kept.clear()
        self._file = None
        self._cycles += 1

    def power_on(self, now: float) -> None:
        """The power is back: it starts, and begins a new file."""
        self._began = self._synced = now

    def take(self, line: bytes, now: float, faults: dict[str, str]) -> None:
        """Log a line as it came, unless one of the planted faults has it lost."""
        if now - self._began < (START if self._cycles else 0.0):
            return
        if "log-no-restart" in faults and self._cycles:
            return
        if "log-jammed" in faults:
            interval = max(0.1, float(faults["log-jammed"]))
            if now % interval < min(JAMMED, interval / 8):
                return
        if "log-losing" in faults and self._random.random() * float(faults["log-losing"]) < 1:
            return
        if "log-damaging" in faults and self._random.random() * float(faults["log-damaging"]) < 1:
            line = line[: len(line) // 2] + b"\x10\xff" + line[len(line) // 2 + 5 :]
        self._kept += line
        if now - self._synced >= float(faults.get("log-unflushed", SYNC)):
            self.sync(now)

    def sync(self, now: float) -> None:
        """Write what was taken since the last time to the card."""
        self._synced = now
        if not self._kept:
            return
        if self._file is None:
            self.folder.mkdir(exist_ok=True)
            self._file = self.folder / f"LOG{sum(1 for _ in self.folder.iterdir()) + 1:03}.CSV"
        with self._file.open("ab") as file:
            file.write(self._kept)
        self._kept.clear()
