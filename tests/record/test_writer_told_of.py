"""Whether a record is being written is told from the system's list of locks, and never by trying one."""

from __future__ import annotations

import fcntl
import os
import sys
from pathlib import Path

import pytest

from preflight.record import disk, writer
from preflight.record.writer import written_here

pytestmark = pytest.mark.skipif(
    not Path("/proc/locks").is_file(), reason="only Linux lists its locks: elsewhere nothing is said"
)


@pytest.fixture
def record(tmp_path: Path) -> Path:
    path = tmp_path / "record.jsonl"
    path.write_text("{}\n", "utf-8")
    return path


@pytest.fixture
def first_space(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, record: Path) -> None:
    """A machine whose processes are all in its first space, with the record on a disk of its own."""
    space, mounts = tmp_path / "pid", tmp_path / "mountinfo"
    space.symlink_to(writer.ALL_PROCESSES)
    there = record.stat().st_dev
    number = f"{os.major(there)}:{os.minor(there)}"
    mounts.write_text(f"22 1 {number} / / rw,relatime shared:1 - ext4 /dev/disk rw\n", "utf-8")
    monkeypatch.setattr(writer, "PROCESSES", space)
    monkeypatch.setattr(writer, "MOUNTS", mounts)


def test_a_lock_is_seen_while_it_is_held_and_missed_once_it_is_not(record: Path, first_space: None) -> None:
    assert written_here(record) is False
    fd = disk.open_append(record)
    disk.lock(fd, "record")
    assert written_here(record) is True
    os.close(fd)
    assert written_here(record) is False
    # A reader's shared lock is no writer's.
    with record.open() as reader:
        fcntl.flock(reader, fcntl.LOCK_SH)
        assert written_here(record) is False


def test_what_cannot_be_told_is_not_guessed(
    record: Path, first_space: None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert written_here(tmp_path / "gone.jsonl") is None
    mounts = writer.MOUNTS.read_text("utf-8")
    # A share that another machine may be writing to; a writer seen on this one before is missed all the same.
    writer.MOUNTS.write_text(mounts.replace("ext4", "nfs4"), "utf-8")
    assert (written_here(record), written_here(record, seen=True)) == (None, False)
    writer.MOUNTS.write_text("", "utf-8")
    assert written_here(record) is None
    writer.MOUNTS.write_text(mounts, "utf-8")
    # A space of processes of its own does not list the locks of those outside.
    writer.PROCESSES.unlink()
    writer.PROCESSES.symlink_to("pid:[4026532000]")
    assert (written_here(record), written_here(record, seen=True)) == (None, False)
    # The same file may go by another device number in the list; no other line is taken for a lock of it.
    inode = record.stat().st_ino
    listed = tmp_path / "locks"
    monkeypatch.setattr(writer, "LOCKS", listed)
    listed.write_text(f"1: FLOCK  ADVISORY  WRITE 77 00:99:{inode} 0 EOF\n", "utf-8")
    assert written_here(record, seen=True) is None
    listed.write_text(
        f"1: POSIX  ADVISORY  WRITE 77 00:99:{inode} 0 EOF\n"
        f"1: -> FLOCK  ADVISORY  WRITE 78 00:99:{inode} 0 EOF\n2: FLOCK ADVISORY WRITE 7 x 0 EOF\nnonsense\n",
        "utf-8",
    )
    assert written_here(record, seen=True) is False
    listed.unlink()
    assert written_here(record, seen=True) is None
    assert sys.platform == "linux"
