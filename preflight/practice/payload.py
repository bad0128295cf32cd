"""The simulated payload: a process of its own behind two real pseudo-terminals.

`python -m preflight.practice.payload --state DIR` makes DIR/tap and DIR/logger (links to the terminals) and
keeps DIR/payload.json up to date; what its logger writes to its card is in DIR/card, and what a receiver
hears of its beacon in DIR/beacon.txt. The tap carries an invented payload's samples, standing on the ground,
at the line's own pace; the logger answers an invented protocol of lines ended by CR: "?", "space" and "go".
DIR/faults.json, an object of fault names and values, is followed while it runs.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import json
import math
import os
import random
import select
import signal
import struct
import sys
import time
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from types import FrameType

from preflight.clock import Clock, SystemClock
from preflight.errors import DeviceError, PreflightError
from preflight.practice.beacon import HEARD, SimulatedBeacon
from preflight.practice.faults import FIELD_NAMES, fault_values
from preflight.practice.logger import CARD, LoggersCard, SimulatedLogger
from preflight.practice.uart import heard_as

STATUS = "payload.json"
FAULTS_FILE = "faults.json"
RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)
OUT_OF_RANGE = {
    "counter": "-1",
    "time": "61:75:99",
    "latitude": "94.21000",
    "longitude": "-203.40000",
    "altitude": "61044",
    "satellites": "77",
    "pressure": "1203.4",
    "temperature": "137.1",
    "battery": "0.21",
}
_BACKLOG = 3000  # unread bytes after which a line that nobody listens to is emptied
_MOST_BEHIND = 0.3  # seconds of sending that may be queued
_TICK = 0.005
_LOOK = 0.05  # seconds between looks at the faults and at the parent


@dataclass(frozen=True, slots=True)
class Ground:
    """Where the payload stands: degrees, metres, hPa, degC and V."""

    latitude: float = -43.93
    longitude: float = 171.62
    elevation: float = 212.0
    pressure: float = 992.6
    temperature: float = 9.0
    battery: float = 8.1


class Samples:
    """Makes the samples' lines."""

    def __init__(self, ground: Ground, clock: Clock) -> None:
        self.ground, self.clock = ground, clock
        self.counter = 0
        self._random = random.Random(7)  # noqa: S311 - the same weather every time
        self._frozen: dict[str, str] = {}

    def line(self, faults: dict[str, str]) -> bytes:
        """The next sample with its line end, CR LF."""
        self.counter += 1
        values = self._values(faults)
        if (name := faults.get("frozen")) is not None:
            values[name] = self._frozen.setdefault(name, values[name])
        else:
            self._frozen.clear()
        if (name := faults.get("out-of-range")) is not None:
            values[name] = OUT_OF_RANGE[name]
        if (name := faults.get("placeholder")) is not None:
            values[name] = "999"
        # More digits than the flight computer was said to print: the values stay as they are.
        longer = "0" * int(float(faults.get("longer", "0")))
        return (",".join(values[name] for name in FIELD_NAMES) + longer + "\r\n").encode("ascii")

    def _values(self, faults: dict[str, str]) -> dict[str, str]:
        here, wobble = self.ground, self._random.uniform
        now = self.clock.now().at + timedelta(seconds=float(faults.get("clock-off", "0")))
        battery = float(faults.get("low-battery", here.battery))
        values = {
            "counter": str(self.counter),
            "time": now.strftime("%H:%M:%S"),
            "latitude": f"{here.latitude + wobble(-2e-5, 2e-5):.5f}",
            "longitude": f"{here.longitude + wobble(-2e-5, 2e-5):.5f}",
            "altitude": f"{here.elevation + wobble(-3, 3):.0f}",
            "satellites": str(self._random.choice((8, 9, 9, 10))),
            "pressure": f"{here.pressure + wobble(-0.2, 0.2):.1f}",
            "temperature": f"{here.temperature + wobble(-0.3, 0.3):.1f}",
            "battery": f"{battery + wobble(-0.02, 0.02):.2f}",
        }
        if "no-fix" in faults:
            values |= {"latitude": "", "longitude": "", "altitude": "", "satellites": "0"}
        return values


class Terminal:
    """One pseudo-terminal: raw, without echo, sending no faster than its baud rate.

    With `speed` set, what passes between it and a listener at another speed is garbled as on a wire.
    """

    def __init__(self, link: Path, baud: int) -> None:
        import pty
        import tty

        self.link = link
        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self._slave)
        self._rate = baud / 10
        self.speed: int | None = None
        self._queue: list[tuple[float, bytes]] = []
        self._due = 0.0
        with contextlib.suppress(FileNotFoundError):
            link.unlink()
        link.symlink_to(self.path)

    def send(self, data: bytes, *, after: float = 0.0) -> None:
        """Queue `data`, `after` seconds from now at the earliest."""
        far = self._far_speed()
        if self.speed is not None and far is not None and far != self.speed:
            data = heard_as(data, sent=self.speed, listened=far)
        step = max(1, int(self._rate * _TICK))
        start = max(time.monotonic() + after, self._due)
        for begin in range(0, len(data), step):
            self._queue.append((start + begin / self._rate, data[begin : begin + step]))
        self._due = start + len(data) / self._rate

    def pump(self, now: float) -> None:
        """Put on the line what is due; with nobody there it is lost, as on a wire."""
        import fcntl
        import termios

        while self._queue and self._queue[0][0] <= now:
            _, data = self._queue.pop(0)
            unread = struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, b"\0" * 4))[0]
            if unread > _BACKLOG:
                termios.tcflush(self._slave, termios.TCIFLUSH)
            with contextlib.suppress(BlockingIOError):
                os.write(self.master, data)

    def behind(self) -> float:
        """Seconds that what is queued still takes."""
        return self._due - time.monotonic()

    def next_due(self) -> float:
        return self._queue[0][0] if self._queue else math.inf

    def _far_speed(self) -> int | None:
        """The speed that the terminal's other side was opened at; None where it is not a usual one."""
        import termios

        code = termios.tcgetattr(self._slave)[5]
        return next((rate for rate in RATES if getattr(termios, f"B{rate}", None) == code), None)

    def receive(self) -> bytes:
        try:
            data = os.read(self.master, 1024)
        except OSError as error:
            if error.errno in (errno.EAGAIN, errno.EIO):
                return b""
            raise
        far = self._far_speed()
        if self.speed is None or far is None or far == self.speed:
            return data
        return heard_as(data, sent=far, listened=self.speed)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            if os.readlink(self.link) == self.path:
                self.link.unlink()
        os.close(self.master)
        os.close(self._slave)


class Payload:
    """Both terminals and what stands behind them, until told to end."""

    def __init__(
        self,
        folder: Path,
        *,
        rate: float,
        baud: int,
        ground: Ground,
        parent: int | None,
        beacon: float | None = None,
    ) -> None:
        if not 0 < rate <= 1000 or not 50 <= baud <= 4_000_000:
            raise PreflightError("--rate goes up to 1000 samples a second, --baud from 50 to 4000000")
        self.folder, self.rate, self.parent = folder, rate, parent
        self.faults: dict[str, str] = {}
        self._planted: dict[str, str] | None = None  # faults that begin with the next sample
        self.ended = False
        self._stamp: tuple[int, int] | None = None
        self._looked = 0.0
        self._made = 0
        clock = SystemClock()
        self.samples = Samples(ground, clock)
        self.logger = SimulatedLogger()
        self.card = LoggersCard(folder / CARD, time.monotonic())
        self.beacon = SimulatedBeacon(folder / HEARD, ground, clock, beacon) if beacon else None
        self.tap_line = Terminal(folder / "tap", baud)
        self.logger_line = Terminal(folder / "logger", baud)

    def run(self) -> None:
        self._look_for_faults()
        self._begin_faults()
        due = time.monotonic()
        try:
            while not self.ended:
                now = time.monotonic()
                if now - self._looked >= _LOOK:
                    self._looked = now
                    self._look_for_faults()
                    if self.parent is not None and os.getppid() != self.parent:
                        return
                if self._planted is not None and self.tap_line.next_due() == math.inf:
                    self._begin_faults()
                if self.beacon is not None:
                    self.beacon.look(now, self.faults)
                if now >= due and self._planted is None:
                    # After a pause of this machine samples go on from now: no burst to catch up.
                    due = max(due + 1 / self._rate_now(), now)
                    self._sample()
                self.tap_line.pump(now)
                self.logger_line.pump(now)
                wake = min(
                    due if self._planted is None else math.inf,
                    self.tap_line.next_due(),
                    self.logger_line.next_due(),
                    now + _LOOK,
                )
                wait = max(0.0, wake - time.monotonic())
                select.select([self.logger_line.master, self.tap_line.master], [], [], wait)
                self.tap_line.receive()
                heard = self.logger_line.receive()
                if heard and self.logger.hear(heard, self.logger_line, self.faults):
                    self._write_status()
        finally:
            self.tap_line.close()
            self.logger_line.close()
            (self.folder / STATUS).unlink(missing_ok=True)

    def _rate_now(self) -> float:
        return self.rate * float(self.faults.get("slow", "1"))

    def _sample(self) -> None:
        if "power-off" in self.faults:
            return
        self._made += 1
        line = self.samples.line(self.faults)
        # More than the line carries is lost, as by a flight computer whose buffer is full.
        overrun = self.tap_line.behind() > _MOST_BEHIND
        if overrun or "no-samples" in self.faults or self._every("skipping"):
            return
        if "garbled" in self.faults:
            line = bytes((byte * 37 ^ 0xA5) & 0xFF | 0x80 for byte in line)
        for _ in range(2 if self._every("repeating") else 1):
            self.tap_line.send(line)
            if self.logger.logging:
                self.card.take(line, time.monotonic(), self.faults)

    def _every(self, fault: str) -> bool:
        return fault in self.faults and self._made % int(float(self.faults[fault])) == 0

    def _look_for_faults(self) -> None:
        path = self.folder / FAULTS_FILE
        try:
            stat = path.stat()
            stamp = (stat.st_mtime_ns, stat.st_ino)
            if stamp == self._stamp:
                return
            self._stamp = stamp
            self._planted = fault_values(dict(json.loads(path.read_bytes())))
        except (OSError, ValueError, TypeError, PreflightError):
            # Not there, or written by hand and wrong: it goes on as it was.
            return

    def _begin_faults(self) -> None:
        """Show the faults planted last; between two samples, so that none is half of each."""
        if self._planted is not None:
            before, self.faults, self._planted = self.faults, self._planted, None
            self._switch(was_off="power-off" in before, is_off="power-off" in self.faults)
            self.tap_line.speed = _speed(self.faults.get("speed"))
            self.logger_line.speed = _speed(self.faults.get("logger-speed"))
        self._write_status()

    def _switch(self, *, was_off: bool, is_off: bool) -> None:
        if is_off and not was_off:
            self.card.power_off()
        elif was_off and not is_off:
            self.samples.counter = 0
            self.card.power_on(time.monotonic())

    def _write_status(self) -> None:
        status = {
            "pid": os.getpid(),
            "tap": self.tap_line.path,
            "logger": self.logger_line.path,
            "logging": self.logger.logging,
            "heard": self.logger.heard,
            "faults": self.faults,
        }
        written = self.folder / (STATUS + ".new")
        written.write_text(json.dumps(status))
        written.replace(self.folder / STATUS)


def _speed(value: str | None) -> int | None:
    return None if value is None else int(float(value))


def main(arguments: list[str] | None = None) -> int:
    """Run until SIGTERM or SIGINT, or until the parent has gone; 2 on bad input."""
    parser = argparse.ArgumentParser(prog="python -m preflight.practice.payload", description=__doc__)
    parser.add_argument("--state", type=Path, required=True, help="folder for its links and status")
    parser.add_argument("--rate", type=float, default=2.0, help="samples a second")
    parser.add_argument("--baud", type=int, default=38400)
    parser.add_argument("--fault", action="append", default=[], metavar="NAME[=VALUE]")
    parser.add_argument("--beacon", type=float, help="seconds between a beacon's reports; absent: no beacon")
    parser.add_argument("--parent", type=int, help="end when this is no longer the parent process")
    for name in Ground.__slots__:
        parser.add_argument(f"--{name}", type=float, default=getattr(Ground(), name))
    given = parser.parse_args(arguments)
    try:
        require_terminals()
        faults = fault_values(given.fault)
        given.state.mkdir(parents=True, exist_ok=True)
        if faults or not (given.state / FAULTS_FILE).exists():
            (given.state / FAULTS_FILE).write_text(json.dumps(faults))
        ground = Ground(**{name: getattr(given, name) for name in Ground.__slots__})
        payload = Payload(
            given.state,
            rate=given.rate,
            baud=given.baud,
            ground=ground,
            parent=given.parent,
            beacon=given.beacon,
        )
    except (PreflightError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 2

    def end(number: int, frame: FrameType | None) -> None:
        payload.ended = True

    signal.signal(signal.SIGTERM, end)
    signal.signal(signal.SIGINT, end)
    payload.run()
    return 0


def require_terminals() -> None:
    """DeviceError on a system without pseudo-terminals."""
    if sys.platform == "win32":
        raise DeviceError(
            "The simulated payload needs pseudo-terminals, which this system does not have: "
            "run it on Linux or macOS"
        )


if __name__ == "__main__":
    sys.exit(main())
