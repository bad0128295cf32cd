"""Where on a device a volume starts: no partition table, an MBR, or a GPT.

Sources: the MBR as in UEFI specification 2.10, section 5.2; the GPT as in its section 5.3.
"""

from __future__ import annotations

import struct
import zlib
from typing import Literal

import msgspec

from preflight.devices.blocks import SECTOR, Blocks
from preflight.devices.exfat import looks_like_exfat
from preflight.devices.fat_boot import looks_like_fat

Scheme = Literal["none", "MBR", "GPT"]
VolumeKind = Literal["FAT", "exFAT"]

MBR_TABLE, MBR_ENTRY, MBR_ENTRIES = 446, 16, 4
PROTECTIVE = 0xEE
EXTENDED = (0x05, 0x0F, 0x85)
MOST_ENTRIES = 1024
"""GPT entries looked at; 128 are usual."""


class Partition(msgspec.Struct, frozen=True, kw_only=True):
    """One partition: `number` counts from 1, `start` and `size` are bytes and lie within the device.

    `code` is an MBR's type byte, None in a GPT. `kind` is what its first sector is meant as, None if neither
    FAT nor exFAT.
    """

    number: int
    start: int
    size: int
    code: int | None
    kind: VolumeKind | None


class Layout(msgspec.Struct, frozen=True, kw_only=True):
    """What is on a device: `partitions` is one whole-device entry numbered 0 where there is no table."""

    scheme: Scheme
    partitions: tuple[Partition, ...]
    remarks: tuple[str, ...] = ()

    @property
    def volumes(self) -> tuple[Partition, ...]:
        """The partitions that hold FAT or exFAT, in the table's order."""
        return tuple(p for p in self.partitions if p.kind is not None)


def read_partitions(blocks: Blocks) -> Layout:
    """The layout of a device or image; a device on which nothing is recognised has no partitions.

    Raises `DeviceError` where the device fails.
    """
    if blocks.size < SECTOR:
        return Layout(scheme="none", partitions=())
    first = blocks.read(0, SECTOR)
    kind = _kind(first)
    if kind is not None:
        whole = Partition(number=0, start=0, size=blocks.size, code=None, kind=kind)
        return Layout(scheme="none", partitions=(whole,))
    if first[510:512] != b"\x55\xaa":
        return Layout(scheme="none", partitions=())
    entries = [struct.unpack_from("<B3xB3xII", first, MBR_TABLE + MBR_ENTRY * n) for n in range(MBR_ENTRIES)]
    if any(status not in (0x00, 0x80) for status, *_ in entries):
        return Layout(scheme="none", partitions=())
    if any(code == PROTECTIVE for _, code, *_ in entries):
        found = _read_gpt(blocks)
        if found is not None:
            return found
    return _read_mbr(blocks, entries)


def _read_mbr(blocks: Blocks, entries: list[tuple[int, ...]]) -> Layout:
    partitions: list[Partition] = []
    remarks: list[str] = []
    for number, (_, code, start, length) in enumerate(entries, 1):
        if code in (0, PROTECTIVE):
            continue
        if code in EXTENDED:
            remarks.append(f"Partition {number} is an extended one: what is inside it was not looked at")
            continue
        _add(
            blocks, partitions, remarks, number=number, start=start * SECTOR, size=length * SECTOR, code=code
        )
    return Layout(scheme="MBR", partitions=tuple(partitions), remarks=tuple(remarks))


def _add(
    blocks: Blocks,
    partitions: list[Partition],
    remarks: list[str],
    *,
    number: int,
    start: int,
    size: int,
    code: int | None,
) -> None:
    if start < SECTOR or size < SECTOR or start + size > blocks.size:
        remarks.append(
            f"Partition {number} reaches outside the device and was not looked at: "
            "an image cut short, or a card that lies about its size"
        )
        return
    kind = _kind(blocks.read(start, SECTOR))
    partitions.append(Partition(number=number, start=start, size=size, code=code, kind=kind))


def _kind(sector: bytes) -> VolumeKind | None:
    if looks_like_exfat(sector):
        return "exFAT"
    return "FAT" if looks_like_fat(sector) else None


def _read_gpt(blocks: Blocks) -> Layout | None:
    """The GPT, from its backup at the device's end if the first one is damaged; None if both are."""
    for sector in (512, 4096):
        for place, remark in (
            (sector, ()),
            (
                (blocks.size // sector - 1) * sector,
                ("The first partition table (GPT) is damaged; its backup was read",),
            ),
        ):
            entries = _gpt_entries(blocks, place, sector)
            if entries is not None:
                return _gpt_layout(blocks, entries, sector, list(remark))
    return None


def _gpt_entries(blocks: Blocks, place: int, sector: int) -> list[bytes] | None:
    if place < sector or place + sector > blocks.size:
        return None
    header = blocks.read(place, sector)
    signature, length, checksum = struct.unpack_from("<8s4xII", header)
    if signature != b"EFI PART" or not 92 <= length <= sector:
        return None
    zeroed = header[:16] + bytes(4) + header[20:length]
    if zlib.crc32(zeroed) != checksum:
        return None
    start, count, entry_size, entries_checksum = struct.unpack_from("<QIII", header, 72)
    if not (0 < count <= MOST_ENTRIES and 128 <= entry_size <= 4096 and entry_size % 128 == 0):
        return None
    if start * sector + count * entry_size > blocks.size:
        return None
    table = blocks.read(start * sector, count * entry_size)
    if zlib.crc32(table) != entries_checksum:
        return None
    return [table[at : at + entry_size] for at in range(0, len(table), entry_size)]


def _gpt_layout(blocks: Blocks, entries: list[bytes], sector: int, remarks: list[str]) -> Layout:
    partitions: list[Partition] = []
    for number, entry in enumerate(entries, 1):
        if not any(entry[:16]):
            continue
        first, last = struct.unpack_from("<QQ", entry, 32)
        size = (last - first + 1) * sector
        _add(blocks, partitions, remarks, number=number, start=first * sector, size=size, code=None)
    return Layout(scheme="GPT", partitions=tuple(partitions), remarks=tuple(remarks))
