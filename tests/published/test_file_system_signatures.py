"""Where published specifications put the signature of each file system that a card may turn up with."""

import struct
from pathlib import Path

import pytest

from preflight.devices.blocks import Blocks
from preflight.devices.foreign import foreign_name

# (place, bytes, name, source)
SIGNATURES = [
    (3, b"NTFS    ", "NTFS", "Microsoft, NTFS boot sector: OEM ID at 0x03"),
    (3, b"ReFS\0\0\0\0", "ReFS", "Microsoft, file system recognition: name at 0x03"),
    (3, b"-FVE-FS-", "BitLocker", "from memory"),
    (
        0,
        b"LUKS\xba\xbe",
        "LUKS (encrypted)",
        "LUKS1 on-disk format specification, header: magic",
    ),
    (0, b"XFSB", "XFS", "kernel documentation, XFS superblock: sb_magicnum 0x58465342, big-endian"),
    (32, b"NXSB", "APFS", "Apple File System Reference, nx_superblock_t: nx_magic after the 32-byte header"),
    (1024, b"H+\0\x04", "HFS Plus", "Apple TN1150, volume header at 1024: signature 'H+', version 4"),
    (1024, b"HX\0\x05", "HFS Plus", "Apple TN1150, HFSX: signature 'HX', version 5"),
    (1024, struct.pack("<I", 0xF2F52010), "F2FS", "kernel, f2fs_fs.h: F2FS_SUPER_MAGIC, superblock at 1024"),
    (65600, b"_BHRfS_M", "Btrfs", "kernel documentation, Btrfs superblock at 64 KiB: magic at 0x40"),
    (32769, b"CD001", "ISO 9660", "ECMA-119, 8.1.2: standard identifier in the descriptor at sector 16"),
    (32768 + 2048 + 1, b"NSR02", "UDF", "ECMA-167, 3/9.1: volume recognition sequence from byte 32768"),
    (32768 + 2 * 2048 + 1, b"NSR03", "UDF", "ECMA-167 third edition, 3/9.1"),
]


def named(tmp_path: Path, *written: tuple[int, bytes], size: int = 1 << 17) -> str | None:
    image = tmp_path / "card.img"
    data = bytearray(size)
    for at, raw in written:
        data[at : at + len(raw)] = raw
    image.write_bytes(data[:size])
    with Blocks.open(image) as blocks:
        return foreign_name(blocks)


@pytest.mark.parametrize(("at", "raw", "name", "source"), SIGNATURES)
def test_a_signature_names_its_file_system(tmp_path: Path, at: int, raw: bytes, name: str, source: str):
    assert source
    assert named(tmp_path, (at, raw)) == name
    assert named(tmp_path, (at + 1, raw)) is None
    # Cut off before its end it is nothing.
    assert named(tmp_path, (at, raw), size=at + len(raw) - 1) is None


@pytest.mark.parametrize(
    ("compatible", "incompatible", "name"),
    [(0, 0x2, "ext2"), (0x4, 0x2, "ext3"), (0x4, 0x42, "ext4"), (0, 0x40, "ext4")],
)
def test_ext_is_told_by_its_features(tmp_path: Path, compatible: int, incompatible: int, name: str):
    """Kernel documentation, ext4 superblock: magic 0xEF53 at 0x38, has_journal 0x4, extents 0x40."""
    superblock = bytearray(1024)
    struct.pack_into("<H", superblock, 0x38, 0xEF53)
    struct.pack_into("<II", superblock, 0x5C, compatible, incompatible)
    assert named(tmp_path, (1024, bytes(superblock))) == name


def test_a_bridge_disc_is_udf_and_nothing_is_nothing(tmp_path: Path):
    assert named(tmp_path, (32769, b"CD001"), (32768 + 3 * 2048 + 1, b"NSR02")) == "UDF"
    assert named(tmp_path) is None
    assert named(tmp_path, size=512) is None
