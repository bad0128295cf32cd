"""Recomputing a record: every act judged again by the rules, every outcome by its readings.

Signatures and the chain are the record's own business (`preflight.record.verify`); here is what only the
checklist and the flight file can tell: whether each entry was allowed when it was made, whether a go was one
by its own numbers, and what the verdict was.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from preflight.errors import PreflightError
from preflight.record.entry import Entry
from preflight.walk import rules
from preflight.walk.ledger import Ledger
from preflight.walk.opening import book_of, chain_of
from preflight.walk.recount import miscounted, remarks_on
from preflight.walk.state import State, state_at


@dataclass(frozen=True)
class Audit:
    """What recomputing found.

    `first_bad` is the line (from 1) of the first entry that should not stand, None if all may; `why` says
    what is wrong with it. `verdict` is that of the last gate as of the last entry, None without gates.
    `remarks` name the line of each entry that stands, but of which an auditor should know more.
    """

    first_bad: int | None
    why: str
    verdict: str | None
    state: State | None
    ledger: Ledger | None
    remarks: tuple[str, ...] = ()


def recompute(record: Path, entries: tuple[Entry, ...] | None = None) -> Audit:
    """Recompute the record in a folder; `entries` are its own, if they were read already."""
    try:
        chain = chain_of(record, entries or ())
        ledger = Ledger(book_of(chain[-1]))
        before: list[str] = []
        for part in chain[:-1]:
            earlier = recompute_entries(ledger, part.entries)
            if earlier.first_bad is not None:
                why = f"{part.rec}, which it goes on from, is bad at line {earlier.first_bad}: {earlier.why}"
                return Audit(1, why, None, None, None)
            before += [f"{part.rec}, {remark}" for remark in earlier.remarks]
    except PreflightError as error:
        return Audit(1, f"the files of this record can't be read: {error}", None, None, None)
    audit = recompute_entries(ledger, chain[-1].entries if entries is None else entries)
    return dataclasses.replace(audit, remarks=(*before, *audit.remarks))


def recompute_entries(ledger: Ledger, entries: Iterable[Entry]) -> Audit:
    """Fold entries into a ledger, judging each one before it is folded."""
    first_bad, why = None, ""
    last = None
    remarks: list[str] = []
    for line, entry in enumerate(entries, start=1):
        fault = fault_of(ledger, entry)
        if fault is not None:
            first_bad, why = line, fault
            break
        remarks += [f"line {line}: {remark}" for remark in remarks_on(ledger, entry.data)]
        ledger.apply(entry)
        last = entry
    if last is None:
        return Audit(first_bad, why, None, None, ledger, tuple(remarks))
    state = state_at(ledger, last.moment)
    gates = list(state.gates.values())
    verdict = gates[-1].verdict if gates else None
    return Audit(first_bad, why, verdict, state, ledger, tuple(remarks))


def fault_of(ledger: Ledger, entry: Entry) -> str | None:
    """What is wrong with an entry at its place, None if nothing is."""
    if entry.meaning != rules.MEANINGS.get(entry.kind):
        return f"the meaning of a {entry.kind} is not {entry.meaning!r}"
    ask = rules.Ask(entry.kind, entry.data, entry.signer, entry.auth, entry.moment, entry.rec)
    try:
        rules.allow(ledger, ask)
        return miscounted(ledger, entry.data)
    except PreflightError as error:
        return str(error)
