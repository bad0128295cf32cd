"""Other file systems, known by their signatures and named: no logger reads them, and a crew is told which.

Sources: ext2 to ext4, XFS, F2FS and Btrfs by the kernel's documentation of their superblocks; NTFS and ReFS
by Microsoft's of their boot sectors; HFS Plus by Apple's TN1150, APFS by the Apple File System Reference;
ISO 9660 by ECMA-119, UDF by ECMA-167; LUKS by its on-disk format specification; BitLocker from memory.
"""

from __future__ import annotations

import struct

from preflight.devices.blocks import Blocks

_SIGNATURES: tuple[tuple[int, bytes, str], ...] = (
    (3, b"NTFS    ", "NTFS"),
    (3, b"ReFS\0\0\0\0", "ReFS"),
    (3, b"-FVE-FS-", "BitLocker"),
    (0, b"LUKS\xba\xbe", "LUKS (encrypted)"),
    (0, b"XFSB", "XFS"),
    (32, b"NXSB", "APFS"),
    (1024, b"H+\0\x04", "HFS Plus"),
    (1024, b"HX\0\x05", "HFS Plus"),
    (1024, b"\x10\x20\xf5\xf2", "F2FS"),
    (65536 + 64, b"_BHRfS_M", "Btrfs"),
)
_EXT_SUPERBLOCK = 1024
_JOURNAL, _EXTENTS = 0x0004, 0x0040
_DESCRIPTORS, _DESCRIPTOR, _LOOKED_AT = 32768, 2048, 16


def foreign_name(blocks: Blocks) -> str | None:
    """The name of the file system at the start of `blocks`, None if it is none of those known here.

    FAT and exFAT are not looked for. Raises `DeviceError` where the device fails.
    """
    for at, signature, name in _SIGNATURES:
        if _bytes(blocks, at, len(signature)) == signature:
            return name
    return _ext(blocks) or _optical(blocks)


def _ext(blocks: Blocks) -> str | None:
    found = _bytes(blocks, _EXT_SUPERBLOCK, 0x64)
    if len(found) < 0x64 or found[0x38:0x3A] != b"\x53\xef":
        return None
    compatible, incompatible = struct.unpack_from("<II", found, 0x5C)
    if incompatible & _EXTENTS:
        return "ext4"
    return "ext3" if compatible & _JOURNAL else "ext2"


def _optical(blocks: Blocks) -> str | None:
    """UDF where its descriptor is among the first ones, else ISO 9660 where one of that is."""
    found = {_bytes(blocks, _DESCRIPTORS + n * _DESCRIPTOR + 1, 5) for n in range(_LOOKED_AT)}
    if found & {b"NSR02", b"NSR03"}:
        return "UDF"
    return "ISO 9660" if b"CD001" in found else None


def _bytes(blocks: Blocks, at: int, length: int) -> bytes:
    return blocks.read(at, length) if at + length <= blocks.size else b""
