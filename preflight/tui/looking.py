"""A second screen: a running record read as it grows, with no lock and no key. It can't act.

It says when nobody writes the record any more, so that nobody believes a screen behind which nobody works.
"""

from __future__ import annotations

import contextlib
import hashlib
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import ClassVar

from preflight.clock import Clock
from preflight.errors import RecordError
from preflight.record import disk
from preflight.record.folder import RecordFiles, read
from preflight.record.scan import RECORD
from preflight.record.writer import written_here
from preflight.tui.view import Extra, RecordStatus, View, place_of_record
from preflight.tui.viewing import Seals, extra_of, view_of
from preflight.walk.ledger import Ledger
from preflight.walk.opening import CONTINUES, Sources, book_of, chain_of, opened

FREE_TWICE = 2


class Looking:
    """Reads one record again whenever its file has grown, and folds what is new."""

    looking = True
    runner: ClassVar[None] = None
    """No check runs here."""

    def __init__(self, record: Path, *, folder: Path, clock: Clock) -> None:
        """`record` is the record's folder, `folder` the flight file's. RecordError where there is none."""
        self.folder = folder
        self.clock = clock
        self._reader = ThreadPoolExecutor(1, "looking")
        self._passed: set[Path] = set()
        self._seals = Seals()
        self._open(record)

    def _open(self, record: Path) -> None:
        files = chain_of(record)
        self.record = record
        self._files: RecordFiles = files[-1]
        self.sources = Sources.kept(self._files)
        self.ledger = Ledger(book_of(self._files))
        for part in files:
            self.ledger.apply_all(part.entries)
        self._size = self._length()
        self._seen, self._free = False, 0

    def view(self) -> Future[View]:
        """What there is to see now."""
        return self._reader.submit(self._look)

    def reckon(self, view: View) -> Future[Extra]:
        """Figures of the values in a view."""
        return self._reader.submit(extra_of, view, self.folder)

    def _length(self) -> int:
        try:
            return (self.record / RECORD).stat().st_size
        except OSError as error:
            raise RecordError(f"{self.record} can't be read any more: {disk.reason(error)}") from error

    def _grown(self) -> None:
        """Take in what is new; a closed record is left for the one that follows it, once there is."""
        size = self._length()
        if size != self._size:
            files = read(self.record)
            self.ledger.apply_all(files.entries[len(self._files.entries) :])
            self._files, self._size = files, size
            if self._free:
                # Written all the same: the writer is on another machine, whose locks are not listed here.
                self._seen, self._free = False, 0
        if self._files.closed or self._left:
            following = self._following()
            if following is not None:
                self._open(following)

    def _watch_writer(self) -> None:
        """Take in whether the record is being written; a list that is read while it changes may lack one."""
        written = written_here(self.record / RECORD, seen=self._seen)
        self._seen = self._seen or written is True
        self._free = self._free + 1 if written is False else 0

    @property
    def _left(self) -> bool:
        """Whether nobody writes the record any more: it was found so twice, one look after another."""
        return self._free >= FREE_TWICE

    def _following(self) -> Path | None:
        for path in self.record.parent.glob(f"*/{RECORD}"):
            if path.parent in self._passed or path.parent == self.record:
                continue
            with contextlib.suppress(RecordError):
                previous = opened(read(path.parent).entries[0]).previous
                self._passed.add(path.parent)
                if previous is not None and previous.rec == self._files.rec and previous.why in CONTINUES:
                    return path.parent
        return None

    def _look(self) -> View:
        self._watch_writer()
        self._grown()
        sealers = self._sealers()
        entries = self._files.entries
        return view_of(
            self.ledger,
            self.clock,
            unlocked=(),
            checklist_hash=hashlib.sha256(self.sources.checklist).hexdigest(),
            record=RecordStatus(
                rec=self._files.rec,
                folder=str(self.record),
                place=place_of_record(self.record, self.folder),
                entries=len(entries),
                on_disk=entries[-1].moment.at,
                failed=f"line {self._files.first_bad}: {self._files.why}"
                if self._files.first_bad is not None and not self._files.torn
                else None,
                left=self._left and not sealers,
            ),
            looking=True,
            seals=sealers,
        )

    def _sealers(self) -> tuple[str, ...]:
        files = self._files
        return self._seals.of(self.record, files.roster, drill=files.drill) if files.closed else ()

    def shut(self) -> None:
        """Stop reading."""
        self._reader.shutdown(wait=False, cancel_futures=True)
