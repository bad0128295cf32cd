"""Verifying a record from its folder alone, trusting nothing that lies in it.

`bad`: something is not as it was signed. `unsealed`: sound, but someone who was to seal it has not.
`sealed`: everyone who was to has. `anchored`: sealed, and the seal code given from outside matches.

Whether the acts were allowed and the outcomes follow from the readings is recomputed elsewhere, on the
`entries` that this returns: that needs the checklist, and `record` knows none.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

from msgspec import Struct

from preflight.clean import clean
from preflight.errors import RecordError
from preflight.record import disk
from preflight.record.entry import Entry, line_hash, parse_line
from preflight.record.folder import (
    EVIDENCE,
    MAX_PINNED,
    PINNED,
    ROSTER,
    SEALS,
    TORN,
    check_kept,
    kept_by,
    read_pinned,
)
from preflight.record.kinds import CloseData
from preflight.record.roster import Roster
from preflight.record.scan import RECORD, Progress, Scan, opening, read_record, scan
from preflight.record.seal import check_seals, parse_code, seal_code, seal_names

State = Literal["bad", "unsealed", "sealed", "anchored"]
Trust = Literal["folder", "roster", "code"]

SEALED = "sealed the record"
"""What a seal means, where a signature's meaning is shown."""


class SignedBy(Struct, frozen=True, kw_only=True):
    """Someone whose valid signature is in the record, and everything it meant there, first come first."""

    id: str
    name: str
    fingerprint: str
    roles: tuple[str, ...]
    meanings: tuple[str, ...]


class Verification(Struct, frozen=True, kw_only=True):
    """What is so about a record.

    `record` is its id (its folder's name where it has none). `trust` says whom the names rest on: the
    `folder` itself, a `roster` given from outside, or a `code`. `first_bad` is the number of the line that is
    bad, None if none is or if it is no line; `why` says what is, or what is missing for sealed. `verdict` is
    filled in by whoever recomputes it, `fork` by whoever looks at the records beside it: another one follows
    the same record. `entries` go up to the first bad line; `roster` is the one believed.
    """

    record: str
    state: State
    trust: Trust
    signers: tuple[SignedBy, ...] = ()
    first_bad: int | None = None
    why: str = ""
    verdict: str | None = None
    drill: bool = False
    warnings: tuple[str, ...] = ()
    fork: bool = False
    entries: tuple[Entry, ...] = ()
    hashes: tuple[str, ...] = ()
    roster: Roster | None = None
    beyond: str = ""


class _BadError(RecordError):
    """Ends the examination: the record is bad, at `line` if it is a line's fault."""

    def __init__(self, why: str, line: int | None = None) -> None:
        super().__init__(why)
        self.line = line


def verify(
    folder: Path,
    *,
    roster: Roster | None = None,
    code: str | None = None,
    on_progress: Progress | None = None,
    upto: str | None = None,
) -> Verification:
    """Verifies the record in `folder`; `roster` and `code` are what is known from outside.

    `upto` is the SHA-256 of the last line that counts, where another record says that the device failed after
    it: what a failing device kept beyond is no part of the record then, and told as a warning.

    Raises:
        RecordError: if there is no record.jsonl to verify, or none that this user may read, or `code` is no
            seal code. Whatever else is wrong is the state `bad`.
    """
    wanted = None if code is None else parse_code(code)
    if not os.path.isdir(folder):
        raise RecordError(f"{folder} is not a folder; give a record's folder")
    if not os.access(folder, os.R_OK | os.X_OK):
        raise RecordError(f"{folder} may not be looked into; give yourself the right to read it")
    if not os.path.lexists(folder / RECORD):
        raise RecordError(f"{folder} holds no {RECORD}; give a record's folder")
    if os.path.isfile(folder / RECORD) and not os.access(folder / RECORD, os.R_OK):
        raise RecordError(f"{folder / RECORD} may not be read; give yourself the right to read it")
    return _Examination(folder, roster, wanted, upto).run(on_progress)


class _Examination:
    def __init__(self, folder: Path, roster: Roster | None, code: str | None, upto: str | None) -> None:
        self.folder = folder
        self.upto = upto
        self.outside = roster
        self.roster = roster
        self.code = code
        self.found: Scan | None = None
        self.sealers: tuple[str, ...] = ()
        self.beyond = ""
        self.warnings: list[str] = []

    def run(self, on_progress: Progress | None) -> Verification:
        try:
            state, why = self._examine(on_progress)
        except RecordError as error:
            line = error.line if isinstance(error, _BadError) else None
            return self._result("bad", str(error), line)
        return self._result(state, why, None)

    def _examine(self, on_progress: Progress | None) -> tuple[State, str]:
        data = self._that_counts(read_record(self.folder))
        own = self._own_roster()
        self.roster = own if self.outside is None else self.outside
        self.found = found = scan(data, self.roster, on_progress)
        self.warnings += found.warnings
        if found.first_bad is not None or not found.entries:
            raise _BadError(found.why, found.first_bad)
        read_pinned(self.folder, opening(found.entries))
        self._check_roles(own)
        self._check_files(found)
        self._look_around(found)
        return self._judge_seals(found, data)

    def _that_counts(self, data: bytes) -> bytes:
        if self.upto is None:
            return data
        start = number = 0
        while end := data.find(b"\n", start) + 1:
            number += 1
            if line_hash(data[start:end]) == self.upto:
                if end < len(data):
                    self.beyond = f"its device failed after line {number}; {_kept_beyond(data[end:])}"
                    self.warnings.append(self.beyond)
                return data[:end]
            start = end
        raise RecordError("the line after which its device failed is not in it; it was changed since")

    def _check_files(self, found: Scan) -> None:
        seen: set[tuple[str, str, int]] = set()
        for entry in found.entries:
            for kept in kept_by(entry):
                if kept in seen:
                    continue
                seen.add(kept)
                try:
                    check_kept(self.folder, *kept)
                except RecordError as error:
                    raise _BadError(f"line {entry.seq}: {error}", entry.seq) from None

    def _own_roster(self) -> Roster:
        return Roster.parse(disk.read_file(self.folder / ROSTER, ROSTER, MAX_PINNED), ROSTER)

    def _check_roles(self, own: Roster) -> None:
        """A roster from outside must agree with the copy by which the walk allowed each act."""
        if self.outside is None:
            return
        assert self.found is not None
        last = self.found.entries[-1].data
        acting = [entry.signer for entry in self.found.entries]
        acting += last.sealers if isinstance(last, CloseData) else ()
        for person_id in dict.fromkeys(acting):
            if person_id not in self.outside:
                continue  # named as a sealer: not one whose seal will count
            known = self.outside.find(person_id)
            if person_id not in own or set(own.find(person_id).roles) != set(known.roles):
                raise RecordError(
                    f"the roster in the folder gives {person_id} other roles than the roster given, "
                    f"which has {', '.join(known.roles)}"
                )
            if own.find(person_id).name != known.name:
                self.warnings.append(
                    f"the folder calls {person_id} {own.find(person_id).name}; the roster given, {known.name}"
                )

    def _judge_seals(self, found: Scan, data: bytes) -> tuple[State, str]:
        assert self.roster is not None
        last = found.entries[-1].data
        if not isinstance(last, CloseData):
            if seal_names(self.folder):
                raise RecordError("there is a seal, but the record is not closed; lines are missing")
            return self._unsealed("the record is not closed")
        self.sealers = check_seals(self.folder, data, self.roster, drill=found.drill)
        missing = [person_id for person_id in last.sealers if person_id not in self.sealers]
        if missing:
            names = ", ".join(clean(person_id, limit=64) for person_id in missing)
            return self._unsealed(f"not sealed by {names}")
        if self.code is None:
            return "sealed", ""
        if seal_code(data, found.entries[0].rec) != self.code:
            raise RecordError("the seal code given is not this record's; it was changed since, or is another")
        return "anchored", ""

    def _unsealed(self, why: str) -> tuple[State, str]:
        if self.code is not None:
            raise RecordError(f"a seal code was given, so it was sealed, but now: {why}")
        return "unsealed", why

    def _look_around(self, found: Scan) -> None:
        """Warns of what lies in the folder and is no part of the record."""
        rec = found.entries[0].rec
        if self.folder.resolve().name != rec:
            self.warnings.append(f"the folder is not named after its record, {rec}")
        places: dict[str, set[str]] = {EVIDENCE: set(), TORN: set(), SEALS: set(seal_names(self.folder))}
        for entry in found.entries:
            for place, sha256, _ in kept_by(entry):
                places[place].add(sha256)
        strange = [
            name
            for name in disk.list_folder(self.folder, "the folder")
            if name not in (RECORD, *PINNED, *places)
        ]
        for place, known in places.items():
            names = disk.list_folder(self.folder / place, f"{place}/")
            strange += [f"{place}/{name}" for name in names if name not in known]
        if strange:
            shown = ", ".join(clean(name, limit=80) for name in strange[:3])
            more = f" and {len(strange) - 3} more" if len(strange) > 3 else ""
            self.warnings.append(f"not part of the record: {shown}{more}")

    def _result(self, state: State, why: str, line: int | None) -> Verification:
        entries = self.found.entries if self.found is not None else ()
        trust: Trust = "folder"
        if self.outside is not None:
            trust = "roster"
        elif self.code is not None and state == "anchored":
            trust = "code"  # one that does not match vouches for nothing
        return Verification(
            record=entries[0].rec if entries else clean(self.folder.resolve().name, limit=100),
            state=state,
            trust=trust,
            signers=self._signers(entries),
            first_bad=line,
            why=why,
            drill=self.found.drill if self.found is not None else False,
            warnings=tuple(self.warnings),
            entries=entries,
            hashes=self.found.hashes if self.found is not None else (),
            roster=self.roster,
            beyond=self.beyond,
        )

    def _signers(self, entries: tuple[Entry, ...]) -> tuple[SignedBy, ...]:
        meanings: dict[str, dict[str, None]] = {}
        for entry in entries:
            meanings.setdefault(entry.signer, {})[entry.meaning] = None
        for person_id in self.sealers:
            meanings.setdefault(person_id, {})[SEALED] = None
        signers = []
        for person_id, meant in meanings.items():
            assert self.roster is not None
            person = self.roster.find(person_id)
            signers.append(
                SignedBy(
                    id=person.id,
                    name=person.name,
                    fingerprint=person.fingerprint,
                    roles=person.roles,
                    meanings=tuple(meant),
                )
            )
        return tuple(signers)


def _kept_beyond(data: bytes) -> str:
    """What a failing device kept beyond the last line that counts, for people: nobody else tells of it."""
    told = [f"{len(data)} bytes beyond it don't count"]
    for line in data.splitlines(keepends=True):
        try:
            entry = parse_line(line).entry
        except RecordError:
            continue
        about = [getattr(entry.data, name, None) for name in ("step", "outcome")]
        said = " ".join(clean(str(part), limit=100) for part in about if part is not None)
        told.append(f"among them a whole entry, {' '.join((entry.kind, said)).strip()}, by {entry.signer}")
    return ", ".join(told)
