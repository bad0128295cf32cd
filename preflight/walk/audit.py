"""Recomputing a record: every act judged again by the rules, every outcome by its readings.

Signatures and the chain are the record's own business (`preflight.record.verify`); here is what only the
checklist and the flight file can tell: whether each entry was allowed when it was made, whether a go was one
by its own numbers, and what the verdict was.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from preflight.errors import PreflightError
from preflight.record import kinds
from preflight.record.entry import Entry
from preflight.walk import codec, rules
from preflight.walk.book import Book
from preflight.walk.ledger import Ledger
from preflight.walk.measuring import measured
from preflight.walk.opening import book_of, chain_of
from preflight.walk.state import State, state_at


@dataclass(frozen=True)
class Audit:
    """What recomputing found.

    `first_bad` is the line (from 1) of the first entry that should not stand, None if all may; `why` says
    what is wrong with it. `verdict` is that of the last gate as of the last entry, None without gates.
    """

    first_bad: int | None
    why: str
    verdict: str | None
    state: State | None
    ledger: Ledger | None


def recompute(record: Path, entries: tuple[Entry, ...] | None = None) -> Audit:
    """Recompute the record in a folder; `entries` are its own, if they were read already."""
    try:
        chain = chain_of(record, entries or ())
        ledger = Ledger(book_of(chain[-1]))
        for part in chain[:-1]:
            earlier = recompute_entries(ledger, part.entries)
            if earlier.first_bad is not None:
                why = f"{part.rec}, which it goes on from, is bad at line {earlier.first_bad}: {earlier.why}"
                return Audit(1, why, None, None, None)
    except PreflightError as error:
        return Audit(1, f"the files of this record can't be read: {error}", None, None, None)
    return recompute_entries(ledger, chain[-1].entries if entries is None else entries)


def recompute_entries(ledger: Ledger, entries: Iterable[Entry]) -> Audit:
    """Fold entries into a ledger, judging each one before it is folded."""
    first_bad, why = None, ""
    last = None
    for line, entry in enumerate(entries, start=1):
        fault = fault_of(ledger, entry)
        if fault is not None:
            first_bad, why = line, fault
            break
        ledger.apply(entry)
        last = entry
    if last is None:
        return Audit(first_bad, why, None, None, ledger)
    state = state_at(ledger, last.moment)
    gates = list(state.gates.values())
    return Audit(first_bad, why, gates[-1].verdict if gates else None, state, ledger)


def fault_of(ledger: Ledger, entry: Entry) -> str | None:
    """What is wrong with an entry at its place, None if nothing is."""
    if entry.meaning != rules.MEANINGS.get(entry.kind):
        return f"the meaning of a {entry.kind} is not {entry.meaning!r}"
    ask = rules.Ask(entry.kind, entry.data, entry.signer, entry.auth, entry.moment, entry.rec)
    try:
        rules.allow(ledger, ask)
        return _miscounted(ledger.book, entry.data)
    except PreflightError as error:
        return str(error)


def _miscounted(book: Book, data: Any) -> str | None:
    """Whether the outcome an entry claims does not follow from the numbers that it holds."""
    if isinstance(data, kinds.MeasureData):
        reading = codec.from_data(data.reading)
        again = measured(
            book.steps[data.step], [float(v) for v in data.values], (reading.at_least, reading.at_most)
        )
        return None if again == data else f"the measurement of {data.step} does not follow from its values"
    return None
