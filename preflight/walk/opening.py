"""Opening a walk: a new record, one that was interrupted, or one that follows another."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from preflight import __version__
from preflight.clock import Clock
from preflight.config.load import flattened_checklist, parse_checklist, parse_flight
from preflight.config.source import read_bytes
from preflight.errors import RecordError, Refused
from preflight.readings import decimal_text
from preflight.record import kinds
from preflight.record.disk import list_folder, read_file
from preflight.record.entry import Entry
from preflight.record.folder import CHECKLIST, FLIGHT, PINNED, ROSTER, RecordFiles, read
from preflight.record.keys import Keyring
from preflight.record.links import previous_of
from preflight.record.mirror import Mirror
from preflight.record.roster import MAX_ROSTER, Roster
from preflight.record.store import Recorder
from preflight.walk import manning, rules
from preflight.walk.acts import Walk
from preflight.walk.book import Book
from preflight.walk.ledger import Ledger
from preflight.walk.state import state_at

if TYPE_CHECKING:
    from preflight.walk.ahead import Ahead

CONTINUES = frozenset({"handover", "storage", "after-release"})
"""Why one record follows another so that the walk goes on: the state folds over both."""

TOOL = f"preflight {__version__}"


@dataclass(frozen=True)
class Sources:
    """The three files a walk starts from, as bytes: exactly these are kept and pinned by the record."""

    flight: bytes
    checklist: bytes
    roster: bytes

    @classmethod
    def beside(cls, flight_file: Path) -> Sources:
        """The flight file, the checklist it names put together into one file, and the roster beside it."""
        flight = read_bytes(flight_file)
        named = parse_flight(flight, str(flight_file)).flight.checklist
        folder = flight_file.parent
        checklist = flattened_checklist(folder / named)
        return cls(flight=flight, checklist=checklist, roster=_roster_beside(folder))

    @classmethod
    def kept(cls, files: RecordFiles) -> Sources:
        """The copies in a record's folder, which its first entry pins."""
        roster = (files.folder / ROSTER).read_bytes()
        return cls(flight=files.flight, checklist=files.checklist, roster=roster)

    def book(self, *, drill: bool = False, where: str = "") -> Book:
        """The typed content; `where` goes before file names in what is said of errors."""
        prefix = f"{where}/" if where else ""
        return Book(
            flight=parse_flight(self.flight, prefix + FLIGHT),
            checklist=parse_checklist(self.checklist, prefix + CHECKLIST),
            roster=Roster.parse(self.roster, prefix + ROSTER),
            drill=drill,
        )

    def files(self) -> dict[str, bytes]:
        """By the names they have in a record's folder."""
        return {FLIGHT: self.flight, CHECKLIST: self.checklist, ROSTER: self.roster}


def begin(
    logs: Path,
    sources: Sources,
    *,
    keyring: Keyring,
    person: str,
    clock: Clock,
    drill: bool = False,
    previous: kinds.Previous | None = None,
    before: Ledger | None = None,
    mirror: Path | None = None,
) -> Walk:
    """A new record below `logs`, opened by `person`, who was unlocked before.

    `before` is the ledger that the walk goes on from when `previous` continues an earlier record.
    """
    if before is None:
        before = Ledger(sources.book(drill=drill))
        _refuse_unmanned(before.book)
    ledger = before
    signer = keyring.signer(person)
    recorder = Recorder.create(
        logs,
        files=sources.files(),
        tool=TOOL,
        drill=drill,
        previous=previous,
        signer=signer,
        meaning=rules.MEANINGS["open"],
        auth="selected",
        clock=clock,
        mirror=mirror,
    )
    ledger.apply_all(recorder.entries)
    return Walk(ledger=ledger, recorder=recorder, keyring=keyring, clock=clock)


def _refuse_unmanned(book: Book) -> None:
    """A role that nobody holds would be found missing at the gate: it is told before the record begins."""
    if missing := manning.unmanned(book.checklist, book.roster):
        raise Refused(
            f"Nobody on the roster has the role {manning.told(missing)}. Add somebody: "
            f"{manning.remedy(missing)}"
        )


def _refuse_followed(record: Path) -> None:
    for name in list_folder(record.parent, str(record.parent)):
        with contextlib.suppress(RecordError):
            previous = previous_of(record.parent / name)
            if previous is not None and previous.rec == record.name and previous.why in CONTINUES:
                raise Refused(f"{record.name} goes on in {name}: take that one up.")


def resume(
    record: Path, *, keyring: Keyring, clock: Clock, mirror: Path | None = None, ahead: Ahead | None = None
) -> Walk:
    """Go on with a record that was interrupted: a torn line is set aside, the pause is entered.

    `ahead` is what was read of it before; it serves where the record has not changed since.
    """
    if ahead is not None and not ahead.still(record):
        ahead = None
    chain = chain_of(record, ahead.entries if ahead is not None else ())
    _refuse_followed(chain[-1].folder.resolve())
    book = book_of(chain[-1]) if ahead is None else ahead.ledger.book
    recorder = Recorder.resume(
        record,
        clock=clock,
        instrument=keyring.instrument(),
        meaning=rules.MEANINGS["recover"],
        mirror=mirror,
        before=ahead.trusted if ahead is not None else None,
    )
    ledger = ahead.folded(chain, recorder.entries) if ahead is not None else None
    if ledger is None:
        ledger = Ledger(book)
        for entries in (*(part.entries for part in chain[:-1]), recorder.entries):
            ledger.apply_all(entries)
    walk = Walk(ledger=ledger, recorder=recorder, keyring=keyring, clock=clock)
    if ledger.closed is not None:
        recorder.close()
        raise Refused(f"{record.name} is closed: begin a record that follows it.")
    now = walk.now()
    due = state_at(ledger, now).next
    # A recover entry was made just now; the pause began with the entry before it.
    last = next(act.at for act in reversed(ledger.acts) if act.entry.kind != "recover")
    away = now.since(last).total_seconds()
    data = kinds.ResumeData(tool=TOOL, next=due.name or None, away=decimal_text(round(away, 3)))
    entry = recorder.append(
        "resume",
        data,
        signer=keyring.instrument(),
        meaning=rules.MEANINGS["resume"],
        auth="instrument",
        moment=now,
    )
    ledger.apply(entry)
    return walk


def follow(
    record: Path,
    *,
    why: str,
    keyring: Keyring,
    person: str,
    clock: Clock,
    logs: Path | None = None,
    mirror: Path | None = None,
    sources: Sources | None = None,
    head: str | None = None,
    drill: bool | None = None,
) -> Walk:
    """A record that follows `record`, linked to its last line. It is written to `logs`, or beside it.

    After storage trouble `head` is the SHA-256 of the last line that the writer counted (`Recorder.head`): a
    line whose sync was refused may lie beyond it. A new flight may have other files, `sources`; a record that
    goes on with a walk keeps those of the one before. `drill` says which of the two it must be, None either.
    """
    files = _upto(read(record), head)
    if why == "after-release" and not files.closed:
        raise Refused(f"{files.rec} is not closed: close and seal it first, or go on with it.")
    if drill is not None and drill != files.drill:
        which = ("a drill", "a flight") if files.drill else ("a flight", "a drill")
        raise Refused(f"{files.rec} is the record of {which[0]}: {which[1]} can't follow it.")
    previous = kinds.Previous(rec=files.rec, head=files.head, why=why)  # type: ignore[arg-type]
    before = None
    if why in CONTINUES:
        before = Ledger(book_of(files))
        chain = chain_of(record, files.entries)
        for part in chain:
            before.apply_all(part.entries)
        if logs is not None:
            _bring_along(chain, logs)
    return begin(
        logs or record.parent,
        sources if sources is not None and why == "new-flight" else Sources.kept(files),
        keyring=keyring,
        person=person,
        clock=clock,
        drill=files.drill,
        previous=previous,
        before=before,
        mirror=mirror,
    )


def _bring_along(chain: Iterable[RecordFiles], logs: Path) -> None:
    """Copy the records that a walk goes on from beside the new one, so that it can be resumed from there.

    What a failing device no longer gives is left behind: the walk at hand has it in its ledger.
    """
    for files in chain:
        target = logs / files.rec
        if os.path.lexists(target):
            continue
        copy = Mirror(logs, files.folder)
        copy.catch_up()
        copy.close()
        if copy.behind is not None:
            shutil.rmtree(target, ignore_errors=True)


def book_of(files: RecordFiles) -> Book:
    """Flight file, checklist and roster as kept in a record's folder."""
    return Sources.kept(files).book(drill=files.drill, where=str(files.folder))


def chain_of(record: Path, entries: tuple[Entry, ...] = ()) -> tuple[RecordFiles, ...]:
    """The record and those before it whose walk it continues, oldest first; all lie beside each other.

    `entries` are the record's own, if they were read already.
    """
    return tuple(reversed(list(_back(record, entries))))


def _back(record: Path, entries: tuple[Entry, ...]) -> Iterator[RecordFiles]:
    seen: set[str] = set()
    folder, head, later = record, None, None
    while True:
        files = _upto(read(folder, entries), head)
        yield files
        entries = ()
        seen.add(files.rec)
        data = opened(files.entries[0])
        if later is not None:
            _same_files(files.rec, data, later)
        previous, later = data.previous, data
        if previous is None or previous.why not in CONTINUES:
            return
        folder = record.parent / previous.rec
        if previous.rec in seen or not folder.is_dir():
            raise RecordError(f"{files.rec} goes on from {previous.rec}, which is not beside it")
        head = previous.head


def _same_files(rec: str, data: kinds.OpenData, later: kinds.OpenData) -> None:
    """A walk is judged by one flight file, checklist and roster from its first record to its last."""
    for name, key in PINNED.items():
        if getattr(data, key) != getattr(later, key):
            raise RecordError(f"a record goes on from {rec} with another {name}; a walk keeps its files")
    if data.drill != later.drill:
        raise RecordError(f"a record goes on from {rec}, and only one of the two is a drill's")


def _upto(files: RecordFiles, head: str | None) -> RecordFiles:
    """The record up to the line with this hash: beyond it a failing device may have kept a refused line."""
    if head is None:
        return files
    if head not in files.hashes:
        raise RecordError(f"{files.rec} was changed: the line that another record goes on from is not in it")
    count = files.hashes.index(head) + 1
    return msgspec.structs.replace(files, entries=files.entries[:count], hashes=files.hashes[:count])


def opened(entry: Entry) -> kinds.OpenData:
    """The data of a record's first entry."""
    if not isinstance(entry.data, kinds.OpenData):
        raise RecordError(f"{entry.rec} does not begin with an open entry")
    return entry.data


def _roster_beside(folder: Path) -> bytes:
    path = folder / ROSTER
    if not path.exists():
        raise RecordError(
            f"{path}: there is no roster beside the flight file; put the crew's there, or make one with "
            "preflight crew add"
        )
    return read_file(Path(os.path.realpath(path)), str(path), MAX_ROSTER)
