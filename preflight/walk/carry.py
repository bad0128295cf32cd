"""Taking steps over from the record of an earlier attempt: a bench step that is as true today as it was then.

Only steps whose checklist says `carry = true` are offered, only if they were go, and only if every value that
their outcome used is the same in today's flight file. All else is open again. A drill's steps are taken over
into a drill alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from preflight.errors import Refused
from preflight.record import kinds
from preflight.record.entry import Entry, format_utc
from preflight.record.folder import read
from preflight.walk import codec
from preflight.walk.acts import Walk
from preflight.walk.ledger import Act, FindingLog, Ledger
from preflight.walk.opening import book_of, chain_of, opened
from preflight.walk.state import State, state_at


@dataclass(frozen=True)
class Offer:
    """A step that could be taken over: its id, and the entry's data that would do it."""

    step: str
    data: kinds.CarryData


class Attempt:
    """An earlier attempt as its record ended: what of it could be taken over."""

    def __init__(self, record: Path) -> None:
        chain = chain_of(record)
        ledger = Ledger(book_of(chain[-1]))
        for files in chain:
            ledger.apply_all(files.entries)
        self.rec = chain[-1].rec
        self.drill = chain[-1].drill
        self._hashes = chain[-1].hashes
        self._then: State = state_at(ledger, ledger.acts[-1].at)

    def offer(self, ledger: Ledger, step_id: str) -> Offer | None:
        """One step for a walk that stands as `ledger` does; None where it has to be done again."""
        step, before = ledger.book.steps.get(step_id), self._then.steps.get(step_id)
        if step is None or not step.carry or before is None or before.step != step:
            return None
        found = before.finding
        if before.outcome != "go" or found is None or found.act.entry.rec != self.rec:
            return None
        if ledger.values.changed(found.used) is not None:
            return None
        return Offer(step_id, _data(step_id, found, found.act, self._hashes[found.act.entry.seq - 1]))

    def offers(self, ledger: Ledger) -> tuple[Offer, ...]:
        """Every step for a walk that stands as `ledger` does. Refused as `same_kind`."""
        self.same_kind(ledger.book.drill)
        found = (self.offer(ledger, step_id) for step_id in ledger.book.steps)
        return tuple(offer for offer in found if offer is not None)

    def same_kind(self, drill: bool) -> None:
        """Refuse a drill for a flight, and a flight for a drill."""
        if self.drill != drill:
            one, other = ("a drill", "a flight") if self.drill else ("a flight", "a drill")
            raise Refused(f"{self.rec} is the record of {one}: nothing of it is taken over into {other}.")


def offers(walk: Walk, record: Path) -> tuple[Offer, ...]:
    """The steps of `record`, which `walk`'s record follows as a new flight, that can be taken over now.

    Raises:
        Refused: if one of the two is a drill's and the other is not.
    """
    return Attempt(record).offers(walk.ledger)


def could_take_over(record: Path, ledger: Ledger) -> tuple[str, ...]:
    """The steps of `record` that a walk which stands as `ledger` does could take over."""
    return tuple(offer.step for offer in Attempt(record).offers(ledger))


def carry(walk: Walk, offer: Offer, person: str) -> Act:
    """Enter that `person` takes the step over."""
    return walk.enter("carry", offer.data, person)


def carried_from(entries: Sequence[Entry]) -> str | None:
    """The record that steps of a record with these entries were taken over from; None if none were."""
    previous = opened(entries[0]).previous
    return previous.rec if previous is not None and any(e.kind == "carry" for e in entries) else None


def carried_fault(record: Path, entries: tuple[Entry, ...]) -> tuple[int, str] | None:
    """The first step that the record should not have taken over: its line and why; None if there is none.

    `entries` are the record's own. The attempt that it follows lies beside it.
    """
    attempt = Attempt(record.resolve().parent / (carried_from(entries) or ""))
    ledger = Ledger(book_of(read(record, entries)))
    for line, entry in enumerate(entries, start=1):
        if isinstance(entry.data, kinds.CarryData):
            try:
                attempt.same_kind(ledger.book.drill)
            except Refused as error:
                return line, str(error)
            offer = attempt.offer(ledger, entry.data.step)
            if offer is None or offer.data != entry.data:
                return line, (
                    f"{entry.data.step} was not go in {attempt.rec} as it says, or used values that are "
                    "others now"
                )
        ledger.apply(entry)
    return None


def _data(step_id: str, finding: FindingLog, source: Act, line: str) -> kinds.CarryData:
    return kinds.CarryData(
        step=step_id,
        source=kinds.Pointer(rec=source.entry.rec, seq=source.entry.seq, line=line),
        outcome="go",
        found_at=format_utc(source.at.at),
        readings=tuple(codec.to_data(reading) for reading in finding.readings),
        reads=tuple(finding.used),
    )
