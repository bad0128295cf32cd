"""A FAT volume: its layout, its root folder, what FSInfo claims, and a scan of its table.

Source: Microsoft FAT specification (30 August 2005). FAT is read here by our own code; nothing is written.
"""

from __future__ import annotations

import struct
from collections.abc import Generator, Iterator

import msgspec

from preflight.devices.blocks import SECTOR, BadVolumeError, Blocks
from preflight.devices.fat_boot import DIRECTORY_ENTRY, FatLayout, FatType, read_boot
from preflight.devices.fat_table import BAD, FAT32_MASK, TableScan, scan_table

LARGEST_FOLDER = 65536 * DIRECTORY_ENTRY
"""Bytes of the longest folder."""

_UNKNOWN = 0xFFFFFFFF
_BPB = slice(11, 64)
_NAMES = 64
_LONG_NAME, _LABEL, _FOLDER = 0x0F, 0x08, 0x10


class FsInfo(msgspec.Struct, frozen=True, kw_only=True):
    """FAT32's summary sector, only advice: `free` is its count of free clusters, None if it claims none."""

    sound: bool
    free: int | None
    raw: bytes


class RootFolder(msgspec.Struct, frozen=True, kw_only=True):
    """The root folder: room for `entries`, of which `used` are taken; `broken` ones can't be right.

    An entry is broken whose first cluster is none of the volume's, is free or is another's, and one that
    stands after the folder's end. `files` counts the files, `file_bytes` adds up their lengths, and `names`
    are the short names of the first of them.
    """

    entries: int
    used: int
    broken: int
    label: bytes | None
    files: int = 0
    file_bytes: int = 0
    names: tuple[bytes, ...] = ()


class FatVolume:
    """A FAT volume read from the stretch of a device that holds it.

    Opening reads the boot sector (and its backup), FSInfo and the root folder; `scan` reads the table.
    Raises `BadVolumeError` where they contradict each other, `DeviceError` where the card fails.
    """

    def __init__(self, blocks: Blocks) -> None:
        self._blocks = blocks
        self.layout: FatLayout = read_boot(blocks.read(0, SECTOR), blocks.size)
        self.fsinfo: FsInfo | None = self._read_fsinfo()
        self.backup_differs: bool = self._compare_backup()
        self.root: RootFolder = self._read_root()

    @property
    def type(self) -> FatType:
        return self.layout.type

    @property
    def size(self) -> int:
        """Bytes of the whole volume."""
        return self.layout.size

    @property
    def label(self) -> bytes:
        """The label in the root folder; where there is none, the boot sector's."""
        label = self.root.label if self.root.label is not None else self.layout.label
        return b"" if label.startswith(b"NO NAME ") else label.rstrip(b" \0")

    @property
    def data_place(self) -> int:
        """Byte of the whole device where the data area starts."""
        return self._blocks.start + self.layout.data_start * self.layout.sector_size

    def read(self, offset: int, length: int) -> bytes:
        """Bytes of the volume; errors as `Blocks.read`."""
        return self._blocks.read(offset, length)

    def scan(self) -> Generator[float, None, TableScan]:
        """Count the table; yields the share done, returns what was found."""
        return scan_table(self._blocks, self.layout)

    def _read_fsinfo(self) -> FsInfo | None:
        if not self.layout.fsinfo:
            return None
        raw = self._blocks.read(self.layout.fsinfo * self.layout.sector_size, SECTOR)
        lead, middle, free, _, trail = struct.unpack("<I480xIII12xI", raw)
        sound = (lead, middle, trail) == (0x41615252, 0x61417272, 0xAA550000)
        return FsInfo(sound=sound, free=free if sound and free != _UNKNOWN else None, raw=raw)

    def _compare_backup(self) -> bool:
        if not self.layout.backup:
            return False
        backup = self._blocks.read(self.layout.backup * self.layout.sector_size, SECTOR)
        return backup[_BPB] != self.layout.boot[_BPB]

    def _read_root(self) -> RootFolder:
        capacity = self.layout.root_entries or LARGEST_FOLDER // DIRECTORY_ENTRY
        used = broken = files = file_bytes = 0
        names: list[bytes] = []
        label: bytes | None = None
        ended = False
        starts = {self.layout.root_cluster} - {0}
        for entry in self._root_entries():
            if ended or entry[0] == 0:
                # Section 6.1: after the first free entry that ends the folder, all names begin with 0 too. A
                # root folder of a fixed size that doesn't is read with another size than it was made with.
                broken += entry[0] != 0
                ended = True
                if not self.layout.root_entries:
                    break
                continue
            if entry[0] == 0xE5:
                continue
            used += 1
            kind = entry[11]
            if kind == _LONG_NAME:
                continue
            if kind & _LABEL and not kind & _FOLDER:
                # Section 6.2: one label, and no cluster is its own.
                broken += label is not None or entry[20:22] != b"\0\0" or entry[26:28] != b"\0\0"
                label = entry[:11] if label is None else label
                continue
            # The two highest bits of the attributes are reserved and zero.
            broken += kind >= 0x40 or not self._start_holds(entry, starts)
            if not kind & _FOLDER:
                files += 1
                file_bytes += int.from_bytes(entry[28:32], "little")
                if len(names) < _NAMES:
                    names.append(_short_name(entry))
        return RootFolder(
            entries=capacity,
            used=used,
            broken=broken,
            label=label,
            files=files,
            file_bytes=file_bytes,
            names=tuple(names),
        )

    def _start_holds(self, entry: bytes, starts: set[int]) -> bool:
        """Whether an entry's first cluster is one of the volume, in use, and nobody else's first.

        An empty file has none; a folder has one and a length of 0.
        """
        high, low, size = struct.unpack("<H4xHI", entry[20:32])
        cluster = low | high << 16 if self.type == "FAT32" else low
        if entry[11] & _FOLDER and (size or not cluster):
            return False
        if cluster == 0:
            return bool(size == 0)
        if not 2 <= cluster <= self.layout.clusters + 1 or cluster in starts:
            return False
        starts.add(cluster)
        return self.next_cluster(cluster) not in (0, BAD[self.type])

    def next_cluster(self, cluster: int) -> int:
        """The table's entry of a cluster, by the active FAT."""
        place = self.layout.fat_offset(self.layout.active)
        if self.type == "FAT32":
            (value,) = struct.unpack("<I", self._blocks.read(place + cluster * 4, 4))
            return int(value) & FAT32_MASK
        if self.type == "FAT16":
            return int.from_bytes(self._blocks.read(place + cluster * 2, 2), "little")
        pair = int.from_bytes(self._blocks.read(place + cluster * 3 // 2, 2), "little")
        return pair >> 4 if cluster & 1 else pair & 0xFFF

    def _root_entries(self) -> Iterator[bytes]:
        for part in self.root_parts():
            for at in range(0, len(part), DIRECTORY_ENTRY):
                yield part[at : at + DIRECTORY_ENTRY]

    def root_parts(self) -> Iterator[bytes]:
        """The root folder in pieces of whole entries; BadVolumeError where its chain leads nowhere."""
        layout = self.layout
        if not layout.root_cluster:
            yield self._blocks.read(
                layout.root_start * layout.sector_size, layout.root_entries * DIRECTORY_ENTRY
            )
            return
        cluster, seen = layout.root_cluster, set[int]()
        while cluster < BAD["FAT32"]:
            if not 2 <= cluster <= layout.clusters + 1 or cluster in seen:
                raise BadVolumeError(
                    "the root folder's chain of clusters is broken, leading nowhere or into itself"
                )
            if len(seen) * layout.cluster_size >= LARGEST_FOLDER:
                raise BadVolumeError("the root folder is longer than a folder can be")
            seen.add(cluster)
            yield self._blocks.read(layout.cluster_offset(cluster), layout.cluster_size)
            cluster = self.next_cluster(cluster)
        if cluster == BAD["FAT32"]:
            raise BadVolumeError("the root folder runs into a cluster marked bad")


def _short_name(entry: bytes) -> bytes:
    """A file's short name with its dot; section 6.1: 0x05 stands for a name that begins with 0xE5."""
    name, ending = entry[:8].rstrip(b" "), entry[8:11].rstrip(b" ")
    name = b"\xe5" + name[1:] if name[:1] == b"\x05" else name
    return name + b"." + ending if ending else name
