"""Partition tables: MBR as the usual tools write it, GPT, none; hostile ones read safely."""

import random
import struct
from pathlib import Path

import pytest
from card_images import MIB, add_files, make_exfat, make_fat, patch, run, with_gpt, with_mbr
from tools import need_tool

from preflight.devices.blocks import Blocks
from preflight.devices.partition import Layout, read_partitions


def layout_of(image: Path) -> Layout:
    with Blocks.open(image) as blocks:
        return read_partitions(blocks)


@pytest.fixture
def fat16(tmp_path: Path) -> Path:
    return make_fat(tmp_path / "fat16.img", 8 * MIB, 16, "-s", 1)


@pytest.fixture
def fat12(tmp_path: Path) -> Path:
    return make_fat(tmp_path / "fat12.img", 2 * MIB, 12)


def test_a_table_made_by_mpartition_is_read(tmp_path: Path, fat16: Path):
    need_tool("mdir")  # of the same package
    add_files(fat16, {"LOG001.TXT": 77})
    image = tmp_path / "card.img"
    image.write_bytes(bytes(20 * MIB))
    (tmp_path / "mtoolsrc").write_text(f'drive x: file="{image}" partition=1\n')
    env = ("env", f"MTOOLSRC={tmp_path / 'mtoolsrc'}")
    run(*env, "mpartition", "-I", "-s", 32, "-t", 20, "-h", 64, "x:")
    run(*env, "mpartition", "-c", "-b", 64, "-l", 16384, "-s", 32, "-t", 20, "-h", 64, "x:")
    patch(image, 64 * 512, fat16.read_bytes())
    found = layout_of(image)
    assert found.scheme == "MBR"
    assert [(p.number, p.kind, p.start) for p in found.partitions] == [(1, "FAT", 64 * 512)]
    assert 8 * MIB <= found.partitions[0].size <= 9 * MIB
    assert "LOG001" in run("mdir", "-i", f"{image}@@{found.partitions[0].start}", "::")


def test_volumes_in_an_mbr_are_found_in_order(tmp_path: Path, fat16: Path, fat12: Path):
    blank = tmp_path / "blank.img"
    blank.write_bytes(bytes(MIB))
    image = with_mbr(tmp_path / "card.img", (0x83, blank), (0x0E, fat16), (0x01, fat12))
    found = layout_of(image)
    assert (found.scheme, found.remarks) == ("MBR", ())
    assert [(p.number, p.kind, p.code, p.size) for p in found.partitions] == [
        (1, None, 0x83, MIB),
        (2, "FAT", 0x0E, 8 * MIB),
        (3, "FAT", 0x01, 2 * MIB),
    ]
    assert [p.number for p in found.volumes] == [2, 3]
    assert found.volumes[0].start == MIB + MIB


def test_a_volume_without_a_table_is_one_whole(fat16: Path, tmp_path: Path):
    found = layout_of(fat16)
    assert (found.scheme, [p.kind for p in found.volumes]) == ("none", ["FAT"])
    assert found.volumes[0].size == 8 * MIB
    exfat = make_exfat(tmp_path / "exfat.img", 4 * MIB)
    assert [p.kind for p in layout_of(exfat).volumes] == ["exFAT"]


@pytest.mark.parametrize("sector", [512, 4096])
def test_a_gpt_is_read_and_its_backup_where_it_is_damaged(
    tmp_path: Path, fat16: Path, fat12: Path, sector: int
):
    image = with_gpt(tmp_path / "card.img", fat12, fat16, sector=sector)
    found = layout_of(image)
    assert (found.scheme, found.remarks) == ("GPT", ())
    assert [(p.number, p.kind, p.start, p.size) for p in found.partitions] == [
        (1, "FAT", MIB, 2 * MIB),
        (2, "FAT", 3 * MIB, 8 * MIB),
    ]
    patch(image, sector + 40, b"\xff")
    again = layout_of(image)
    assert again.partitions == found.partitions
    assert "backup was read" in again.remarks[0]


def test_a_gpt_damaged_twice_has_no_volumes(tmp_path: Path, fat16: Path):
    image = with_gpt(tmp_path / "card.img", fat16)
    patch(image, 512 + 40, b"\xff")
    patch(image, image.stat().st_size - 512 + 40, b"\xff")
    assert layout_of(image).volumes == ()


@pytest.mark.parametrize(
    ("at", "value"),
    [
        (12, struct.pack("<I", 0xFFFFFFFF)),
        (12, struct.pack("<I", 10)),
        (72, struct.pack("<Q", 2**63)),
        (80, struct.pack("<I", 0xFFFFFFFF)),
        (80, struct.pack("<I", 0)),
        (84, struct.pack("<I", 0xFFFFFF80)),
        (84, struct.pack("<I", 0)),
    ],
)
def test_hostile_gpt_headers_with_a_right_checksum_are_refused(
    tmp_path: Path, fat16: Path, at: int, value: bytes
):
    import zlib

    image = with_gpt(tmp_path / "card.img", fat16)
    with image.open("rb") as file:
        file.seek(512)
        header = bytearray(file.read(512))
    header[at : at + len(value)] = value
    length = struct.unpack_from("<I", header, 12)[0]
    header[16:20] = bytes(4)
    header[16:20] = struct.pack("<I", zlib.crc32(header[: min(length, 512)]))
    patch(image, 512, bytes(header))
    patch(image, image.stat().st_size - 512, bytes(512))
    assert layout_of(image).volumes == ()


def test_partitions_that_reach_outside_are_left_out_and_named(tmp_path: Path, fat16: Path):
    image = with_mbr(tmp_path / "card.img", (0x0E, fat16))
    for start, length in ((0, 100), (2048, 16385), (0xFFFFFFFF, 1), (1, 0xFFFFFFFF), (2048, 0)):
        patch(image, 446, struct.pack("<B3xB3xII", 0, 0x0E, start, length))
        found = layout_of(image)
        assert found.volumes == ()
        assert "Partition 1 reaches outside" in found.remarks[0]


def test_an_extended_partition_is_named_and_not_followed(tmp_path: Path, fat16: Path, fat12: Path):
    image = with_mbr(tmp_path / "card.img", (0x05, fat12), (0x0E, fat16))
    found = layout_of(image)
    assert [p.number for p in found.volumes] == [2]
    assert "Partition 1 is an extended one" in found.remarks[0]


def test_noise_and_short_devices_hold_nothing(tmp_path: Path):
    image = tmp_path / "card.img"
    for data in (b"x", bytes(511), bytes(512), b"\xff" * 4096, random.Random(4).randbytes(65536)):
        image.write_bytes(data)
        assert layout_of(image).volumes == ()
    image.write_bytes(bytes(510) + b"\x55\xaa")
    assert layout_of(image).scheme == "MBR"
    assert layout_of(image).partitions == ()
