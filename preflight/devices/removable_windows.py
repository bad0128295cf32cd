"""What a volume lies on, asked of Windows.

Source: Microsoft's documentation of GetDriveTypeW, GetVolumeInformationW and
IOCTL_STORAGE_GET_DEVICE_NUMBER.
"""

from __future__ import annotations

import ctypes
import os
import shutil
from pathlib import Path
from typing import Any, Protocol

from preflight.clean import clean
from preflight.devices.removable import Medium

REMOVABLE, FIXED, REMOTE, OPTICAL, RAM_DISK = 2, 3, 4, 5, 6

_STORAGE_GET_DEVICE_NUMBER = 0x2D1080
_SHARE_READ_WRITE, _OPEN_EXISTING = 3, 3


class System(Protocol):
    """What is asked of the system of a drive's root such as "E:\\\\"."""

    def drive_type(self, root: str) -> int: ...

    def disk(self, root: str) -> int | None:
        """The number of the disk that a drive is on."""

    def label(self, root: str) -> str: ...

    def size(self, root: str) -> int: ...

    def own_root(self) -> str:
        """The root of the drive that the system is on."""


class Kernel32:
    """The running system."""

    def __init__(self) -> None:
        self._calls: Any = ctypes.WinDLL("kernel32", use_last_error=True)  # type: ignore[attr-defined,unused-ignore]
        self._calls.CreateFileW.restype = ctypes.c_void_p

    def drive_type(self, root: str) -> int:
        return int(self._calls.GetDriveTypeW(ctypes.c_wchar_p(root)))

    def disk(self, root: str) -> int | None:
        name = ctypes.c_wchar_p(f"\\\\.\\{root[:2]}")
        handle = self._calls.CreateFileW(name, 0, _SHARE_READ_WRITE, None, _OPEN_EXISTING, 0, None)
        if handle in (None, ctypes.c_void_p(-1).value):
            return None
        handle = ctypes.c_void_p(handle)
        told, length = (ctypes.c_uint32 * 3)(), ctypes.c_uint32()
        try:
            done = self._calls.DeviceIoControl(
                handle,
                _STORAGE_GET_DEVICE_NUMBER,
                None,
                0,
                ctypes.byref(told),
                ctypes.sizeof(told),
                ctypes.byref(length),
                None,
            )
        finally:
            self._calls.CloseHandle(handle)
        # Type of device, number, partition: a number means a disk only among devices of one type.
        return told[0] << 32 | told[1] if done else None

    def label(self, root: str) -> str:
        text = ctypes.create_unicode_buffer(261)
        done = self._calls.GetVolumeInformationW(
            ctypes.c_wchar_p(root), text, len(text), None, None, None, None, 0
        )
        return text.value if done else ""

    def size(self, root: str) -> int:
        try:
            return shutil.disk_usage(root).total
        except OSError:
            return 0

    def own_root(self) -> str:
        return os.environ.get("SystemDrive", "C:") + "\\"  # noqa: SIM112 - its name on Windows


def windows_medium(point: Path, system: System | None = None) -> Medium:
    """What is under a drive's root; a card mounted into a folder is not known."""
    asked = system if system is not None else Kernel32()
    root = str(point)
    if not (len(root) == 3 and root[1:] == ":\\"):
        return Medium(kind="unknown", why="not the root of a drive: name the card by its drive letter")
    label, size = clean(asked.label(root), limit=40), asked.size(root)
    disk, own = asked.disk(root), asked.own_root()
    if root.upper() == own.upper() or (disk is not None and disk == asked.disk(own)):
        return Medium(kind="system", why="the system runs from the same disk", label=label, size=size)
    kind = asked.drive_type(root)
    if kind == REMOVABLE:
        return Medium(kind="removable", why="the system calls it removable", label=label, size=size)
    if kind == FIXED and disk is not None:
        return Medium(kind="fixed", why="the system calls it fixed", label=label, size=size)
    if kind == FIXED:
        why = "the system calls it fixed, and does not tell whether its own disk is another"
        return Medium(kind="unknown", why=why, label=label, size=size)
    others = {REMOTE: "a network drive", OPTICAL: "an optical drive", RAM_DISK: "a RAM disk"}
    return Medium(kind="unknown", why=others.get(kind, "the system does not tell what it is"), label=label)
