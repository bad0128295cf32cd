"""Whether a record is being written now, told without ever touching its lock.

A lock that is tried, however shortly, could turn away a writer that begins at that moment. So the system's
own list of locks is read, where there is one; elsewhere nothing is said.
"""

from __future__ import annotations

import os
from pathlib import Path

LOCKS = Path("/proc/locks")
MOUNTS = Path("/proc/self/mountinfo")
PROCESSES = Path("/proc/self/ns/pid")

ALL_PROCESSES = "pid:[4026531836]"
"""The first space of processes of a machine: from any other one, locks of those outside it are not listed."""

_ON_LINUX = "bcachefs btrfs exfat ext2 ext3 ext4 f2fs hfsplus jfs msdos ntfs3 tmpfs vfat xfs"
LOCAL = frozenset(_ON_LINUX.split())
"""File systems that no other machine writes to meanwhile."""


def written_here(record: Path, *, seen: bool = False) -> bool | None:
    """Whether a process has the record's file locked for writing; None where that can't be told.

    `seen` says that this was True before: then the list is known to tell of the writer.
    """
    try:
        there = record.stat()
        lines = LOCKS.read_text("ascii", "replace").splitlines()
    except OSError:
        return None
    device = os.major(there.st_dev), os.minor(there.st_dev)
    same = [each for line in lines if (each := _locked(line)) is not None and each[1] == there.st_ino]
    if any(each[0] == device for each in same):
        return True
    # Some file systems go by another device number in the list: then this may be it.
    if same or not (seen or _all_are_listed(device)):
        return None
    return False


def _locked(line: str) -> tuple[tuple[int, int], int] | None:
    """Device and number of the file that a line of the list has locked whole for writing; None for others."""
    words = line.split()
    if len(words) != 8 or words[1] != "FLOCK" or words[3] != "WRITE":
        return None
    try:
        major, minor, inode = words[5].split(":")
        return (int(major, 16), int(minor, 16)), int(inode)
    except ValueError:
        return None


def _all_are_listed(device: tuple[int, int]) -> bool:
    """Whether every process that could write there is one whose locks are listed."""
    try:
        if os.readlink(PROCESSES) != ALL_PROCESSES:
            return False
        mounts = MOUNTS.read_text("utf-8", "replace").splitlines()
    except OSError:
        return False
    number = f"{device[0]}:{device[1]}"
    kinds = {
        words[words.index("-") + 1]
        for words in map(str.split, mounts)
        if len(words) > 2 and words[2] == number and "-" in words[:-1]
    }
    return bool(kinds) and kinds <= LOCAL
