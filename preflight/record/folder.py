"""A record's folder: what lies where, the copies that its first entry pins, and reading it without writing.

```
logs/REC/record.jsonl  allowed_signers  flight.toml  checklist.toml
         evidence/SHA256  seals/ID.sig  torn/SHA256
```
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Mapping
from pathlib import Path

from msgspec import Struct

from preflight.errors import RecordError
from preflight.record import disk
from preflight.record.entry import Entry
from preflight.record.kinds import CheckData, EvidenceData, OpenData, RecoverData
from preflight.record.roster import Roster
from preflight.record.scan import RECORD, Progress, Scan, opening, read_record, scan

FLIGHT = "flight.toml"
CHECKLIST = "checklist.toml"
ROSTER = "allowed_signers"
PINNED = {FLIGHT: "flight", CHECKLIST: "checklist", ROSTER: "roster"}
"""Copies kept in the folder, and the key of the open entry that holds each one's SHA-256."""
EVIDENCE = "evidence"
SEALS = "seals"
TORN = "torn"
MAX_PINNED = 4 * 1024 * 1024
MAX_EVIDENCE = 256 * 1024 * 1024
"""Bytes in one evidence file."""

SHA256_NAME = re.compile(r"[0-9a-f]{64}")


class RecordFiles(Struct, frozen=True, kw_only=True):
    """A record as its folder holds it; no signature was checked. For belief there is `verify`.

    `entries` and `hashes` (SHA-256 of each line) end before the first bad line, number `first_bad`, whose
    fault is `why`. `torn` is an unfinished last line, which a writer at work leaves for an instant.
    """

    folder: Path
    flight: bytes
    checklist: bytes
    roster: Roster
    entries: tuple[Entry, ...]
    hashes: tuple[str, ...]
    torn: bytes
    first_bad: int | None
    why: str

    @property
    def rec(self) -> str:
        """The record's id."""
        return self.entries[0].rec

    @property
    def head(self) -> str:
        """SHA-256 of the last good line."""
        return self.hashes[-1]

    @property
    def drill(self) -> bool:
        """Whether the record is a drill's."""
        return opening(self.entries).drill

    @property
    def closed(self) -> bool:
        """Whether the last entry is a close."""
        return self.entries[-1].kind == "close"


def read(folder: Path, entries: tuple[Entry, ...] = ()) -> RecordFiles:
    """Reads a record, changing nothing; fit for a second screen while a writer is at work.

    `entries` are its own up to where they are good, if whoever asks has read them already: its lines are not
    read again then, and `hashes` stays empty.

    Raises:
        RecordError: if the folder holds no record, or its copies are not those that it pins.
    """
    found = scan(read_record(folder)) if not entries else _known(entries)
    if not found.entries:
        raise RecordError(f"{folder.name} holds no record: {found.why}")
    files = read_pinned(folder, opening(found.entries))
    return RecordFiles(
        folder=folder,
        flight=files[FLIGHT],
        checklist=files[CHECKLIST],
        roster=Roster.parse(files[ROSTER], f"{folder.name}/{ROSTER}"),
        entries=found.entries,
        hashes=found.hashes,
        torn=found.torn,
        first_bad=found.first_bad,
        why=found.why,
    )


def _known(entries: tuple[Entry, ...]) -> Scan:
    return Scan(entries=entries, hashes=(), first_bad=None, why="", torn=b"", torn_only=False, warnings=())


def read_pinned(folder: Path, data: OpenData) -> dict[str, bytes]:
    """The copies in the folder, by name; RecordError if one is not the one that the open entry pins."""
    files = {name: disk.read_file(folder / name, name, MAX_PINNED) for name in PINNED}
    for name, key in PINNED.items():
        if hashlib.sha256(files[name]).hexdigest() != getattr(data, key):
            raise RecordError(f"{name} is not the one that line 1 of {RECORD} pins; it was changed since")
    return files


def evidence_data(name: str, data: bytes) -> EvidenceData:
    """What an entry says of evidence bytes that are appended with it."""
    return EvidenceData(name=name, sha256=hashlib.sha256(data).hexdigest(), size=len(data))


def evidence_of(entry: Entry) -> tuple[EvidenceData, ...]:
    """The evidence that an entry names."""
    return entry.data.evidence if isinstance(entry.data, CheckData) else ()


def kept_by(entry: Entry) -> tuple[tuple[str, str, int], ...]:
    """Place, SHA-256 and size of every file that the entry says is kept in the folder."""
    if isinstance(entry.data, RecoverData):
        return ((TORN, entry.data.sha256, entry.data.size),)
    return tuple((EVIDENCE, item.sha256, item.size) for item in evidence_of(entry))


def check_kept(folder: Path, place: str, sha256: str, size: int) -> None:
    """RecordError unless the file is in the folder, unchanged."""
    what = f"{place}/{sha256}"
    if os.path.islink(folder / place):
        raise RecordError(f"{place}/ is a symbolic link; a record holds plain folders only")
    if size > MAX_EVIDENCE:
        raise RecordError(f"{what} is said to have {size} bytes; no more than {MAX_EVIDENCE} are kept")
    found, length = disk.hash_file(folder / place / sha256, what, size)
    if length != size or found != sha256:
        raise RecordError(f"{what} is not what was kept; it was changed since")


def make_record(folder: Path, files: Mapping[str, bytes]) -> int:
    """A new record's folder with its copies, and its locked and empty record.

    Raises:
        RecordError: if it cannot be made; nothing of it is left behind then.
    """
    if os.path.lexists(folder):
        raise RecordError(f"{folder} is there already")
    try:
        disk.make_folders(folder.parent)
        folder.mkdir()
    except OSError as error:
        raise RecordError(f"{folder} cannot be made: {disk.reason(error)}") from None
    fd = None
    try:
        for name, data in files.items():
            disk.write_file(folder / name, data)
        for place in (EVIDENCE, SEALS):
            (folder / place).mkdir()
        fd = disk.open_append(folder / RECORD, new=True)
        disk.lock(fd, folder.name)
        disk.sync_folder(folder)
        disk.sync_folder(folder.parent)
    except (OSError, RecordError) as error:
        if fd is not None:
            os.close(fd)
        shutil.rmtree(folder, ignore_errors=True)
        if isinstance(error, RecordError):
            raise
        raise RecordError(f"{folder} cannot be written: {disk.reason(error)}") from None
    return fd


class Trusted(Struct, frozen=True, kw_only=True):
    """A record that may be written on: its bytes, what they are, and the roster that they are signed by."""

    data: bytes
    roster: Roster
    found: Scan


def trusted(
    folder: Path, data: bytes, *, before: Trusted | None = None, on_progress: Progress | None = None
) -> Trusted:
    """What `data` is, the lines of a record that may be written on; RecordError says why one may not.

    `before` is what came of it earlier: it serves again where it is of these very bytes, and they pin the
    copies that lie in the folder now.
    """
    if before is not None and before.data == data:
        read_pinned(folder, opening(before.found.entries))
        return before
    first = scan(data)
    if not first.entries:
        raise RecordError(f"{folder.name} holds no whole entry ({first.why}); begin a new record")
    if first.entries[0].rec != folder.name:
        raise RecordError(f"{folder.name} holds the record {first.entries[0].rec}; name the folder so")
    files = read_pinned(folder, opening(first.entries))
    roster = Roster.parse(files[ROSTER], f"{folder.name}/{ROSTER}")
    found = scan(data, roster, on_progress)
    if found.first_bad is not None and not found.torn_only:
        raise RecordError(f"{folder.name} is read-only: {found.why}")
    if found.closed:
        raise RecordError(f"{folder.name} is closed; go on in a record that follows it")
    return Trusted(data=data, roster=roster, found=found)


def check_evidence(entry: Entry, parts: tuple[bytes, ...]) -> None:
    """RecordError unless `parts` are the bytes of exactly the evidence that the entry names."""
    given = {(hashlib.sha256(part).hexdigest(), len(part)) for part in parts}
    named = {(item.sha256, item.size) for item in evidence_of(entry)}
    if given != named:
        raise RecordError(f"a {entry.kind} entry must come with exactly the evidence that it names")
    if any(len(part) > MAX_EVIDENCE for part in parts):
        raise RecordError(f"evidence of more than {MAX_EVIDENCE} bytes is not kept; keep a part of it")
