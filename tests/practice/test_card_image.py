"""The demo's card image against dosfstools, mtools and this project's own reader."""

import re
import struct
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tools import need_tool

from preflight.devices.fat import FatVolume
from preflight.devices.volume import open_volume
from preflight.errors import DeviceError
from preflight.practice.card_image import CardImage, make_card

MIB = 1024 * 1024
WRITTEN = datetime(2027, 5, 15, 17, 42, 30, tzinfo=UTC)
OLD = {"LOG001.TXT": b"1,990.1,12.0\r\n" * 300, "LOG002.TXT": b"", "NOTES": b"seal the lid\r\n"}


def card(folder: Path, **changes: object) -> CardImage:
    asked = {
        "size": 64 * MIB,
        "label": "FIELD CARD",
        "serial": 0x1A2B3C4D,
        "files": OLD,
        "written": WRITTEN,
    } | changes
    return make_card(folder / "card.img", **asked)  # type: ignore[arg-type]


def volume_file(made: CardImage) -> Path:
    """The volume alone, as fsck.fat wants it."""
    alone = made.path.with_name("volume.img")
    with made.path.open("rb") as image, alone.open("wb") as out:
        image.seek(made.start)
        while block := image.read(MIB):
            out.write(block)
    return alone


@pytest.mark.parametrize("partitioned", [True, False])
@pytest.mark.parametrize("size", [64 * MIB, 300 * MIB])
def test_fsck_calls_it_clean_and_counts_the_same_clusters(tmp_path: Path, partitioned: bool, size: int):
    need_tool("fsck.fat")
    # With 8 sectors a cluster 300 MiB are 76 thousand clusters: the other row of the specification's table.
    made = card(tmp_path, partitioned=partitioned, size=size)
    told = subprocess.run(
        ["fsck.fat", "-n", "-v", str(volume_file(made))], capture_output=True, text=True, check=False
    )
    assert told.returncode == 0, told.stdout + told.stderr
    assert "FAT32" in told.stdout or "32 bit" in told.stdout
    found = re.search(r"(\d+) files, (\d+)/(\d+) clusters", told.stdout)
    assert found is not None
    assert int(found[3]) == made.clusters
    assert (made.clusters - int(found[2])) * made.cluster_size == made.free
    for trouble in ("differences", "Free cluster summary", "mismatch", "Dirty"):
        assert trouble not in told.stdout


@pytest.mark.parametrize("partitioned", [True, False])
def test_mtools_lists_and_reads_the_files(tmp_path: Path, partitioned: bool):
    need_tool("mdir", "mtype")
    made = card(tmp_path, partitioned=partitioned)
    drive = f"{made.path}@@{made.start}"
    listed = subprocess.run(["mdir", "-i", drive, "::"], capture_output=True, text=True, check=True).stdout
    assert "FIELD CARD" in listed
    assert "1A2B-3C4D" in listed
    assert re.search(r"LOG001\s+TXT\s+4200 2027-05-15\s+17:42", listed)
    for name, data in OLD.items():
        read = subprocess.run(["mtype", "-i", drive, f"::{name}"], capture_output=True, check=True)
        assert read.stdout == data


@pytest.mark.parametrize("partitioned", [True, False])
def test_our_own_reader_agrees(tmp_path: Path, partitioned: bool):
    made = card(tmp_path, partitioned=partitioned)
    with open_volume(made.path) as volume:
        content = volume.content
        assert isinstance(content, FatVolume)
        assert (volume.fs_type, volume.label, volume.remarks) == ("FAT32", "FIELD CARD", ())
        assert (volume.clusters, volume.cluster_size) == (made.clusters, made.cluster_size)
        assert volume.identity == f"1A2B-3C4D {made.size - made.start} B"
        assert not content.backup_differs
        run = content.scan()
        try:
            while True:
                next(run)
        except StopIteration as end:
            scan = end.value
    assert scan.free * made.cluster_size == made.free
    assert content.fsinfo is not None
    assert content.fsinfo.free == scan.free


def test_it_takes_little_room_and_leaves_no_half_image(tmp_path: Path):
    made = card(tmp_path, size=128 * MIB)
    assert made.path.stat().st_size == 128 * MIB
    assert [found.name for found in tmp_path.iterdir()] == ["card.img"]
    blocks = getattr(made.path.stat(), "st_blocks", None)
    if blocks:
        assert blocks * 512 < MIB


def test_a_card_is_replaced(tmp_path: Path):
    card(tmp_path)
    again = card(tmp_path, serial=7)
    # the number stands in the volume's boot sector at byte 67
    raw = again.path.read_bytes()[again.start + 67 :][:4]
    assert struct.unpack("<I", raw) == (7,)


@given(
    names=st.lists(
        st.from_regex(r"[A-Z0-9]{1,8}(\.[A-Z0-9]{1,3})?", fullmatch=True), unique=True, max_size=40
    )
)
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_number_of_files_is_clean(tmp_path: Path, names: list[str]):
    need_tool("fsck.fat")
    made = card(tmp_path, size=34 * MIB, partitioned=False, files={n: n.encode() * 100 for n in names})
    told = subprocess.run(["fsck.fat", "-n", str(made.path)], capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stdout


@pytest.mark.parametrize(
    "bad",
    [
        {"size": 8 * MIB},
        {"label": "much too long a label"},
        {"label": "lower"},
        {"files": {"a long name.text": b""}},
        {"files": {"BIG.BIN": b"\0" * 65 * MIB}},
        {"written": datetime(1979, 1, 1, tzinfo=UTC)},
    ],
)
def test_what_fat32_cannot_hold_is_refused(tmp_path: Path, bad: dict[str, object]):
    with pytest.raises(ValueError, match=r"FAT|short|fit|label"):
        card(tmp_path, **bad)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path):
    with pytest.raises(DeviceError, match=r"card\.img: the card image can't be written"):
        card(tmp_path / "absent")
