"""The card's volume, however it is named: image file, block device or mount point.

With the right to, the raw device is read; without it, or where the device isn't known, the system's own
totals are taken and `not_read` says what that leaves open.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from types import TracebackType

from preflight.clean import clean
from preflight.devices.blocks import SECTOR, BadVolumeError, Blocks, GoneError, NoRightError
from preflight.devices.exfat import ExfatVolume, read_exfat
from preflight.devices.fat import FatVolume
from preflight.devices.foreign import foreign_name
from preflight.devices.mounts import (
    Mount,
    Totals,
    device_behind,
    locked,
    mount_at,
    mount_of,
    system_totals,
)
from preflight.devices.partition import Layout, Partition, read_partitions

# Common practice, no source: the type bytes that formatters write for each file system.
MBR_CODES: dict[str, tuple[int, ...]] = {
    "FAT12": (0x01,),
    "FAT16": (0x04, 0x06, 0x0E),
    "FAT32": (0x0B, 0x0C),
    "exFAT": (0x07,),
}
_KERNEL_NAMES = {"exfat": "exFAT"}
_UNSAID = ("vfat", "msdos", "msdosfs", "fat", "fat32")


class Volume:
    """An opened volume; a context manager.

    `content` is what was read from the device itself; None if it could not be, and then `not_read` says
    why and `totals` are the system's figures. `fs_type` is None where not even the system knows it. `mount`
    is where it is mounted, if anywhere. `capacity` is the size in bytes of the whole device or image, 0 if
    unknown.
    """

    def __init__(
        self,
        path: Path,
        *,
        content: FatVolume | ExfatVolume | None = None,
        blocks: Blocks | None = None,
        mount: Mount | None = None,
        totals: Totals | None = None,
        not_read: str = "",
        remarks: tuple[str, ...] = (),
    ) -> None:
        self.path = path
        self.content = content
        self.mount = mount
        self.totals = totals
        self.not_read = not_read
        self.remarks = remarks
        self.capacity = blocks.size if blocks is not None else 0
        self._blocks = blocks

    @property
    def fs_type(self) -> str | None:
        if isinstance(self.content, FatVolume):
            return self.content.type
        if isinstance(self.content, ExfatVolume):
            return "exFAT"
        return _system_type(self.mount)

    @property
    def identity(self) -> str | None:
        """Tells this card from another: volume id and size. None where the volume itself was not read."""
        if self.content is None:
            return None
        known = self.content.layout if isinstance(self.content, FatVolume) else self.content
        return f"{known.volume_id or 'no id'} {known.size} B"

    @property
    def size(self) -> int | None:
        """Bytes of the whole volume."""
        if self.content is not None:
            return self.content.size
        return self.totals.size if self.totals is not None else None

    @property
    def cluster_size(self) -> int | None:
        """Bytes that a file grows by."""
        if isinstance(self.content, FatVolume):
            return self.content.layout.cluster_size
        if self.content is not None:
            return self.content.cluster_size
        return (self.totals.cluster_size or None) if self.totals is not None else None

    @property
    def clusters(self) -> int | None:
        if isinstance(self.content, FatVolume):
            return self.content.layout.clusters
        return self.content.clusters if self.content is not None else None

    @property
    def label(self) -> str:
        """The label as printable text, "" for none."""
        return clean(self.content.label, limit=22) if self.content is not None else ""

    def close(self) -> None:
        if self._blocks is not None:
            self._blocks.close()

    def __enter__(self) -> Volume:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_volume(path: Path) -> Volume:
    """Open what `[card] volume` names, read-only.

    Raises `GoneError` where no card is there (a folder that nothing is mounted on among them),
    `NoRightError` where it may not be looked at in any way, `BadVolumeError` where no sound FAT or exFAT
    volume is on it, `DeviceError` for the rest.
    """
    if _is_folder(path):
        mount = mount_at(path)
        if mount is None:
            raise GoneError(
                f"No card is mounted at {clean(str(path))}, a plain folder on this machine's own disk: "
                "put the card in the reader and wait until it is mounted, or correct volume in [card]"
            )
        return _open_mounted(mount)
    blocks = Blocks.open(path)
    try:
        mount = mount_of(path)
        content, remarks = _read(blocks)
        return _volume(path, blocks, content, remarks, mount)
    except BaseException:
        blocks.close()
        raise


def _is_folder(path: Path) -> bool:
    try:
        return stat.S_ISDIR(os.stat(path).st_mode)
    except PermissionError as error:
        raise NoRightError(f"no right to look at {clean(str(path))}") from error
    except (OSError, ValueError):
        return False  # opening it says what is wrong


def _open_mounted(mount: Mount) -> Volume:
    device = device_behind(mount)
    if device is None:
        source = clean(mount.source, limit=80)
        return _by_system(mount, f"the device behind {clean(str(mount.point))} is not known ({source})")
    try:
        blocks = Blocks.open(device)
    except NoRightError as error:
        return _by_system(mount, str(error))
    try:
        content, remarks = _read(blocks)
        return _volume(device, blocks, content, remarks, mount)
    except BaseException:
        blocks.close()
        raise


def _by_system(mount: Mount, why: str) -> Volume:
    totals = system_totals(mount)
    figures = (
        "type and free space are the system's own figures" if totals else "the system reports no size either"
    )
    return Volume(
        mount.point,
        mount=mount,
        totals=totals,
        not_read=f"the file allocation table was not read: {why}; {figures}",
        remarks=_mount_remarks(mount, None),
    )


def _volume(
    device: Path,
    blocks: Blocks,
    content: FatVolume | ExfatVolume,
    remarks: tuple[str, ...],
    mount: Mount | None,
) -> Volume:
    totals = system_totals(mount) if mount is not None and isinstance(content, ExfatVolume) else None
    return Volume(
        device,
        content=content,
        blocks=blocks,
        mount=mount,
        totals=totals,
        remarks=remarks + _mount_remarks(mount, device),
    )


def _read(blocks: Blocks) -> tuple[FatVolume | ExfatVolume, tuple[str, ...]]:
    layout = read_partitions(blocks)
    shown = clean(str(blocks.path))
    if not layout.volumes:
        raise _no_volume(blocks, layout)
    chosen = layout.volumes[0]
    here = blocks.part(chosen.start, chosen.size)
    try:
        content = FatVolume(here) if chosen.kind == "FAT" else read_exfat(here)
    except BadVolumeError as error:
        # Some have a boot sector that begins as FAT's does.
        name = foreign_name(here)
        if name is not None:
            raise _foreign(here, name) from error
        bad = _bad(f"{shown}: {error}", here)
        bad.damaged = True
        raise bad from error
    kind = content.type if isinstance(content, FatVolume) else "exFAT"
    return content, layout.remarks + _partition_remarks(layout, chosen, kind)


def _no_volume(blocks: Blocks, layout: Layout) -> BadVolumeError:
    """What to say of a card without FAT or exFAT, with the name of what is there instead."""
    shown = clean(str(blocks.path))
    name = foreign_name(blocks)
    for partition in layout.partitions:
        name = name or foreign_name(blocks.part(partition.start, partition.size))
    if name is not None:
        return _foreign(blocks, name)
    said = "".join(f". {remark}" for remark in layout.remarks)
    return _bad(f"{shown} holds no FAT or exFAT volume: format the card for the logger{said}", blocks)


def _foreign(blocks: Blocks, name: str) -> BadVolumeError:
    shown = clean(str(blocks.path))
    error = _bad(f"{shown} holds {name}, which no logger reads: format the card for the logger", blocks)
    error.found = name
    return error


def _bad(why: str, blocks: Blocks) -> BadVolumeError:
    error = BadVolumeError(why)
    error.judged = blocks.read(0, min(SECTOR, blocks.size))
    return error


def _partition_remarks(layout: Layout, chosen: Partition, kind: str) -> tuple[str, ...]:
    remarks: list[str] = []
    if len(layout.volumes) > 1:
        numbers = ", ".join(str(p.number) for p in layout.volumes)
        remarks.append(
            f"Partitions {numbers} each hold a volume; number {chosen.number} was judged: "
            "make sure that the logger uses the same one"
        )
    elif chosen.number > 1:
        remarks.append(
            f"The volume is in partition {chosen.number}, not the first: make sure that the logger finds it"
        )
    if layout.scheme == "GPT":
        remarks.append("The partition table is a GPT: make sure that the logger reads one, or use an MBR")
    if chosen.code is not None and chosen.code not in MBR_CODES[kind]:
        remarks.append(
            f"The partition table marks the volume 0x{chosen.code:02X}, which is not {kind}: "
            "a logger that goes by the mark will not read it"
        )
    return tuple(remarks)


def _mount_remarks(mount: Mount | None, device: Path | None) -> tuple[str, ...]:
    remarks: list[str] = []
    if device is not None and locked(device):
        shown = clean(str(device))
        remarks.append(
            f"{shown} is write-protected: move the slide on the card before it goes into the logger"
        )
    if mount is not None:
        point = clean(str(mount.point))
        if mount.read_only:
            remarks.append(
                f"It is mounted read-only at {point}: by choice, by the card's slide, "
                "or because the system met an error on it"
            )
        remarks.append(f"It is mounted at {point}: unmount it before the card is taken out")
    return tuple(remarks)


def _system_type(mount: Mount | None) -> str | None:
    """The type by the system's word; None where that word leaves it open."""
    if mount is None or mount.through_fuse or mount.kind in _UNSAID:
        return None
    return _KERNEL_NAMES.get(mount.kind, clean(mount.kind, limit=40))
