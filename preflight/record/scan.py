"""Reading a record's lines: one form, one chain, one order, valid signatures, clocks that go forward.

Both the writer that resumes a record and the verifier read through here; neither trusts a byte.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from functools import partial
from pathlib import Path

from msgspec import Struct

from preflight.clock import Moment
from preflight.errors import RecordError
from preflight.record import checking, disk, sshsig
from preflight.record.checking import Checking, Claim
from preflight.record.entry import ZEROS, Entry, Parsed, line_hash, parse_line
from preflight.record.kinds import INSTRUMENT_KINDS, PASSPHRASE_KINDS, ClockData, OpenData
from preflight.record.roster import Roster

MAX_RECORD = 64 * 1024 * 1024
"""Bytes in one record.jsonl: written nor read beyond."""
RECORD = "record.jsonl"
STEP = timedelta(seconds=2)
"""UTC may move against the running clock by this much between two entries without remark."""

MANY = 2000
"""Lines from which on it pays to check signatures on every processor at once."""

Progress = Callable[[int, int], None]
"""Called with bytes done and bytes in all."""


class Scan(Struct, frozen=True, kw_only=True):
    """What a record's lines are.

    `entries` and `hashes` (SHA-256 of each line) go up to the first bad line, whose number, from 1, is
    `first_bad` and whose fault is `why`. `torn` is what stands after the last line feed; it counts as a bad
    line too, unless `torn_only` says that everything before it is good. `warnings` are for people.
    """

    entries: tuple[Entry, ...]
    hashes: tuple[str, ...]
    first_bad: int | None
    why: str
    torn: bytes
    torn_only: bool
    warnings: tuple[str, ...]

    @property
    def head(self) -> str:
        """SHA-256 of the last good line, zeros if there is none."""
        return self.hashes[-1] if self.hashes else ZEROS

    @property
    def drill(self) -> bool:
        """Whether the record says that it is a drill."""
        return bool(self.entries) and opening(self.entries).drill

    @property
    def closed(self) -> bool:
        """Whether the last entry is a close."""
        return bool(self.entries) and self.entries[-1].kind == "close"


def opening(entries: tuple[Entry, ...]) -> OpenData:
    """The data of the first entry."""
    data = entries[0].data
    assert isinstance(data, OpenData)
    return data


def may_sign(kind: str, auth: str, *, instrument: bool) -> str | None:
    """Why an entry of this kind may not be signed so; None if it may."""
    if instrument != (auth == "instrument"):
        return "a person's key signs after a passphrase or a choice, the instrument's as the instrument"
    if instrument and kind not in INSTRUMENT_KINDS:
        return f"a {kind} entry must be signed by a person, not by the instrument"
    if kind in PASSPHRASE_KINDS and auth != "passphrase":
        return f"a {kind} entry needs the passphrase given anew"
    return None


def split_torn(data: bytes) -> tuple[bytes, bytes]:
    """Whole lines, and the torn last one: what follows the last line feed.

    A last line that holds NUL bytes is torn too: a power cut leaves them where a block was never written,
    and no whole line has any.
    """
    end = data.rfind(b"\n") + 1
    if end == len(data) and end:
        start = data.rfind(b"\n", 0, end - 1) + 1
        if b"\0" in data[start:end]:
            end = start
    return data[:end], data[end:]


def read_record(folder: Path) -> bytes:
    """The bytes of a record's lines; RecordError if they cannot be had."""
    return disk.read_file(folder / RECORD, RECORD, MAX_RECORD)


def scan(data: bytes, roster: Roster | None = None, on_progress: Progress | None = None) -> Scan:
    """Reads `data` line by line and stops at the first bad one.

    Without a `roster` no signature is checked: enough to look, not enough to believe. What `on_progress`
    raises breaks it off.
    """
    whole, torn = split_torn(data)
    size = len(data)
    go_on = None if on_progress is None else partial(on_progress, size, size)
    helpers = checking.helpers_here() if roster is not None and whole.count(b"\n") >= MANY else 0
    if helpers:
        with Checking(helpers) as checks:
            found = _read(whole, torn, _Reader(roster, checks), on_progress)
            if (found.first_bad is None or found.torn_only) and checks.all_valid(go_on):
                return found
    # Something is wrong, or too little to share out: the first bad line is found one by one.
    return _read(whole, torn, _Reader(roster), on_progress)


def _read(whole: bytes, torn: bytes, reader: _Reader, on_progress: Progress | None) -> Scan:
    size = len(whole) + len(torn)
    start = number = 0
    first_bad, why = None, ""
    while start < len(whole):
        end = whole.index(b"\n", start) + 1
        number += 1
        try:
            reader.take(whole[start:end])
        except RecordError as error:
            first_bad, why = number, f"line {number} {error}"
            break
        start = end
        if on_progress is not None and number % 64 == 0:
            on_progress(start, size)
    if on_progress is not None:
        on_progress(size, size)
    torn_only = first_bad is None and bool(torn)
    if torn_only:
        first_bad, why = number + 1, f"line {number + 1} is torn: it was not written to its end"
    elif first_bad is None and not reader.entries:
        why = f"{RECORD} holds no entry"
    return Scan(
        entries=tuple(reader.entries),
        hashes=tuple(reader.hashes),
        first_bad=first_bad,
        why=why,
        torn=torn,
        torn_only=torn_only,
        warnings=tuple(reader.warnings),
    )


class _Reader:
    """What each line must agree with: everything that stands before it."""

    def __init__(self, roster: Roster | None, checks: Checking | None = None) -> None:
        """`checks` is told of every signature and this checks none; without it, each is checked here."""
        self.roster = roster
        self.checks = checks
        self.entries: list[Entry] = []
        self.hashes: list[str] = []
        self.warnings: list[str] = []
        self._running: dict[str, int] = {}
        self._last: Moment | None = None
        self._drill = False

    def take(self, line: bytes) -> None:
        """Adds one line; RecordError with a sentence to follow "line N" if it cannot stand here."""
        parsed = parse_line(line)
        self._in_place(parsed.entry)
        if self.roster is not None:
            self._signed(parsed, self.roster)
        self._in_time(parsed.entry)
        self.entries.append(parsed.entry)
        self.hashes.append(line_hash(line))

    def _in_place(self, entry: Entry) -> None:
        if entry.seq != len(self.entries) + 1:
            raise RecordError(f"has the number {entry.seq}; a line is missing, moved, repeated or put in")
        if entry.prev != (self.hashes[-1] if self.hashes else ZEROS):
            raise RecordError("does not follow from the line before it")
        if not self.entries:
            if not isinstance(entry.data, OpenData):
                raise RecordError(f"is a {entry.kind} entry; a record begins with open")
            if entry.data.previous is not None and entry.data.previous.rec == entry.rec:
                raise RecordError("says that the record follows itself")
            self._drill = entry.data.drill
            return
        if entry.rec != self.entries[0].rec:
            raise RecordError(f"belongs to the record {entry.rec}, not to {self.entries[0].rec}")
        if entry.kind == "open":
            raise RecordError("opens the record a second time")
        if self.entries[-1].kind == "close":
            raise RecordError("stands after the close; nothing may")

    def _signed(self, parsed: Parsed, roster: Roster) -> None:
        entry = parsed.entry
        if entry.signer not in roster:
            raise RecordError(f"is signed by {entry.signer}, who is not on the roster")
        person = roster.find(entry.signer)
        fault = may_sign(entry.kind, entry.auth, instrument=person.is_instrument)
        if fault is not None:
            raise RecordError(f"is signed as it may not be: {fault}")
        namespace = sshsig.entry_namespace(self._drill)
        if not person.good_for(namespace):
            raise RecordError(f"is signed by {person.id}, whose key the roster keeps from {namespace}")
        if self.checks is not None:
            self.checks.add(Claim(person.key, namespace, parsed.canonical, parsed.signature))
            return
        key = sshsig.load_public(person.key)
        if sshsig.valid(key, namespace, parsed.canonical, parsed.signature):
            return
        other = sshsig.entry_namespace(not self._drill)
        if sshsig.valid(key, other, parsed.canonical, parsed.signature):
            made, stands = ("a flight", "a drill") if self._drill else ("a drill", "a flight")
            raise RecordError(f"was signed for {made} and stands in the record of {stands}")
        raise RecordError(f"does not have {person.id}'s signature")

    def _in_time(self, entry: Entry) -> None:
        running = int(entry.clk.running)
        if running < self._running.get(entry.clk.boot, 0):
            raise RecordError("was signed before the line above it, by the clock that runs through suspend")
        self._running[entry.clk.boot] = running
        before, now = self._last, entry.moment
        self._last = now
        if before is None:
            return
        passed = now.at - before.at
        if before.boot != now.boot:
            if passed < -STEP:
                self._warn(entry, f"after a restart the clock stood {_seconds(-passed)} earlier than before")
            return
        step = passed - now.since(before)
        if abs(step) > STEP and not self._explained(entry, step):
            way = "forward" if step > timedelta(0) else "back"
            self._warn(entry, f"the clock was set {way} by {_seconds(abs(step))} and no clock entry says so")

    def _explained(self, entry: Entry, step: timedelta) -> bool:
        """A clock entry right at the step, or an earlier one of this boot that found the clock off by it."""
        if entry.kind == "clock":
            return True
        for earlier in reversed(self.entries):
            if earlier.clk.boot != entry.clk.boot:
                break
            if isinstance(earlier.data, ClockData):
                off = abs(float(earlier.data.offset) - step.total_seconds())
                return off <= STEP.total_seconds() + float(earlier.data.uncertainty or 0)
        return False

    def _warn(self, entry: Entry, text: str) -> None:
        self.warnings.append(f"line {entry.seq}: {text}")


def _seconds(span: timedelta) -> str:
    return f"{span.total_seconds():.1f} s"
