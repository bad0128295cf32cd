"""A real FAT32 card as an image file, made by file writes alone: it works wherever Python does.

Source of the layout: Microsoft FAT specification (30 August 2005), sections 3 to 6; of the partition table:
UEFI specification 2.10, section 5.2. Only what holds data is written, so the file stays sparse where the
file system allows it.
"""

from __future__ import annotations

import os
import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from preflight.errors import DeviceError

SECTOR = 512
PARTITION_START = 2048
"""First sector of the partition: one MiB in, as cards come from the shop. Common practice, no source."""
RESERVED, FSINFO, BACKUP, FATS, ROOT_CLUSTER = 32, 1, 6, 2, 2
FEWEST_CLUSTERS = 65525
"""Below this count a volume is FAT16, whatever its boot sector says."""
END_OF_CHAIN = 0x0FFFFFFF
ENTRY = 32

_SHORT_NAME = re.compile(r"([A-Z0-9_~-]{1,8})(?:\.([A-Z0-9_~-]{1,3}))?")
_LABEL = re.compile(r"[A-Z0-9_ -]{1,11}")
_MIB = 1024 * 1024


@dataclass(frozen=True, kw_only=True)
class CardImage:
    """What was made: sizes in bytes, `start` where the volume begins in the file, `free` its free bytes."""

    path: Path
    size: int
    start: int
    cluster_size: int
    clusters: int
    free: int


@dataclass(frozen=True)
class _Plan:
    """Where everything lies, in sectors from the volume's start; `chains` are runs of clusters."""

    sectors: int
    per_cluster: int
    fat_sectors: int
    clusters: int
    chains: tuple[range, ...]

    @property
    def used(self) -> int:
        return sum(len(chain) for chain in self.chains)

    def offset(self, cluster: int) -> int:
        """Bytes from the volume's start to a cluster."""
        data = RESERVED + FATS * self.fat_sectors
        return (data + (cluster - 2) * self.per_cluster) * SECTOR


def make_card(
    path: Path,
    *,
    size: int,
    label: str,
    serial: int,
    files: Mapping[str, bytes],
    written: datetime,
    partitioned: bool = True,
) -> CardImage:
    """Make a card image of `size` bytes at `path`, replacing what is there.

    `files` go into the root folder under their short names (capitals, 8.3), stamped with `written` (local
    time, 1980 to 2107); `serial` is the volume's 32-bit number. Raises ValueError for a label, name, size or
    time that FAT32 can't hold, `DeviceError` where the file can't be written.
    """
    if not _LABEL.fullmatch(label):
        raise ValueError(f"not a volume label: {label!r}")
    start = PARTITION_START if partitioned else 0
    plan = _plan(size // SECTOR - start, files)
    folder = _folder(label, files, plan, written)
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as image:
            image.truncate(size)
            if partitioned:
                image.write(_partition_table(plan, serial))
            _write_volume(image, start, plan, _boot_sector(plan, start, label, serial))
            contents = (folder, *(data for data in files.values() if data))
            for chain, content in zip(plan.chains, contents, strict=True):
                image.seek(start * SECTOR + plan.offset(chain.start))
                image.write(content)
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise DeviceError(f"{path}: the card image can't be written: {error.strerror or error}") from error
    cluster_size = plan.per_cluster * SECTOR
    return CardImage(
        path=path,
        size=size,
        start=start * SECTOR,
        cluster_size=cluster_size,
        clusters=plan.clusters,
        free=(plan.clusters - plan.used) * cluster_size,
    )


def _plan(sectors: int, files: Mapping[str, bytes]) -> _Plan:
    per_cluster = _sectors_per_cluster(sectors * SECTOR)
    # Section 3.5: the size of one FAT that surely covers the clusters left beside both.
    fat_sectors = -(-(sectors - RESERVED) // ((256 * per_cluster + FATS) // 2))
    clusters = (sectors - RESERVED - FATS * fat_sectors) // per_cluster
    if clusters < FEWEST_CLUSTERS:
        raise ValueError(f"{sectors} sectors make {clusters} clusters: too few for FAT32")
    lengths = [(len(files) + 1) * ENTRY, *(len(data) for data in files.values() if data)]
    chains, free = [], ROOT_CLUSTER
    for length in lengths:
        count = -(-length // (per_cluster * SECTOR))
        chains.append(range(free, free + count))
        free += count
    if free > clusters + 2:
        raise ValueError("the files do not fit on the card")
    return _Plan(sectors, per_cluster, fat_sectors, clusters, tuple(chains))


def _sectors_per_cluster(size: int) -> int:
    """The specification's own choice for 512-byte sectors (section 3.5, DskTableFAT32)."""
    for most, sectors in ((260, 1), (8 * 1024, 8), (16 * 1024, 16), (32 * 1024, 32)):
        if size <= most * _MIB:
            return sectors
    return 64


def _boot_sector(plan: _Plan, hidden: int, label: str, serial: int) -> bytes:
    sector = bytearray(SECTOR)
    struct.pack_into(
        "<3s8sHBHBHHBHHHIIIHHIHH",
        sector,
        0,
        b"\xeb\x58\x90",  # jump over this block
        b"PRACTICE",
        SECTOR,
        plan.per_cluster,
        RESERVED,
        FATS,
        0,  # root entries: FAT32 keeps the root folder in clusters
        0,  # 16-bit count of sectors
        0xF8,  # a fixed disk, as cards are
        0,  # 16-bit sectors per FAT
        63,
        255,
        hidden,
        plan.sectors,
        plan.fat_sectors,
        0,  # both FATs are kept alike
        0,
        ROOT_CLUSTER,
        FSINFO,
        BACKUP,
    )
    struct.pack_into("<BBBI11s8s", sector, 64, 0x80, 0, 0x29, serial, label.encode().ljust(11), b"FAT32   ")
    sector[90:93] = b"\xf4\xeb\xfd"  # halt: nothing here starts a computer
    sector[510:512] = b"\x55\xaa"
    return bytes(sector)


def _fsinfo(plan: _Plan) -> bytes:
    sector = bytearray(SECTOR)
    struct.pack_into("<I", sector, 0, 0x41615252)
    free, following = plan.clusters - plan.used, plan.chains[-1].stop
    struct.pack_into("<III", sector, 484, 0x61417272, free, following if free else 0xFFFFFFFF)
    struct.pack_into("<I", sector, 508, 0xAA550000)
    return bytes(sector)


def _table(plan: _Plan) -> bytes:
    """The beginning of a FAT up to the last cluster in use; what follows is zero, free."""
    entries = [0x0FFFFFF8, END_OF_CHAIN]
    for chain in plan.chains:
        entries += [*range(chain.start + 1, chain.stop), END_OF_CHAIN]
    return struct.pack(f"<{len(entries)}I", *entries)


def _write_volume(image: BinaryIO, start: int, plan: _Plan, boot: bytes) -> None:
    fsinfo, table = _fsinfo(plan), _table(plan)
    for sector, data in (
        (0, boot),
        (FSINFO, fsinfo),
        (BACKUP, boot),
        (BACKUP + FSINFO, fsinfo),
        (RESERVED, table),
        (RESERVED + plan.fat_sectors, table),
    ):
        image.seek((start + sector) * SECTOR)
        image.write(data)


def _folder(label: str, files: Mapping[str, bytes], plan: _Plan, written: datetime) -> bytes:
    stamp = _stamp(written)
    chains = iter(plan.chains[1:])
    entries = [_entry(label.encode().ljust(11), 0x08, stamp, 0, 0)]
    for name, data in files.items():
        short = _SHORT_NAME.fullmatch(name)
        if short is None:
            raise ValueError(f"not a short file name: {name!r}")
        first = next(chains).start if data else 0
        raw = short[1].ljust(8) + (short[2] or "").ljust(3)
        entries.append(_entry(raw.encode(), 0x20, stamp, first, len(data)))
    return b"".join(entries)


def _entry(name: bytes, attributes: int, stamp: tuple[int, int], first: int, size: int) -> bytes:
    time, date = stamp
    return struct.pack(
        "<11sBBBHHHHHHHI",
        name,
        attributes,
        0,
        0,
        time,
        date,
        date,
        first >> 16,
        time,
        date,
        first & 0xFFFF,
        size,
    )


def _stamp(at: datetime) -> tuple[int, int]:
    if not 1980 <= at.year <= 2107:
        raise ValueError(f"FAT can't tell the year {at.year}")
    return (
        at.hour << 11 | at.minute << 5 | at.second // 2,
        at.year - 1980 << 9 | at.month << 5 | at.day,
    )


def _partition_table(plan: _Plan, serial: int) -> bytes:
    sector = bytearray(SECTOR)
    struct.pack_into("<I", sector, 440, serial)
    beyond = b"\xfe\xff\xff"  # cylinders, heads and sectors are not used: the numbers of sectors count
    # 0x0C: FAT32, addressed by sector number
    struct.pack_into("<B3sB3sII", sector, 446, 0, beyond, 0x0C, beyond, PARTITION_START, plan.sectors)
    sector[510:512] = b"\x55\xaa"
    return bytes(sector)
