"""exFAT, recognised and named: so that a crew learns that their logger can't read it.

Source: Microsoft exFAT file system specification, revision 1.00, sections 3.1 and 3.4. Free space is left to
the system that has it mounted.
"""

from __future__ import annotations

import struct

import msgspec

from preflight.devices.blocks import SECTOR, BadVolumeError, Blocks

_LABEL_ENTRY = 0x83
_LOOKED_AT = 1 << 16


class ExfatVolume(msgspec.Struct, frozen=True, kw_only=True):
    """What the boot sector of an exFAT volume says; sizes in bytes.

    `dirty` and `failed` are VolumeDirty and MediaFailure, 1 being trouble (FAT's flags are the other way
    round).
    """

    size: int
    cluster_size: int
    clusters: int
    volume_id: str
    label: str
    dirty: bool
    failed: bool
    boot: bytes


def looks_like_exfat(boot: bytes) -> bool:
    """Whether a sector is meant as an exFAT boot sector, sound or not."""
    return boot[:3] == b"\xeb\x76\x90" and boot[3:11] == b"EXFAT   "


def read_exfat(blocks: Blocks) -> ExfatVolume:
    """The exFAT volume at the start of `blocks`; `BadVolumeError` unless its fields hold together."""
    boot = blocks.read(0, SECTOR)
    if not looks_like_exfat(boot) or boot[510:512] != b"\x55\xaa":
        raise BadVolumeError("the boot sector is not that of an exFAT volume")
    _, sectors, fat_start, fat_sectors, heap, clusters, root, serial, revision, flags = struct.unpack_from(
        "<QQIIIIIIHH", boot, 64
    )
    sector_shift, cluster_shift, fats = boot[108], boot[109], boot[110]
    _must(not any(boot[11:64]), "field that must be zero")
    _must(9 <= sector_shift <= 12, "sector size")
    _must(cluster_shift <= 25 - sector_shift, "cluster size")
    _must(fats in (1, 2), "number of FATs")
    _must(revision >> 8 == 1, "revision")
    sector, cluster = 1 << sector_shift, 1 << sector_shift + cluster_shift
    _must((1 << 20) <= sectors * sector <= blocks.size, "length")
    _must(fat_start >= 24, "place of the FAT")
    _must(fat_sectors * sector >= (clusters + 2) * 4, "length of the FAT")
    _must(fat_start + fat_sectors * fats <= heap < sectors, "start of the data")
    _must(0 < clusters <= (sectors - heap) >> cluster_shift, "count of clusters")
    _must(2 <= root <= clusters + 1, "first cluster of the root folder")
    _must(_checksum_holds(blocks, sector), "checksum")
    place = heap * sector + (root - 2) * cluster
    return ExfatVolume(
        size=sectors * sector,
        cluster_size=cluster,
        clusters=clusters,
        volume_id=f"{serial >> 16:04X}-{serial & 0xFFFF:04X}",
        label=_label(blocks.read(place, min(cluster, _LOOKED_AT))),
        dirty=bool(flags & 0x02),
        failed=bool(flags & 0x04),
        boot=boot,
    )


def _checksum_holds(blocks: Blocks, sector: int) -> bool:
    """Section 3.4: over sectors 0 to 10 without VolumeFlags and PercentInUse, repeated through sector 11."""
    region = blocks.read(0, 12 * sector)
    total = 0
    for place, byte in enumerate(region[: 11 * sector]):
        if place not in (106, 107, 112):
            total = ((total >> 1 | (total & 1) << 31) + byte) & 0xFFFFFFFF
    return region[11 * sector :] == struct.pack("<I", total) * (sector // 4)


def _label(folder: bytes) -> str:
    for at in range(0, len(folder), 32):
        if folder[at] == 0:
            break
        if folder[at] == _LABEL_ENTRY:
            return folder[at + 2 : at + 2 + 2 * min(folder[at + 1], 11)].decode("utf-16-le", "replace")
    return ""


def _must(holds: bool, field: str) -> None:
    if not holds:
        raise BadVolumeError(f"the exFAT boot sector's {field} can't be right")
