"""What is mounted where, and which device or image file is behind it."""

from __future__ import annotations

import os
import re
import stat
import sys
from pathlib import Path

import msgspec

from preflight.clean import clean
from preflight.errors import DeviceError

_MOUNTINFO = Path("/proc/self/mountinfo")


class Mount(msgspec.Struct, frozen=True, kw_only=True):
    """One mounted file system. `source` is what the system says is mounted, `number` its device number."""

    point: Path
    source: str
    kind: str
    read_only: bool
    number: int | None = None

    @property
    def through_fuse(self) -> bool:
        """Whether a program, not the kernel, serves it."""
        return self.kind.startswith("fuse")


class Totals(msgspec.Struct, frozen=True, kw_only=True):
    """The system's own figures for a mounted volume, in bytes."""

    size: int
    free: int
    cluster_size: int


def mounts() -> tuple[Mount, ...]:
    """Everything mounted; where one covers another, the later one counts."""
    if sys.platform == "linux":
        try:
            lines = _MOUNTINFO.read_bytes().split(b"\n")
        except OSError as error:
            raise DeviceError(f"{_MOUNTINFO} can't be read: what is mounted is not known") from error
        return tuple(mount for line in lines if (mount := _parse(os.fsdecode(line))) is not None)
    import psutil

    return tuple(
        Mount(
            point=Path(part.mountpoint),
            source=part.device,
            kind=part.fstype.lower(),
            read_only="ro" in part.opts.split(","),
        )
        for part in psutil.disk_partitions(all=True)
    )


def _parse(line: str) -> Mount | None:
    # Fields as in proc(5): optional ones end at a lone hyphen; spaces are written as octal escapes.
    head, _, tail = line.partition(" - ")
    left, right = head.split(" "), tail.split(" ")
    if len(left) < 6 or len(right) < 3:
        return None
    major, _, minor = left[2].partition(":")
    if not (major.isdigit() and minor.isdigit()):
        return None
    return Mount(
        point=Path(_unescape(left[4])),
        source=_unescape(right[1]),
        kind=right[0],
        read_only="ro" in left[5].split(",") or "ro" in right[2].split(","),
        # Major 0 is a number made up by the kernel for what has no device.
        number=os.makedev(int(major), int(minor)) if int(major) else None,
    )


def _unescape(text: str) -> str:
    return re.sub(r"\\([0-7]{3})", lambda octal: chr(int(octal[1], 8)), text)


def mount_at(folder: Path) -> Mount | None:
    """What is mounted exactly at `folder`, None if it is a plain folder."""
    real = folder.resolve()
    return next((mount for mount in reversed(mounts()) if mount.point == real), None)


def mount_of(path: Path) -> Mount | None:
    """Where a device or image file, or a partition on it, is mounted; None if nowhere."""
    real = path.resolve()
    numbers = _numbers_on(real)
    for mount in reversed(mounts()):
        if mount.number is not None and mount.number in numbers:
            return mount
        # A relative source says nothing: it is relative to wherever the program was started.
        if mount.source.startswith("/") and Path(mount.source) == real:
            return mount
    return None


def _numbers_on(path: Path) -> set[int]:
    """Device numbers of a block device and its partitions, or of the loop devices on an image file."""
    try:
        info = path.stat()
    except OSError:
        return set()
    if stat.S_ISBLK(info.st_mode):
        here = _sysfs(info.st_rdev)
        return {info.st_rdev} | {number for part in here.glob("*/dev") if (number := _number(part))}
    return {
        number
        for backing in Path("/sys/block").glob("loop*/loop/backing_file")
        if _text(backing) == str(path)
        for dev in (backing.parent.parent / "dev", *backing.parent.parent.glob("loop*/dev"))
        if (number := _number(dev))
    }


def device_behind(mount: Mount) -> Path | None:
    """The device or image file that a mount shows, None if that can't be told."""
    named = Path(mount.source) if mount.source.startswith("/") else None
    if mount.number is None:
        # Served by a program: its word is taken if it names a file or device that exists.
        return named if named is not None and (named.is_file() or named.is_block_device()) else None
    if named is not None and _is_device(named, mount.number):
        return named
    for line in _text(_sysfs(mount.number) / "uevent").splitlines():
        if line.startswith("DEVNAME="):
            found = Path("/dev") / line.removeprefix("DEVNAME=")
            return found if _is_device(found, mount.number) else None
    return None


def locked(device: Path) -> bool:
    """Whether the system holds a block device read-only: by its slide, or a reader that can't write."""
    try:
        info = device.stat()
    except OSError:
        return False
    return stat.S_ISBLK(info.st_mode) and _text(_sysfs(info.st_rdev) / "ro") == "1"


def system_totals(mount: Mount) -> Totals | None:
    """The system's figures for a mount; None where it reports no size. `DeviceError` if it doesn't answer."""
    import psutil

    try:
        usage = psutil.disk_usage(str(mount.point))
        block = os.statvfs(mount.point).f_frsize if hasattr(os, "statvfs") else 0
    except OSError as error:
        shown = clean(str(mount.point))
        raise DeviceError(
            f"{shown} does not answer ({error.strerror}): take the card out and in again"
        ) from error
    if usage.total <= 0:
        return None
    return Totals(size=usage.total, free=usage.free, cluster_size=block)


def _sysfs(number: int) -> Path:
    return Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}")


def _is_device(path: Path, number: int) -> bool:
    try:
        info = path.stat()
    except OSError:
        return False
    return stat.S_ISBLK(info.st_mode) and info.st_rdev == number


def _text(path: Path) -> str:
    try:
        return path.read_text(errors="surrogateescape").strip()
    except OSError:
        return ""


def _number(path: Path) -> int | None:
    major, _, minor = _text(path).partition(":")
    return os.makedev(int(major), int(minor)) if major.isdigit() and minor.isdigit() else None
