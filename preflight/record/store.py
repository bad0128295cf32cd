"""The writer of a record: each entry is on disk before anyone is told that it was signed.

Append, flush, sync; one writer at a time. The first write or sync that fails stops the writer for good: what
the device then holds is unknown, so the file is never written or synced again and the record goes on in a new
linked folder.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
import shutil
import threading
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from msgspec import Struct

from preflight.clock import Clock, Moment
from preflight.errors import RecordError
from preflight.record import disk, sshsig
from preflight.record.entry import (
    MAX_LINE,
    VERSION,
    ZEROS,
    Auth,
    Entry,
    canonical_entry,
    clk_of,
    format_utc,
    line_hash,
    line_of,
    parse_line,
    shaped,
)
from preflight.record.folder import EVIDENCE, PINNED, ROSTER, Trusted, check_evidence, make_record, trusted
from preflight.record.keys import Signer, on_roster
from preflight.record.kinds import CloseData, OpenData, Previous
from preflight.record.mirror import Mirror
from preflight.record.roster import Roster
from preflight.record.scan import MAX_RECORD, RECORD, may_sign
from preflight.record.seal import add_seal, seal_code
from preflight.record.torn import not_entered, set_aside

_REC = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")

# Records whose writer stopped in this process: after a failed sync the system may forget that bytes are not
# on the device, so no second writer here may take such a file up.
_stopped: dict[Path, str] = {}


class WriterStoppedError(RecordError):
    """A write or sync failed. Nothing more goes into this record; go on in a new linked one."""

    title = "The record stopped"


def new_rec(now: Moment) -> str:
    """An id for a record begun now: UTC and six random hex digits."""
    return f"{now.at:%Y%m%dT%H%M%SZ}-{secrets.token_hex(3)}"


class Recorder:
    """The one writer of one record. Made by `create` or `resume`; safe to call from several threads.

    `failed` says why the writer stopped for good, `mirror_behind` why the second copy is not whole; both are
    None while all is well.
    """

    def __init__(self, folder: Path, fd: int, roster: Roster, drill: bool, clock: Clock) -> None:
        """For `create` and `resume` alone: `fd` is the locked record."""
        self.folder = folder
        self.rec = folder.name
        self.roster = roster
        self.drill = drill
        self.failed: str | None = None
        self._fd: int | None = fd
        self._clock = clock
        self._entries: list[Entry] = []
        self._hashes: list[str] = []
        self._size = 0
        self._mirror: Mirror | None = None
        self._guard = threading.RLock()

    @classmethod
    def create(
        cls,
        logs: Path,
        *,
        files: Mapping[str, bytes],
        tool: str,
        drill: bool,
        previous: Previous | None,
        signer: Signer,
        clock: Clock,
        meaning: str = "opened the record",
        auth: Auth = "passphrase",
        mirror: Path | None = None,
        rec: str | None = None,
    ) -> Recorder:
        """Begins a record in `logs`/REC with its open entry.

        Args:
            logs: The folder that holds records; made if it is missing.
            files: Exactly flight.toml, checklist.toml and allowed_signers, as used.
            tool: This tool's version.
            drill: Whether every signature is a drill's.
            previous: The record that this one follows.
            signer: The person who opens it.
            mirror: A folder, best on another device, for a second copy.
            rec: The record's id; made from the time if None.

        Raises:
            RecordError: if the roster or signer cannot be taken or the folder cannot be made. Nothing is left
                behind then.
        """
        if set(files) != set(PINNED):
            raise RecordError(f"a record is begun with {', '.join(PINNED)}, not with {', '.join(files)}")
        roster = Roster.parse(files[ROSTER], ROSTER)
        rec = new_rec(clock.now()) if rec is None else rec
        if not _REC.fullmatch(rec):
            raise RecordError(f"{rec!a} cannot be a record's id; use letters, digits and . _ -")
        hashes = {key: hashlib.sha256(files[name]).hexdigest() for name, key in PINNED.items()}
        data = OpenData(**hashes, tool=tool, drill=drill, previous=previous)
        folder = logs / rec
        fd = make_record(folder, files)
        recorder = cls(folder, fd, roster, drill, clock)
        try:
            recorder.append("open", data, signer=signer, meaning=meaning, auth=auth)
        except BaseException:
            recorder.close()
            shutil.rmtree(folder, ignore_errors=True)
            raise
        recorder.mirror_to(mirror)
        return recorder

    @classmethod
    def resume(
        cls,
        folder: Path,
        *,
        instrument: Signer,
        clock: Clock,
        meaning: str = "a torn line was set aside",
        mirror: Path | None = None,
        before: Trusted | None = None,
    ) -> Recorder:
        """Takes up a record that is not closed.

        A torn last line is set aside in torn/, cut, and a recover entry that `instrument` signs says so.
        `before` is what `trusted` gave earlier: what is read under the lock is checked anew unless it is the
        same bytes.

        Raises:
            RecordError: if another writer has it, if it is closed, or if any line but a torn last one, or one
                of the pinned copies, is bad: such a record is read-only.
            WriterStoppedError: if it cannot be written.
        """
        folder = folder.resolve()
        if folder in _stopped:
            raise WriterStoppedError(f"{folder.name} is not taken up again: {_stopped[folder]}")
        try:
            fd = disk.open_append(folder / RECORD)
        except OSError as error:
            raise RecordError(f"{folder / RECORD} cannot be opened: {disk.reason(error)}") from None
        try:
            disk.lock(fd, folder.name)
            data = disk.read_file(folder / RECORD, RECORD, MAX_RECORD)
            known = trusted(folder, data, before=before)
            found = known.found
            recorder = cls(folder, fd, known.roster, found.drill, clock)
        except BaseException:
            os.close(fd)
            raise
        recorder._entries += found.entries
        recorder._hashes += found.hashes
        recorder._size = len(data) - len(found.torn)
        try:
            recorder._recover(found.torn, instrument, meaning)
        except BaseException:
            recorder.close()
            raise
        recorder.mirror_to(mirror)
        return recorder

    @property
    def entries(self) -> tuple[Entry, ...]:
        """Every entry on disk, in order."""
        return tuple(self._entries)

    @property
    def hashes(self) -> tuple[str, ...]:
        """SHA-256 of every line, in order."""
        return tuple(self._hashes)

    @property
    def head(self) -> str:
        """SHA-256 of the last line: what a following record names."""
        return self._hashes[-1]

    @property
    def closed(self) -> bool:
        """Whether the last entry is a close."""
        return bool(self._entries) and self._entries[-1].kind == "close"

    @property
    def mirror_behind(self) -> str | None:
        """Why the second copy is not whole; None if it is, or if none is kept."""
        return self._mirror.behind if self._mirror is not None else None

    def append(
        self,
        kind: str,
        data: Struct | dict[str, Any],
        *,
        signer: Signer,
        meaning: str,
        auth: Auth,
        evidence: Iterable[bytes] = (),
        moment: Moment | None = None,
    ) -> Entry:
        """Signs an entry, and returns it once it and its evidence are on disk.

        `evidence` holds the bytes of every EvidenceData that `data` names; `moment` is when it was judged,
        now if None.

        Raises:
            RecordError: if the entry may not stand here; nothing was written.
            WriterStoppedError: if a write or sync failed, now or earlier.
        """
        with self._guard:
            self._refuse_if_over()
            parts = tuple(evidence)
            now = moment or self._clock.now()
            entry = Entry(
                v=VERSION,
                rec=self.rec,
                seq=len(self._entries) + 1,
                prev=self._hashes[-1] if self._hashes else ZEROS,
                kind=kind,
                at=format_utc(now.at),
                clk=clk_of(now),
                signer=signer.id,
                meaning=meaning,
                auth=auth,
                data=shaped(kind, data),
            )
            line = self._line(entry, signer)
            check_evidence(entry, parts)
            self._write(line, parts)
            self._entries.append(entry)
            self._hashes.append(line_hash(line))
            self._size += len(line)
            if self._mirror is not None:
                for part in parts:
                    self._mirror.file(self._evidence_path(part))
                self._mirror.line(line)
            return entry

    def seal(self, signer: Signer) -> Path:
        """Seals the closed record; RecordError as `seal.add_seal`."""
        with self._guard:
            if self.failed is not None:
                raise WriterStoppedError(self.failed)
            path = add_seal(self.folder, signer)
            if self._mirror is not None:
                self._mirror.file(path)
            return path

    def seal_code(self) -> str:
        """The code of the closed record, to be read out or written down."""
        if not self.closed:
            raise RecordError(f"{self.rec} is not closed; a seal code is of a whole record")
        return seal_code(disk.read_file(self.folder / RECORD, RECORD, MAX_RECORD), self.rec)

    def mirror_to(self, root: Path | None) -> str | None:
        """Copies the whole record to a mirror in `root` anew, None for none; returns `mirror_behind`."""
        with self._guard:
            if self._mirror is not None:
                self._mirror.close()
            self._mirror = None if root is None else Mirror(root, self.folder)
            if self._mirror is not None:
                self._mirror.catch_up()
            return self.mirror_behind

    def close(self) -> None:
        """Lets go of the files, so that another writer may take the record up. Writes nothing."""
        with self._guard:
            if self._fd is not None:
                fd, self._fd = self._fd, None
                os.close(fd)
            if self._mirror is not None:
                self._mirror.close()

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def _refuse_if_over(self) -> None:
        if self.failed is not None:
            raise WriterStoppedError(self.failed)
        if self._fd is None:
            raise RecordError(f"{self.rec} was let go of; resume it to write on")
        if self.closed:
            raise RecordError(f"{self.rec} is closed; go on in a record that follows it")

    def _line(self, entry: Entry, signer: Signer) -> bytes:
        """Checks that the entry may stand here, signs it and reads it back."""
        self._check_signer(entry.kind, signer, entry.auth)
        self._check_time(entry)
        if (entry.kind == "open") != (not self._entries):
            raise RecordError("a record begins with its one open entry")
        if isinstance(entry.data, CloseData):
            for sealer in entry.data.sealers:
                if self.roster.find(sealer).is_instrument:
                    raise RecordError(f"{sealer} is an instrument; only a person seals a record")
        body = canonical_entry(entry)
        line = line_of(body, signer.sign(sshsig.entry_namespace(self.drill), body))
        if len(line) > MAX_LINE:
            raise RecordError(
                f"a {entry.kind} entry of {len(line)} bytes is too long; {MAX_LINE} is the most"
            )
        if self._size + len(line) > MAX_RECORD:
            raise RecordError(f"{self.rec} is full ({MAX_RECORD} bytes); go on in a record that follows it")
        try:
            parse_line(line)
        except RecordError as error:
            raise RecordError(f"a {entry.kind} entry cannot be written: it {error}") from None
        return line

    def _check_signer(self, kind: str, signer: Signer, auth: Auth) -> None:
        person = on_roster(signer, self.roster, sshsig.entry_namespace(self.drill))
        fault = may_sign(kind, auth, instrument=person.is_instrument)
        if fault is not None:
            raise RecordError(f"{person.id} cannot sign this: {fault}")

    def _check_time(self, entry: Entry) -> None:
        for earlier in reversed(self._entries):
            if earlier.clk.boot == entry.clk.boot:
                if int(earlier.clk.running) > int(entry.clk.running):
                    raise RecordError("an entry of an earlier moment cannot follow; make it anew")
                return

    def _write(self, line: bytes, evidence: tuple[bytes, ...]) -> None:
        assert self._fd is not None
        try:
            for part in evidence:
                self._keep(part)
            disk.write_all(self._fd, line)
            disk.sync(self._fd)
        except BaseException as error:
            self._stop(error)
            if isinstance(error, OSError):
                raise WriterStoppedError(self.failed) from error
            raise

    def _keep(self, data: bytes) -> None:
        path = self._evidence_path(data)
        if not path.parent.is_dir():  # a copy of a record may have lost its empty folders
            path.parent.mkdir()
            disk.sync_folder(self.folder)
        with contextlib.suppress(RecordError):
            if disk.hash_file(path, path.name, len(data)) == (path.name, len(data)):
                return
        disk.write_file(path, data)

    def _evidence_path(self, data: bytes) -> Path:
        return self.folder / EVIDENCE / hashlib.sha256(data).hexdigest()

    def _stop(self, error: BaseException) -> None:
        why = disk.reason(error) if isinstance(error, OSError) else "it was broken off"
        self.failed = (
            f"{self.rec} could not be written ({why}); nothing more goes into it. "
            "Go on in a new record that follows it, on another device if need be"
        )
        _stopped[self.folder.resolve()] = self.failed

    def _recover(self, torn: bytes, instrument: Signer, meaning: str) -> None:
        if torn:
            self._check_signer("recover", instrument, "instrument")
            assert self._fd is not None
            try:
                set_aside(self.folder, self._fd, torn, self._size)
            except OSError as error:
                self._stop(error)
                raise WriterStoppedError(self.failed) from error
        for data in not_entered(self.folder, self._entries):
            self.append("recover", data, signer=instrument, meaning=meaning, auth="instrument")
