"""A record at any moment again behind the screen: read and folded on a thread, behind futures."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from preflight.clean import clean
from preflight.clock import Moment
from preflight.record.entry import Entry
from preflight.report.telling import tell
from preflight.tui.looking import Looking
from preflight.tui.places import Place, place_of
from preflight.tui.replay.moments import Moments, Spot, Stood, calls, troubles
from preflight.tui.replay.tape import Part, tape_of
from preflight.tui.view import Extra, RecordStatus, View, place_of_record
from preflight.tui.viewing import extra_of, view_of
from preflight.walk.ledger import Ledger, Ref

AROUND = 6
"""Entries on either side that the strip may show."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the strip. `seq` is None for time that passes between two entries."""

    seq: int | None
    at: datetime
    kind: str
    who: str
    text: str
    here: bool = False


@dataclass(frozen=True, slots=True)
class Shown:
    """Where in the record one stands: what the replay's own lines show."""

    spot: Spot
    total: int
    part: Part
    lines: tuple[Line, ...]
    changed: tuple[str, ...]
    note: str
    place: Place


class _Stopped:
    """A clock that stands."""

    def __init__(self, moment: Moment) -> None:
        self._moment = moment

    def now(self) -> Moment:
        return self._moment


class Replaying(Looking):
    """The moments of one walk's records. Every method but `shut` answers from its one thread."""

    def __init__(self, record: Path) -> None:
        self.folder = record
        self._reader = ThreadPoolExecutor(1, "replay")
        self._moments: Moments | None = None
        self._view: View | None = None

    def view(self) -> Future[View]:
        """What is shown now; at first the record is read and proved, and its last entry shown."""
        return self._reader.submit(self._now)

    def reckon(self, view: View) -> Future[Extra]:
        """Figures of the values in a view."""
        return self._reader.submit(extra_of, view, self.folder)

    def go(self, move: Callable[[Moments, Spot], Spot | None]) -> Future[View | None]:
        """Show where `move` leads from here; None where it leads nowhere."""
        return self._reader.submit(self._go, move)

    def trouble(self, by: int) -> Future[View | None]:
        """The next no-go, waiver, hold, scrub or release without go, on or back."""
        return self.go(lambda moments, spot: moments.next_of(spot, by, troubles(moments.tape)))

    def call(self, by: int) -> Future[View | None]:
        """The next phase, gate, release or record, on or back."""
        return self.go(lambda moments, spot: moments.next_of(spot, by, calls(moments.tape)))

    def shut(self) -> None:
        """Stop reading."""
        self._reader.shutdown(wait=False, cancel_futures=True)

    def _now(self) -> View:
        if self._view is None:
            self._moments = Moments(tape_of(self.folder))
            self._view = self._at(Spot(self._moments.tape.asked))
        return self._view

    def _go(self, move: Callable[[Moments, Spot], Spot | None]) -> View | None:
        view = self._now()
        assert self._moments is not None
        assert view.replay is not None
        spot = move(self._moments, view.replay.spot)
        if spot is None:
            return None
        if spot != view.replay.spot:
            self._view = self._at(spot)
        return self._view

    def _at(self, spot: Spot) -> View:
        assert self._moments is not None
        stood = self._moments.stood(spot)
        tape = self._moments.tape
        entry, part = tape.entries[spot.entry - 1], tape.part_of[spot.entry - 1]
        return view_of(
            stood.ledger,
            _Stopped(self._moments.moment(spot)),
            unlocked=(),
            checklist_hash=part.checklist_hash,
            record=RecordStatus(
                rec=part.rec,
                folder=str(part.folder),
                place=place_of_record(part.folder, part.folder.absolute().parents[1]),
                entries=entry.seq,
                on_disk=entry.moment.at,
            ),
            looking=True,
            seals=_sealers(stood, part),
            replay=self._shown(stood, part),
        )

    def _shown(self, stood: Stood, part: Part) -> Shown:
        assert self._moments is not None
        tape, spot = self._moments.tape, stood.spot
        lines = []
        first, last = max(1, spot.entry - AROUND), min(len(tape.entries), spot.entry + AROUND)
        for number in range(first, last + 1):
            entry = tape.entries[number - 1]
            lines.append(_line(entry, stood.ledger, here=number == spot.entry and not spot.later))
            if number == spot.entry and spot.later:
                at = self._moments.moment(spot).at
                lines.append(Line(None, at, "time", "", "time passes", here=True))
        note = tape.begins
        if spot == self._moments.last and tape.ends:
            note = tape.ends
        place = _place(tape.entries[spot.entry - 1], stood)
        if spot.later:
            turned = stood.changed[0].split()[0] if stood.changed else ""
            place = Place("step", turned) if turned in stood.state.steps else place
        return Shown(spot, len(tape.entries), part, tuple(lines), stood.changed, note, place)


def _sealers(stood: Stood, part: Part) -> tuple[str, ...]:
    """Who sealed the record that was closed: seals are no entries, the record as a whole has them or not."""
    closed = stood.state.closed
    return closed.data.sealers if closed is not None and part.state in ("sealed", "anchored") else ()


def _line(entry: Entry, ledger: Ledger, *, here: bool) -> Line:
    roster = ledger.book.roster
    who = roster.find(entry.signer).name if entry.signer in roster else entry.signer
    said = tell(entry.kind, entry.data)
    about = ledger.findings_by_ref.get(Ref(entry.rec, getattr(entry.data, "of", 0)))
    if about is not None and entry.kind in ("sign", "witness"):
        said = f"{about.act.data.step}: {said}"
    return Line(entry.seq, entry.moment.at, entry.kind, clean(who, limit=60), clean(said, limit=400), here)


def _place(entry: Entry, stood: Stood) -> Place:
    """Where the crew stood with an entry: at what it is about, else at what was next."""
    book, data = stood.ledger.book, entry.data
    found = stood.ledger.findings_by_ref.get(Ref(entry.rec, getattr(data, "of", 0)))
    step = getattr(data if found is None else found.act.data, "step", None)
    if step in book.steps:
        return Place("step", step)
    if entry.kind == "phase" and getattr(data, "phase", None) in book.phases:
        return Place("complete", data.phase)  # type: ignore[attr-defined]
    if entry.kind in ("poll", "authorise") and data.gate in book.gates:  # type: ignore[attr-defined]
        return Place("poll" if entry.kind == "poll" else "authorise", data.gate)  # type: ignore[attr-defined]
    if entry.kind in ("close", "release"):
        return Place("close" if entry.kind == "close" else "release")
    return place_of(stood.state.next)
