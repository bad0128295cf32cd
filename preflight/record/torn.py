"""A torn last line: set aside in torn/SHA256, then cut from the record, then entered."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from pathlib import Path

from preflight.record import disk
from preflight.record.entry import Entry
from preflight.record.folder import SHA256_NAME, TORN
from preflight.record.kinds import RecoverData
from preflight.record.scan import MAX_RECORD


def set_aside(folder: Path, fd: int, torn: bytes, keep: int) -> None:
    """Copies `torn` to torn/ and, once that is on disk, cuts the record `fd` to its first `keep` bytes."""
    (folder / TORN).mkdir(exist_ok=True)
    disk.write_file(folder / TORN / hashlib.sha256(torn).hexdigest(), torn)
    disk.sync_folder(folder)
    os.ftruncate(fd, keep)
    disk.sync(fd)


def not_entered(folder: Path, entries: Iterable[Entry]) -> list[RecoverData]:
    """What stands in torn/ without a recover entry: of now, or of a try that broke off between the two."""
    entered = {entry.data.sha256 for entry in entries if isinstance(entry.data, RecoverData)}
    found = []
    for name in disk.list_folder(folder / TORN, f"{TORN}/"):
        if SHA256_NAME.fullmatch(name) and name not in entered:
            sha256, size = disk.hash_file(folder / TORN / name, f"{TORN}/{name}", MAX_RECORD)
            if sha256 == name and size:
                found.append(RecoverData(sha256=name, size=size))
    return found
