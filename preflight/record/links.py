"""Records that follow one another: whether the one before is there as named, and whether two name it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

from msgspec import Struct

from preflight.errors import RecordError
from preflight.record import disk
from preflight.record.entry import MAX_LINE, line_hash, parse_line
from preflight.record.kinds import OpenData, Previous
from preflight.record.scan import RECORD, read_record, split_torn

LinkState = Literal["first", "follows", "absent", "broken"]


class Link(Struct, frozen=True, kw_only=True):
    """How a record hangs on the one it names as `previous`.

    `first`: it names none. `follows`: that one lies beside it and has the head it names. `absent`: it does
    not lie beside it. `broken`: it does, and is not as it was then. `text` says so to people, "" for first.
    """

    state: LinkState
    previous: Previous | None
    text: str


class Fork(Struct, frozen=True, kw_only=True):
    """Two or more records (their folders' names) that name one `previous` record; copies of one are one."""

    previous: str
    records: tuple[str, ...]


def previous_of(folder: Path) -> Previous | None:
    """What a record says it follows, from its first line alone; RecordError if that cannot be read."""
    return _first_line(folder)[1].previous


def check_link(folder: Path) -> Link:
    """Looks for the record that the one in `folder` names as previous, beside it; checks no signature.

    Raises:
        RecordError: if the record's own first line cannot be read.
    """
    previous = previous_of(folder)
    if previous is None:
        return Link(state="first", previous=None, text="")
    before = folder.resolve().parent / previous.rec
    if not os.path.isdir(before):
        text = f"follows {previous.rec}, which does not lie beside it"
        return Link(state="absent", previous=previous, text=text)
    try:
        state, text = _compare(before, previous)
    except RecordError as error:
        state, text = "broken", f"{previous.rec}, which it follows, cannot be read: {error}"
    return Link(state=state, previous=previous, text=text)


def _compare(before: Path, previous: Previous) -> tuple[LinkState, str]:
    rec, _ = _first_line(before)
    if rec != previous.rec:
        return "broken", f"the folder {previous.rec} beside it holds the record {rec}"
    whole, _ = split_torn(read_record(before))
    hashes = [line_hash(line + b"\n") for line in whole.split(b"\n")[:-1]]
    if previous.head not in hashes:
        return (
            "broken",
            f"{previous.rec} was changed since: the line that this one follows is not in it",
        )
    beyond = len(hashes) - 1 - hashes.index(previous.head)
    # A failing device may keep the one line whose sync it refused; nothing else goes on once followed.
    if beyond > (previous.why == "storage"):
        return "broken", f"{previous.rec} went on by {beyond} entries after this record followed it"
    return "follows", f"follows {previous.rec} ({previous.why})"


class Beside:
    """Which records in the folder `logs` follow which, from the first line of each, read once."""

    def __init__(self, logs: Path) -> None:
        self._logs = logs
        self._followers: dict[str, list[tuple[str, Previous]]] = {}
        for name in disk.list_folder(logs, str(logs)):
            try:
                previous = previous_of(logs / name)
            except RecordError:
                continue  # no record, or a bad one: verifying it says so
            if previous is not None:
                self._followers.setdefault(previous.rec, []).append((name, previous))

    def stopped_at(self, rec: str) -> str | None:
        """SHA-256 of the last line of `rec` that counts, if a record follows it as its device failed."""
        heads = (previous.head for _, previous in self._followers.get(rec, ()) if previous.why == "storage")
        return next(heads, None)

    def forks(self) -> tuple[Fork, ...]:
        """Every record that is named as previous by more than one."""
        return tuple(
            Fork(previous=rec, records=tuple(name for name, _ in found))
            for rec, found in self._followers.items()
            if len(found) > 1 and not self._copies([name for name, _ in found])
        )

    def _copies(self, names: list[str]) -> bool:
        """Whether these folders hold one and the same record."""
        try:
            return len({line_hash(read_record(self._logs / name)) for name in names}) == 1
        except RecordError:
            return False


def _first_line(folder: Path) -> tuple[str, OpenData]:
    head = disk.read_head(folder / RECORD, RECORD, MAX_LINE)
    end = head.find(b"\n") + 1
    if not end:
        raise RecordError(f"{folder.name} holds no whole entry")
    try:
        entry = parse_line(head[:end]).entry
    except RecordError as error:
        raise RecordError(f"{folder.name}: line 1 {error}") from None
    if not isinstance(entry.data, OpenData):
        raise RecordError(f"{folder.name} does not begin with an open entry")
    return entry.rec, entry.data
