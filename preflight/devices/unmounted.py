"""Cards that are in a reader and mounted nowhere, as far as the system tells.

Only Linux is asked: macOS and Windows mount a card that is put in by themselves. Sources for Linux: the
kernel's sysfs ABI (`size` in sectors of 512 bytes, 0 for a reader without a card; `partition`; `dev`), and
`device/type` of a SCSI device: 5 is an optical drive.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

import msgspec

from preflight.devices.mounts import Mount, mounts
from preflight.devices.removable import asked_of, disks_of, label_of, numbers_of, system_disks, text_of

OPTICAL = "5"


class Unmounted(msgspec.Struct, frozen=True, kw_only=True):
    """A volume on such a card: its device, its label ("" where the system knows none), its size in bytes."""

    device: Path
    label: str
    size: int


def unmounted() -> tuple[Unmounted, ...]:
    """Volumes of cards that are mounted nowhere. Never raises, but DeviceError where mounts can't be read."""
    return linux_unmounted(mounts()) if sys.platform == "linux" else ()


def linux_unmounted(
    everything: Sequence[Mount],
    *,
    sysfs: Path = Path("/sys"),
    dev: Path = Path("/dev"),
    swaps: Path = Path("/proc/swaps"),
) -> tuple[Unmounted, ...]:
    """As `unmounted`, from these folders of the kernel's; `everything` is all that is mounted."""
    used = system_disks(sysfs, everything, swaps)
    used |= {disk for number in numbers_of(everything) for disk in disks_of(sysfs, number)}
    found = []
    for disk in sorted((sysfs / "block").glob("*")):
        if disk.name in used or asked_of(sysfs, disk.name)[0] != "removable":
            continue
        if text_of(disk / "device/type") == OPTICAL or text_of(disk / "size") in ("", "0"):
            continue
        parts = sorted(path.parent for path in disk.glob("*/partition"))
        found += [_volume(part, dev) for part in parts or [disk]]
    return tuple(found)


def _volume(here: Path, dev: Path) -> Unmounted:
    size, number = text_of(here / "size"), text_of(here / "dev").split(":")
    known = len(number) == 2 and all(part.isdigit() for part in number)
    label = label_of(dev, os.makedev(*map(int, number))) if known else ""
    return Unmounted(device=dev / here.name, label=label, size=int(size) * 512 if size.isdigit() else 0)
