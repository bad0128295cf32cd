"""What a mounted volume lies on: a card that is taken out, an image file, or a disk that is never touched.

Asked of the system, not guessed. Sources for Linux: the kernel's sysfs ABI (`removable`, `partition`,
`slaves`, `loop/backing_file`, and `device/type` of an MMC host: "SD" is a card, "MMC" is soldered in).
"""

from __future__ import annotations

import os
import re
import stat
import sys
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Literal

import msgspec

from preflight.devices.mounts import Mount, device_behind, mounts

Kind = Literal["removable", "image", "fixed", "system", "unknown"]


class Medium(msgspec.Struct, frozen=True, kw_only=True):
    """What a volume lies on, by the system's word.

    `why` is that word for people. `label` and `size` (bytes) are the volume's as the system knows them,
    "" and 0 if it doesn't.
    """

    kind: Kind
    why: str
    label: str = ""
    size: int = 0


def medium_of(mount: Mount) -> Medium:
    """What is under a mount. Never raises: what can't be asked is `unknown`."""
    if sys.platform == "linux":
        return linux_medium(mount, mounts())
    if sys.platform == "darwin":
        from preflight.devices.removable_mac import mac_medium

        return mac_medium(mount.point)
    if sys.platform == "win32":
        from preflight.devices.removable_windows import windows_medium

        return windows_medium(mount.point)
    return Medium(kind="unknown", why=f"what is removable can't be asked of {sys.platform}")


_SYSTEM_TREES = ("boot", "efi", "usr", "var", "etc", "opt", "srv", "nix", "gnu", "cdrom")
_SYSTEM_TOPS = ("home", "root", "tmp")
_LIVE_TREES = ("/run/live", "/run/initramfs", "/run/archiso")


def is_system_point(point: Path) -> bool:
    """Whether a system keeps something of its own where this is mounted (live systems among them)."""
    below = point.parts[1:]
    if not below or point.as_posix().startswith(_LIVE_TREES):
        return True
    return below[0] in _SYSTEM_TREES or (len(below) == 1 and below[0] in _SYSTEM_TOPS)


def linux_medium(
    mount: Mount,
    everything: Sequence[Mount],
    *,
    sysfs: Path = Path("/sys"),
    dev: Path = Path("/dev"),
    swaps: Path = Path("/proc/swaps"),
) -> Medium:
    """As `medium_of`, from these folders of the kernel's; `everything` is all that is mounted."""
    if is_system_point(mount.point):
        return Medium(kind="system", why="the system itself is mounted there")
    number = mount.number
    if number is None:
        behind = device_behind(mount)
        if behind is not None and behind.is_file():
            return Medium(kind="image", why="an image file served by a program", size=_length(behind))
        number = _number_of(behind)
        if number is None:
            return Medium(kind="unknown", why=f"no disk is behind it ({mount.kind})")
    disks = disks_of(sysfs, number)
    if not disks:
        return Medium(kind="unknown", why="the kernel does not tell which disk it is on")
    label, size = label_of(dev, number), _size(sysfs, number)
    if disks & system_disks(sysfs, everything, swaps):
        return Medium(kind="system", why="the system runs from the same disk", label=label, size=size)
    kind, why = min((asked_of(sysfs, disk) for disk in disks), key=lambda told: _SAFEST.index(told[0]))
    return Medium(kind=kind, why=why, label=label, size=size)


_SAFEST: tuple[Kind, ...] = ("unknown", "fixed", "image", "removable")
"""Of several disks under one volume, the first of these counts."""


def asked_of(sysfs: Path, disk: str) -> tuple[Kind, str]:
    """What the kernel says that a whole disk is, and its word for people."""
    here = sysfs / "block" / disk
    if (here / "loop").is_dir():
        backing = Path(text_of(here / "loop/backing_file"))
        if backing.is_file():
            return "image", "an image file on a loop device"
        return "unknown", "a loop device, and the file behind it is not known"
    if text_of(here / "removable") == "1":
        return "removable", "the system calls it removable"
    kind = text_of(here / "device/type")
    if kind == "SD":
        return "removable", "an SD card, by its host controller's word"
    if not here.is_dir():
        return "unknown", "the kernel does not tell anything of its disk"
    if kind == "MMC":
        return "fixed", "memory that is soldered in (MMC)"
    if re.search(r"/usb\d+/", here.resolve().as_posix()):
        return "fixed", "a USB disk that calls itself fixed"
    return "fixed", "the system calls it fixed"


def disks_of(sysfs: Path, number: int) -> frozenset[str]:
    """Names of the whole disks that a block device lies on, through partitions and mapped devices."""
    found: set[str] = set()
    waiting, seen = [sysfs / "dev/block" / f"{os.major(number)}:{os.minor(number)}"], set[Path]()
    while waiting:
        here = waiting.pop().resolve()
        if here in seen or not here.is_dir():
            continue
        seen.add(here)
        if (here / "partition").exists():
            waiting.append(here.parent)
        elif parts := tuple((here / "slaves").glob("*")):
            waiting += parts
        else:
            found.add(here.name)
    return frozenset(found)


def system_disks(sysfs: Path, everything: Sequence[Mount], swaps: Path) -> set[str]:
    """Names of the whole disks that the system runs from."""
    numbers = set(_swap_numbers(swaps))
    numbers |= numbers_of(mount for mount in everything if is_system_point(mount.point))
    return {disk for number in numbers for disk in disks_of(sysfs, number)}


def numbers_of(some: Iterable[Mount]) -> set[int]:
    """Device numbers of what is mounted, also of what a program serves."""
    numbers = (m.number if m.number is not None else _number_of(device_behind(m)) for m in some)
    return {number for number in numbers if number is not None}


def _swap_numbers(swaps: Path) -> Iterator[int]:
    for line in text_of(swaps).splitlines()[1:]:
        path = Path(re.sub(r"\\([0-7]{3})", lambda octal: chr(int(octal[1], 8)), line.split()[0]))
        number = _number_of(path)
        if number is not None:
            yield number


def _number_of(path: Path | None) -> int | None:
    """The device number of a block device, or of the device that a swap file lies on."""
    if path is None:
        return None
    try:
        info = path.stat()
    except OSError:
        return None
    if stat.S_ISBLK(info.st_mode):
        return info.st_rdev
    return info.st_dev if stat.S_ISREG(info.st_mode) else None


def label_of(dev: Path, number: int) -> str:
    """The label of the volume on a block device, "" where the system knows none."""
    try:
        links = sorted((dev / "disk/by-label").iterdir())
    except OSError:
        return ""
    for link in links:
        if _number_of(link) == number:
            return re.sub(r"\\x([0-9a-f]{2})", lambda code: chr(int(code[1], 16)), link.name)
    return ""


def _size(sysfs: Path, number: int) -> int:
    text = text_of(sysfs / "dev/block" / f"{os.major(number)}:{os.minor(number)}" / "size")
    return int(text) * 512 if text.isdigit() else 0


def _length(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def text_of(path: Path) -> str:
    """What a file of the kernel's says, "" where it can't be read."""
    try:
        return path.read_text(errors="surrogateescape").strip()
    except OSError:
        return ""
