"""Cards by the usual formatters and partitioners: free space to the byte as fsck.fat counts the table."""

import struct
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest
from card_images import (
    MIB,
    add_files,
    fsck_counts,
    judge,
    make_exfat,
    make_fat,
    mounted,
    need_fuse,
    patch,
    readings,
    run,
)
from tools import need_tool

from preflight.checks.card_format import check as card_format
from preflight.checks.card_space import check as card_space

ALL = ("FAT12", "FAT16", "FAT32", "exFAT")
FILES = {"LOG001.TXT": 70_001, "EMPTY.TXT": 0, "a longer name than 8.3.csv": 4096, "ONE.TXT": 1}


@dataclass(frozen=True)
class Geometry:
    """A size in MiB, the bits of a FAT entry, options of the formatter; the partitioner's script, if any."""

    size: float
    bits: int
    options: tuple[object, ...] = ()
    by: str = "mkfs.fat"
    script: str = ""
    start: int = 0

    def __str__(self) -> str:
        words = "".join(f" {word}" for word in self.options)
        label = self.script.partition("\n")[0].removeprefix("label: ")
        return f"{self.by} {self.size:g} MiB FAT{self.bits}{words} {label}".rstrip()


GPT = "label: gpt\nfirst-lba: {start}\nstart={start}, type=EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"
GEOMETRIES = (
    # dosfstools, unpartitioned
    Geometry(1.40625, 12),
    Geometry(2, 12, ("-s", 1)),
    Geometry(8, 12, ("-s", 8, "-f", 1)),
    Geometry(7, 12, ("-S", 2048)),
    Geometry(30, 12, ("-s", 16, "-r", 224)),
    Geometry(4, 16, ("-s", 1)),
    Geometry(16, 16, ("-s", 4, "-r", 112)),
    Geometry(31, 16, ("-s", 1)),
    Geometry(64, 16, ("-S", 4096)),
    Geometry(128, 16, ("-s", 8, "-R", 16)),
    Geometry(512, 16, ("-s", 64)),
    Geometry(2047, 16, ("-s", 64)),
    Geometry(40, 32, ("-s", 1)),
    Geometry(64, 32, ("-s", 1, "-R", 100)),
    Geometry(300, 32, ("-s", 8)),
    Geometry(300, 32, ("-S", 1024, "-s", 2, "-f", 1)),
    Geometry(1024, 32, ("-s", 16, "-a")),
    Geometry(2100, 32),
    Geometry(8192, 32),
    Geometry(30_000, 32),
    Geometry(32_768, 32, ("-s", 64)),
    # mtools
    Geometry(1.40625, 12, ("-f", 1440), by="mformat"),
    Geometry(32, 16, ("-t", 64, "-h", 16, "-s", 64), by="mformat"),
    Geometry(64, 16, ("-T", 131072, "-h", 16, "-s", 63, "-c", 8), by="mformat"),
    Geometry(64, 32, ("-F", "-T", 131072, "-h", 16, "-s", 63, "-c", 1), by="mformat"),
    Geometry(512, 32, ("-F", "-T", 1048576, "-h", 64, "-s", 63), by="mformat"),
    # partitioned by sfdisk, formatted by dosfstools
    Geometry(16, 12, ("-s", 16), by="sfdisk", script="label: dos\nstart={start}, type=1", start=63),
    Geometry(32, 16, ("-s", 4), by="sfdisk", script="label: dos\nstart={start}, type=6", start=2048),
    Geometry(64, 16, by="sfdisk", script="label: dos\nstart={start}, type=e, bootable", start=8192),
    Geometry(64, 32, ("-s", 1), by="sfdisk", script="label: dos\nstart={start}, type=b", start=8192),
    Geometry(300, 32, by="sfdisk", script="label: dos\nstart={start}, type=c", start=8192),
    Geometry(64, 16, by="sfdisk", script=GPT, start=2048),
    Geometry(300, 32, by="sfdisk", script=GPT, start=8192),
)


def made(folder: Path, geometry: Geometry) -> tuple[Path, Path]:
    """The card as the logger gets it, and its volume alone, as fsck.fat wants it."""
    size = int(geometry.size * MIB)
    card, volume = folder / "card.img", folder / "volume.img"
    if geometry.by == "mkfs.fat":
        make_fat(card, size, geometry.bits, *geometry.options)
        return card, card
    if geometry.by == "mformat":
        need_tool("mcopy", "fsck.fat")
        with card.open("wb") as image:
            image.truncate(size)
        run("mformat", "-i", card, "-v", "DUNLIN", "-N", "1A2B3C4D", *geometry.options, "::")
        return card, card
    need_tool("sfdisk")
    make_fat(volume, size, geometry.bits, *geometry.options)
    with card.open("wb") as image:
        image.truncate(geometry.start * 512 + size + MIB)
    script = geometry.script.format(start=geometry.start) + f", size={size // 512}\n"
    subprocess.run(["sfdisk", "-q", card], input=script, text=True, check=True)
    return card, volume


def put(volume: Path, card: Path, start: int) -> None:
    """Copy a volume to its partition; the image stays sparse."""
    if card != volume:
        run(
            "dd",
            f"if={volume}",
            f"of={card}",
            "bs=512",
            f"seek={start}",
            "conv=notrunc,sparse",
            "status=none",
        )


def test_there_are_enough_of_them():
    assert len(GEOMETRIES) >= 25
    assert {g.by for g in GEOMETRIES} == {"mkfs.fat", "mformat", "sfdisk"}
    assert {g.bits for g in GEOMETRIES} == {12, 16, 32}


@pytest.mark.parametrize("geometry", GEOMETRIES, ids=str)
def test_type_and_free_space_are_those_of_fsck_whatever_fsinfo_claims(tmp_path: Path, geometry: Geometry):
    card, volume = made(tmp_path, geometry)
    add_files(volume, FILES)
    run("mdel", "-i", volume, "::ONE.TXT")
    put(volume, card, geometry.start)
    free, clusters = fsck_counts(volume)
    found = judge(card_format, card, formats=ALL)
    space = judge(card_space, card, formats=ALL)
    kind = readings(found)
    assert found.outcome == "go", found.remarks
    assert kind["card.type"].value == f"FAT{geometry.bits}"
    assert kind["card.clusters"].value == clusters
    assert readings(space)["card.free"].value == free * kind["card.cluster_size"].value
    assert kind["card.identity"].value.startswith("1A2B-3C4D ")
    assert "3 files" in " / ".join(found.remarks)
    if geometry.bits == 32:
        sector = _sector(volume)
        for claim in (0, free + 1000, 0xFFFFFFF0):
            patch(card, geometry.start * 512 + sector + 488, struct.pack("<I", claim))
            again = judge(card_space, card, formats=ALL)
            assert readings(again)["card.free"].value == free * kind["card.cluster_size"].value
            for finding in (again, judge(card_format, card, formats=ALL)):
                assert f"({claim} and {free} clusters): the table was counted" in " / ".join(finding.remarks)


def _sector(volume: Path) -> int:
    with volume.open("rb") as file:
        file.seek(11)
        return int.from_bytes(file.read(2), "little")


# fusefat reports no blocks for a small FAT32, and serves FAT12 and FAT16 well.
SERVED = tuple(g for g in GEOMETRIES if g.by != "sfdisk" and g.bits != 32 and g.size <= 128)


@pytest.mark.parametrize("geometry", SERVED, ids=str)
def test_mounted_through_fuse_the_same_card_says_the_same(tmp_path: Path, geometry: Geometry):
    need_fuse("fusefat", "fusermount")
    card, _ = made(tmp_path, geometry)
    add_files(card, FILES)
    raw = [readings(judge(check, card, formats=ALL)) for check in (card_format, card_space)]
    command = ("fusefat", card, "-o", f"ro,fsname={card}")
    with mounted(tmp_path / "mnt", *command, unmount=("fusermount", "-u")) as point:
        findings = [judge(check, point, formats=ALL) for check in (card_format, card_space)]
    assert [readings(finding) for finding in findings] == raw
    assert "unmount it before the card is taken out" in " / ".join(findings[0].remarks)


@pytest.mark.parametrize(
    ("size", "options"),
    [(8, ()), (64, ("-c", "4K")), (256, ("-c", "32K")), (512, ("-L", "PETREL")), (33_000, ())],
)
def test_exfat_in_any_geometry_is_named(tmp_path: Path, size: int, options: tuple):
    card = make_exfat(tmp_path / "card.img", size * MIB, *options)
    finding = judge(card_format, card)
    assert finding.outcome == "no-go"
    assert "The card is exFAT, the logger reads FAT16 or FAT32" in finding.remarks[0]
    assert judge(card_format, card, formats=ALL).outcome == "go"
    if "-L" in options:
        assert readings(finding)["card.label"].value == "PETREL"


def test_exfat_partitioned_by_sfdisk_is_named(tmp_path: Path):
    need_tool("sfdisk")
    volume = make_exfat(tmp_path / "volume.img", 64 * MIB)
    for script in ("label: dos\nstart=8192, type=7", GPT.format(start=8192)):
        card = tmp_path / "card.img"
        with card.open("wb") as image:
            image.truncate(70 * MIB)
        subprocess.run(["sfdisk", "-q", card], input=f"{script}, size=131072\n", text=True, check=True)
        put(volume, card, 8192)
        finding = judge(card_format, card)
        assert readings(finding)["card.type"].value == "exFAT"
        assert "marks the volume" not in " / ".join(finding.remarks)
