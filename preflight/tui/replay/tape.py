"""What is stepped through: the records of one walk, proved, up to the first line that can't be believed."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from preflight.clean import clean
from preflight.errors import PreflightError, RecordError
from preflight.record.disk import list_folder
from preflight.record.entry import Entry
from preflight.record.folder import RecordFiles, read
from preflight.record.links import previous_of
from preflight.record.scan import RECORD
from preflight.walk.book import Book
from preflight.walk.opening import CONTINUES, book_of, chain_of
from preflight.walk.proof import TRUSTED, prove


@dataclass(frozen=True, slots=True)
class Part:
    """One record of the walk: its state as `verify` gives it, why it is no better, and whom that trusts."""

    folder: Path
    rec: str
    state: str
    first_bad: int | None
    why: str
    trusted: str
    fork: bool
    checklist_hash: str


@dataclass(frozen=True, slots=True)
class Tape:
    """The entries of a walk over its linked records, oldest first, and the record that each stands in.

    `asked` is how many entries there are up to the end of the record that was asked for; `ends` says why
    nothing more is shown, `begins` what is missing before, both "" where all is there.
    """

    book: Book
    parts: tuple[Part, ...]
    entries: tuple[Entry, ...]
    part_of: tuple[Part, ...]
    asked: int
    begins: str
    ends: str


def tape_of(record: Path) -> Tape:
    """Read and prove the record in `record`, those it goes on from and those that go on from it.

    Raises:
        RecordError: if there is no record, or no entry of it can be believed.
    """
    record = record.resolve()
    last, ends = _last_of(record)
    chain, begins = _chain(record, last)
    parts: list[Part] = []
    entries: list[Entry] = []
    part_of: list[Part] = []
    asked = 0
    for files in chain:
        part = _part(files)
        parts.append(part)
        good = files.entries
        if part.first_bad is not None:
            good = good[: part.first_bad - 1]
        entries += good
        part_of += [part] * len(good)
        if files.folder.resolve() == record:
            asked = len(entries)
        if part.first_bad is not None:
            why = part.why.removeprefix(f"line {part.first_bad}").removeprefix(":").strip()
            ends = f"line {part.first_bad} of {part.rec} is bad: {why}. Nothing from that line on is shown"
            break
    if not entries:
        raise RecordError(f"{record.name}: {ends or 'no entry'}; there is no moment to show")
    return Tape(
        book=book_of(chain[-1]),
        parts=tuple(parts),
        entries=tuple(entries),
        part_of=tuple(part_of),
        asked=asked or len(entries),
        begins=begins,
        ends=ends,
    )


def _part(files: RecordFiles) -> Part:
    found = prove(files.folder).found
    first_bad = found.first_bad
    if first_bad is None and files.first_bad is not None and not files.torn:
        first_bad = files.first_bad
    return Part(
        folder=files.folder,
        rec=clean(files.rec, limit=100),
        state=found.state,
        first_bad=first_bad,
        why=clean(found.why, limit=400),
        trusted=TRUSTED[found.trust].partition(":")[0],
        fork=found.fork,
        checklist_hash=found.entries[0].data.checklist if found.entries else "",  # type: ignore[attr-defined]
    )


def _chain(record: Path, last: Path) -> tuple[tuple[RecordFiles, ...], str]:
    """The records of the walk, and what is missing before them."""
    for folder in dict.fromkeys((last, record)):
        with contextlib.suppress(PreflightError):
            return chain_of(folder), ""
    alone = read(record)
    try:
        chain_of(record)
    except RecordError as error:
        return (alone,), f"{clean(str(error), limit=200)}: what stands there is missing from what is shown"
    return (alone,), ""


def _last_of(record: Path) -> tuple[Path, str]:
    """The last record that goes on from this one, and why no further one is shown."""
    seen = {record}
    while True:
        following = [path for path in _following(record) if path not in seen]
        if not following:
            return record, ""
        if len(following) > 1:
            names = ", ".join(clean(path.name, limit=100) for path in following)
            return record, f"FORK: {names} all go on from {clean(record.name, limit=100)}: open one of them"
        record = following[0]
        seen.add(record)


def _following(record: Path) -> Iterator[Path]:
    try:
        names = list_folder(record.parent, str(record.parent))
    except RecordError:
        return
    for name in names:
        if not (record.parent / name / RECORD).is_file():
            continue
        with contextlib.suppress(RecordError):
            previous = previous_of(record.parent / name)
            if previous is not None and previous.rec == record.name and previous.why in CONTINUES:
                yield record.parent / name
