"""card-format: what the logger can read, what is sound, and what a crew is told."""

import os
import struct
from pathlib import Path

import pytest
from card_images import (
    MIB,
    add_files,
    drain,
    flight_text,
    fsck_counts,
    geometry,
    judge,
    loop_device,
    make_exfat,
    make_fat,
    mounted,
    need_fuse,
    need_loop,
    patch,
    readings,
    set_entry,
    with_mbr,
)

from preflight.checks import table
from preflight.checks.base import Check, Context
from preflight.checks.card_format import check
from preflight.config.load import parse_flight
from preflight.readings import Finding, Progress, Reading

ALL = ("FAT12", "FAT16", "FAT32", "exFAT")


@pytest.fixture
def fat16(tmp_path: Path) -> Path:
    return make_fat(tmp_path / "fat16.img", 8 * MIB, 16, "-s", 1)


@pytest.fixture
def fat32(tmp_path: Path) -> Path:
    return make_fat(tmp_path / "fat32.img", 40 * MIB, 32, "-s", 1)


def told(finding: Finding) -> str:
    return " / ".join(finding.remarks)


def test_it_is_the_check_of_its_name_in_the_table():
    assert isinstance(check, Check)
    assert table.get("card-format") is check


def test_a_sound_card_that_the_logger_reads_is_go(fat16: Path):
    finding = judge(check, fat16)
    assert (finding.check, finding.outcome, finding.remarks) == ("card-format", "go", ())
    values = {name: (r.value, r.unit, r.source) for name, r in readings(finding).items()}
    assert values == {
        "card.type": ("FAT16", "", "measured"),
        "card.identity": ("1A2B-3C4D 8388608 B", "", "measured"),
        "card.label": ("DUNLIN", "", "measured"),
        "card.size": (8 * MIB, "B", "measured"),
        "card.clusters": (fsck_counts(fat16)[1], "", "measured"),
        "card.cluster_size": (512, "B", "measured"),
    }
    assert finding.evidence[0].data == fat16.read_bytes()[:512]
    assert "logger.formats" in finding.reads
    assert finding.seconds > 0


def test_a_relative_volume_starts_at_the_flight_files_folder(fat16: Path):
    assert judge(check, fat16.name, folder=fat16.parent).outcome == "go"


def test_fsinfo_is_kept_as_evidence(fat32: Path):
    finding = judge(check, fat32)
    raw = fat32.read_bytes()
    assert [e.data for e in finding.evidence] == [raw[:512], raw[512:1024]]


@pytest.mark.parametrize(
    ("bits", "size", "formats", "outcome"),
    [
        (12, 2, ("FAT16", "FAT32"), "no-go"),
        (12, 2, ("FAT12",), "go"),
        (16, 8, ("FAT32",), "no-go"),
        (16, 8, ("FAT16",), "go"),
        (32, 40, ("FAT16",), "no-go"),
        (32, 40, ("FAT32",), "go"),
    ],
)
def test_only_a_type_that_the_logger_reads_is_go(
    tmp_path: Path, bits: int, size: int, formats: tuple[str, ...], outcome: str
):
    image = make_fat(tmp_path / "card.img", size * MIB, bits, "-s", 1)
    finding = judge(check, image, formats=formats)
    assert finding.outcome == outcome
    assert readings(finding)["card.type"].value == f"FAT{bits}"
    if outcome == "no-go":
        assert f"The card is FAT{bits}, the logger reads {' or '.join(formats)}" in finding.remarks[0]


def test_exfat_is_named_and_refused_unless_the_logger_reads_it(tmp_path: Path):
    image = make_exfat(tmp_path / "card.img", 16 * MIB)
    refused = judge(check, image)
    assert refused.outcome == "no-go"
    assert "The card is exFAT, the logger reads FAT16 or FAT32" in refused.remarks[0]
    assert readings(refused)["card.type"].value == "exFAT"
    assert judge(check, image, formats=ALL).outcome == "go"


def test_without_a_logger_section_somebody_has_to_say(fat16: Path):
    finding = judge(check, fat16, formats=())
    assert finding.outcome == "open"
    assert "Not checked: whether the logger reads it: add [logger]" in told(finding)


def test_another_card_is_no_go_and_the_same_one_is_not(tmp_path: Path, fat16: Path):
    known = {r.name: r for r in judge(check, fat16).readings}
    assert judge(check, fat16, measured=known).outcome == "go"
    other = make_fat(tmp_path / "other.img", 8 * MIB, 16, "-s", 1, "-i", "99998888")
    finding = judge(check, other, measured=known)
    assert finding.outcome == "no-go"
    assert finding.remarks[0].startswith(
        "This is another card (9999-8888 8388608 B) than the one checked before (1A2B-3C4D 8388608 B): put"
    )


def test_copies_that_differ_are_no_go(fat16: Path, fat32: Path):
    for image, bits in ((fat16, 16), (fat32, 32)):
        set_entry(image, bits, 9000, 0xFFF8 if bits == 16 else 0x0FFFFFF8, copies=(1,))
        finding = judge(check, image)
        assert finding.outcome == "no-go"
        assert "copies of the file allocation table differ" in told(finding)


def test_a_copy_that_is_not_kept_alike_may_differ(fat32: Path):
    set_entry(fat32, 32, 9000, 0x0FFFFFF8, copies=(1,))
    for boot in (0, 6 * 512):
        patch(fat32, boot + 40, b"\x81")  # no mirroring, the second FAT is active
    assert judge(check, fat32).outcome == "go"


def test_entries_that_point_outside_are_no_go(fat16: Path, fat32: Path):
    for image, bits, value in ((fat16, 16, 0xFFEF), (fat32, 32, 0x0FFFFFEF), (fat16, 16, 1), (fat32, 32, 1)):
        set_entry(image, bits, 9000, value)
        finding = judge(check, image)
        assert finding.outcome == "no-go"
        assert "allocation table points outside the volume, in 1 entries" in told(finding)


def test_a_card_taken_out_unclean_is_no_go(fat16: Path, fat32: Path):
    for image, bits, sound in ((fat16, 16, 0xFFFF), (fat32, 32, 0x0FFFFFFF)):
        top = 0x8000 if bits == 16 else 0x08000000
        set_entry(image, bits, 1, sound & ~top)
        finding = judge(check, image)
        assert finding.outcome == "no-go"
        assert "taken out without being unmounted" in told(finding)
        set_entry(image, bits, 1, sound)
        assert judge(check, image).outcome == "go"
        patch(image, 0x25 if bits == 16 else 0x41, b"\x01")
        assert judge(check, image).outcome == "no-go"


def test_a_card_that_met_errors_is_no_go(fat16: Path, fat32: Path):
    for image, bits, value in ((fat16, 16, 0xBFFF), (fat32, 32, 0x0BFFFFFF)):
        set_entry(image, bits, 1, value)
        finding = judge(check, image)
        assert finding.outcome == "no-go"
        assert "marked for read or write errors" in told(finding)


def test_a_table_that_does_not_begin_as_it_must_is_no_go(fat16: Path):
    set_entry(fat16, 16, 0, 0xFFF0)
    assert "begins wrong, not as a FAT16 one must" in told(judge(check, fat16))


def test_a_backup_of_another_layout_is_no_go(fat32: Path):
    patch(fat32, 6 * 512 + 32, struct.pack("<I", 70_000))
    finding = judge(check, fat32)
    assert finding.outcome == "no-go"
    assert "boot sector and its backup differ" in told(finding)


def test_a_root_folder_nearly_full_is_said_and_a_full_one_is_no_go(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 8 * MIB, 16, "-s", 1, "-r", 32)
    add_files(image, {f"L{n}.TXT": 0 for n in range(20)})
    finding = judge(check, image)
    assert finding.outcome == "go"
    assert "root folder has only 11 of 32 places left" in told(finding)
    add_files(image, {f"M{n}.TXT": 0 for n in range(11)})
    finding = judge(check, image)
    assert finding.outcome == "no-go"
    assert "root folder is full" in told(finding)


def test_bad_clusters_large_clusters_and_a_near_boundary_are_said(tmp_path: Path, fat16: Path):
    set_entry(fat16, 16, 77, 0xFFF7)
    assert "1 clusters are marked bad" in told(judge(check, fat16))
    large = make_fat(tmp_path / "large.img", 512 * MIB, 16, "-s", 128)
    assert "Clusters of 64 KiB are not read everywhere" in told(judge(check, large))
    near = make_fat(tmp_path / "near.img", 40 * MIB, 32, "-s", 1)
    sector, reserved, fats, length = geometry(near)
    total = reserved + fats * length + 65_530
    for boot in (0, 6):
        patch(near, boot * sector + 32, struct.pack("<I", total))
    finding = judge(check, near)
    assert readings(finding)["card.clusters"].value == 65_530
    assert "65530 clusters are within 16 of where the type changes (65525)" in told(finding)


def test_a_type_that_the_sd_standard_does_not_put_there_is_said(fat16: Path, fat32: Path):
    assert "SD standard" not in told(judge(check, fat16))
    assert "puts FAT12 or FAT16 on a card of 40 MiB (SDSC), this one holds FAT32" in told(judge(check, fat32))


def test_remarks_of_the_partition_table_are_passed_on(tmp_path: Path, fat16: Path):
    image = with_mbr(tmp_path / "card.img", (0x0E, fat16), (0x0E, fat16))
    finding = judge(check, image)
    assert finding.outcome == "go"
    assert "number 1 was judged" in told(finding)


@pytest.mark.parametrize("volume", ["absent.img", "."])
def test_no_card_is_no_go_with_what_to_do(tmp_path: Path, volume: str):
    finding = judge(check, volume, folder=tmp_path)
    assert finding.outcome == "no-go"
    assert "put the card in the reader" in finding.remarks[0]
    assert finding.readings == ()


def test_a_card_with_nothing_on_it_is_no_go_and_its_sector_kept(tmp_path: Path):
    image = tmp_path / "card.img"
    image.write_bytes(b"\xe5" * 4096)
    finding = judge(check, image)
    assert finding.outcome == "no-go"
    assert "holds no FAT or exFAT volume: format the card for the logger" in finding.remarks[0]
    assert finding.evidence[0].data == b"\xe5" * 512


def test_a_card_that_vanishes_in_the_middle_is_no_go_with_what_to_do(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 600 * MIB, 32, "-s", 1)
    flight = parse_flight(flight_text(image).encode(), "flight.toml")
    shares = []

    def pull_out(progress: Progress) -> None:
        if progress.fraction is not None:
            shares.append(progress.fraction)
            os.truncate(image, MIB)

    finding = drain(check.run(Context(flight=flight, folder=tmp_path)), pull_out)
    assert 0 < shares[0] < 1
    assert finding.outcome == "no-go"
    assert "push it firmly home and run this check again" in finding.remarks[0]
    assert readings(finding)["card.type"].value == "FAT32"


def test_it_can_be_stopped(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 600 * MIB, 32, "-s", 1)
    finding = judge(check, image, stopped=lambda: True)
    assert finding.outcome == "open"
    assert "Not checked: stopped, the file allocation table was not read to its end" in told(finding)


def test_limits_of_the_flight_file_are_judged(fat16: Path):
    more = '[limits]\n"card.size" = { at_least = "16 MiB" }\n'
    finding = judge(check, fat16, more=more)
    assert finding.outcome == "no-go"
    assert readings(finding)["card.size"].at_least == 16 * MIB


def test_a_hostile_identity_from_outside_is_cleaned(fat16: Path):
    known = {"card.identity": Reading(name="card.identity", value="\x1b[2Jx")}
    assert "(␛[2Jx)" in told(judge(check, fat16, measured=known))


def test_a_mounted_fat16_card_is_judged_and_its_flags_are_only_said(tmp_path: Path, fat16: Path):
    need_fuse("fusefat", "fusermount")
    command = ("fusefat", fat16, "-o", f"ro,fsname={fat16}")
    with mounted(tmp_path / "mnt", *command, unmount=("fusermount", "-u")) as point:
        assert judge(check, point).outcome == "go"
        set_entry(fat16, 16, 1, 0x7FFF)
        finding = judge(check, point)
        assert finding.outcome == "go"
        assert "marked as in use" in told(finding)
        assert "unmount it before the card is taken out" in told(finding)


def test_a_mount_with_no_known_device_is_open_and_says_what_was_not_looked_at(tmp_path: Path):
    need_fuse("fusefat", "fusermount")
    image = make_fat(tmp_path / "card.img", 32 * MIB, 16, "-s", 4)
    with mounted(tmp_path / "mnt", "fusefat", image, "-o", "ro", unmount=("fusermount", "-u")) as point:
        finding = judge(check, point)
        known = {"card.identity": Reading(name="card.identity", value="1A2B-3C4D 33554432 B")}
        again = judge(check, point, measured=known)
    assert finding.outcome == again.outcome == "open"
    assert "Not checked: whether the volume is sound: the file allocation table was not read" in told(finding)
    assert "Not checked: whether this is still the card checked before" in told(again)
    assert readings(finding)["card.type"].value is None


def test_a_mounted_exfat_card_is_named(tmp_path: Path):
    need_loop()
    need_fuse("mount.exfat-fuse", "umount")
    image = make_exfat(tmp_path / "card.img", 16 * MIB)
    with (
        loop_device(image) as device,
        mounted(tmp_path / "mnt", "mount.exfat-fuse", device) as point,
    ):
        finding = judge(check, point)
    assert finding.outcome == "no-go"
    assert readings(finding)["card.type"].value == "exFAT"
