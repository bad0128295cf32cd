"""Records of a flight that are not over: interrupted ones, and sealed ones that wait for the release."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from preflight.config.load import parse_flight
from preflight.errors import PreflightError
from preflight.record.folder import RecordFiles, read
from preflight.record.scan import RECORD
from preflight.walk.carry import could_take_over
from preflight.walk.ledger import Ledger
from preflight.walk.opening import Sources, book_of, chain_of, opened
from preflight.walk.state import state_at


@dataclass(frozen=True, slots=True)
class Unfinished:
    """A record that can be gone on with.

    `kind` is "interrupted"; or "handover", the same record taken over from another laptop by one that follows
    it; or "sealed" where its walk goes on in a following record; or "scrubbed" where a new attempt can take
    steps over from it: `next` names those steps then. `same` says whether its flight file, checklist and
    roster are those that lie here now.
    """

    folder: Path
    kind: Literal["interrupted", "handover", "sealed", "scrubbed"]
    same: bool
    last: datetime
    entries: int
    next: str
    drill: bool


def unfinished(logs: Path, sources: Sources, boot: str | None = None) -> tuple[Unfinished, ...]:
    """Records below `logs` of the flight that `sources` names and that are not over, the latest first.

    A record that can't be read is left out: it can't be gone on with. One that was not written since this
    machine's start, whose id is `boot`, may come from another laptop.
    """
    name = parse_flight(sources.flight, "flight file").flight.name
    return tuple(item for _, item in _unfinished(logs, lambda found: found == name, sources, boot))


def strays(logs: Path, known: frozenset[str], boot: str | None = None) -> tuple[tuple[str, Unfinished], ...]:
    """As `unfinished`, of all flights but those `known`, each with its flight's name.

    Their flight file is gone or can't be read now: they go on with the copies that they keep.
    """
    return _unfinished(logs, lambda found: found not in known, None, boot)


def _unfinished(
    logs: Path, wanted: Callable[[str], bool], sources: Sources | None, boot: str | None
) -> tuple[tuple[str, Unfinished], ...]:
    found = []
    readable = {files.folder: files for files in _readable(logs)}
    followed = {opened(files.entries[0]).previous for files in readable.values()}
    continued = {previous.rec for previous in followed if previous is not None}
    for files in readable.values():
        if files.rec in continued:
            continue
        try:
            name = parse_flight(files.flight, "flight file").flight.name
            item = _judge(files, sources or Sources.kept(files)) if wanted(name) else None
            if item is not None:
                found.append((name, item))
                if item.kind == "interrupted" and boot not in (None, files.entries[-1].clk.boot):
                    found.append((name, replace(item, kind="handover")))
        except PreflightError:
            continue
    return tuple(sorted(found, key=lambda each: each[1].last, reverse=True))


def newest(logs: Path, sources: Sources) -> Path | None:
    """The folder of the record of this flight that was written to last, over or not."""
    name = parse_flight(sources.flight, "flight file").flight.name
    best: tuple[datetime, Path] | None = None
    for files in _readable(logs):
        try:
            if parse_flight(files.flight, "flight file").flight.name != name:
                continue
        except PreflightError:
            continue
        at = files.entries[-1].moment.at
        if best is None or at > best[0]:
            best = (at, files.folder)
    return best[1] if best is not None else None


def _readable(logs: Path) -> list[RecordFiles]:
    found = []
    for path in sorted(logs.glob(f"*/{RECORD}")):
        try:
            found.append(read(path.parent))
        except PreflightError:
            continue
    return found


def _judge(files: RecordFiles, sources: Sources) -> Unfinished | None:
    """None where the walk is over, or the record is damaged."""
    if files.first_bad is not None and not files.torn:
        return None
    ledger = Ledger(book_of(files))
    for part in chain_of(files.folder, files.entries):
        ledger.apply_all(part.entries)
    last = ledger.acts[-1].at
    due = state_at(ledger, last).next
    if files.closed and due.kind != "release":
        return _scrubbed(files, ledger, sources)
    return Unfinished(
        folder=files.folder,
        kind="sealed" if files.closed else "interrupted",
        same=Sources.kept(files).files() == sources.files(),
        last=last.at,
        entries=len(files.entries),
        next=due.name or due.kind,
        drill=files.drill,
    )


def _scrubbed(files: RecordFiles, ledger: Ledger, sources: Sources) -> Unfinished | None:
    """A scrubbed attempt of which a new one with the files here could take something over."""
    if ledger.scrubbed is None or ledger.released is not None:
        return None
    steps = could_take_over(files.folder, Ledger(sources.book(drill=files.drill)))
    if not steps:
        return None
    return Unfinished(
        folder=files.folder,
        kind="scrubbed",
        same=True,
        last=ledger.acts[-1].at.at,
        entries=len(files.entries),
        next=", ".join(steps),
        drill=files.drill,
    )
