"""Bytes of a card's device or image file, read-only and bounded.

Every read is checked against the size found at open, and every driver's error leaves here as a
`DeviceError` that says what to do.
"""

from __future__ import annotations

import errno
import io
import os
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

from preflight.clean import clean
from preflight.errors import DeviceError

SECTOR = 512
"""Smallest sector there is; boot sectors and partition tables are laid out in it whatever the real size."""


class NoRightError(DeviceError):
    """The device is there, but this user may not read it, or this system gives no way to."""


class GoneError(DeviceError):
    """The device or file is not there, or went away in the middle of reading."""


class BadVolumeError(DeviceError):
    """What is on the card contradicts itself: no volume to trust.

    `judged` is the sector looked at. `found` names the file system where it is another than FAT or exFAT;
    `damaged` says that it is one of these and not to be trusted.
    """

    judged: bytes = b""
    found: str = ""
    damaged: bool = False


class Blocks:
    """A regular file or block device opened for reading, or a stretch of one.

    `size` is in bytes, found at open and never taken from what is written on the card. Use as a context
    manager, or `close` it.
    """

    def __init__(self, raw: io.FileIO, path: Path, size: int, *, start: int = 0, is_device: bool) -> None:
        self.path = path
        self.size = size
        self.start = start
        self.is_device = is_device
        self._raw = raw

    @classmethod
    def open(cls, path: Path) -> Blocks:
        """Open `path` read-only.

        Raises `GoneError` if it isn't there, `NoRightError` if it may not be read, `DeviceError` for anything
        that is neither a file nor a block device or whose size can't be told.
        """
        shown = clean(str(path))
        # Non-blocking, so that a pipe with no writer at its other end can't hang us before it is refused.
        flags = os.O_RDONLY
        for extra in ("O_CLOEXEC", "O_NONBLOCK", "O_NOCTTY", "O_BINARY"):
            flags |= getattr(os, extra, 0)
        with _said_plainly(shown, opening=True):
            handle = os.open(path, flags)
            try:
                size, is_device = _measure(handle, shown)
                raw = io.FileIO(handle, "rb")
            except BaseException:
                os.close(handle)
                raise
        return cls(raw, path, size, is_device=is_device)

    def part(self, start: int, size: int) -> Blocks:
        """The stretch of `size` bytes from `start`; it shares this one's file, which the whole one closes."""
        if not (0 <= start <= self.size and 0 <= size <= self.size - start):
            raise BadVolumeError(f"{clean(str(self.path))}: a part reaches past the end of the device")
        return Blocks(self._raw, self.path, size, start=self.start + start, is_device=self.is_device)

    def read(self, offset: int, length: int) -> bytes:
        """Exactly `length` bytes from `offset`.

        Raises `BadVolumeError` for a place outside, `GoneError` if the device ends early or fails.
        """
        if not (offset >= 0 and 0 <= length <= self.size - offset):
            raise BadVolumeError(f"{clean(str(self.path))}: byte {offset} is past the end of the volume")
        data = bytearray(length)
        self.read_into(offset, memoryview(data))
        return bytes(data)

    def read_into(self, offset: int, target: memoryview) -> None:
        """Fill `target` with the bytes from `offset`; errors as `read`."""
        shown = clean(str(self.path))
        if not (offset >= 0 and len(target) <= self.size - offset):
            raise BadVolumeError(f"{shown}: byte {offset} is past the end of the volume")
        done = 0
        with _said_plainly(shown):
            self._raw.seek(self.start + offset)
            while done < len(target):
                got = self._raw.readinto(target[done:])
                if not got:
                    raise GoneError(_gone(shown, f"it ended at byte {self.start + offset + done}"))
                done += got

    def close(self) -> None:
        """Give the file or device back; may be called more than once."""
        self._raw.close()

    def __enter__(self) -> Blocks:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _measure(handle: int, shown: str) -> tuple[int, bool]:
    """Size in bytes of an open file or block device, and whether it is a device."""
    mode = os.fstat(handle).st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISBLK(mode)):
        raise DeviceError(f"{shown} is no image file and no block device")
    size = os.lseek(handle, 0, os.SEEK_END)
    if size <= 0 and stat.S_ISBLK(mode) and sys.platform != "linux":
        # Elsewhere a device's end can't be sought, and its size is told only by calls of each system's own.
        raise NoRightError(f"this system does not tell the size of {shown}")
    if size <= 0:
        raise DeviceError(f"{shown} is empty: no card in the reader, or an image of nothing")
    if stat.S_ISBLK(mode) and hasattr(os, "posix_fadvise"):
        # What the system still holds of a card read earlier is let go, so that this card is read, not memory.
        # Pages not yet written are kept by the system.
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
    return size, stat.S_ISBLK(mode)


def _gone(shown: str, why: str) -> str:
    return (
        f"Reading {shown} stopped: {why}. The card was taken out, has a poor contact or a bad spot: "
        "push it firmly home and run this check again; if it fails again, use another card"
    )


@contextmanager
def _said_plainly(shown: str, *, opening: bool = False) -> Iterator[None]:
    """Turn the system's errors into this tool's, the cause kept."""
    try:
        yield
    except (FileNotFoundError, NotADirectoryError) as error:
        raise GoneError(
            f"{shown} is not there: put the card in the reader, or correct [card] volume"
        ) from error
    except PermissionError as error:
        raise NoRightError(f"no right to open {shown}") from error
    except OSError as error:
        why = error.strerror or type(error).__name__
        if error.errno == getattr(errno, "ENOMEDIUM", None):
            raise GoneError(f"{shown} has no card in it: put the card in the reader") from error
        unopened = f"{shown} can't be opened: {why}. Correct [card] volume"
        raise GoneError(unopened if opening else _gone(shown, why)) from error
    except ValueError as error:  # a null byte in the path, or a file closed under us
        raise DeviceError(f"{shown} can't be read: {clean(str(error))}") from error
