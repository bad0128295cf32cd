"""What else ends a flight on a sound-looking card: old logs, a false FSInfo, other file systems, and more."""

import struct
import subprocess
from pathlib import Path

import pytest
from card_images import (
    MIB,
    add_files,
    fsck_counts,
    judge,
    loop_device,
    make_exfat,
    make_fat,
    need_loop,
    patch,
    readings,
    run,
    set_entry,
    with_gpt,
    with_mbr,
)
from tools import need_tool

from preflight.checks.card_format import check
from preflight.checks.card_space import check as card_space
from preflight.devices.marked_blocks import WORDS
from preflight.readings import Finding

ALL = ("FAT12", "FAT16", "FAT32", "exFAT")


def told(finding: Finding) -> str:
    return " / ".join(finding.remarks)


def make_ext(path: Path, kind: str) -> Path:
    need_tool("mkfs.ext4")
    with path.open("wb") as image:
        image.truncate(16 * MIB)
    run("mkfs.ext4", "-q", "-F", "-t", kind, path)
    return path


@pytest.mark.parametrize("kind", ["ext2", "ext3", "ext4"])
def test_ext_is_named_alone_and_in_a_partition(tmp_path: Path, kind: str):
    volume = make_ext(tmp_path / "volume.img", kind)
    for card in (
        volume,
        with_mbr(tmp_path / "mbr.img", (0x83, volume)),
        with_gpt(tmp_path / "gpt.img", volume),
    ):
        finding = judge(check, card, formats=ALL)
        assert finding.outcome == "no-go"
        assert f"holds {kind}, which no logger reads: format the card for the logger" in finding.remarks[0]
        assert readings(finding)["card.type"].value == kind
        assert finding.evidence[0].name == "first sector"


def test_ntfs_is_named_although_its_boot_sector_begins_as_fats(tmp_path: Path):
    # As Microsoft documents the NTFS boot sector: no reserved sectors, no FATs, media 0xF8.
    boot = bytearray(512)
    boot[:11] = b"\xeb\x52\x90NTFS    "
    struct.pack_into("<HB", boot, 11, 512, 8)
    boot[21] = 0xF8
    boot[510:] = b"\x55\xaa"
    volume = tmp_path / "volume.img"
    volume.write_bytes(bytes(boot) + bytes(4 * MIB - 512))
    for card in (volume, with_mbr(tmp_path / "mbr.img", (0x07, volume))):
        finding = judge(check, card)
        assert finding.outcome == "no-go"
        assert "holds NTFS, which no logger reads" in finding.remarks[0]
        assert readings(finding)["card.type"].value == "NTFS"


def test_a_fat_card_with_other_partitions_is_still_judged(tmp_path: Path):
    fat = make_fat(tmp_path / "fat.img", 16 * MIB, 16)
    ext = make_ext(tmp_path / "ext.img", "ext4")
    finding = judge(check, with_mbr(tmp_path / "card.img", (0x83, ext), (0x0E, fat)))
    assert finding.outcome == "go"
    assert "The volume is in partition 2, not the first" in told(finding)


@pytest.mark.parametrize(("size", "bits", "sectors"), [(64, 16, 8), (64, 32, 1)])
def test_old_logs_are_named_and_their_size_told(tmp_path: Path, size: int, bits: int, sectors: int):
    card = make_fat(tmp_path / "card.img", size * MIB, bits, "-s", sectors)
    assert "root folder already" not in told(judge(check, card))
    add_files(card, {"LOG001.TXT": 512 * 1024, "LOG002.TXT": 512 * 1024})
    assert "2 files of 1 MiB are in the root folder already (LOG001.TXT, LOG002.TXT): save" in told(
        judge(check, card)
    )
    add_files(card, {"LOG003.TXT": 0, "a long name.csv": 1})
    run("mmd", "-i", card, "::SUBDIR")
    run("mdel", "-i", card, "::LOG002.TXT")
    finding = judge(check, card)
    assert finding.outcome == "go"
    assert "3 files of 512 KiB" in told(finding)
    assert "SUBDIR" not in told(finding)
    add_files(card, {f"LOG1{n:02}.TXT": 1 for n in range(9)})
    assert "12 files of 512 KiB" in told(judge(check, card))
    assert ", …)" in told(judge(check, card))


def test_hostile_names_of_old_files_are_cleaned(tmp_path: Path):
    card = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    add_files(card, {"LOG001.TXT": 5})
    raw = card.read_bytes()
    place = raw.index(b"LOG001  TXT")
    patch(card, place, b"\x1b[2J\x9b\x00\xff ")
    finding = judge(check, card)
    assert "␛[2J<9B>␀<FF>.TXT" in told(finding)
    assert all(remark.isprintable() for remark in finding.remarks)


def test_what_an_interrupted_test_left_is_told_from_old_logs(tmp_path: Path):
    card = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    (tmp_path / "PREFLT00.TMP").write_bytes(WORDS)
    run("mcopy", "-i", card, tmp_path / "PREFLT00.TMP", "::")
    finding = judge(check, card)
    assert "PREFLT00.TMP is what a test that was interrupted left on the card: run that check" in told(
        finding
    )
    assert "root folder already" not in told(finding)
    add_files(card, {"LOG001.TXT": 5})
    assert "1 files of" in told(judge(check, card))


def test_an_fsinfo_that_disagrees_is_said_by_both_checks(tmp_path: Path):
    card = make_fat(tmp_path / "card.img", 64 * MIB, 32, "-s", 1)
    assert "FSInfo" not in told(judge(check, card))
    free = fsck_counts(card)[0]
    patch(card, 512 + 488, struct.pack("<I", 12))
    for finding in (judge(check, card), judge(card_space, card)):
        assert finding.outcome == "go"
        assert f"(12 and {free} clusters): the table was counted. A logger may believe the claim" in told(
            finding
        )


def test_a_data_area_out_of_step_is_said(tmp_path: Path):
    step = make_fat(tmp_path / "step.img", 64 * MIB, 16, "-s", 8)
    assert "data area" not in told(judge(check, with_mbr(tmp_path / "a.img", (0x0E, step))))
    moved = with_mbr(tmp_path / "b.img", (0x0E, step), first=63)
    finding = judge(check, moved)
    assert finding.outcome == "go"
    assert "which is no multiple of its clusters of 4 KiB: the card writes slower" in told(finding)
    # The formatter's own alignment can be turned off.
    off = make_fat(tmp_path / "off.img", 64 * MIB, 16, "-s", 8, "-a", "-R", 3)
    assert "The data area starts at byte" in told(judge(check, off))


def test_the_longest_file_is_a_limit_on_fat_and_none_on_exfat(tmp_path: Path):
    # 10 kHz of 64 B fill the 4 GiB of a file in 1 h 51 min, before the search ends.
    more = '[limits]\n"card.margin" = { at_least = 0.001 }\n'
    from card_images import FLIGHT, drain, flight_text

    from preflight.checks.base import Context
    from preflight.config.load import parse_flight

    assert 'rate = "2 Hz"' in FLIGHT
    for card in (
        make_fat(tmp_path / "16.img", 2000 * MIB, 16, "-s", 64),
        make_fat(tmp_path / "32.img", 4000 * MIB, 32),
    ):
        text = flight_text(card, more=more).replace('rate = "2 Hz"', 'rate = "10 kHz"')
        context = Context(flight=parse_flight(text.encode(), "flight.toml"), folder=Path("/"))
        finding = drain(card_space.run(context))
        limit = readings(finding)["card.file_limit_after"]
        assert limit.value == pytest.approx((2**32 - 1) / 640_000 / 3600)
        assert limit.within is False
        assert finding.outcome == "no-go"
        assert "have the logger begin a new file before this one is full" in told(finding)


def test_flags_of_exfat_are_the_other_way_round_and_named(tmp_path: Path):
    card = make_exfat(tmp_path / "card.img", 16 * MIB)
    assert judge(check, card, formats=ALL).outcome == "go"
    patch(card, 106, b"\x02")
    assert "taken out without being unmounted" in told(judge(check, card, formats=ALL))
    patch(card, 106, b"\x04")
    assert "marked the card as failing (MediaFailure)" in told(judge(check, card, formats=ALL))


@pytest.mark.parametrize(("bits", "size", "value"), [(16, 16, 0xFFF7), (32, 64, 0x0FFFFFF7)])
def test_bad_clusters_are_counted(tmp_path: Path, bits: int, size: int, value: int):
    card = make_fat(tmp_path / "card.img", size * MIB, bits, "-s", 1)
    for cluster in (100, 4000, 4001):
        set_entry(card, bits, cluster, value)
    finding = judge(check, card)
    assert finding.outcome == "go"
    assert "3 clusters are marked bad: the card wears out" in told(finding)


def test_a_write_protected_card_is_told_which_slide_to_move(tmp_path: Path):
    need_loop()
    card = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    with loop_device(card, "--read-only") as device:
        finding = judge(check, device)
    assert "is write-protected: move the slide on the card before it goes into the logger" in told(finding)


@pytest.mark.parametrize(
    ("size", "bits", "said"),
    [
        (1024, 16, ""),
        (1024, 32, "FAT12 or FAT16 on a card of 1 GiB (SDSC), this one holds FAT32"),
        (4096, 32, ""),
        (4000, 16, "FAT32 on a card of 3.91 GiB (SDHC), this one holds FAT16"),
        (40_000, 32, "exFAT on a card of 39.1 GiB (SDXC), this one holds FAT32"),
    ],
)
def test_the_type_is_held_against_the_capacity_class(tmp_path: Path, size: int, bits: int, said: str):
    sectors = 128 if bits == 16 else 8
    card = make_fat(tmp_path / "card.img", size * MIB, bits, "-s", sectors)
    text = told(judge(check, card))
    assert said in text
    assert ("SD standard" in text) is bool(said)


def test_a_card_of_the_usual_kind_is_go_without_remarks(tmp_path: Path):
    """32 GB, MBR, FAT32 from 4 MiB on, as cards are sold."""
    need_tool("sfdisk")
    volume = make_fat(tmp_path / "volume.img", 30_000 * MIB, 32, "-s", 64)
    card = tmp_path / "card.img"
    with card.open("wb") as image:
        image.truncate(30_008 * MIB)
    script = f"label: dos\nstart=8192, type=c, size={30_000 * 2048}\n"
    subprocess.run(["sfdisk", "-q", card], input=script, text=True, check=True)
    run(
        "dd", f"if={volume}", f"of={card}", "bs=1M", "seek=4", "count=16", "conv=notrunc"
    )  # its FATs and root
    finding = judge(check, card)
    assert (finding.outcome, finding.remarks) == ("go", ())
