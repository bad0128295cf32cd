"""The logger's files on images made by the usual formatters: found, in order, read within bounds."""

from __future__ import annotations

import os
import random
import struct
import tracemalloc

import pytest
from card_images import add_files, drain, fat_places, make_fat, mounted, need_fuse, patch, run, set_entry
from tools import need_tool

from preflight.devices import card_logs
from preflight.devices.blocks import BadVolumeError, Blocks, GoneError
from preflight.devices.card_logs import read_logs
from preflight.devices.fat import FatVolume
from preflight.devices.fat_files import entries, find_files, read_file
from preflight.errors import DeviceError

MIB = 1 << 20


def put(image, name, data, *, at=None, folder=""):
    need_tool("mcopy")
    source = image.with_name("source")
    source.write_bytes(data)
    if at is not None:
        os.utime(source, (at, at))
    # In a locale whose letters are known, so that those beyond ASCII come through.
    run("env", "LC_ALL=C.UTF-8", "mcopy", "-m", "-i", image, source, f"::{folder}{name}")


@pytest.mark.parametrize(("size", "bits", "per"), [(2, 12, 1), (16, 16, 2), (160, 16, 64), (40, 32, 1)])
def test_files_come_back_byte_for_byte(tmp_path, size, bits, per):
    image = make_fat(tmp_path / "card.img", size * MIB, bits, "-s", per)
    rng = random.Random(bits)
    wanted = {}
    for n, length in enumerate((0, 1, 511, 512, 513, per * 512, per * 512 + 1, 70_000)):
        wanted[f"LOG{n:03}.CSV"] = rng.randbytes(length)
        put(image, f"LOG{n:03}.CSV", wanted[f"LOG{n:03}.CSV"], at=1_900_000_000 + 60 * n)
    put(image, "OTHER.TXT", b"x")
    found = read_logs(image, "log*.csv")
    assert {log.name: log.data for log in found.files} == wanted
    assert [log.name for log in found.files] == sorted(wanted)
    assert all(log.whole for log in found.files)
    assert found.troubles == ()
    assert found.identity is not None


def test_long_names_folders_and_small_letters(tmp_path):
    image = make_fat(tmp_path / "card.img", 40 * MIB, 32, "-s", 1)
    need_tool("mmd")
    run("mmd", "-i", image, "::data", "::Data of the second logger")
    put(image, "flight log number 12 of the day.csv", b"long", folder="data/")
    put(image, "log7.csv", b"small", folder="data/", at=1_900_000_000)
    put(image, "überflug.csv", b"umlaut", folder="data/")
    put(image, "LOG9.CSV", b"deep", folder="Data of the second logger/", at=1_900_000_000)
    assert {log.name: log.data for log in read_logs(image, "DATA/*.csv").files} == {
        "flight log number 12 of the day.csv": b"long",
        "log7.csv": b"small",
        "überflug.csv": b"umlaut",
    }
    assert [log.data for log in read_logs(image, "data*/log?.csv").files] == [b"small", b"deep"]
    assert read_logs(image, "*.csv").files == ()
    assert read_logs(image, "nothing/here").files == ()


def test_the_order_is_that_of_their_times_then_of_their_numbers(tmp_path):
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    for name, at in (("LOG10.CSV", 0), ("LOG9.CSV", 0), ("LOG1.CSV", 60), ("LOG2.CSV", -60)):
        put(image, name, b"x", at=1_900_000_000 + at)
    assert [log.name for log in read_logs(image, "*").files] == [
        "LOG2.CSV", "LOG9.CSV", "LOG10.CSV", "LOG1.CSV",
    ]  # fmt: skip


def test_of_more_than_the_bound_the_latest_is_read(tmp_path, monkeypatch):
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    old, new = random.Random(1).randbytes(50_000), random.Random(2).randbytes(60_000)
    put(image, "A.CSV", old, at=1_900_000_000)
    put(image, "B.CSV", new, at=1_900_000_060)
    monkeypatch.setattr(card_logs, "MOST_BYTES", 80_000)
    first, second = read_logs(image, "*.CSV").files
    assert (second.data, second.whole) == (new, True)
    assert (first.data, first.whole) == (old[-20_000:], False)
    monkeypatch.setattr(card_logs, "MOST_BYTES", 60_000)
    assert [len(log.data) for log in read_logs(image, "*.CSV").files] == [0, 60_000]


def test_a_chain_that_ends_early_or_runs_into_itself_is_told(tmp_path):
    image = make_fat(tmp_path / "card.img", 40 * MIB, 32, "-s", 1)
    data = random.Random(3).randbytes(20_000)
    put(image, "LOG.CSV", data)
    with Blocks.open(image) as blocks:
        (file,) = find_files(FatVolume(blocks), (lambda name: name == "LOG.CSV",))
    set_entry(image, 32, file.cluster + 9, 0)
    (log,) = read_logs(image, "*.CSV").files
    assert log.data == data[: 10 * 512]
    assert not log.whole
    (trouble,) = read_logs(image, "*.CSV").troubles
    assert trouble.startswith(
        "LOG.CSV is 20000 B long by its entry, but its clusters end after 5120 B: power"
    )
    set_entry(image, 32, file.cluster + 9, file.cluster)
    found = read_logs(image, "*.CSV")
    assert len(found.troubles) == 1
    assert len(found.files[0].data) < 20_000


def test_a_length_that_lies_allocates_nothing(tmp_path):
    image = make_fat(tmp_path / "card.img", 40 * MIB, 32, "-s", 1)
    put(image, "LOG.CSV", b"short")
    with Blocks.open(image) as blocks:
        fat = FatVolume(blocks)
        place = fat.layout.cluster_offset(fat.layout.root_cluster)
        root = fat.read(place, 512)
    at = place + root.index(b"LOG     CSV")
    patch(image, at + 28, struct.pack("<I", 0xFFFFFFFF))
    tracemalloc.start()
    found = read_logs(image, "*.CSV")
    assert tracemalloc.get_traced_memory()[1] < 4 * MIB
    tracemalloc.stop()
    assert found.files[0].data == b""  # its last 64 MiB would lie far behind the chain's end
    assert "4294967295 B long" in found.troubles[0]


def test_a_folder_that_leads_into_itself_is_a_bad_volume(tmp_path):
    image = make_fat(tmp_path / "card.img", 40 * MIB, 32, "-s", 1)
    need_tool("mmd")
    run("mmd", "-i", image, "::DATA")
    add_files(image, {"A.CSV": 5})
    with Blocks.open(image) as blocks:
        fat = FatVolume(blocks)
        (folder,) = [entry for entry in entries(fat, None) if entry.is_folder]
        full = fat.layout.cluster_offset(folder.cluster)
    patch(image, full, b"\xe5" * 512)
    set_entry(image, 32, folder.cluster, folder.cluster)
    with pytest.raises(BadVolumeError, match="leading nowhere or into itself"):
        read_logs(image, "data/*.csv")


def test_a_plain_folder_or_missing_image_is_told(tmp_path):
    with pytest.raises(GoneError, match="plain folder"):
        read_logs(tmp_path, "*.CSV")
    with pytest.raises(GoneError, match="not there"):
        read_logs(tmp_path / "card.img", "*.CSV")


def test_a_mounted_card_is_read_through_its_files(tmp_path, monkeypatch):
    need_fuse("fusefat")
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    put(image, "LOG1.CSV", b"one", at=1_900_000_000)
    put(image, "LOG2.CSV", b"two!", at=1_900_000_060)
    with mounted(tmp_path / "mnt", "fusefat", "-o", "ro", image, unmount=("fusermount", "-u")) as point:
        raw = read_logs(point, "log*.csv")
        assert [(log.name, log.data) for log in raw.files] == [("LOG1.CSV", b"one"), ("LOG2.CSV", b"two!")]
        # Where the device behind a mount may not be read, the mounted files are.
        monkeypatch.setattr("preflight.devices.volume.device_behind", lambda mount: None)
        through = read_logs(point, "log*.csv")
        assert [(log.name, log.data, log.whole) for log in through.files] == [
            ("LOG1.CSV", b"one", True),
            ("LOG2.CSV", b"two!", True),
        ]
        monkeypatch.setattr(card_logs, "MOST_BYTES", 3)
        assert [log.data for log in read_logs(point, "log*.csv").files] == [b"", b"wo!"]


def test_hostile_folders_and_tables_never_crash_or_hang(tmp_path):
    image = make_fat(tmp_path / "card.img", 2 * MIB, 12, "-s", 1)
    need_tool("mmd")
    run("mmd", "-i", image, "::DATA")
    for n in range(4):
        put(image, f"a long name of file {n}.csv", bytes(3000), folder="DATA/")
        put(image, f"LOG{n}.CSV", bytes(2000))
    sound = image.read_bytes()
    places = fat_places(image)
    rounds = max(150, int(os.environ.get("PREFLIGHT_FUZZ", "0")) // 10)
    rng = random.Random(20)
    with Blocks.open(image) as blocks:
        begin = FatVolume(blocks).layout.root_start * 512
    for _ in range(rounds):
        data = bytearray(sound)
        for _ in range(rng.randrange(1, 12)):
            at = rng.choice([rng.randrange(begin, begin + 20_000), places[0] + rng.randrange(90)])
            data[at] = rng.randrange(256)
        image.write_bytes(data)
        for pattern in ("*", "data/*", "*/*"):
            try:
                for log in read_logs(image, pattern).files:
                    assert len(log.data) <= log.size
                    assert log.name.isprintable()
            except DeviceError:
                continue


def test_reading_stops_at_what_is_asked_for(tmp_path):
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    data = random.Random(5).randbytes(100_000)
    put(image, "LOG.CSV", data)
    with Blocks.open(image) as blocks:
        fat = FatVolume(blocks)
        drain(fat.scan())
        (file,) = find_files(fat, (lambda name: True,))
        for most in (1, 100, 4096, 99_999, 100_000, 200_000):
            assert read_file(fat, file, most=most) == (data[-most:], "")
