"""Past the system's memory: having a card confirm what it was given, and reading from the card itself."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import sys
from collections.abc import Iterable

from preflight.devices.mounts import Mount, device_behind

_KEEP_SIZE = 0x01  # FALLOC_FL_KEEP_SIZE, linux/falloc.h
_F_NOCACHE, _F_FULLFSYNC = 48, 51  # fcntl.h of macOS


def sync(handle: int) -> None:
    """Return once the device has confirmed what was written to a file, its length included."""
    if sys.platform == "darwin":
        import fcntl

        # A plain fsync ends at the drive's own memory there.
        with contextlib.suppress(OSError):
            fcntl.fcntl(handle, _F_FULLFSYNC)
            return
    getattr(os, "fdatasync", os.fsync)(handle)


def keep_out_of_memory(handle: int) -> bool:
    """Where a system can be asked not to keep a file in memory at all (macOS): whether it agreed."""
    if sys.platform == "darwin":
        import fcntl

        with contextlib.suppress(OSError):
            fcntl.fcntl(handle, _F_NOCACHE, 1)
            return True
    return False


def let_go(handle: int, mount: Mount) -> bool:
    """Have the system forget what it holds of a synced file; whether that can be asked.

    Where a program serves the volume, what the system holds of the device or image behind it is forgotten
    too: False where that isn't known, or may not be opened.
    """
    if not _forget(handle):
        return False
    if not mount.through_fuse:
        return True
    device = device_behind(mount)
    if device is None:
        return False
    try:
        behind = os.open(device, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0))
    except OSError:
        return False
    try:
        os.fsync(behind)  # what is not written yet would not be forgotten
        return _forget(behind)
    except OSError:
        return False
    finally:
        os.close(behind)


def held_nowhere(handle: int, offsets: Iterable[int]) -> bool:
    """Whether the system holds nothing of a file at these places, so that reading them must ask the card."""
    flag = getattr(os, "RWF_NOWAIT", None)
    if flag is None:
        return False
    for offset in offsets:
        try:
            os.preadv(handle, [bytearray(1)], offset, flag)
        except BlockingIOError:
            continue
        except OSError:
            return False
        return False
    return True


def reserve(handle: int, length: int) -> bool:
    """Reserve `length` bytes for a file without writing them or making it longer.

    False where this system or file system can't; OSError where there is no such room.
    """
    if sys.platform != "linux":
        return False
    libc = ctypes.CDLL(None, use_errno=True)
    call = getattr(libc, "fallocate64", None) or getattr(libc, "fallocate", None)
    if call is None:
        return False
    call.argtypes = [ctypes.c_int, ctypes.c_int, ctypes.c_int64, ctypes.c_int64]
    if call(handle, _KEEP_SIZE, 0, length) == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL):
        return False
    raise OSError(code, os.strerror(code))


def _forget(handle: int) -> bool:
    if hasattr(os, "posix_fadvise"):
        with contextlib.suppress(OSError):
            os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
            return True
    return sys.platform == "darwin"
