"""FAT as Microsoft's specification prints it (FAT specification, 30 August 2005; fatgen103 1.03).

Boot sectors are built field by field at the offsets of sections 3.1 to 3.3, so the reader is held against
the printed layout and not against itself.
"""

import struct

import pytest

from preflight.devices.blocks import BadVolumeError
from preflight.devices.fat import LARGEST_FOLDER
from preflight.devices.fat_boot import fat_type, read_boot, table_bytes
from preflight.devices.fat_table import BAD, CLEAN, NO_ERROR
from preflight.figures.card import MAX_FAT_FILE, PLANNED_CLUSTER

ROOM = 1 << 40


def boot_sector(clusters: int, *, wide: bool, per_cluster: int = 1, sector: int = 512) -> bytes:
    """A boot sector of exactly `clusters` clusters; `wide` is the FAT32 layout of section 3.3."""
    boot = bytearray(512)
    reserved, fats, root = (32, 2, 0) if wide else (1, 2, 512)
    entry = 4 if wide else 2
    fat = (
        -(-(clusters + 2) * entry // sector)
        if wide or clusters >= 4085
        else -(-(clusters + 2) * 3 // 2 // sector)
    )
    total = reserved + fats * fat + root * 32 // sector + clusters * per_cluster
    boot[0:3] = b"\xeb\x3c\x90"
    boot[3:11] = b"OUTSIDE "
    struct.pack_into("<H", boot, 11, sector)  # BPB_BytsPerSec
    boot[13] = per_cluster  # BPB_SecPerClus
    struct.pack_into("<H", boot, 14, reserved)  # BPB_RsvdSecCnt
    boot[16] = fats  # BPB_NumFATs
    struct.pack_into("<H", boot, 17, root)  # BPB_RootEntCnt
    struct.pack_into("<H", boot, 19, 0)  # BPB_TotSec16
    boot[21] = 0xF8  # BPB_Media
    struct.pack_into("<H", boot, 22, 0 if wide else fat)  # BPB_FATSz16
    struct.pack_into("<I", boot, 32, total)  # BPB_TotSec32
    if wide:
        struct.pack_into("<I", boot, 36, fat)  # BPB_FATSz32
        struct.pack_into("<I", boot, 44, 2)  # BPB_RootClus
        struct.pack_into("<H", boot, 48, 1)  # BPB_FSInfo
        struct.pack_into("<H", boot, 50, 6)  # BPB_BkBootSec
    at = 66 if wide else 38
    boot[at] = 0x29  # BS_BootSig
    struct.pack_into("<I", boot, at + 1, 0x12345678)  # BS_VolID
    boot[at + 5 : at + 16] = b"SOME LABEL "  # BS_VolLab
    boot[at + 16 : at + 24] = b"FAT99   "  # BS_FilSysType: "informational only"
    boot[510:512] = b"\x55\xaa"
    return bytes(boot)


@pytest.mark.parametrize(
    ("clusters", "wide", "kind"),
    [(4084, False, "FAT12"), (4085, False, "FAT16"), (65524, False, "FAT16"), (65525, True, "FAT32")],
)
def test_the_count_of_clusters_alone_decides_the_type(clusters: int, wide: bool, kind: str):
    # Section 3.5: "if CountofClusters < 4085 FAT12, else if < 65525 FAT16, else FAT32".
    layout = read_boot(boot_sector(clusters, wide=wide), ROOM)
    assert (layout.type, layout.clusters) == (kind, clusters)
    assert fat_type(clusters) == kind
    assert layout.volume_id == "1234-5678"
    assert layout.label == b"SOME LABEL "


@pytest.mark.parametrize(("clusters", "wide"), [(65525, False), (65524, True), (4085, True)])
def test_a_layout_that_the_count_contradicts_is_refused(clusters: int, wide: bool):
    with pytest.raises(BadVolumeError, match="clusters make it FAT"):
        read_boot(boot_sector(clusters, wide=wide), ROOM)


@pytest.mark.parametrize("sector", [512, 1024, 2048, 4096])
@pytest.mark.parametrize("per_cluster", [1, 2, 4, 8, 16, 32, 64, 128])
def test_every_sector_and_cluster_size_of_section_3_1(sector: int, per_cluster: int):
    layout = read_boot(boot_sector(70000, wide=True, per_cluster=per_cluster, sector=sector), ROOM)
    assert (layout.sector_size, layout.cluster_size) == (sector, sector * per_cluster)
    assert layout.clusters == 70000


@pytest.mark.parametrize("media", [0xF0, *range(0xF8, 0x100)])
def test_media_bytes_of_section_3_1(media: int):
    boot = bytearray(boot_sector(5000, wide=False))
    boot[21] = media
    assert read_boot(bytes(boot), ROOM).media == media


def test_constants_of_sections_4_to_6():
    assert MAX_FAT_FILE == 4_294_967_295
    # Section 3.5, the default cluster of FAT32 above 32 GB, the largest of that table: from memory.
    assert PLANNED_CLUSTER == 32_768
    assert LARGEST_FOLDER == 2_097_152
    assert BAD == {"FAT12": 0xFF7, "FAT16": 0xFFF7, "FAT32": 0x0FFFFFF7}
    assert CLEAN == {"FAT16": 0x8000, "FAT32": 0x08000000}
    assert NO_ERROR == {"FAT16": 0x4000, "FAT32": 0x04000000}


@pytest.mark.parametrize(("kind", "clusters", "size"), [("FAT12", 1, 5), ("FAT16", 1, 6), ("FAT32", 1, 12)])
def test_entries_are_12_16_and_32_bits(kind: str, clusters: int, size: int):
    assert table_bytes(kind, clusters) == size
