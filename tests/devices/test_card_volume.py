"""Opening what [card] volume names: images, devices, mounts, and what is none of them."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from card_images import (
    MIB,
    add_files,
    drain,
    fsck_counts,
    loop_device,
    make_exfat,
    make_fat,
    mounted,
    need_fuse,
    need_loop,
    set_entry,
    with_gpt,
    with_mbr,
)

from preflight.devices import mounts
from preflight.devices.blocks import BadVolumeError, GoneError
from preflight.devices.mounts import Mount
from preflight.devices.volume import open_volume


@pytest.fixture
def fat16(tmp_path: Path) -> Path:
    return make_fat(tmp_path / "fat16.img", 8 * MIB, 16, "-s", 1)


def remarks_of(path: Path) -> str:
    with open_volume(path) as volume:
        return " / ".join(volume.remarks)


def test_an_image_tells_type_size_and_a_stable_identity(fat16: Path):
    with open_volume(fat16) as volume:
        assert (volume.fs_type, volume.size, volume.cluster_size) == ("FAT16", 8 * MIB, 512)
        assert volume.identity == "1A2B-3C4D 8388608 B"
        assert (volume.label, volume.not_read, volume.mount, volume.remarks) == ("DUNLIN", "", None, ())
    add_files(fat16, {"LOG001.TXT": 70_000})
    with open_volume(fat16) as volume:
        assert volume.identity == "1A2B-3C4D 8388608 B"


def test_a_hostile_label_is_cleaned(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 8 * MIB, 16, "-s", 1)
    data = bytearray(image.read_bytes())
    assert data.count(b"DUNLIN     ") == 2
    image.write_bytes(data.replace(b"DUNLIN     ", b"\x1b[31mRED\xff\x07 "))
    with open_volume(image) as volume:
        assert volume.label == "␛[31mRED<FF>␇"


def test_the_first_volume_of_several_is_judged_and_said(tmp_path: Path, fat16: Path):
    fat12 = make_fat(tmp_path / "fat12.img", 2 * MIB, 12)
    image = with_mbr(tmp_path / "card.img", (0x01, fat12), (0x0E, fat16))
    with open_volume(image) as volume:
        assert volume.fs_type == "FAT12"
        assert "Partitions 1, 2 each hold a volume; number 1 was judged" in volume.remarks[0]
        assert volume.capacity == image.stat().st_size
    blank = tmp_path / "blank.img"
    blank.write_bytes(bytes(MIB))
    late = with_mbr(tmp_path / "card.img", (0x83, blank), (0x0E, fat16))
    assert "partition 2, not the first" in remarks_of(late)


def test_a_mark_that_is_not_the_type_and_a_gpt_are_said(tmp_path: Path, fat16: Path):
    assert "marks the volume 0x0B, which is not FAT16" in remarks_of(
        with_mbr(tmp_path / "card.img", (0x0B, fat16))
    )
    assert remarks_of(with_mbr(tmp_path / "card.img", (0x06, fat16))) == ""
    assert "GPT" in remarks_of(with_gpt(tmp_path / "card.img", fat16))


def test_a_volume_larger_than_its_partition_is_refused(tmp_path: Path, fat16: Path):
    image = with_mbr(tmp_path / "card.img", (0x0E, fat16))
    with image.open("r+b") as file:
        file.seek(446 + 12)
        file.write((8 * 2048 - 1).to_bytes(4, "little"))
    with pytest.raises(BadVolumeError, match="claims 16384 sectors, but there is room for 16383"):
        open_volume(image)


def test_a_plain_folder_is_no_card(tmp_path: Path):
    with pytest.raises(GoneError, match="a plain folder on this machine's own disk"):
        open_volume(tmp_path)
    with pytest.raises(GoneError, match="is not there: put the card in the reader"):
        open_volume(tmp_path / "CARD")


def test_an_unreadable_volume_keeps_the_sector_as_evidence(tmp_path: Path):
    image = tmp_path / "card.img"
    image.write_bytes(b"no card at all" * 100)
    with pytest.raises(BadVolumeError, match="holds no FAT or exFAT volume") as caught:
        open_volume(image)
    assert caught.value.judged == image.read_bytes()[:512]


def test_mountinfo_is_parsed_with_its_escapes_and_optional_fields(tmp_path: Path, monkeypatch):
    point = tmp_path / "a b\\c"
    point.mkdir()
    escaped = str(point).replace("\\", "\\134").replace(" ", "\\040")
    lines = (
        f"36 25 8:17 / {escaped} rw,nosuid shared:29 master:2 - vfat /dev/sdb1 ro,fmask=0022\n"
        "nonsense\n"
        "1 2 x:y / /else rw - ext4 /dev/x rw\n"
        f"37 36 0:40 / {escaped} rw - fuse.tool /some\\040image rw,user_id=0\n"
    )
    table = tmp_path / "mountinfo"
    table.write_text(lines)
    monkeypatch.setattr(mounts, "_MOUNTINFO", table)
    first, second = mounts.mounts()
    number = os.makedev(8, 17)
    assert first == Mount(point=point, source="/dev/sdb1", kind="vfat", read_only=True, number=number)
    assert second == Mount(point=point, source="/some image", kind="fuse.tool", read_only=False, number=None)
    assert second.through_fuse
    # What is mounted last covers the rest.
    assert mounts.mount_at(point) == second


def test_a_fat16_card_behind_fuse_is_read_where_its_image_is_known(tmp_path: Path, fat16: Path):
    need_fuse("fusefat", "fusermount")
    truth = fsck_counts(fat16)
    command = ("fusefat", fat16, "-o", f"rw+,fsname={fat16}")
    with mounted(tmp_path / "mnt", *command, unmount=("fusermount", "-u")) as point:
        (point / "LOG.TXT").write_bytes(b"x" * 1000)
        with open_volume(point) as volume:
            assert (volume.fs_type, volume.label, volume.not_read) == ("FAT16", "DUNLIN", "")
            assert volume.clusters == truth[1]
            assert volume.remarks == (f"It is mounted at {point}: unmount it before the card is taken out",)
        with open_volume(fat16) as volume:
            assert volume.mount is not None
            assert volume.mount.point == point


@pytest.mark.parametrize(
    ("sectors", "told"),
    # fusefat counts in KiB of whole clusters: below that it reports nothing.
    [(4, "type and free space are the system's own figures"), (1, "the system reports no size either")],
)
def test_a_card_behind_fuse_with_no_known_device_is_left_to_the_system(
    tmp_path: Path, sectors: int, told: str
):
    need_fuse("fusefat", "fusermount")
    image = make_fat(tmp_path / "card.img", 8 * MIB * sectors, 16, "-s", sectors)
    with (
        mounted(tmp_path / "mnt", "fusefat", image, "-o", "ro", unmount=("fusermount", "-u")) as point,
        open_volume(point) as volume,
    ):
        assert (volume.fs_type, volume.identity, volume.content) == (None, None, None)
        assert (volume.totals is None) == (sectors == 1)
        assert volume.not_read == (
            "the file allocation table was not read: "
            f"the device behind {point} is not known (fusefat); {told}"
        )
        assert any("mounted read-only" in remark for remark in volume.remarks)


def test_an_exfat_card_on_a_loop_device_is_named_with_the_systems_totals(tmp_path: Path):
    need_loop()
    need_fuse("mount.exfat-fuse", "umount")
    image = make_exfat(tmp_path / "card.img", 16 * MIB, "-L", "FIELD")
    with (
        loop_device(image) as device,
        mounted(tmp_path / "mnt", "mount.exfat-fuse", device) as point,
    ):
        for path in (point, device, image):
            with open_volume(path) as volume:
                assert (volume.fs_type, volume.label, volume.size) == ("exFAT", "FIELD", 16 * MIB)
                assert volume.mount is not None
                assert volume.mount.point == point
                assert volume.totals is not None
                stats = os.statvfs(point)
                assert volume.totals.free == stats.f_bavail * stats.f_frsize


def test_a_block_device_is_read_anew_and_its_lock_noticed(tmp_path: Path, fat16: Path):
    need_loop()
    with loop_device(fat16) as device:
        with open_volume(device) as volume:
            assert volume.remarks == ()
            assert volume.capacity == 8 * MIB
        # Written behind the device's back, as by another machine: what the system remembers must not count.
        set_entry(fat16, 16, 100, 0xFFFF)
        with open_volume(device) as volume:
            assert drain(volume.content.scan()).free == fsck_counts(fat16)[1] - 1
    with loop_device(fat16, "-r") as device:
        assert "is write-protected: move the slide" in remarks_of(device)


def test_a_device_that_may_not_be_read_leaves_the_systems_figures(tmp_path: Path):
    need_loop()
    need_fuse("mount.exfat-fuse", "umount")
    image = make_exfat(tmp_path / "card.img", 16 * MIB)
    code = (
        "import os, sys; from pathlib import Path; import psutil\n"
        "from preflight.devices.volume import open_volume\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "volume = open_volume(Path(sys.argv[1])); print(volume.not_read); print(volume.totals.free)"
    )
    with loop_device(image) as device:
        folder = Path("/tmp") / f"preflight-{os.getpid()}"  # where others may look
        try:
            with mounted(folder, "mount.exfat-fuse", device) as point:
                words = [sys.executable, "-c", code, str(point)]
                done = subprocess.run(words, capture_output=True, text=True, check=False)
                stats = os.statvfs(point)
        finally:
            folder.rmdir()
    assert done.stdout.splitlines() == [
        f"the file allocation table was not read: no right to open {device}; "
        "type and free space are the system's own figures",
        str(stats.f_bavail * stats.f_frsize),
    ], done.stderr


def test_a_mount_of_the_systems_own_disk_is_not_a_card():
    with open_volume(Path("/proc")) as volume:
        assert volume.fs_type == "proc"
        assert volume.totals is None
        assert "the system reports no size either" in volume.not_read
