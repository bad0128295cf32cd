"""The walk folded again, record after record, with what only its course can tell: why a step was redone."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from preflight.errors import PreflightError
from preflight.record.entry import Entry
from preflight.record.kinds import OpenData
from preflight.record.links import previous_of
from preflight.record.roster import Roster
from preflight.walk.ledger import FINDING_KINDS, Act, Ledger, Ref
from preflight.walk.opening import CONTINUES, book_of
from preflight.walk.proof import Proof, prove
from preflight.walk.state import GateState, State, gate_at, state_at, step_at


@dataclass(slots=True)
class Replay:
    """A walk as far as it can be believed.

    `proofs` are of its records, oldest first, the last the one asked for. `entries` end before the first bad
    line of any of them. `ledger` and `state` (as of the last entry) are None where flight file or checklist
    can't be used. `again` says why a finding was made once more; `at_release` is the last gate as the balloon
    left.
    """

    proofs: tuple[Proof, ...]
    entries: list[Entry] = field(default_factory=list)
    ledger: Ledger | None = None
    state: State | None = None
    again: dict[Ref, str] = field(default_factory=dict)
    at_release: GateState | None = None

    @property
    def bad(self) -> Proof | None:
        """The first record that is bad."""
        return next((proof for proof in self.proofs if proof.found.state == "bad"), None)


def replay(folder: Path, *, roster: Roster | None = None, code: str | None = None) -> Replay:
    """Prove a record and those it goes on from, and fold what is good of them.

    Raises:
        RecordError: if there is no record in `folder`, or `code` is no seal code.
    """
    proofs = _chain(folder, roster, code)
    told = Replay(proofs)
    told.ledger = _ledger(proofs)
    for proof, following in zip(proofs, (*proofs[1:], None), strict=True):
        for entry in _counted(proof, following):
            _take(told, entry)
        if proof.found.state == "bad":
            break
    if told.ledger is not None and told.entries:
        told.state = state_at(told.ledger, told.entries[-1].moment)
    return told


def _chain(folder: Path, roster: Roster | None, code: str | None) -> tuple[Proof, ...]:
    proofs = [prove(folder, roster=roster, code=code)]
    seen = {proofs[0].found.record}
    while (before := _before(proofs[0].folder)) is not None and before.name not in seen:
        seen.add(before.name)
        try:
            proofs.insert(0, prove(before, roster=roster))
        except PreflightError:
            break  # the proof of the record that names it says that it can't be read
    return tuple(proofs)


def _counted(proof: Proof, following: Proof | None) -> tuple[Entry, ...]:
    """The good entries of a record up to the line that the next one goes on from."""
    opened = following.found.entries[0].data if following is not None and following.found.entries else None
    previous = opened.previous if isinstance(opened, OpenData) else None
    if previous is None or previous.head not in proof.found.hashes:
        return proof.good
    return proof.good[: proof.found.hashes.index(previous.head) + 1]


def _before(folder: Path) -> Path | None:
    """The folder of the record that this one goes on from, if it lies beside it."""
    try:
        previous = previous_of(folder)
    except PreflightError:
        return None
    if previous is None or previous.why not in CONTINUES:
        return None
    before = folder.resolve().parent / previous.rec
    return before if before.is_dir() else None


def _ledger(proofs: tuple[Proof, ...]) -> Ledger | None:
    if any(proof.audit is None or proof.audit.ledger is None for proof in proofs):
        return None
    from preflight.record.folder import read

    try:
        return Ledger(book_of(read(proofs[-1].folder)))
    except PreflightError:
        return None


def _take(told: Replay, entry: Entry) -> Act | None:
    told.entries.append(entry)
    ledger = told.ledger
    if ledger is None:
        return None
    if entry.kind in FINDING_KINDS:
        reason = _why_again(ledger, entry)
        if reason:
            told.again[Ref(entry.rec, entry.seq)] = reason
    if entry.kind == "release" and ledger.book.gates:
        told.at_release = gate_at(ledger, ledger.book.gates[-1], entry.moment)
    return ledger.apply(entry)


def _why_again(ledger: Ledger, entry: Entry) -> str:
    step_id = entry.data.step  # type: ignore[attr-defined]
    log = ledger.steps.get(step_id)
    if log is None:
        return ""
    if log.finding is None:
        return "the entry before it was struck" if log.findings or _struck(ledger, step_id) else ""
    before = step_at(ledger, step_id, entry.moment)
    words = f"it was {before.outcome}"
    return f"{words}: {before.reason}" if before.reason else words


def _struck(ledger: Ledger, step_id: str) -> bool:
    return any(getattr(ledger.find(ref).data, "step", None) == step_id for ref in ledger.struck)  # type: ignore[union-attr]
