"""Counting the table thousands of entries at a time, against counting it one by one."""

import random
import struct
from pathlib import Path

import pytest
from card_images import drain
from hypothesis import given
from hypothesis import strategies as st

from preflight.devices import fat_table
from preflight.devices.blocks import Blocks
from preflight.devices.fat_boot import FatLayout, fat_type, table_bytes
from preflight.devices.fat_table import TableScan, scan_table

SPECIAL = (0, 1, 2, 0x0FFFFFF0, 0x0FFFFFF6, 0x0FFFFFF7, 0x0FFFFFF8, 0x0FFFFFFF)


def layout(clusters: int, *, fats: int = 1, active: int = 0, mirrored: bool = True) -> FatLayout:
    kind = fat_type(clusters)
    sectors = -(-table_bytes(kind, clusters) // 512)
    return FatLayout(
        type=kind,
        sector_size=512,
        cluster_size=512,
        reserved=1,
        fats=fats,
        fat_sectors=sectors,
        root_entries=0 if kind == "FAT32" else 512,
        total_sectors=1 << 28,
        clusters=clusters,
        media=0xF8,
        active=active,
        mirrored=mirrored,
        root_cluster=2 if kind == "FAT32" else 0,
        fsinfo=0,
        backup=0,
        volume_id=None,
        label=b"",
        dirty=False,
        boot=bytes(512),
    )


def packed(kind: str, entries: list[int]) -> bytes:
    """Entries as they lie on a card, the slow way."""
    if kind == "FAT32":
        return b"".join(struct.pack("<I", value) for value in entries)
    if kind == "FAT16":
        return b"".join(struct.pack("<H", value) for value in entries)
    out = bytearray(len(entries) * 12 // 8 + 2)
    for number, value in enumerate(entries):
        at = number * 3 // 2
        word = int.from_bytes(out[at : at + 2], "little") | value << (4 if number & 1 else 0)
        out[at : at + 2] = word.to_bytes(2, "little")
    return bytes(out)


def slow_count(kind: str, entries: list[int]) -> tuple[int, int, int]:
    mask, bad = {"FAT12": (0xFFF, 0xFF7), "FAT16": (0xFFFF, 0xFFF7), "FAT32": (0x0FFFFFFF, 0x0FFFFFF7)}[kind]
    data = [value & mask for value in entries[2:]]
    astray = [value for value in data if value == 1 or (value >= len(entries) and value < bad)]
    return data.count(0), data.count(bad), len(astray)


def scanned(path: Path, shape: FatLayout, *tables: bytes) -> TableScan:
    room = shape.fat_sectors * 512
    path.write_bytes(bytes(512) + b"".join(table.ljust(room, b"\0")[:room] for table in tables))
    with Blocks.open(path) as blocks:
        found = drain(scan_table(blocks, shape))
    assert isinstance(found, TableScan)
    return found


@pytest.mark.parametrize("clusters", [1, 2, 3, 4083, 4084, 4085, 10001, 65524, 65525, 131072 + 7, 200000])
def test_the_count_is_that_of_one_by_one(tmp_path: Path, clusters: int):
    shape = layout(clusters)
    chance = random.Random(clusters)
    top = {"FAT12": 0xFFF, "FAT16": 0xFFFF, "FAT32": 0xFFFFFFFF}[shape.type]
    pick = (0, 0, 0, 1, clusters + 1, clusters + 2, top, top - 8, top & ~0xF | 6, 2)
    first = 0xFF8 if shape.type == "FAT12" else 0xFFF8 if shape.type == "FAT16" else 0x0FFFFFF8
    entries = [first, top] + [min(chance.choice(pick), top) for _ in range(clusters)]
    found = scanned(tmp_path / "card", shape, packed(shape.type, entries))
    assert (found.free, found.bad, found.astray) == slow_count(shape.type, entries)
    assert found.media_fits


@given(
    run=st.lists(st.one_of(st.sampled_from(SPECIAL), st.integers(0, 0x0FFFFFFF)), min_size=1, max_size=40),
    nibbles=st.lists(st.integers(0, 15), min_size=1, max_size=7),
    chunk=st.sampled_from([8, 16, 64, 1 << 12]),
)
def test_fat32_lanes_for_any_entries_and_the_top_four_bits_do_not_count(run, nibbles, chunk):
    clusters = 70000
    entries = [0x0FFFFFF8, 0x0FFFFFFF, *run]
    entries = [value | nibbles[n % len(nibbles)] << 28 for n, value in enumerate(entries)]
    count = fat_table._Fat32Count(clusters)
    raw = packed("FAT32", entries)
    step = chunk
    for at in range(0, len(raw), step):
        count.add(memoryview(raw)[at : at + step], at)
    mask = [value & 0x0FFFFFFF for value in entries[2:]]
    astray = sum(1 for v in mask if v == 1 or clusters + 2 <= v < 0x0FFFFFF7)
    assert count.total() == (mask.count(0), mask.count(0x0FFFFFF7), astray)


def test_entries_past_the_last_cluster_are_not_counted(tmp_path: Path):
    shape = layout(65525)
    table = packed("FAT32", [0x0FFFFFF8, 0x0FFFFFFF] + [0x0FFFFFFF] * 65525)
    assert len(table) < shape.fat_sectors * 512  # what is left of the last sector is zero
    assert scanned(tmp_path / "card", shape, table).free == 0


def test_flags_are_read_from_the_second_entry_with_one_for_clean(tmp_path: Path):
    for clusters, masks in ((5000, (0x8000, 0x4000)), (70000, (0x08000000, 0x04000000)), (100, None)):
        shape = layout(clusters)
        ends = {"FAT12": (0xFF8, 0xFFF), "FAT16": (0xFFF8, 0xFFFF), "FAT32": (0x0FFFFFF8, 0x0FFFFFFF)}
        first, last = ends[shape.type]
        rest = [0] * clusters
        sound = scanned(tmp_path / "card", shape, packed(shape.type, [first, last, *rest]))
        if masks is None:
            assert (sound.clean, sound.no_error) == (None, None)
            continue
        assert (sound.clean, sound.no_error) == (True, True)
        dirty = scanned(tmp_path / "card", shape, packed(shape.type, [first, last & ~masks[0], *rest]))
        assert (dirty.clean, dirty.no_error) == (False, True)
        error = scanned(tmp_path / "card", shape, packed(shape.type, [first, last & ~masks[1], *rest]))
        assert (error.clean, error.no_error) == (True, False)
        wrong = scanned(tmp_path / "card", shape, packed(shape.type, [first & ~0xFF | 0xF0, last, *rest]))
        assert not wrong.media_fits


@pytest.mark.parametrize("clusters", [100, 5000, 70000, 200000])
def test_copies_are_compared_to_their_last_byte(tmp_path: Path, clusters: int):
    shape = layout(clusters, fats=2)
    length = table_bytes(shape.type, clusters)
    table = random.Random(1).randbytes(length)
    assert scanned(tmp_path / "card", shape, table, table).copies_differ == 0
    for at in (0, length // 2, length - 1):
        other = bytearray(table)
        other[at] ^= 1
        assert scanned(tmp_path / "card", shape, table, bytes(other)).copies_differ == 1


def test_only_the_active_copy_counts_where_they_are_not_mirrored(tmp_path: Path):
    shape = layout(70000, fats=2, active=1, mirrored=False)
    used = packed("FAT32", [0x0FFFFFF8, 0x0FFFFFFF] + [0x0FFFFFFF] * 70000)
    half = packed("FAT32", [0x0FFFFFF8, 0x0FFFFFFF] + [0, 0x0FFFFFFF] * 35000)
    found = scanned(tmp_path / "card", shape, used, half)
    assert (found.free, found.copies_differ) == (35000, 0)
