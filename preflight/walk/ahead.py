"""An interrupted record, read and proved before anyone goes on with it: going on need not wait for that.

What is read under the record's lock is what counts: this serves again only where those are the same bytes.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

from preflight.errors import PreflightError
from preflight.record.entry import Entry
from preflight.record.folder import RecordFiles, Trusted, trusted
from preflight.record.scan import Progress, read_record
from preflight.walk.ledger import Ledger
from preflight.walk.opening import book_of, chain_of


@dataclass(frozen=True, slots=True)
class Ahead:
    """What a record was found to be, and the ledger of it and of those that it goes on from.

    `earlier` are the entries of those.
    """

    trusted: Trusted
    earlier: tuple[tuple[Entry, ...], ...]
    ledger: Ledger

    @property
    def entries(self) -> tuple[Entry, ...]:
        """The record's own."""
        return self.trusted.found.entries

    def still(self, record: Path) -> bool:
        """Whether the record has the same bytes now; RecordError if they can't be read."""
        return read_record(record) == self.trusted.data

    def folded(self, chain: Sequence[RecordFiles], entries: tuple[Entry, ...]) -> Ledger | None:
        """A ledger of its own of the chain's earlier entries and these; None if others were folded here."""
        known = len(self.entries)
        if entries[:known] != self.entries or tuple(part.entries for part in chain[:-1]) != self.earlier:
            return None
        return self.ledger.copy().apply_all(entries[known:])


def read_ahead(record: Path, on_progress: Progress | None = None) -> Ahead:
    """Read, prove and fold a record. RecordError if it may not be written on; nothing is changed.

    What `on_progress` raises breaks it off.
    """
    known = trusted(record.resolve(), read_record(record), on_progress=on_progress)
    chain = chain_of(record, known.found.entries)
    earlier = tuple(part.entries for part in chain[:-1])
    ledger = Ledger(book_of(chain[-1]))
    for entries in (*earlier, known.found.entries):
        ledger.apply_all(entries)
    return Ahead(known, earlier, ledger)


class _Stopped(Exception):  # noqa: N818
    """Nobody waits for it any more."""


class ReadingAhead:
    """Reads one record on a thread of its own; whoever goes on with it waits for what is left of that."""

    def __init__(self) -> None:
        self._record: Path | None = None
        self._result: Future[Ahead | None] = Future()
        self._over = threading.Event()

    def begin(self, record: Path) -> None:
        """Begin with a record; called once."""
        self._record = record
        threading.Thread(target=self._read, args=(record,), name="ahead", daemon=True).start()

    def of(self, record: Path) -> Ahead | None:
        """What was read of this record; None if it was another, or can't be gone on with."""
        return self._result.result() if record == self._record else None

    def stop(self) -> None:
        """Nobody asks for it any more."""
        self._over.set()

    def _read(self, record: Path) -> None:
        ahead = None
        try:
            ahead = read_ahead(record, self._go_on)
        except (PreflightError, _Stopped):
            pass  # whoever goes on with it reads it again, and is told
        finally:
            self._result.set_result(ahead)

    def _go_on(self, done: int, size: int) -> None:
        if self._over.is_set():
            raise _Stopped
