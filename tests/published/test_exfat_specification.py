"""exFAT's boot sector as Microsoft's specification prints it (revision 1.00, section 3.1 and 3.4)."""

import struct
from pathlib import Path

import pytest

from preflight.devices.blocks import BadVolumeError, Blocks
from preflight.devices.exfat import ExfatVolume, read_exfat

SECTORS = 4096


def boot_region(**changes: bytes) -> bytes:
    """Main boot region of a 2 MiB volume by the offsets of table 3; `changes` by offset, as at108=b"..."."""
    boot = bytearray(512)
    boot[0:3] = b"\xeb\x76\x90"  # JumpBoot
    boot[3:11] = b"EXFAT   "  # FileSystemName
    struct.pack_into("<Q", boot, 72, SECTORS)  # VolumeLength
    struct.pack_into("<I", boot, 80, 24)  # FatOffset
    struct.pack_into("<I", boot, 84, 8)  # FatLength
    struct.pack_into("<I", boot, 88, 32)  # ClusterHeapOffset
    struct.pack_into("<I", boot, 92, (SECTORS - 32) // 8)  # ClusterCount
    struct.pack_into("<I", boot, 96, 4)  # FirstClusterOfRootDirectory
    struct.pack_into("<I", boot, 100, 0xABCD1234)  # VolumeSerialNumber
    struct.pack_into("<H", boot, 104, 0x0100)  # FileSystemRevision
    boot[108], boot[109], boot[110], boot[111] = 9, 3, 1, 0x80
    boot[112] = 0xFF  # PercentInUse: not available
    boot[510:512] = b"\x55\xaa"
    for place, value in changes.items():
        at = int(place.removeprefix("at"))
        boot[at : at + len(value)] = value
    region = bytes(boot) + (bytes(508) + b"\x00\x00\x55\xaa") * 8 + bytes(1024)
    checksum = 0  # section 3.4, figure 1
    for index, byte in enumerate(region):
        if index not in (106, 107, 112):
            checksum = ((0x80000000 if checksum & 1 else 0) + (checksum >> 1) + byte) & 0xFFFFFFFF
    return region + struct.pack("<I", checksum) * 128


def volume(folder: Path, **changes: bytes) -> ExfatVolume:
    image = folder / "card.img"
    root = (32 + 2 * 8) * 512
    label = struct.pack("<BB22s", 0x83, 4, "Möwe".encode("utf-16-le"))
    data = bytearray(SECTORS * 512)
    data[:6144] = boot_region(**changes)
    data[root : root + 24] = label
    image.write_bytes(data)
    with Blocks.open(image) as blocks:
        return read_exfat(blocks)


def test_the_fields_of_table_3(tmp_path: Path):
    found = volume(tmp_path)
    assert (found.size, found.cluster_size, found.clusters) == (SECTORS * 512, 4096, 508)
    assert found.volume_id == "ABCD-1234"
    assert found.label == "Möwe"
    assert (found.dirty, found.failed) == (False, False)


def test_volume_dirty_and_media_failure_are_one_for_trouble(tmp_path: Path):
    # Section 3.1.13: bit 1 VolumeDirty, bit 2 MediaFailure; FAT's own flags are the other way round.
    assert volume(tmp_path, at106=b"\x02").dirty
    assert volume(tmp_path, at106=b"\x04").failed
    assert not volume(tmp_path, at106=b"\x01").dirty


@pytest.mark.parametrize(
    "change",
    [
        {"at11": b"\x01"},  # MustBeZero
        {"at72": struct.pack("<Q", SECTORS + 1)},  # longer than the device
        {"at72": struct.pack("<Q", 2**63)},
        {"at80": struct.pack("<I", 23)},  # FatOffset at least 24
        {"at84": struct.pack("<I", 3)},  # too short for its clusters
        {"at84": struct.pack("<I", 0xFFFFFFFF)},
        {"at88": struct.pack("<I", 31)},  # the data inside the FAT
        {"at92": struct.pack("<I", 0xFFFFFFF5)},
        {"at92": struct.pack("<I", 509)},
        {"at96": struct.pack("<I", 1)},
        {"at96": struct.pack("<I", 510)},
        {"at104": struct.pack("<H", 0x0200)},
        {"at108": b"\x08"},
        {"at108": b"\x0d"},
        {"at109": b"\x11"},  # 9 + 17 is past 25: clusters above 32 MiB
        {"at110": b"\x00"},
        {"at110": b"\x03"},
        {"at510": b"\x00\x00"},
    ],
)
def test_values_outside_the_table_are_refused(tmp_path: Path, change: dict[str, bytes]):
    with pytest.raises(BadVolumeError):
        volume(tmp_path, **change)


def test_a_wrong_boot_checksum_is_refused_but_the_three_volatile_bytes_are_free(tmp_path: Path):
    image = tmp_path / "card.img"
    data = bytearray(SECTORS * 512)
    data[:6144] = boot_region()
    for at, sound in ((106, True), (107, True), (112, True), (120, False), (6144 - 1, False), (5000, False)):
        changed = data.copy()
        changed[at] ^= 0x40
        image.write_bytes(changed)
        with Blocks.open(image) as blocks:
            if sound:
                assert read_exfat(blocks).clusters == 508
            else:
                with pytest.raises(BadVolumeError, match="checksum"):
                    read_exfat(blocks)
