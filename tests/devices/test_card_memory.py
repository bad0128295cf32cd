"""No length field on a card makes this tool take memory: whatever they claim, little is held at a time."""

import os
import random
import struct
import tracemalloc
from pathlib import Path

import pytest
from card_images import MIB, add_files, judge, make_exfat, make_fat, patch, with_gpt, with_mbr

from preflight.checks.card_format import check as card_format
from preflight.checks.card_space import check as card_space

MOST = 12 * MIB
ROUNDS = int(os.environ.get("PREFLIGHT_FUZZ", "500")) // 10

# (place, width) of every number that is a length, a count or a place.
FAT = [
    (11, 2),
    (13, 1),
    (14, 2),
    (16, 1),
    (17, 2),
    (19, 2),
    (22, 2),
    (32, 4),
    (36, 4),
    (44, 4),
    (48, 2),
    (50, 2),
]
EXFAT = [(11, 2), (13, 1), (14, 2), (16, 1), (17, 2), (19, 2), (22, 2)]
FAT += [(32, 4), (36, 4), (44, 4), (48, 2), (50, 2)]
EXFAT = [(64, 8), (72, 8), (80, 4), (84, 4), (88, 4), (92, 4), (96, 4), (108, 1), (109, 1), (110, 1)]
MBR = [(454, 4), (458, 4), (470, 4), (474, 4)]
GPT = [(512 + 12, 4), (512 + 72, 8), (512 + 80, 4), (512 + 84, 4), (1024 + 32, 8), (1024 + 40, 8)]


def cards(folder: Path) -> list[tuple[Path, list[tuple[int, int]]]]:
    fat16 = make_fat(folder / "16.img", 16 * MIB, 16, "-s", 4)
    fat32 = make_fat(folder / "32.img", 160 * MIB, 32, "-s", 1)
    add_files(fat32, {f"LOG{n:03}.TXT": 10 for n in range(40)})
    return [
        (fat16, FAT),
        (fat32, FAT),
        (make_exfat(folder / "ex.img", 16 * MIB), EXFAT),
        (with_mbr(folder / "mbr.img", (0x0E, fat16)), MBR),
        (with_gpt(folder / "gpt.img", fat16), GPT),
    ]


def peak(card: Path) -> int:
    tracemalloc.start()
    try:
        judge(card_format, card, formats=("FAT12", "FAT16", "FAT32", "exFAT"))
        judge(card_space, card)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_lengths_that_lie_take_no_memory(tmp_path: Path):
    chance = random.Random(17)
    for card, fields in cards(tmp_path):
        judge(card_format, card)  # imports are made by now
        assert peak(card) < MOST
        for place, width in fields:
            for value in (1, (1 << 8 * width) - 1, (1 << 8 * width - 1) - 1, 1 << 8 * width - 1):
                before = patch(card, place, (value % (1 << 8 * width)).to_bytes(width, "little"))
                assert peak(card) < MOST, (card.name, place, value)
                patch(card, place, before)
        for _ in range(ROUNDS // 5):
            both = chance.sample(fields, 2)
            kept = [(place, patch(card, place, chance.randbytes(width))) for place, width in both]
            assert peak(card) < MOST, (card.name, kept)
            for place, before in reversed(kept):
                patch(card, place, before)


def test_a_card_of_many_terabytes_is_read_in_pieces(tmp_path: Path):
    """A FAT32 as large as one can be, made by hand: the specification's limit is 2^28 - 11 clusters."""
    card = tmp_path / "card.img"
    clusters, reserved = 30_000_000, 32
    fat = -(-(clusters + 2) * 4 // 512)
    total = reserved + fat + clusters * 128
    boot = bytearray(512)
    boot[:3], boot[510:] = b"\xeb\x58\x90", b"\x55\xaa"
    struct.pack_into("<HBHBHHBHHHII", boot, 11, 512, 128, reserved, 1, 0, 0, 0xF8, 0, 63, 255, 0, total)
    struct.pack_into("<IHHIHH", boot, 36, fat, 0, 0, 2, 1, 0)
    with card.open("wb") as image:
        try:
            image.truncate(total * 512)
        except OSError:
            pytest.skip("needs a file system that takes sparse files of 2 TB: run the tests on another one")
        image.write(boot)
        image.seek(reserved * 512)
        image.write(struct.pack("<III", 0x0FFFFFF8, 0x0FFFFFFF, 0x0FFFFFFF))
    finding = judge(card_format, card)
    assert finding.outcome == "go", finding.remarks
    assert {r.name: r.value for r in finding.readings}["card.clusters"] == clusters
    assert peak(card) < MOST
