"""A serial line: opened by any pyserial URL, read in short waits, every trouble told in a sentence.

pyserial is imported when a line is opened or ports are listed, not before.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, NoReturn

from preflight.clean import clean
from preflight.config.flight import Link, Port
from preflight.errors import DeviceError

READ_TIMEOUT = 0.2
"""Seconds a read waits for the first byte; also how long a stop may go unnoticed."""
READ_LIMIT = 4096
"""Bytes one read returns at most."""

BUSY_FOR = 0.5
"""Seconds for which a port that is in use is tried again."""

_PIECE = 64  # bytes written at a time, so that one write timeout serves short and long messages

_NOT_A_PORT = (errno.ENOTTY, errno.EISDIR, errno.EINVAL)
_BUSY = (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK)
_GONE = (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ENOTDIR)


class PortUnusableError(DeviceError):
    """A port that may be in order but that this tool has no right or means to use now: see the sentence."""

    title = "Port not usable"


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this machine. `at` is what a flight file's `at` takes; the texts are cleaned."""

    at: str
    description: str
    hardware: str


def list_ports() -> tuple[PortInfo, ...]:
    """The serial ports of this machine in natural order; empty where there are none."""
    from serial.tools import list_ports as tool

    try:
        found = sorted(tool.comports())
    except (OSError, TypeError, ValueError) as error:
        raise DeviceError(f"The list of serial ports could not be read: {clean(str(error))}") from error
    return tuple(
        PortInfo(
            at=clean(port.device, limit=200),
            description=clean(port.description or "", limit=200),
            hardware=clean(port.hwid or "", limit=200),
        )
        for port in found
    )


class SerialLine:
    """An open serial line; a context manager that closes it.

    `baud` is in bit/s and `framing` data bits, parity and stop bits ("8N1"). `dtr` and `rts` are the states
    asked for before opening, None leaves them to the driver (a POSIX driver may still pulse them).
    Raises PortUnusableError where it is in use or not allowed, DeviceError for whatever else goes wrong with
    the port, here and in every method.
    """

    def __init__(
        self, at: str, *, baud: int, framing: str = "8N1", dtr: bool | None = None, rts: bool | None = None
    ) -> None:
        self.at = at
        self._serial = _opened(at, baud, framing, dtr, rts)

    def __enter__(self) -> SerialLine:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def read(self, limit: int = READ_LIMIT) -> bytes:
        """What has come, 1 to `limit` bytes; b"" if nothing came in READ_TIMEOUT or on `cancel_read`."""
        with self._troubles("reading from"):
            first: bytes = self._serial.read(1)
            return first + self._there(min(limit, READ_LIMIT) - 1) if first else first

    def waiting(self, limit: int = READ_LIMIT) -> bytes:
        """What is there already, without waiting."""
        with self._troubles("reading from"):
            return self._there(min(limit, READ_LIMIT))

    def _there(self, limit: int) -> bytes:
        there = bytearray()
        # Some kinds of port only say that there is something, not how much of it.
        while len(there) < limit and (count := min(limit - len(there), self._serial.in_waiting)) > 0:
            there += self._serial.read(count)
        return bytes(there)

    def write(self, data: bytes) -> None:
        """Send `data`; gives up when a piece is taken half a second later than it should be."""
        with self._troubles("writing to"):
            for start in range(0, len(data), _PIECE):
                self._serial.write(data[start : start + _PIECE])

    def finish_writing(self, within: float = 0.5) -> None:
        """Wait until what was written has left this machine, at most `within` seconds."""
        deadline = time.monotonic() + within
        with self._troubles("writing to"):
            while getattr(self._serial, "out_waiting", 0) > 0 and time.monotonic() < deadline:
                time.sleep(0.01)

    def set_speed(self, baud: int) -> None:
        """Go on at `baud` bit/s without closing; what came at the old speed and was not read is dropped."""
        with self._troubles("setting the speed of"):
            self._serial.baudrate = baud
            if self._serial.write_timeout is not None:
                self._serial.write_timeout = _write_timeout(baud)
            self._serial.reset_input_buffer()

    def cancel_read(self) -> None:
        """Make a read that waits in another thread return at once, where the driver can."""
        cancel = getattr(self._serial, "cancel_read", None)
        if cancel is not None:
            with self._troubles("stopping"):
                cancel()

    def close(self) -> None:
        """Close the line; never raises, as there is nothing left to do about it."""
        with contextlib.suppress(*_serial_errors()):
            self._serial.close()

    @contextmanager
    def _troubles(self, doing: str) -> Iterator[None]:
        try:
            yield
        except _serial_errors() as error:
            if type(error).__name__ == "SerialTimeoutException":
                raise DeviceError(
                    f"{self._shown} takes no bytes: check that the other end is powered, then try again"
                ) from error
            raise DeviceError(
                f"{self._shown} was lost while {doing} it: check that the lead is plugged in "
                "at both ends, then try again"
            ) from error

    @property
    def _shown(self) -> str:
        return clean(self.at, limit=200)


def open_port(port: Port, link: Link | None, folder: Path | None = None) -> SerialLine:
    """Open a flight file's [[port]] with its own speed and framing, or else those of [link].

    A relative `at` that exists in `folder` (the flight file's) is taken from there.
    """
    baud = port.baud if port.baud is not None else link.baud if link is not None else None
    if baud is None:
        raise PortUnusableError(
            f"The speed of the {port.use} port is not declared: give baud in its [[port]] or in [link]"
        )
    framing = port.framing or (link.framing if link is not None else "8N1")
    at = port.at
    if folder is not None and "://" not in at and (folder / at).exists():
        at = str(folder / at)
    return SerialLine(at, baud=baud, framing=framing, dtr=port.dtr, rts=port.rts)


def _opened(at: str, baud: int, framing: str, dtr: bool | None, rts: bool | None) -> Any:
    import serial

    line: Any = None
    try:
        line = serial.serial_for_url(
            at,
            do_not_open=True,
            baudrate=baud,
            bytesize=int(framing[0]),
            parity=framing[1],
            stopbits=float(framing[2:]),
            timeout=READ_TIMEOUT,
            # The RFC 2217 client refuses a write timeout; its writes are bounded by the socket's.
            write_timeout=None if at.lower().startswith("rfc2217:") else _write_timeout(baud),
            exclusive=True,
        )
        if dtr is not None:
            line.dtr = dtr
        if rts is not None:
            line.rts = rts
        _open_once_free(line)
    except _serial_errors() as error:
        _explain(at, baud, framing, error)
    return line


def _open_once_free(line: Any) -> None:
    """Open it; one that is in use may be just about to be let go, as by a program that is ending."""
    ends = time.monotonic() + BUSY_FOR
    while True:
        try:
            line.open()
        except _serial_errors() as error:
            if getattr(error, "errno", None) not in _BUSY or time.monotonic() >= ends:
                raise
            time.sleep(0.05)
        else:
            return


def _write_timeout(baud: int) -> float:
    return 0.5 + _PIECE * 12 / baud


def _serial_errors() -> tuple[type[Exception], ...]:
    # pyserial lets termios.error through (no OSError), TypeError where a port is closed under a read, and
    # NotImplementedError where a kind of port can't do what was asked.
    common: tuple[type[Exception], ...] = (OSError, ValueError, TypeError, NotImplementedError)
    if sys.platform == "win32":
        return common
    import termios

    return (*common, termios.error)


def _explain(at: str, baud: int, framing: str, error: Exception) -> NoReturn:
    """Turn what a driver says into what to do. Windows gives no errno but names the error in its text."""
    code = getattr(error, "errno", None)
    if code is None and error.args and isinstance(error.args[0], int):
        code = error.args[0]
    text = str(error)
    shown = clean(at, limit=200)
    kind = DeviceError
    if code in _GONE or "FileNotFoundError" in text:
        sentence = f"There is no port {shown}: {_ports_there()}"
    elif code in (errno.EACCES, errno.EPERM):
        kind = PortUnusableError
        sentence = f"You may not open {shown}: {_group_remedy(at)}"
    elif code in _BUSY or "PermissionError" in text:
        kind = PortUnusableError
        sentence = f"{shown} is in use: close the other program that has it open, then try again"
    elif code in _NOT_A_PORT or "Inappropriate ioctl" in text or "could not find port" in text.lower():
        sentence = f"{shown} is not a serial port: {_ports_there()}"
    elif isinstance(error, ValueError) and "://" in at and "protocol" in text:
        sentence = f"{shown} is no port address: use a device, socket://HOST:PORT or rfc2217://HOST:PORT"
    elif isinstance(error, ValueError):
        sentence = f"{shown} can't do {baud} baud {framing}: {clean(text, limit=200)}"
    else:
        sentence = (
            f"{shown} could not be opened ({clean(text, limit=200)}): check the lead and `at` in its [[port]]"
        )
    raise kind(sentence) from error


def _ports_there() -> str:
    try:
        there = [port.at for port in list_ports()]
    except DeviceError:
        there = []
    if not there:
        return "this machine has no serial port now. Plug the adapter in, then look with `preflight ports`"
    more = "" if len(there) <= 8 else f" and {len(there) - 8} more"
    return f"ports now are {', '.join(there[:8])}{more}. Correct `at` in its [[port]]"


def _group_remedy(at: str) -> str:
    group = "dialout"
    with contextlib.suppress(OSError, KeyError, ImportError):
        import grp

        owner = grp.getgrgid(os.stat(at).st_gid).gr_name
        # A port that belongs to root's own group is opened through a rule for a group of its own.
        group = group if owner == "root" else owner
    return (
        f"add yourself to the group {clean(group)} (sudo usermod -aG {clean(group)} $USER), then log in again"
    )
