"""One record proved: verified by its signatures, held against the record before it, and recomputed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import msgspec

from preflight.clean import clean
from preflight.record import disk
from preflight.record.entry import Entry
from preflight.record.links import check_link
from preflight.record.roster import MAX_ROSTER, Roster
from preflight.record.verify import Verification, verify
from preflight.walk.audit import Audit, recompute
from preflight.walk.opening import CONTINUES

TRUSTED = {
    "folder": "names are as this folder claims: compare the fingerprints below with ones got elsewhere",
    "roster": "names are those of the roster given from outside this folder",
    "code": "names are as this folder claimed when the seal code was read out",
}
"""What each kind of trust rests on, in words."""


def roster_from(path: Path) -> Roster:
    """A roster got from outside the record. Raises RecordError if the file can't be read as one."""
    shown = clean(str(path), limit=300)
    return Roster.parse(disk.read_file(path.resolve(), shown, MAX_ROSTER), shown)


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


def prove(folder: Path, *, roster: Roster | None = None, code: str | None = None) -> Proof:
    """Verify and recompute the record in `folder`; `roster` and `code` are what is known from outside.

    Raises:
        RecordError: if there is no record to verify, or `code` is no seal code. Whatever else is wrong is
            the state `bad`.
    """
    found = verify(folder, roster=roster, code=code)
    if not found.entries:
        return Proof(folder, found, None)
    if found.state != "bad":
        link = check_link(folder)
        if link.state == "broken":
            found = msgspec.structs.replace(found, state="bad", why=link.text)
        elif link.state == "absent" and link.previous is not None and link.previous.why in CONTINUES:
            note = f"{link.text}: outcomes and verdict were not recomputed; put that record beside this one"
            return Proof(folder, _noted(found, note), None)
        elif link.state == "absent":
            found = _noted(found, link.text)
    return _recomputed(folder, found)


def _recomputed(folder: Path, found: Verification) -> Proof:
    good = Proof(folder, found, None).good
    audit = recompute(folder, good)
    if audit.ledger is None:
        # Flight file, checklist or an earlier record can't be used: if verification had no complaint of its
        # own, this is the complaint.
        if found.state != "bad":
            found = msgspec.structs.replace(found, state="bad", first_bad=1, why=f"line 1: {audit.why}")
        return Proof(folder, found, None)
    if audit.first_bad is not None:
        why = f"line {audit.first_bad}: {audit.why}"
        found = msgspec.structs.replace(found, state="bad", first_bad=audit.first_bad, why=why)
    return Proof(folder, msgspec.structs.replace(found, verdict=audit.verdict), audit)


def _noted(found: Verification, note: str) -> Verification:
    return msgspec.structs.replace(found, warnings=(*found.warnings, note))
