"""A text file that another program adds to, read as a line is: what comes after it was opened."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path
from types import TracebackType
from typing import Protocol

from preflight.clean import clean
from preflight.config.flight import Link, Port
from preflight.devices.serial_line import READ_LIMIT, READ_TIMEOUT, PortUnusableError, open_port
from preflight.errors import DeviceError

_LOOK = 0.05


class Listened(Protocol):
    """Anything that is listened to: a serial line, a socket or a growing file."""

    def read(self, limit: int = READ_LIMIT) -> bytes: ...

    def close(self) -> None: ...


class GrowingFile:
    """A regular file followed from its present end; one that is cut short or replaced is followed anew.

    Raises PortUnusableError where it may not be read, DeviceError where it is not there or fails.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._shown = clean(str(path), limit=200)
        self._handle = self._open()
        self._place = os.lseek(self._handle, 0, os.SEEK_END)

    def __enter__(self) -> GrowingFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def read(self, limit: int = READ_LIMIT) -> bytes:
        """What was added, 1 to `limit` bytes; b"" if nothing was in READ_TIMEOUT."""
        deadline = time.monotonic() + READ_TIMEOUT
        while True:
            try:
                self._follow()
                data = os.read(self._handle, min(limit, READ_LIMIT))
            except OSError as error:
                raise DeviceError(f"{self._shown} can't be read on: {error.strerror or error}") from error
            self._place += len(data)
            left = deadline - time.monotonic()
            if data or left <= 0:
                return data
            time.sleep(min(_LOOK, left))

    def close(self) -> None:
        """Close it; never raises."""
        with contextlib.suppress(OSError):
            os.close(self._handle)

    def _open(self) -> int:
        try:
            return os.open(self._path, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0))
        except PermissionError as error:
            raise PortUnusableError(
                f"You may not read {self._shown}: give yourself the right to, or correct `at` in its [[port]]"
            ) from error
        except OSError as error:
            raise DeviceError(
                f"{self._shown} can't be opened: {error.strerror or error}. Start what writes it, or correct "
                "`at` in its [[port]]"
            ) from error

    def _follow(self) -> None:
        """Begin anew at the start of a file that was cut short or put in this one's place."""
        here = os.fstat(self._handle)
        if here.st_size < self._place:
            self._place = os.lseek(self._handle, 0, os.SEEK_SET)
            return
        if here.st_size > self._place:
            return
        try:
            named = os.stat(self._path)
        except FileNotFoundError:
            return  # between taking away and putting anew
        if (named.st_dev, named.st_ino) != (here.st_dev, here.st_ino):
            handle = self._open()
            os.close(self._handle)
            self._handle, self._place = handle, 0


def names_file(port: Port, folder: Path) -> bool:
    """Whether a [[port]] names a regular file, one that grows."""
    return "://" not in port.at and (folder / port.at).is_file()


def open_listened(port: Port, link: Link | None, folder: Path) -> Listened:
    """What a [[port]] names: a text file that grows, else a serial line or URL (see `open_port`)."""
    if names_file(port, folder):
        return GrowingFile(folder / port.at)
    return open_port(port, link, folder)
