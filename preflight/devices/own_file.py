"""Files of this tool's own on a card: written, synced, read back past the system's memory, removed.

Nothing else on a card is ever written to or removed. The folder of the mount is held open from the start, so
that a card that is unmounted in the middle never lets anything be written to what lies under its mount point.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import os
import re
import stat
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

from preflight.clean import clean
from preflight.devices.blocks import GoneError
from preflight.devices.marked_blocks import WORDS
from preflight.devices.mounts import Mount, mount_at
from preflight.devices.uncached import held_nowhere, keep_out_of_memory, let_go, reserve, sync
from preflight.errors import DeviceError

NAME = re.compile(r"PREFLT[0-9A-F]{2}\.TMP", re.IGNORECASE)
"""Names of own files: short ones, that any FAT takes."""
CHUNK = 1 << 20
"""Bytes read back at a time."""

_NUMBERS = 256
_NOT_THERE = (
    *(errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ESTALE),
    *(errno.ENOTCONN, errno.ECONNABORTED),  # the program that served it ended
)
_BY_FOLDER = os.open in os.supports_dir_fd and os.unlink in os.supports_dir_fd


class FullError(DeviceError):
    """There is no room left, or no place for another file."""


class LockedError(DeviceError):
    """The card or its volume takes no writing."""


class NotAllowedError(DeviceError):
    """This user may not write there."""


def own_name(number: int) -> str:
    """The name of own file `number`, 0 to 255."""
    return f"PREFLT{number:02X}.TMP"


class Place:
    """The folder that a card is mounted on, held open; a context manager.

    Raises `GoneError` where nothing is mounted there any more, here and in every method, and `DeviceError`
    for whatever else goes wrong.
    """

    def __init__(self, mount: Mount) -> None:
        self.mount = mount
        self.shown = clean(str(mount.point))
        self._folder: int | None = None
        self._next = 0
        with self.plainly("Opening"):
            if _BY_FOLDER:
                self._folder = os.open(mount.point, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            self._device = os.stat(mount.point).st_dev
        try:
            self.check()
            # Asked again now that the folder is held: it is the folder of this mount and no other.
            self._expect(mount_at(mount.point) == mount)
        except BaseException:
            self.close()
            raise

    def check(self) -> None:
        """Raise `GoneError` unless the same card is still mounted there."""
        with self.plainly("Looking at"):
            here = os.stat(self.mount.point).st_dev
            held = os.fstat(self._folder).st_dev if self._folder is not None else here
        self._expect(here == held == self._device)

    def create(self) -> OwnFile:
        """A new, empty own file. Raises `FullError` where there is no place for it."""
        for number in range(self._next, _NUMBERS):
            self._next = number + 1
            try:
                handle = self.open(own_name(number), os.O_RDWR | os.O_CREAT | os.O_EXCL)
            except DeviceError as error:
                if not isinstance(error.__cause__, FileExistsError):
                    raise
                continue  # somebody else's, whatever it is called
            return OwnFile(self, own_name(number), handle)
        raise FullError(f"Every name of a test file is taken, on the card at {self.shown}: clear it")

    def names(self) -> tuple[str, ...]:
        """Everything in the card's folder, as the system names it."""
        with self.plainly("Looking into"):
            return tuple(sorted(os.listdir(self._root)))

    def length(self, name: str) -> int | None:
        """Bytes of a regular file in the card's folder, None for anything else."""
        with self.plainly("Looking at"):
            info = os.stat(self._path(name), dir_fd=self._folder, follow_symlinks=False)
        return info.st_size if stat.S_ISREG(info.st_mode) else None

    def leftovers(self) -> tuple[str, ...]:
        """Own files that an interrupted run left: known by their name and by how they begin."""
        return tuple(name for name in self.names() if NAME.fullmatch(name) and self._is_own(name))

    def remove(self, name: str) -> None:
        """Remove an own file and have that synced; one that is gone already is fine."""
        with self.plainly("Removing a file from"), contextlib.suppress(FileNotFoundError):
            os.unlink(self._path(name), dir_fd=self._folder)
        if self._folder is not None:
            with contextlib.suppress(OSError):  # not every file system syncs a folder
                os.fsync(self._folder)

    def room(self) -> int | None:
        """Free bytes by the system's word, None where it tells none."""
        if not hasattr(os, "statvfs"):
            import psutil

            with self.plainly("Looking at"):
                return int(psutil.disk_usage(str(self.mount.point)).free)
        with self.plainly("Looking at"):
            told = os.statvfs(self._root)
        return told.f_bavail * told.f_frsize if told.f_blocks else None

    def close(self) -> None:
        if self._folder is not None:
            with contextlib.suppress(OSError):
                os.close(self._folder)
            self._folder = None

    def __enter__(self) -> Place:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def _root(self) -> int | Path:
        return self._folder if self._folder is not None else self.mount.point

    def _path(self, name: str) -> str | Path:
        return name if self._folder is not None else self.mount.point / name

    def open(self, name: str, flags: int) -> int:
        for extra in ("O_NOFOLLOW", "O_CLOEXEC", "O_NONBLOCK", "O_BINARY"):
            flags |= getattr(os, extra, 0)
        with self.plainly("Opening a file on"):
            return os.open(self._path(name), flags, 0o600, dir_fd=self._folder)

    def _is_own(self, name: str) -> bool:
        length = self.length(name)
        if not length:
            # Empty, and of our own name: cut off before its first byte. Nothing of anybody's is in it.
            return length == 0
        handle = self.open(name, os.O_RDONLY)
        try:
            with self.plainly("Reading from"):
                return os.read(handle, len(WORDS)) == WORDS
        finally:
            os.close(handle)

    def _expect(self, mounted: bool) -> None:
        if not mounted:
            raise GoneError(self._unmounted())

    def _unmounted(self) -> str:
        return (
            f"The card was taken out or unmounted meanwhile, at {self.shown}: put it in again, wait "
            "until it is mounted, and run this check again"
        )

    @contextmanager
    def plainly(self, doing: str) -> Iterator[None]:
        """Turn the system's errors into this tool's, the cause kept."""
        try:
            yield
        except OSError as error:
            raise self._told(doing, error) from error

    def _told(self, doing: str, error: OSError) -> DeviceError:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            return FullError(f"The card has no room left for a test file, at {self.shown}: clear it")
        if error.errno == errno.EROFS:
            return LockedError(
                f"The card at {self.shown} takes no writing: move the slide on the card, mount it for "
                "writing, and run this check again"
            )
        if error.errno in (errno.EACCES, errno.EPERM):
            return NotAllowedError(
                f"this user may not write to {self.shown}: mount the card so that you may, then run this "
                "check again"
            )
        if error.errno in _NOT_THERE:
            return GoneError(self._unmounted())
        why = error.strerror or type(error).__name__
        return GoneError(
            f"{doing} the card at {self.shown} failed ({why}). It was taken out, has a poor contact or a bad "
            "spot: push it firmly home and run this check again; if it fails again, use another card"
        )


class OwnFile:
    """One own file, open for writing; `size` is what was written so far. Always `remove` it."""

    def __init__(self, place: Place, name: str, handle: int) -> None:
        self.name = name
        self.size = 0
        self._place = place
        self._handle = handle
        self._open = True
        self.past_memory = False
        keep_out_of_memory(handle)

    def append(self, data: bytes | bytearray, *, synced: bool = True) -> float:
        """Write at the end and have the card confirm it; the seconds that took."""
        view = memoryview(data)
        started = time.monotonic()
        with self._place.plainly("Writing to"):
            while view:
                done = os.write(self._handle, view)
                self.size += done
                view = view[done:]
            if synced:
                sync(self._handle)
        return time.monotonic() - started

    def sync(self) -> None:
        """Have the card confirm what was written."""
        with self._place.plainly("Writing to"):
            sync(self._handle)

    def reserve(self, length: int) -> bool:
        """Keep `length` bytes from the file's start for it, unwritten, while it is open.

        False where this system or file system can't; `FullError` where there is no such room.
        """
        with self._place.plainly("Reserving room on"):
            return reserve(self._handle, length)

    def read_back(self) -> Iterator[tuple[int, memoryview]]:
        """The file from its start, as (offset, bytes); `past_memory` then says where from.

        It is True where what was read surely came from the card and not from the system's memory. A view
        holds until the next one is asked for.
        """
        self.sync()
        forgotten = let_go(self._handle, self._place.mount)
        handle, direct = self._reopen()
        try:
            direct = direct or held_nowhere(handle, range(0, self.size, max(CHUNK, self.size // 16)))
            self.past_memory = forgotten and direct
            with mmap.mmap(-1, CHUNK) as buffer, memoryview(buffer) as view:
                offset = 0
                while offset < self.size:
                    got = self._read(handle, view, offset)
                    if not got:
                        return
                    with view[: min(got, self.size - offset)] as part:
                        yield offset, part
                    offset += got
        finally:
            os.close(handle)

    def remove(self) -> None:
        """Close it and take it off the card."""
        if self._open:
            self._open = False
            with contextlib.suppress(OSError):
                os.close(self._handle)
        self._place.remove(self.name)

    def _reopen(self) -> tuple[int, bool]:
        """A handle to read by, and whether it goes past the system's memory."""
        if hasattr(os, "O_DIRECT"):
            try:
                return self._place.open(self.name, os.O_RDONLY | os.O_DIRECT), True
            except DeviceError as error:
                cause = error.__cause__
                if not (isinstance(cause, OSError) and cause.errno == errno.EINVAL):
                    raise
        handle = self._place.open(self.name, os.O_RDONLY)
        return handle, keep_out_of_memory(handle)

    def _read(self, handle: int, view: memoryview, offset: int) -> int:
        with self._place.plainly("Reading from"):
            if hasattr(os, "preadv"):
                return os.preadv(handle, [view], offset)
            os.lseek(handle, offset, os.SEEK_SET)
            data = os.read(handle, len(view))
            view[: len(data)] = data
            return len(data)
