"""Taking steps over from the record of an earlier attempt: a bench step that is as true today as it was then.

Only steps whose checklist says `carry = true` are offered, only if they were go, and only if every value that
their outcome used is the same in today's flight file. All else is open again.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from preflight.record import kinds
from preflight.record.entry import format_utc
from preflight.walk import codec
from preflight.walk.acts import Walk
from preflight.walk.ledger import Act, FindingLog, Ledger
from preflight.walk.opening import book_of, chain_of
from preflight.walk.state import state_at


@dataclass(frozen=True)
class Offer:
    """A step that could be taken over: its id, and the entry's data that would do it."""

    step: str
    data: kinds.CarryData


def offers(walk: Walk, record: Path) -> tuple[Offer, ...]:
    """The steps of `record`, which `walk`'s record follows as a new flight, that can be taken over now."""
    chain = chain_of(record)
    ledger = Ledger(book_of(chain[-1]))
    hashes: dict[tuple[str, int], str] = {}
    for files in chain:
        ledger.apply_all(files.entries)
        hashes |= {(files.rec, seq): line for seq, line in enumerate(files.hashes, start=1)}
    then = state_at(ledger, ledger.acts[-1].at)
    found = []
    for step_id, step in walk.ledger.book.steps.items():
        before = then.steps.get(step_id)
        if not step.carry or before is None or before.outcome != "go" or before.finding is None:
            continue
        if before.step == step and walk.ledger.values.changed(before.finding.used) is None:
            source = before.finding.act
            if source.entry.rec != chain[-1].rec:
                continue
            line = hashes[source.entry.rec, source.entry.seq]
            found.append(Offer(step_id, _data(step_id, before.finding, source, line)))
    return tuple(found)


def carry(walk: Walk, offer: Offer, person: str) -> Act:
    """Enter that `person` takes the step over."""
    return walk.enter("carry", offer.data, person)


def _data(step_id: str, finding: FindingLog, source: Act, line: str) -> kinds.CarryData:
    return kinds.CarryData(
        step=step_id,
        source=kinds.Pointer(rec=source.entry.rec, seq=source.entry.seq, line=line),
        outcome="go",
        found_at=format_utc(source.at.at),
        readings=tuple(codec.to_data(reading) for reading in finding.readings),
        reads=tuple(finding.used),
    )
