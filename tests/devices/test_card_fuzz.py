"""Damaged cards: no crash, no hang, and never go where the usual checker finds the volume broken.

`PREFLIGHT_FUZZ` sets the number of cards (500 unless given); the seed is fixed, a failure names its case.
"""

import os
import random
import re
import shutil
import signal
import struct
from pathlib import Path
from types import FrameType

import pytest
from card_images import (
    MIB,
    add_files,
    fat_places,
    geometry,
    judge,
    make_exfat,
    make_fat,
    run,
    with_gpt,
    with_mbr,
)

from preflight.checks.card_format import check as card_format
from preflight.checks.card_space import check as card_space

CASES = int(os.environ.get("PREFLIGHT_FUZZ", "500"))
SECONDS = 10
ALL = ("FAT12", "FAT16", "FAT32", "exFAT")
EDGES = (0, 1, 2, 3, 0x7F, 0x80, 0xFE, 0xFF)


@pytest.fixture(scope="module")
def cards(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Sound cards to damage; every one of them is go."""
    folder = tmp_path_factory.mktemp("cards")
    made = {
        "fat12": make_fat(folder / "fat12.img", 8 * MIB, 12, "-s", 4),
        "fat16": make_fat(folder / "fat16.img", 16 * MIB, 16, "-s", 4),
        "fat32": make_fat(folder / "fat32.img", 40 * MIB, 32, "-s", 1),
    }
    for image in made.values():
        add_files(image, {"LOG001.TXT": 70_001, "a long name of a log.csv": 5000})
    made["mbr"] = with_mbr(folder / "mbr.img", (0x0E, made["fat16"]))
    made["gpt"] = with_gpt(folder / "gpt.img", made["fat16"])
    made["exfat"] = make_exfat(folder / "exfat.img", 8 * MIB)
    for image in made.values():
        assert judge(card_format, image, formats=ALL).outcome == "go"
    return made


def places(kind: str, image: Path) -> list[tuple[int, int]]:
    """Stretches worth damaging: (start, length)."""
    if kind in ("fat12", "fat16", "fat32"):
        sector, reserved, fats, length = geometry(image)
        root = (reserved + fats * length) * sector
        return [(0, 90), (0, 90), (510, 2), (512, 1024), *((at, 64) for at in fat_places(image)), (root, 160)]
    if kind == "mbr":
        return [(440, 72), (446, 16), (MIB, 90)]
    if kind == "gpt":
        return [(446, 66), (512, 92), (1024, 128), (MIB, 90)]
    return [(0, 120), (64, 50), (510, 2), (11 * 512, 512)]


def damage(image: Path, stretches: list[tuple[int, int]], chance: random.Random) -> dict[int, bytes]:
    """Change one to four bytes or words in place; what was there, to put it back."""
    before: dict[int, bytes] = {}
    with image.open("r+b") as file:
        for _ in range(chance.choice((1, 1, 1, 2, 4))):
            start, length = chance.choice(stretches)
            width = chance.choice((1, 1, 2, 4, 8))
            at = start + chance.randrange(length)
            file.seek(at)
            old = file.read(width)
            kind = chance.randrange(4)
            if kind == 0:
                new = bytes(chance.choice(EDGES) for _ in old)
            elif kind == 1:
                new = bytes([old[0] ^ 1 << chance.randrange(8)]) + old[1:]
            elif kind == 2:
                new = chance.randbytes(len(old))
            else:
                number = int.from_bytes(old, "little") + chance.choice((-1, 1, 2, 1000))
                new = (number % (1 << 8 * len(old))).to_bytes(len(old), "little")
            for n, byte in enumerate(old):
                before.setdefault(at + n, bytes([byte]))
            file.seek(at)
            file.write(new)
    return before


def restore(image: Path, before: dict[int, bytes]) -> None:
    with image.open("r+b") as file:
        for at, byte in before.items():
            file.seek(at)
            file.write(byte)


def alone(kind: str, image: Path, folder: Path) -> Path:
    """The volume alone, as the checker wants it."""
    if kind not in ("mbr", "gpt"):
        return image
    part = folder / "part.img"
    with image.open("rb") as source, part.open("wb") as target:
        source.seek(MIB)
        shutil.copyfileobj(source, target)
    return part


# What fsck.fat says of a volume whose layout, table or root folder is broken. Its other complaints (names,
# labels, lengths of old files, FSInfo, boot code that differs from the backup) leave room to log into.
BROKEN = re.compile(
    r"Logical sector size|Currently, only|FATs differ|out of range|only space for|Filesystem has|"
    r"Root directory|Dirty bit|too (small|large|big)|sectors? per|not a FAT|Seek|Read \d+ bytes|"
    r"^/[^/\n]*\n  (Start cluster beyond limit|Directory has non-zero size)",
    re.MULTILINE,
)


def too_slow(signum: int, frame: FrameType | None) -> None:
    raise TimeoutError(f"a card took longer than {SECONDS} s")


def test_damaged_cards_never_crash_hang_or_pass(cards: dict[str, Path], tmp_path: Path):
    chance = random.Random(20310309)
    signal.signal(signal.SIGALRM, too_slow)
    passed = 0
    for case in range(CASES):
        kind = chance.choice(sorted(cards))
        image = cards[kind]
        before = damage(image, places(kind, image), chance)
        try:
            signal.alarm(SECONDS)
            formats = judge(card_format, image, formats=ALL)
            space = judge(card_space, image, formats=ALL)
            signal.alarm(0)
            assert formats.outcome in ("go", "no-go"), (case, kind, formats.remarks)
            assert formats.outcome == "go" or formats.remarks, (case, kind)
            for finding in (formats, space):
                assert all(remark.isprintable() for remark in finding.remarks), (case, kind, finding.remarks)
            if formats.outcome == "go" and kind != "exfat":
                passed += 1
                said = run("fsck.fat", "-n", alone(kind, image, tmp_path), ok=False)
                assert not BROKEN.search(said), (case, kind, before, said)
        finally:
            signal.alarm(0)
            restore(image, before)
    # Most damage to labels, boot code and names leaves a sound volume: the test would be void if none did.
    assert passed > CASES // 50


def test_entries_damaged_alike_in_both_copies_are_noticed(cards: dict[str, Path]):
    chance = random.Random(7)
    for kind, code, top in (("fat16", "<H", 0xFFF7), ("fat32", "<I", 0x0FFFFFF7)):
        image = cards[kind]
        clusters = {"fat16": 8100, "fat32": 70_000}[kind]
        width = struct.calcsize(code)
        for _ in range(20):
            cluster = chance.randrange(2, clusters)
            value = chance.choice((1, chance.randrange(90_000 if width == 4 else 60_000, top)))
            before: dict[int, bytes] = {}
            with image.open("r+b") as file:
                for place in fat_places(image):
                    file.seek(place + cluster * width)
                    before |= {
                        place + cluster * width + n: bytes([b]) for n, b in enumerate(file.read(width))
                    }
                    file.seek(place + cluster * width)
                    file.write(struct.pack(code, value))
            assert judge(card_format, image, formats=ALL).outcome == "no-go"
            assert judge(card_space, image, formats=ALL).outcome == "no-go"
            restore(image, before)


@pytest.mark.parametrize("kind", ["fat12", "fat16", "fat32", "mbr", "gpt", "exfat"])
def test_cards_cut_short_are_never_go(cards: dict[str, Path], tmp_path: Path, kind: str):
    chance = random.Random(11)
    whole = cards[kind].stat().st_size
    for length in (0, 1, 511, 512, 513, 4096, *(chance.randrange(whole // 2) for _ in range(6))):
        image = tmp_path / "cut.img"
        with cards[kind].open("rb") as source:
            image.write_bytes(source.read(length))
        assert judge(card_format, image, formats=ALL).outcome == "no-go"
        assert judge(card_space, image, formats=ALL).outcome == "no-go"


def test_noise_is_never_go(tmp_path: Path):
    chance = random.Random(13)
    image = tmp_path / "noise.img"
    for _ in range(50):
        data = bytearray(chance.randbytes(1 << 14))
        data[510:512] = b"\x55\xaa"
        if chance.random() < 0.5:
            data[0:3] = b"\xeb\x3c\x90"
            data[11:13] = struct.pack("<H", 512)
            data[21] = 0xF8
        image.write_bytes(data)
        assert judge(card_format, image, formats=ALL).outcome == "no-go"
