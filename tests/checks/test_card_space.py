"""card-space: the clusters that the table has free against what the flight needs."""

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
)

from preflight.checks import table
from preflight.checks.base import Check, Context
from preflight.checks.card_format import check as card_format
from preflight.checks.card_space import check
from preflight.config.load import parse_flight
from preflight.readings import Finding, Progress, Reading


def told(finding: Finding) -> str:
    return " / ".join(finding.remarks)


def free_by_fsck(image: Path, cluster_size: int) -> int:
    return fsck_counts(image)[0] * cluster_size


def test_it_is_the_check_of_its_name_in_the_table():
    assert isinstance(check, Check)
    assert table.get("card-space") is check


@pytest.mark.parametrize(
    ("bits", "size", "sectors"), [(12, 7, 4), (16, 16, 1), (16, 64, 8), (32, 40, 1), (32, 600, 8)]
)
def test_free_bytes_are_those_of_fsck(tmp_path: Path, bits: int, size: int, sectors: int):
    image = make_fat(tmp_path / "card.img", size * MIB, bits, "-s", sectors)
    add_files(image, {"LOG001.TXT": 234_567, "LOG002.TXT": 1})
    truth = free_by_fsck(image, sectors * 512)
    finding = judge(check, image)
    assert finding.outcome == "go"
    assert readings(finding)["card.free"].value == truth
    assert "FSInfo" not in told(finding)
    if bits == 32:
        for claim in (3, 0x7FFFFFFF):
            patch(image, 512 + 488, struct.pack("<I", claim))
            finding = judge(check, image)
            assert readings(finding)["card.free"].value == truth == free_by_fsck(image, sectors * 512)
            assert f"({claim} and {truth // 512 // sectors} clusters): the table was counted" in told(finding)


def test_the_margin_is_free_by_need_with_a_limit_of_two(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 64 * MIB, 16, "-s", 8)
    found = readings(judge(check, image))
    assert {name.partition(".")[0] for name in found} == {"card"}
    margin, free, need = found["card.margin"], found["card.free"], found["card.need"]
    assert (margin.at_least, margin.within) == (2.0, True)
    assert margin.value == pytest.approx(free.value / need.value)
    # 2 Hz of 64 B for three hours of search alone are 1.4 MB; the flight comes on top.
    assert need.value > 2 * 64 * 3 * 3600
    assert found["card.full_after"].value == pytest.approx(free.value / 128 / 3600)
    assert found["card.file_limit_after"].value == pytest.approx((2**32 - 1) / 128 / 3600)
    raised = readings(judge(check, image, more='[limits]\n"card.margin" = { at_least = 90.0 }\n'))
    assert (raised["card.margin"].at_least, raised["card.margin"].within) == (90.0, False)


def test_a_card_too_small_is_no_go_and_says_what_would_help(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 8 * MIB, 16, "-s", 1)
    add_files(image, {"OLD.LOG": 4 * MIB})
    finding = judge(check, image)
    assert finding.outcome == "no-go"
    assert readings(finding)["card.margin"].within is False
    assert "To bring card.margin inside its limit: " in told(finding)
    assert "MiB more free" in told(finding)


def test_a_full_card_is_no_go(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 2 * MIB, 12, "-s", 8)
    free = fsck_counts(image)[0]
    add_files(image, {"OLD.LOG": free * 4096})
    finding = judge(check, image)
    assert finding.outcome == "no-go"
    assert readings(finding)["card.free"].value == 0
    assert "The card is full" in finding.remarks[0]


def test_measured_samples_longer_than_declared_count(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 64 * MIB, 16, "-s", 8)
    before = readings(judge(check, image))["card.need"].value
    measured = {"sample.length": Reading(name="sample.length", value=128.0, unit="B")}
    after = judge(check, image, measured=measured)
    assert readings(after)["card.need"].value == pytest.approx(2 * before, rel=0.05)
    assert {"card.identity", "sample.length", "sample.rate"} <= set(after.reads)


def test_another_card_is_no_go_and_stays_so_until_card_format_has_seen_it(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    other = make_fat(tmp_path / "other.img", 16 * MIB, 16, "-i", "99998888")
    known = {r.name: r for r in judge(card_format, image).readings}
    assert judge(check, image, measured=known).outcome == "go"
    finding = judge(check, other, measured=known)
    assert finding.outcome == "no-go"
    assert "This is another card (9999-8888 16777216 B)" in finding.remarks[0]
    assert finding.readings == ()


def test_alone_it_tells_which_card_it_saw(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    assert readings(judge(check, image))["card.identity"].value == "1A2B-3C4D 16777216 B"


def test_a_table_not_to_be_trusted_is_never_go(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 64 * MIB, 16, "-s", 8)
    set_entry(image, 16, 500, 0xFFF8, copies=(1,))
    assert judge(check, image).outcome == "no-go"


def test_without_samples_it_cannot_be_checked():
    text = flight_text("card.img").split("[sample]")[0] + '[card]\nvolume = "card.img"\n'
    flight = parse_flight(text.encode(), "flight.toml")
    from preflight.checks.base import run_check

    finding = run_check(check, Context(flight=flight, folder=Path("/")))
    assert (finding.outcome, finding.remarks) == ("open", ("Not checked: the flight file has no [sample]",))


def test_a_card_that_vanishes_in_the_middle_is_no_go(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 600 * MIB, 32, "-s", 1)
    flight = parse_flight(flight_text(image).encode(), "flight.toml")

    def pull_out(progress: Progress) -> None:
        if progress.fraction is not None:
            os.truncate(image, MIB)

    finding = drain(check.run(Context(flight=flight, folder=tmp_path)), pull_out)
    assert finding.outcome == "no-go"
    assert "push it firmly home and run this check again" in finding.remarks[0]
    assert "card.free" not in readings(finding)


def test_it_can_be_stopped(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 600 * MIB, 32, "-s", 1)
    finding = judge(check, image, stopped=lambda: True)
    assert finding.outcome == "open"
    assert readings(finding)["card.free"].value is None


@pytest.mark.parametrize("sectors", [1, 4])
def test_the_systems_own_figures_leave_it_open(tmp_path: Path, sectors: int):
    need_fuse("fusefat", "fusermount")
    image = make_fat(tmp_path / "card.img", 8 * sectors * MIB, 16, "-s", sectors)
    with mounted(tmp_path / "mnt", "fusefat", image, "-o", "ro", unmount=("fusermount", "-u")) as point:
        finding = judge(check, point)
        stats = os.statvfs(point)
    assert finding.outcome == "open"
    assert "Not checked: the file allocation table was not read" in told(finding)
    # Below 1 KiB a cluster fusefat reports no blocks at all.
    expected = None if sectors == 1 else stats.f_bavail * stats.f_frsize
    assert readings(finding)["card.free"].value == expected


def test_too_little_by_the_systems_figures_is_no_go_at_once(tmp_path: Path):
    need_fuse("fusefat", "fusermount")
    image = make_fat(tmp_path / "card.img", 32 * MIB, 16, "-s", 4)
    more = '[limits]\n"card.margin" = { at_least = 1000.0 }\n'
    with mounted(tmp_path / "mnt", "fusefat", image, "-o", "ro", unmount=("fusermount", "-u")) as point:
        assert judge(check, point, more=more).outcome == "no-go"


def test_a_fat16_card_mounted_over_fuse_is_counted_by_its_table(tmp_path: Path):
    need_fuse("fusefat", "fusermount")
    image = make_fat(tmp_path / "card.img", 32 * MIB, 16, "-s", 4)
    command = ("fusefat", image, "-o", f"rw+,fsname={image}")
    with mounted(tmp_path / "mnt", *command, unmount=("fusermount", "-u")) as point:
        (point / "LOG.TXT").write_bytes(b"x" * 100_000)
        finding = judge(check, point)
        assert finding.outcome == "go"
        assert readings(finding)["card.free"].value == free_by_fsck(image, 2048)


def test_exfat_is_left_to_the_system_that_has_it_mounted(tmp_path: Path):
    need_loop()
    need_fuse("mount.exfat-fuse", "umount")
    image = make_exfat(tmp_path / "card.img", 32 * MIB)
    unmounted = judge(check, image)
    assert unmounted.outcome == "open"
    assert "which on exFAT only a system that has it mounted tells" in told(unmounted)
    with (
        loop_device(image) as device,
        mounted(tmp_path / "mnt", "mount.exfat-fuse", device) as point,
    ):
        finding = judge(check, point)
        stats = os.statvfs(point)
    assert finding.outcome == "go"
    assert readings(finding)["card.free"].value == stats.f_bavail * stats.f_frsize
    assert "card.file_limit_after" not in readings(finding)  # no ceiling of 4 GiB on exFAT
    assert "Free space is the system's own figure" in told(finding)
