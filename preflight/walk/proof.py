"""One record proved: verified by its signatures, held against the record before it, and recomputed."""

from __future__ import annotations

import dataclasses
import os
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import msgspec

from preflight.clean import clean
from preflight.errors import PreflightError
from preflight.record import disk
from preflight.record.entry import Entry
from preflight.record.links import Beside, check_link
from preflight.record.roster import MAX_ROSTER, Roster
from preflight.record.scan import opening
from preflight.record.verify import Verification, verify
from preflight.walk.audit import Audit, recompute
from preflight.walk.carry import carried_fault, carried_from
from preflight.walk.opening import CONTINUES, chain_of

TRUSTED = {
    "folder": "names are as this folder claims: compare the fingerprints below with ones got elsewhere",
    "roster": "names are those of the roster given from outside this folder",
    "code": "names are as this folder claimed when the seal code was read out",
}
"""What each kind of trust rests on, in words."""

UNJUDGED = (
    "NOT JUDGED, as all of it stands on that record: whether each act was allowed, every outcome, the "
    "verdict. Judged: this record's own lines, signatures, files and seals. To judge the rest, put that "
    "record beside this one"
)
"""What cannot be told of a record without the one that it goes on from."""


def roster_from(path: Path) -> Roster:
    """A roster got from outside the record. Raises RecordError if the file can't be read as one."""
    shown = clean(str(path), limit=300)
    return Roster.parse(disk.read_file(Path(os.path.realpath(path)), shown, MAX_ROSTER), shown)


@dataclass(frozen=True, slots=True)
class Proof:
    """What is so about a record.

    `found` is the verification with what recomputing adds: state, first bad line, why and verdict. `audit` is
    the recomputing itself, None where it could not be done. `good` are the entries before the first bad line.
    """

    folder: Path
    found: Verification
    audit: Audit | None

    @property
    def good(self) -> tuple[Entry, ...]:
        first_bad = self.found.first_bad
        return self.found.entries if first_bad is None else self.found.entries[: first_bad - 1]


def prove(
    folder: Path,
    *,
    roster: Roster | None = None,
    code: str | None = None,
    beside: Beside | None = None,
    forks: bool = True,
) -> Proof:
    """Verify and recompute the record in `folder`; `roster` and `code` are what is known from outside.

    `beside` are the records in the folder that holds it: whoever proves every one of them reads them once,
    and finds forks by itself instead of having each of them told (`forks`).

    Raises:
        RecordError: if there is no record to verify, or `code` is no seal code. Whatever else is wrong is
            the state `bad`.
    """
    found = verify(folder, roster=roster, code=code)
    if not found.entries:
        return Proof(folder, found, None)
    beside = Beside(folder.resolve().parent) if beside is None else beside
    head = beside.stopped_at(folder.resolve().name)
    if head is not None and found.entries[-1].kind != "close":
        found = verify(folder, roster=roster, code=code, upto=head)
    elif head is not None:
        found = _noted(found, "a record follows it that says its device failed, but it is whole and closed")
    if found.state != "bad":
        link = check_link(folder)
        found = _forks_noted(folder, found, beside) if forks else found
        if link.state == "broken":
            found = msgspec.structs.replace(found, state="bad", why=link.text)
        elif link.state == "absent" and link.previous is not None and link.previous.why in CONTINUES:
            return Proof(folder, _noted(found, f"{link.text}. {UNJUDGED}"), None)
        elif link.text:
            found = _noted(found, link.text)
        if link.state == "follows" and link.previous is not None and link.previous.why in CONTINUES:
            found = _with_earlier(folder, found, roster)
    if found.state != "bad":
        found = _with_carried(folder, found, roster, beside)
    return _recomputed(folder, found)


def _with_earlier(folder: Path, found: Verification, roster: Roster | None) -> Verification:
    """The records that this one goes on from, by their own signatures: the walk stands on them as well."""
    try:
        chain = chain_of(folder, found.entries)
    except PreflightError as error:
        return msgspec.structs.replace(found, state="bad", why=str(error))
    for files, following in pairwise(chain):
        previous = opening(following.entries).previous
        storage = previous is not None and previous.why == "storage"
        earlier = verify(files.folder, roster=roster, upto=files.head if storage else None)
        if earlier.state == "bad":
            why = f"{files.rec}, which it goes on from, is bad: {earlier.why}"
            return msgspec.structs.replace(found, state="bad", why=why)
        found = _noted(found, f"goes on from {files.rec}, which is {earlier.state}")
        if earlier.beyond:
            found = _noted(found, f"{files.rec}: {earlier.beyond}")
    return found


def _with_carried(folder: Path, found: Verification, roster: Roster | None, beside: Beside) -> Verification:
    """Steps taken over from an earlier attempt, judged by the record that they were taken from."""
    if (source := carried_from(found.entries)) is None:
        return found
    before = folder.resolve().parent / source
    if not before.is_dir():
        note = f"NOT JUDGED: the steps taken over from {source}, which does not lie beside it"
        return _noted(found, note)
    try:
        earlier = verify(before, roster=roster, upto=beside.stopped_at(source))
        if earlier.state == "bad":
            why = f"{source}, which steps were taken over from, is bad: {earlier.why}"
            return msgspec.structs.replace(found, state="bad", why=why)
        fault = carried_fault(folder, found.entries)
    except PreflightError as error:
        return msgspec.structs.replace(found, state="bad", why=str(error))
    except (ValueError, ArithmeticError):
        why = f"a time or a number in {source}, which steps were taken over from, can't be"
        return msgspec.structs.replace(found, state="bad", why=why)
    if fault is None:
        return found
    line, why = fault
    return msgspec.structs.replace(found, state="bad", first_bad=line, why=f"line {line}: {why}")


def _forks_noted(folder: Path, found: Verification, beside: Beside) -> Verification:
    for fork in beside.forks():
        if folder.resolve().name in (*fork.records, fork.previous):
            told = f"FORK: {', '.join(fork.records)} all follow {fork.previous}"
            found = msgspec.structs.replace(_noted(found, told), fork=True)
    return found


def _recomputed(folder: Path, found: Verification) -> Proof:
    good = Proof(folder, found, None).good
    audit = _recompute(folder, good)
    if audit.ledger is None:
        # Flight file, checklist or an earlier record can't be used: if verification had no complaint of its
        # own, this is the complaint.
        if found.state != "bad":
            found = msgspec.structs.replace(found, state="bad", first_bad=1, why=audit.why)
        return Proof(folder, found, None)
    if audit.first_bad is not None:
        found = msgspec.structs.replace(found, state="bad", first_bad=audit.first_bad, why=audit.why)
    found = msgspec.structs.replace(found, verdict=audit.verdict, warnings=(*found.warnings, *audit.remarks))
    released = audit.state.released if audit.state is not None else None
    if released is not None and not released.data.with_go:
        found = _noted(found, f"RELEASED WITHOUT GO: {released.data.reason}")
    return Proof(folder, found, audit)


def _recompute(folder: Path, good: tuple[Entry, ...]) -> Audit:
    """As `recompute`; an entry that can't be reckoned with (a day that does not exist) is a bad one."""
    if (audit := _reckoned(folder, good)) is not None:
        return audit
    # However many entries follow it, the first one at fault is found in a few tries.
    sound, beyond = 0, len(good)
    while beyond - sound > 1:
        middle = (sound + beyond) // 2
        sound, beyond = (middle, beyond) if _reckoned(folder, good[:middle]) is not None else (sound, middle)
    audit = _reckoned(folder, good[:sound])
    if audit is None:
        return Audit(1, "an earlier record can't be reckoned with", None, None, None)
    return dataclasses.replace(audit, first_bad=beyond, why="a time or a number in it can't be")


def _reckoned(folder: Path, entries: tuple[Entry, ...]) -> Audit | None:
    try:
        return recompute(folder, entries)
    except (ValueError, ArithmeticError):
        return None


def _noted(found: Verification, note: str) -> Verification:
    return msgspec.structs.replace(found, warnings=(*found.warnings, note))
