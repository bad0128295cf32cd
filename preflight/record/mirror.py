"""The mirror: a second copy of a record on another device. It may fail; the record goes on without it."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from preflight.errors import RecordError
from preflight.record import disk
from preflight.record.folder import EVIDENCE, MAX_EVIDENCE, PINNED, SEALS, TORN
from preflight.record.scan import MAX_RECORD, RECORD


def same_device(one: Path, other: Path) -> bool:
    """Whether two folders lie on one device, as far as the system tells."""
    try:
        return one.stat().st_dev == other.stat().st_dev
    except OSError:
        return False


class Mirror:
    """Copies `folder` to `root`/NAME line by line. `behind` says why it no longer does, None if it does."""

    def __init__(self, root: Path, folder: Path) -> None:
        self.behind: str | None = "nothing was copied yet"
        self._folder = folder
        self._target = root / folder.name
        self._fd: int | None = None

    def catch_up(self) -> None:
        """Makes the whole copy anew, in new files: what a failed device did with the last is unknown."""
        self.close()
        try:
            self._copy_all()
            self._fd = disk.open_append(self._target / RECORD)
        except (OSError, RecordError) as error:
            self._fail(error)
        else:
            self.behind = None

    def line(self, line: bytes) -> None:
        """Adds a line that the record has just been given."""
        if self._fd is None:
            return
        try:
            disk.write_all(self._fd, line)
            disk.sync(self._fd)
        except OSError as error:
            self._fail(error)

    def file(self, path: Path) -> None:
        """Adds a file that the record's folder has just been given."""
        if self._fd is None:
            return
        try:
            self._copy(path)
        except (OSError, RecordError) as error:
            self._fail(error)

    def close(self) -> None:
        """Lets go of the device."""
        if self._fd is not None:
            fd, self._fd = self._fd, None
            with contextlib.suppress(OSError):  # every byte was synced, or `behind` says that it was not
                os.close(fd)

    def _copy_all(self) -> None:
        disk.make_folders(self._target)
        if self._target.resolve() == self._folder.resolve():
            raise RecordError("it is the record's own folder; give another device")
        record = disk.read_file(self._folder / RECORD, RECORD, MAX_RECORD)
        if (self._target / RECORD).exists():
            there = disk.read_file(self._target / RECORD, f"its {RECORD}", MAX_RECORD)
            # Lines that only the mirror has are evidence that the record lost them: never write over those.
            if not record.startswith(there):
                raise RecordError(f"its {RECORD} has lines that the record has not; keep it, give another")
        for name in PINNED:
            self._copy(self._folder / name)
        for place in (EVIDENCE, TORN, SEALS):
            for name in disk.list_folder(self._folder / place, f"{place}/"):
                if not name.startswith("."):
                    self._copy(self._folder / place / name)
        disk.write_file(self._target / RECORD, record)
        disk.sync_folder(self._target.parent)

    def _copy(self, path: Path) -> None:
        copy = self._target / path.relative_to(self._folder)
        disk.make_folders(copy.parent)
        disk.write_file(copy, disk.read_file(path, path.name, MAX_EVIDENCE))

    def _fail(self, error: OSError | RecordError) -> None:
        why = disk.reason(error) if isinstance(error, OSError) else str(error)
        self.behind = f"the mirror {self._target.parent} is behind: {why}"
        self.close()
