"""Files of this tool's own on a card: nothing else is touched, whatever happens to the card in the middle."""

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from card_images import make_exfat, mounted, need_fuse, need_loop
from fuse_card import fuse_card
from loop_mounts import make_ext4, need_mounts
from loop_mounts import mounted as ext4_mounted

from preflight.devices import uncached
from preflight.devices.blocks import GoneError
from preflight.devices.marked_blocks import WORDS, Pattern
from preflight.devices.mounts import Mount, mount_at
from preflight.devices.own_file import FullError, LockedError, Place, own_name
from preflight.errors import DeviceError

MIB = 1 << 20
PATTERN = Pattern(5)


def mount_on(point: Path) -> Mount:
    mount = mount_at(point)
    assert mount is not None
    return mount


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Path]:
    need_fuse("fusermount")
    with fuse_card(tmp_path / "store", tmp_path / "mnt", claimed=16 * MIB):
        yield tmp_path / "mnt"


@pytest.fixture
def ext4(tmp_path: Path) -> Iterator[Path]:
    need_mounts()
    make_ext4(tmp_path / "card.img")
    with ext4_mounted(tmp_path / "card.img", tmp_path / "mnt") as point:
        yield point


def write_and_read(point: Path) -> bool:
    """Write pieces of odd lengths, read them back and compare; whether that went past the system's memory."""
    with Place(mount_on(point)) as place:
        file = place.create()
        for length in (4096, 1, 63, 64, 100_000, MIB, 2 * MIB + 5):
            assert file.append(PATTERN.bytes_at(file.size, length)) > 0
        assert (point / file.name).stat().st_size == file.size
        found = bytearray()
        for offset, data in file.read_back():
            assert offset == len(found)
            found += data
        assert found == PATTERN.bytes_at(0, file.size)
        file.remove()
        assert file.name not in place.names()
        return file.past_memory


def test_a_file_is_written_read_back_and_removed(ext4: Path):
    assert write_and_read(ext4) is True
    assert list(ext4.iterdir()) == [ext4 / "lost+found"]


def test_over_fuse_what_the_system_holds_of_the_image_is_forgotten_too(served: Path):
    assert write_and_read(served) is True
    assert list(served.iterdir()) == []


def test_over_fuse_a_device_that_is_not_known_is_said(tmp_path: Path):
    need_fuse("fusermount")
    (tmp_path / "mnt").mkdir()
    with fuse_card(tmp_path / "store", tmp_path / "mnt", claimed=16 * MIB, source="somewhere"):
        assert write_and_read(tmp_path / "mnt") is False


def test_on_exfat_over_a_loop_device(tmp_path: Path):
    need_loop()
    need_fuse("mount.exfat-fuse", "umount")
    from card_images import loop_device

    image = make_exfat(tmp_path / "card.img", 16 * MIB)
    with loop_device(image) as device, mounted(tmp_path / "mnt", "mount.exfat-fuse", device) as point:
        assert write_and_read(point) is True
        assert list(point.iterdir()) == []


def test_where_memory_can_only_be_asked_to_forget_its_absence_is_proved(ext4: Path, monkeypatch):
    monkeypatch.delattr(os, "O_DIRECT")
    assert write_and_read(ext4) is True
    monkeypatch.setattr(uncached, "_forget", lambda handle: False)
    assert write_and_read(ext4) is False
    monkeypatch.undo()
    monkeypatch.delattr(os, "O_DIRECT")
    monkeypatch.delattr(os, "RWF_NOWAIT")
    assert write_and_read(ext4) is False


def test_memory_that_still_holds_a_file_is_noticed(ext4: Path):
    path = ext4 / "file"
    path.write_bytes(bytes(3 * MIB))
    with path.open("rb") as file:
        assert file.read(1)
        os.fsync(file.fileno())
        assert not uncached.held_nowhere(file.fileno(), (0,))
        assert uncached.let_go(file.fileno(), mount_on(ext4))
        assert uncached.held_nowhere(file.fileno(), (0, MIB, 2 * MIB))


def test_leftovers_are_known_by_name_and_beginning_and_others_left_alone(ext4: Path):
    (ext4 / own_name(0)).write_bytes(WORDS + b"of a run that was killed")
    (ext4 / own_name(1)).write_bytes(b"somebody's data under the same name")
    (ext4 / own_name(2).lower()).write_bytes(b"")
    (ext4 / "LOG.TXT").write_bytes(WORDS)
    (ext4 / own_name(3)).mkdir()
    (ext4 / own_name(4)).symlink_to(ext4 / "LOG.TXT")
    os.mkfifo(ext4 / own_name(5))
    with Place(mount_on(ext4)) as place:
        assert place.leftovers() == (own_name(0), own_name(2).lower())
        for name in place.leftovers():
            place.remove(name)
        assert place.leftovers() == ()
        names = [place.create().name for _ in range(5)]
    # What stands under a name of ours is never opened, followed or written over.
    assert names == [own_name(n) for n in (0, 2, 6, 7, 8)]
    assert (ext4 / own_name(1)).read_bytes() == b"somebody's data under the same name"
    assert (ext4 / "LOG.TXT").read_bytes() == WORDS


def test_a_full_card_and_one_with_every_name_taken_are_told(ext4: Path):
    with Place(mount_on(ext4)) as place:
        file = place.create()
        with pytest.raises(FullError, match="has no room left"):
            file.append(bytes(32 * MIB))
        file.remove()
        for number in range(256):
            (ext4 / own_name(number)).write_bytes(b"x")
    with Place(mount_on(ext4)) as place, pytest.raises(FullError, match="Every name of a test file is taken"):
        place.create()


def test_a_card_mounted_read_only_takes_no_writing(ext4: Path):
    subprocess.run(["mount", "-o", "remount,ro", ext4], check=True)
    with Place(mount_on(ext4)) as place, pytest.raises(LockedError, match="move the slide"):
        place.create()


def test_nothing_is_ever_written_under_a_mount_point_that_lost_its_card(tmp_path: Path):
    need_fuse("fusermount")
    point = tmp_path / "mnt"
    with fuse_card(tmp_path / "store", point, claimed=16 * MIB):
        place = Place(mount_on(point))
        file = place.create()
        file.append(WORDS)
        subprocess.run(["fusermount", "-u", "-z", point], check=True)
        with pytest.raises(GoneError, match="was taken out or unmounted meanwhile"):
            place.check()
        # The card is still there for whoever holds it: the file is taken off it, not off this machine's disk.
        (point / file.name).write_bytes(b"on this machine's disk")
        file.remove()
        place.close()
        assert (point / file.name).read_bytes() == b"on this machine's disk"
        (point / file.name).unlink()
    with fuse_card(tmp_path / "store", point, claimed=16 * MIB):
        assert list(point.iterdir()) == []


def test_another_card_mounted_over_the_first_is_noticed(tmp_path: Path, served: Path):
    with Place(mount_on(served)) as place:
        need_mounts()
        make_ext4(tmp_path / "other.img")
        with ext4_mounted(tmp_path / "other.img", served), pytest.raises(GoneError):
            place.check()
        place.check()


def test_a_mount_that_is_not_the_one_asked_for_is_refused(served: Path):
    other = Mount(point=served, source="/dev/sdz1", kind="vfat", read_only=False, number=12345)
    with pytest.raises(GoneError):
        Place(other)


def test_a_card_pulled_out_is_told_in_every_call(tmp_path: Path):
    need_fuse("fusermount")
    point = tmp_path / "mnt"
    with fuse_card(tmp_path / "store", point, claimed=16 * MIB) as server:
        place = Place(mount_on(point))
        file = place.create()
        file.append(WORDS)
        server.kill()
        server.wait()
        for call in (
            place.check,
            place.names,
            place.create,
            place.room,
            place.leftovers,
            lambda: place.length(file.name),
            lambda: file.append(b"x"),
            lambda: list(file.read_back()),
            file.remove,
        ):
            with pytest.raises(GoneError, match="run this check again"):
                call()
        place.close()


def test_input_output_errors_are_told(tmp_path: Path):
    need_fuse("fusermount")
    with fuse_card(tmp_path / "store", tmp_path / "mnt", fail=2), Place(mount_on(tmp_path / "mnt")) as place:
        file = place.create()
        file.append(b"x")
        with pytest.raises(GoneError, match="push it firmly home") as told:
            file.append(b"x")
        assert isinstance(told.value.__cause__, OSError)
        file.remove()
        assert place.names() == ()


def test_room_is_reserved_without_being_written(ext4: Path):
    with Place(mount_on(ext4)) as place:
        file, before = place.create(), place.room()
        assert before is not None
        assert file.reserve(4 * MIB)
        assert (ext4 / file.name).stat().st_size == 0
        assert before - (place.room() or 0) >= 4 * MIB
        with pytest.raises(FullError):
            file.reserve(64 * MIB)
        file.remove()
        assert abs(before - (place.room() or 0)) < 65536


def test_where_room_cant_be_reserved_that_is_said(tmp_path: Path):
    need_fuse("fusermount")
    with (
        fuse_card(tmp_path / "store", tmp_path / "mnt", reserves=False),
        Place(mount_on(tmp_path / "mnt")) as place,
    ):
        file = place.create()
        assert file.reserve(MIB) is False
        file.remove()


def test_every_error_is_a_sentence(served: Path):
    with Place(mount_on(served)) as place:
        for code in range(1, 134):
            told = place._told("Writing to", OSError(code, os.strerror(code)))
            assert isinstance(told, DeviceError)
            assert str(told)[0].isalpha()
            assert str(served) in str(told)
