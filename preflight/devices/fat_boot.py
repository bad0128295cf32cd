"""The boot sector of a FAT volume: every field checked before it is believed.

Source: Microsoft FAT specification (30 August 2005), sections 3.1 to 3.5. The type follows from the count of
clusters alone; the type string in the boot sector is not looked at.
"""

from __future__ import annotations

import struct
from typing import Literal

import msgspec

from preflight.devices.blocks import SECTOR, BadVolumeError

FatType = Literal["FAT12", "FAT16", "FAT32"]

FAT12_BELOW = 4085
"""Fewer clusters than this is FAT12."""
FAT16_BELOW = 65525
"""Fewer clusters than this, and not FAT12, is FAT16; as many or more is FAT32."""
FAT32_MOST = 0x0FFFFFF5
"""Most clusters FAT32 can number: the last number, count + 1, stays below the mark for a bad cluster."""
NEAR = 16
"""The specification warns against volumes within 16 clusters of where the type changes."""

DIRECTORY_ENTRY = 32
NO_SECTOR = (0, 0xFFFF)
ENTRY_BITS: dict[str, int] = {"FAT12": 12, "FAT16": 16, "FAT32": 32}


class FatLayout(msgspec.Struct, frozen=True, kw_only=True):
    """Where everything on a FAT volume lies. Sizes in bytes, places in sectors from the volume's start.

    `clusters` is the count of data clusters (numbered from 2). `active` is the FAT that counts; `mirrored`
    says whether the other copies are kept alike. `root_cluster` is 0 where the root folder has its fixed
    place. `fsinfo` and `backup` are 0 where there are none. `boot` is the sector itself.
    """

    type: FatType
    sector_size: int
    cluster_size: int
    reserved: int
    fats: int
    fat_sectors: int
    root_entries: int
    total_sectors: int
    clusters: int
    media: int
    active: int
    mirrored: bool
    root_cluster: int
    fsinfo: int
    backup: int
    volume_id: str | None
    label: bytes
    dirty: bool
    boot: bytes

    @property
    def size(self) -> int:
        return self.total_sectors * self.sector_size

    @property
    def root_sectors(self) -> int:
        return -(-self.root_entries * DIRECTORY_ENTRY // self.sector_size)

    @property
    def root_start(self) -> int:
        """First sector of the fixed root folder, and of the data area where there is none."""
        return self.reserved + self.fats * self.fat_sectors

    @property
    def data_start(self) -> int:
        return self.root_start + self.root_sectors

    def fat_offset(self, copy: int) -> int:
        """Byte where a copy of the FAT starts."""
        return (self.reserved + copy * self.fat_sectors) * self.sector_size

    def cluster_offset(self, cluster: int) -> int:
        """Byte where a data cluster starts."""
        return self.data_start * self.sector_size + (cluster - 2) * self.cluster_size


def fat_type(clusters: int) -> FatType:
    """The type of a volume by its count of clusters, the only thing that decides it."""
    if clusters < FAT12_BELOW:
        return "FAT12"
    return "FAT16" if clusters < FAT16_BELOW else "FAT32"


def table_bytes(kind: FatType, clusters: int) -> int:
    """Bytes of one FAT that its entries fill, the two reserved ones included."""
    return -(-(clusters + 2) * ENTRY_BITS[kind] // 8)


def looks_like_fat(boot: bytes) -> bool:
    """Whether a sector is meant as a FAT boot sector, sound or not (a partition table is not)."""
    if len(boot) < SECTOR or boot[510:512] != b"\x55\xaa":
        return False
    jump = boot[0] == 0xE9 or (boot[0] == 0xEB and boot[2] == 0x90)
    (sector_size,) = struct.unpack_from("<H", boot, 11)
    return jump and sector_size in (512, 1024, 2048, 4096) and (boot[21] == 0xF0 or boot[21] >= 0xF8)


def read_boot(boot: bytes, size: int) -> FatLayout:
    """The layout that a boot sector describes, for a volume that has `size` bytes of room.

    Raises `BadVolumeError`, saying which field is wrong, unless all of it holds together.
    """
    if not looks_like_fat(boot):
        raise BadVolumeError("the boot sector is not that of a FAT volume")
    (
        sector_size,
        per_cluster,
        reserved,
        fats,
        root_entries,
        total16,
        media,
        fat16_sectors,
        _,
        _,
        _,
        total32,
        fat32_sectors,
        ext_flags,
        version,
        root_cluster,
        fsinfo,
        backup,
    ) = struct.unpack_from("<HBHBHHBHHHIIIHHIHH", boot, 11)
    wide = fat16_sectors == 0
    _must(per_cluster != 0 and per_cluster & (per_cluster - 1) == 0, "sectors per cluster", per_cluster)
    _must(reserved != 0, "reserved sectors", reserved)
    _must(1 <= fats <= 4, "number of FATs", fats)
    _must((root_entries == 0) == wide, "root folder entries", root_entries)
    _must(root_entries * DIRECTORY_ENTRY % sector_size == 0, "root folder entries", root_entries)
    _must(not (wide and total16), "16-bit sector count", total16)
    _must(not wide or version == 0, "file system version", version)
    fat_sectors = fat32_sectors if wide else fat16_sectors
    total = total16 or total32
    _must(fat_sectors != 0, "sectors per FAT", fat_sectors)
    room = size // sector_size
    if not 0 < total <= room:
        raise BadVolumeError(
            f"the boot sector claims {total} sectors, but there is room for {room}: "
            "an image cut short, a wrong partition or a card that lies about its size"
        )
    overhead = reserved + fats * fat_sectors + root_entries * DIRECTORY_ENTRY // sector_size
    clusters = (total - overhead) // per_cluster
    if total <= overhead or clusters < 1:
        raise BadVolumeError("the boot sector leaves no room for data")
    kind = fat_type(clusters)
    if wide != (kind == "FAT32"):
        raise BadVolumeError(
            f"{clusters} clusters make it {kind}, but it is laid out as "
            f"{'FAT32' if wide else 'FAT12 or FAT16'}: one system reads it as this, another as that"
        )
    _must(clusters <= FAT32_MOST, "count of clusters", clusters)
    _check_table_size(kind, clusters, fat_sectors * sector_size, per_cluster * sector_size)
    extended = 64 if wide else 36
    signed = boot[extended + 2] in (0x28, 0x29)
    layout = FatLayout(
        type=kind,
        sector_size=sector_size,
        cluster_size=per_cluster * sector_size,
        reserved=reserved,
        fats=fats,
        fat_sectors=fat_sectors,
        root_entries=root_entries,
        total_sectors=total,
        clusters=clusters,
        media=media,
        active=ext_flags & 0x0F if wide and ext_flags & 0x80 else 0,
        mirrored=not (wide and ext_flags & 0x80),
        root_cluster=root_cluster if wide else 0,
        fsinfo=fsinfo if wide and fsinfo not in NO_SECTOR else 0,
        backup=backup if wide and backup not in NO_SECTOR else 0,
        volume_id=_serial(boot[extended + 3 : extended + 7]) if signed else None,
        label=boot[extended + 7 : extended + 18] if boot[extended + 2] == 0x29 else b"",
        dirty=bool(boot[extended + 1] & 0x01),
        boot=bytes(boot[:SECTOR]),
    )
    if wide:
        _must(2 <= root_cluster <= clusters + 1, "first cluster of the root folder", root_cluster)
        _must(layout.active < fats, "active FAT", layout.active)
        _must(layout.fsinfo < reserved, "sector of FSInfo", fsinfo)
        _must(layout.backup < reserved, "sector of the backup boot sector", backup)
    return layout


def _check_table_size(kind: FatType, clusters: int, have: int, cluster_size: int) -> None:
    need = table_bytes(kind, clusters)
    if have < need:
        raise BadVolumeError(f"{clusters} clusters need a FAT of {need} bytes, but it has {have}")
    # Formatters round a FAT up by some sectors or to whole clusters. Half as long again means that cluster
    # size or sector count isn't the one that the FAT was made for.
    if have > need * 3 // 2 + cluster_size + 16 * 512:
        raise BadVolumeError(
            f"the FAT has {have} bytes, where {clusters} clusters need {need}: "
            "cluster size or sector count is not the one it was formatted with"
        )


def _must(holds: bool, field: str, value: int) -> None:
    if not holds:
        raise BadVolumeError(f"the boot sector's {field} can't be {value}")


def _serial(raw: bytes) -> str:
    (number,) = struct.unpack("<I", raw)
    return f"{number >> 16:04X}-{number & 0xFFFF:04X}"
