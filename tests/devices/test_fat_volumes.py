"""FAT volumes as mkfs.fat makes them and mcopy fills them, against what fsck.fat counts."""

import struct
from pathlib import Path

import pytest
from card_images import (
    MIB,
    add_files,
    drain,
    fat_places,
    fsck_counts,
    geometry,
    make_fat,
    patch,
    run,
    set_entry,
)
from tools import need_tool

from preflight.devices.blocks import BadVolumeError, Blocks
from preflight.devices.fat import FatVolume
from preflight.devices.fat_table import TableScan


def opened(image: Path) -> tuple[FatVolume, TableScan]:
    with Blocks.open(image) as blocks:
        volume = FatVolume(blocks)
        scan = drain(volume.scan())
    assert isinstance(scan, TableScan)
    return volume, scan


@pytest.mark.parametrize(
    ("size", "bits", "options"),
    [
        (1440 * 1024, 12, ()),
        (2 * MIB, 12, ("-s", 1)),
        (8 * MIB, 12, ("-s", 8, "-f", 1)),
        (7 * MIB, 12, ("-S", 2048)),
        (4 * MIB, 16, ("-s", 1)),
        (16 * MIB, 16, ("-s", 4, "-r", 112)),
        (31 * MIB, 16, ("-s", 1)),
        (64 * MIB, 16, ("-S", 4096)),
        (512 * MIB, 16, ("-s", 64)),
        (40 * MIB, 32, ("-s", 1)),
        (300 * MIB, 32, ("-s", 8)),
        (300 * MIB, 32, ("-S", 1024, "-s", 2, "-f", 1)),
        (2100 * MIB, 32, ()),
    ],
)
def test_type_clusters_and_free_space_are_those_of_fsck(tmp_path: Path, size: int, bits: int, options: tuple):
    image = make_fat(tmp_path / "card.img", size, bits, *options)
    files = {"LOG001.TXT": 70_001, "EMPTY.TXT": 0, "a longer name than 8.3.csv": 4096, "ONE.TXT": 1}
    add_files(image, files)
    run("mdel", "-i", image, "::ONE.TXT")
    volume, scan = opened(image)
    free, clusters = fsck_counts(image)
    assert volume.type == f"FAT{bits}"
    assert (scan.free, volume.layout.clusters) == (free, clusters)
    assert scan.free * volume.layout.cluster_size == free * volume.layout.cluster_size
    assert (scan.astray, scan.bad, scan.copies_differ, scan.media_fits) == (0, 0, 0, True)
    assert volume.label == b"DUNLIN"
    assert volume.layout.volume_id == "1A2B-3C4D"
    # Label, two short names, a deleted one that frees its place, and a long name with its two extra entries.
    assert volume.root.used == 1 + 2 + 1 + 2
    assert volume.root.broken == 0
    assert not volume.backup_differs


def test_type_string_and_oem_name_are_not_looked_at(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    patch(image, 54, b"FAT32   ")
    patch(image, 3, b"\xff" * 8)
    assert opened(image)[0].type == "FAT16"


def test_free_space_is_the_tables_whatever_fsinfo_claims(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 40 * MIB, 32, "-s", 1)
    add_files(image, {"LOG001.TXT": 1_000_000})
    truth = fsck_counts(image)[0]
    for claim in (0, 1, truth + 5, 0xFFFFFFFE, 0xFFFFFFFF):
        patch(image, 512 + 488, struct.pack("<I", claim))
        volume, scan = opened(image)
        assert scan.free == truth == fsck_counts(image)[0]
        assert volume.fsinfo is not None
        assert volume.fsinfo.free == (None if claim == 0xFFFFFFFF else claim)
    patch(image, 512, b"XXXX")
    volume, scan = opened(image)
    assert volume.fsinfo is not None
    assert (volume.fsinfo.sound, volume.fsinfo.free, scan.free) == (False, None, truth)


def test_top_four_bits_of_fat32_entries_do_not_count(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 40 * MIB, 32, "-s", 1)
    before = opened(image)[1]
    for cluster in (100, 101, 40_000, before.free):
        set_entry(image, 32, cluster, 0xF0000000)
    assert opened(image)[1].free == before.free
    assert fsck_counts(image)[0] == before.free


def test_bad_clusters_are_used_and_named(tmp_path: Path):
    for bits, size, mark in ((16, 16 * MIB, 0xFFF7), (32, 40 * MIB, 0x0FFFFFF7)):
        image = make_fat(tmp_path / f"{bits}.img", size, bits, "-s", 1)
        before = opened(image)[1].free
        for cluster in (10, 3000):
            set_entry(image, bits, cluster, mark)
        scan = opened(image)[1]
        assert (scan.bad, scan.free, scan.astray) == (2, before - 2, 0)


def test_a_root_folder_of_many_clusters_is_followed(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 40 * MIB, 32, "-s", 1)
    add_files(image, {f"LOG{n:03}.TXT": 1 for n in range(60)})
    volume, _ = opened(image)
    assert volume.root.used == 61
    places = fat_places(image)
    with image.open("rb") as file:
        file.seek(places[0] + 2 * 4)
        (second,) = struct.unpack("<I", file.read(4))
    for target, said in ((2, "into itself"), (0, "leading nowhere"), (second + 10**6, "leading nowhere")):
        set_entry(image, 32, second, target)
        with Blocks.open(image) as blocks, pytest.raises(BadVolumeError, match=said):
            FatVolume(blocks)
    set_entry(image, 32, second, 0x0FFFFFF7)
    with Blocks.open(image) as blocks, pytest.raises(BadVolumeError, match="marked bad"):
        FatVolume(blocks)


def test_entries_that_point_outside_are_counted(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16, "-s", 4)
    add_files(image, {"LOG001.TXT": 5000})
    sector, reserved, fats, length = geometry(image)
    entry = (reserved + fats * length) * sector + 32
    patch(image, entry + 26, struct.pack("<H", 0xFFF0))
    assert opened(image)[0].root.broken == 1
    patch(image, entry + 26, struct.pack("<H", 0))  # a length without a first cluster
    assert opened(image)[0].root.broken == 1


def test_the_label_in_the_root_folder_wins(tmp_path: Path):
    need_tool("mcopy")  # mlabel is of the same package
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    run("mlabel", "-i", image, "::SECOND")
    patch(image, 43, b"BOOTSECTOR ")
    assert opened(image)[0].label == b"SECOND"


FIELDS = {
    "sector size": (11, "<H", (0, 1, 256, 513, 8192, 65535)),
    "sectors per cluster": (13, "<B", (0, 3, 5, 129, 255)),
    "reserved sectors": (14, "<H", (0, 65535)),
    "number of FATs": (16, "<B", (0, 5, 255)),
    "root folder entries": (17, "<H", (0, 1, 511, 65535)),
    "media": (21, "<B", (0x00, 0xF1, 0xF7)),
    "sectors per FAT": (22, "<H", (0, 1, 65535)),
    "count of sectors": (32, "<I", (0, 1, 16 * 2048 + 1, 0xFFFFFFFF)),
    "signature": (510, "<H", (0, 0x55AA)),
    "jump": (0, "<B", (0, 0xEA)),
}


@pytest.mark.parametrize("field", FIELDS)
def test_hostile_fields_of_a_fat16_boot_sector_are_refused(tmp_path: Path, field: str):
    at, code, values = FIELDS[field]
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16, "-s", 4)
    patch(image, 19, b"\0\0")
    patch(image, 32, struct.pack("<I", 16 * 2048))
    assert opened(image)[0].layout.clusters
    for value in values:
        before = patch(image, at, struct.pack(code, value))
        with Blocks.open(image) as blocks, pytest.raises(BadVolumeError):
            FatVolume(blocks)
        patch(image, at, before)


@pytest.mark.parametrize(
    ("at", "code", "values"),
    [
        (36, "<I", (0, 1, 0xFFFFFFFF)),  # sectors per FAT
        (40, "<H", (0x82, 0x8F)),  # active FAT
        (42, "<H", (1,)),  # version
        (44, "<I", (0, 1, 0xFFFFFFFF, 90_000)),  # first cluster of the root folder
        (48, "<H", (32, 0xFFFE)),  # FSInfo
        (50, "<H", (32, 0xFFFE)),  # backup
        (17, "<H", (512,)),
        (19, "<H", (1,)),
        (13, "<B", (2, 128)),
    ],
)
def test_hostile_fields_of_a_fat32_boot_sector_are_refused(tmp_path: Path, at: int, code: str, values: tuple):
    image = make_fat(tmp_path / "card.img", 40 * MIB, 32, "-s", 1)
    for value in values:
        before = patch(image, at, struct.pack(code, value))
        with Blocks.open(image) as blocks, pytest.raises(BadVolumeError):
            FatVolume(blocks)
        patch(image, at, before)


def test_a_backup_that_tells_another_layout_is_noticed(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 40 * MIB, 32, "-s", 1)
    patch(image, 6 * 512 + 32, struct.pack("<I", 70_000))
    assert opened(image)[0].backup_differs
    patch(image, 50, b"\0\0")
    assert not opened(image)[0].backup_differs
