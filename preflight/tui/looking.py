"""A second screen: a running record read as it grows, with no lock and no key. It can't act."""

from __future__ import annotations

import hashlib
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

from preflight.clock import Clock
from preflight.record.folder import RecordFiles, read
from preflight.record.scan import RECORD
from preflight.tui.session import extra_of, view_of
from preflight.tui.view import Extra, RecordStatus, View
from preflight.walk.ledger import Ledger
from preflight.walk.opening import Sources, book_of, chain_of


class Looking:
    """Reads one record again whenever its file has grown, and folds what is new."""

    looking = True

    def __init__(self, record: Path, *, folder: Path, clock: Clock) -> None:
        """`record` is the record's folder, `folder` the flight file's. RecordError where there is none."""
        self.record = record
        self.folder = folder
        self.clock = clock
        files = chain_of(record)
        self._files: RecordFiles = files[-1]
        self.sources = Sources.kept(self._files)
        self.ledger = Ledger(book_of(self._files))
        for part in files:
            self.ledger.apply_all(part.entries)
        self._size = self._length()
        self._reader = ThreadPoolExecutor(1, "looking")

    def view(self) -> Future[View]:
        """What there is to see now."""
        return self._reader.submit(self._look)

    def reckon(self, view: View) -> Future[Extra]:
        """Figures of the values in a view."""
        return self._reader.submit(extra_of, view, self.folder)

    def _length(self) -> int:
        return (self.record / RECORD).stat().st_size

    def _look(self) -> View:
        size = self._length()
        if size != self._size:
            files = read(self.record)
            self.ledger.apply_all(files.entries[len(self._files.entries) :])
            self._files, self._size = files, size
        entries = self._files.entries
        return view_of(
            self.ledger,
            self.clock,
            unlocked=(),
            checklist_hash=hashlib.sha256(self.sources.checklist).hexdigest(),
            record=RecordStatus(
                rec=self._files.rec,
                folder=str(self.record),
                entries=len(entries),
                on_disk=entries[-1].moment.at,
                failed=f"line {self._files.first_bad}: {self._files.why}"
                if self._files.first_bad is not None and not self._files.torn
                else None,
            ),
            looking=True,
        )

    def shut(self) -> None:
        """Stop reading."""
        self._reader.shutdown(wait=False, cancel_futures=True)
