"""What there is to see of a ledger at one moment, and the figures that belong to it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from preflight.clock import Clock
from preflight.errors import RecordError
from preflight.record.entry import format_utc
from preflight.record.roster import Roster
from preflight.record.scan import read_record
from preflight.record.seal import check_seals, seal_names
from preflight.record.store import Recorder
from preflight.tui.view import Extra, RecordStatus, View, never, place_of_record
from preflight.walk.ledger import Ledger
from preflight.walk.limits import limits_from
from preflight.walk.rules import release_facts
from preflight.walk.state import State, state_at


class Seals:
    """Who has sealed a closed record; its seals are checked again whenever there is another one."""

    def __init__(self) -> None:
        self._known: tuple[tuple[Path, tuple[str, ...]], tuple[str, ...]] | None = None

    def of(self, folder: Path, roster: Roster, *, drill: bool) -> tuple[str, ...]:
        """Ids of the people; none where a seal does not hold."""
        try:
            now = folder, seal_names(folder)
            if self._known is None or self._known[0] != now:
                self._known = now, check_seals(folder, read_record(folder), roster, drill=drill)
        except RecordError:
            return ()
        return self._known[1]


def status_of(recorder: Recorder, home: Path, mirror: Path | None) -> RecordStatus:
    """How a record stands on disk.

    `home` is the flight file's folder, `mirror` the one that the second copy is kept in, None for none.
    """
    return RecordStatus(
        rec=recorder.rec,
        folder=str(recorder.folder),
        place=place_of_record(recorder.folder, home),
        entries=len(recorder.entries),
        on_disk=recorder.entries[-1].moment.at,
        failed=recorder.failed,
        mirror_behind=recorder.mirror_behind,
        mirror=str(mirror / recorder.rec) if mirror is not None else "",
    )


def view_of(ledger: Ledger, clock: Clock, **more: Any) -> View:
    """What there is to see of a ledger now."""
    book, now = ledger.book, clock.now()
    state = state_at(ledger, now)
    return View(
        state=state,
        book=book,
        flight=ledger.values.flight,
        measured=dict(ledger.values.measured),
        acts=tuple(ledger.acts),
        zone=ZoneInfo(book.flight.site.timezone),
        with_go=_with_go(ledger, state),
        **more,
    )


def _with_go(ledger: Ledger, state: State) -> Callable[[datetime], bool]:
    """Whether a release at a moment would be with go, as the rules judge it that will enter it."""
    gate = state.gates[ledger.book.gates[-1]] if ledger.book.gates else None
    if gate is None or gate.authorised is None or state.released is not None:
        return never
    kept, now = ledger.copy(), state.now  # asked of while the ledger grows on the writer's thread
    return lambda at: release_facts(kept, now, format_utc(at))[1]


def extra_of(view: View, folder: Path) -> Extra:
    """Figures of a view's values, and the limits of its measured steps."""
    from preflight.figures.compute import compute  # on the figures' own thread, behind the first screen

    figures = compute(view.flight, view.measured, folder=folder, now=view.state.now.at)
    steps = [step for step in view.book.steps.values() if step.measure is not None]
    return Extra(figures=figures, limits={step.id: limits_from(lambda: figures, step) for step in steps})
