"""Opening a walk: a new record, one that was interrupted, or one that follows another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from preflight import __version__
from preflight.clock import Clock
from preflight.config.load import parse_checklist, parse_flight
from preflight.errors import RecordError, Refused
from preflight.readings import decimal_text
from preflight.record import kinds
from preflight.record.entry import Entry
from preflight.record.keys import Keyring
from preflight.record.roster import Roster
from preflight.record.store import Recorder, read
from preflight.walk import rules
from preflight.walk.acts import Walk
from preflight.walk.book import Book
from preflight.walk.ledger import Ledger
from preflight.walk.state import state_at

FLIGHT, CHECKLIST, ROSTER = "flight.toml", "checklist.toml", "allowed_signers"
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
        """The flight file, the checklist it names, and the roster beside it."""
        flight = _bytes(flight_file)
        named = parse_flight(flight, str(flight_file)).flight.checklist
        folder = flight_file.parent
        return cls(flight=flight, checklist=_bytes(folder / named), roster=_bytes(folder / ROSTER))

    @classmethod
    def kept(cls, record: Path) -> Sources:
        """The copies in a record's folder."""
        return cls(*(_bytes(record / name) for name in (FLIGHT, CHECKLIST, ROSTER)))

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
    ledger = before if before is not None else Ledger(sources.book(drill=drill))
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


def resume(record: Path, *, keyring: Keyring, clock: Clock, mirror: Path | None = None) -> Walk:
    """Go on with a record that was interrupted: a torn line is set aside, the pause is entered."""
    ledger = Ledger(book_of(record))
    for folder in chain_of(record)[:-1]:
        ledger.apply_all(read(folder).entries)
    recorder = Recorder.resume(
        record, clock=clock, instrument=keyring.instrument(), meaning=rules.MEANINGS["recover"], mirror=mirror
    )
    ledger.apply_all(recorder.entries)
    walk = Walk(ledger=ledger, recorder=recorder, keyring=keyring, clock=clock)
    if ledger.closed is not None:
        recorder.close()
        raise Refused(f"{record.name} is closed: begin a record that follows it.")
    now = walk.now()
    due = state_at(ledger, now).next
    last = ledger.acts[-1].at
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
) -> Walk:
    """A record that follows `record`, linked to its last line. It is written to `logs`, or beside it."""
    files = read(record)
    if not files.entries or files.head is None:
        raise RecordError(f"{record}: nothing in it to follow")
    previous = kinds.Previous(rec=files.entries[0].rec, head=files.head, why=why)  # type: ignore[arg-type]
    drill = opened(files.entries[0]).drill
    before = None
    if why in CONTINUES:
        before = Ledger(book_of(record))
        for folder in chain_of(record):
            before.apply_all(read(folder).entries)
    return begin(
        logs or record.parent,
        Sources.kept(record),
        keyring=keyring,
        person=person,
        clock=clock,
        drill=drill,
        previous=previous,
        before=before,
        mirror=mirror,
    )


def book_of(record: Path) -> Book:
    """Flight file, checklist and roster as kept in a record's folder."""
    entries = read(record).entries
    drill = bool(entries) and opened(entries[0]).drill
    return Sources.kept(record).book(drill=drill, where=str(record))


def chain_of(record: Path) -> tuple[Path, ...]:
    """The record and those before it whose walk it continues, oldest first; all lie beside each other."""
    return tuple(reversed([record, *_before(record, {record.name})]))


def _before(record: Path, seen: set[str]) -> Iterator[Path]:
    entries = read(record).entries
    if not entries:
        return
    previous = opened(entries[0]).previous
    if previous is None or previous.why not in CONTINUES:
        return
    folder = record.parent / previous.rec
    if previous.rec in seen or not folder.is_dir():
        raise RecordError(f"{record.name} goes on from {previous.rec}, which is not beside it")
    yield folder
    yield from _before(folder, seen | {previous.rec})


def opened(entry: Entry) -> kinds.OpenData:
    """The data of a record's first entry."""
    if not isinstance(entry.data, kinds.OpenData):
        raise RecordError(f"{entry.rec} does not begin with an open entry")
    return entry.data


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise RecordError(f"{path}: no such file") from None
    except OSError as error:
        raise RecordError(f"{path}: {error.strerror or error}") from error
