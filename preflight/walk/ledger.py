"""The fold: entries in, what they add up to out. Nothing here asks for the time or touches a file."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from preflight.clock import Moment
from preflight.config.checklist import Phase
from preflight.readings import Reading, decimal_text
from preflight.record import kinds
from preflight.record.entry import Entry
from preflight.walk import codec
from preflight.walk.book import Book
from preflight.walk.values import Snapshot, Values

FINDING_KINDS = frozenset({"check", "measure", "confirm", "defer", "paper", "carry"})
CORRECTABLE = FINDING_KINDS | {"sign", "witness", "waive", "poll"}


class Ref(NamedTuple):
    """An entry, over linked records: record id and sequence number."""

    rec: str
    seq: int


@dataclass(frozen=True, slots=True)
class Act:
    """One folded entry with its data in shape, its time, and its place over all linked records."""

    entry: Entry
    data: Any
    at: Moment
    order: int

    @property
    def ref(self) -> Ref:
        return Ref(self.entry.rec, self.entry.seq)

    @property
    def signer(self) -> str:
        return self.entry.signer


@dataclass(slots=True)
class FindingLog:
    """The finding that counts for a step, and the signatures it has collected."""

    act: Act
    outcome: str
    readings: tuple[Reading, ...]
    used: Snapshot
    after: dict[str, int]
    signature: Act | None = None
    witness: Act | None = None

    @property
    def performer(self) -> str | None:
        """Who performed the step: the signer of the finding, or of the signature on an instrument's."""
        if self.act.entry.kind == "check":
            return self.signature.signer if self.signature is not None else None
        return self.act.signer


@dataclass(slots=True)
class StepLog:
    """What happened to one step: the finding that counts, how many there were, waivers given."""

    finding: FindingLog | None = None
    findings: int = 0
    waivers: list[Act] = field(default_factory=list)


@dataclass(slots=True)
class PhaseLog:
    """When a phase was begun out of order, and when it was called complete."""

    started: Act | None = None
    completed: Act | None = None


class Ledger:
    """What the entries of a record, and of those it continues, add up to."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.acts: list[Act] = []
        self.struck: set[Ref] = set()
        self._by_ref: dict[Ref, Act] = {}
        self._reset()

    def _reset(self) -> None:
        book = self.book
        self.values = Values(book.flight)
        self.steps = {step_id: StepLog() for step_id in book.steps}
        self.phases = {phase_id: PhaseLog() for phase_id in book.phases}
        self.holds: dict[Ref, Act] = {}
        self.polls: dict[tuple[str, str], Act] = {}
        self.authorised: dict[str, Act] = {}
        self.released: Act | None = None
        self.values_at_release: Values | None = None
        self.holds_at_release: tuple[Act, ...] = ()
        self.scrubbed: Act | None = None
        self.closed: Act | None = None
        self.closed_before: Act | None = None
        self.opened: Act | None = None
        self.disturbed = 0
        self.findings_by_ref: dict[Ref, FindingLog] = {}

    def find(self, ref: Ref) -> Act | None:
        """The folded entry with this reference."""
        return self._by_ref.get(ref)

    def concerns(self, phase: Phase) -> bool:
        """Whether anything in a phase applies to this flight: one of which nothing does needs no call."""
        return any(step.unless(self.values.flight) is None for step in phase.step)

    def line_hash(self, act: Act) -> str | None:
        """SHA-256 of the entry's line, as the next entry of its record names it; None for a record's last."""
        following = self._by_ref.get(Ref(act.entry.rec, act.entry.seq + 1))
        return following.entry.prev if following is not None else None

    def apply_all(self, entries: Iterable[Entry]) -> Ledger:
        """Fold entries in order; returns itself."""
        for entry in entries:
            self.apply(entry)
        return self

    def apply(self, entry: Entry) -> Act:
        """Fold one entry. A correction folds everything again without the entry that it strikes."""
        act = Act(entry, entry.data, entry.moment, len(self.acts) + 1)
        self.acts.append(act)
        self._by_ref[act.ref] = act
        if entry.kind == "correct":
            self.struck.add(Ref(entry.rec, act.data.of))
            self._reset()
            for earlier in self.acts:
                self._fold(earlier)
        else:
            self._fold(act)
        return act

    def _fold(self, act: Act) -> None:
        kind = act.entry.kind
        if act.ref in self.struck:
            self._strike(act)
        elif kind in FINDING_KINDS:
            self._found(act)
        else:
            folder = getattr(self, f"_on_{kind}", None)
            if folder is not None:
                folder(act)

    def _strike(self, act: Act) -> None:
        # A struck finding leaves its step without one: an earlier go must not come back by striking a no-go.
        if act.entry.kind in FINDING_KINDS and act.data.step in self.steps:
            self.steps[act.data.step].finding = None

    def _found(self, act: Act) -> None:
        data = act.data
        log = self.steps.get(data.step)
        if log is None:
            return
        readings = _readings(data)
        self.values.note(readings)
        step = self.book.steps[data.step]
        sets = step.measure.sets if step.measure is not None else None
        if sets is not None and data.outcome != "open":
            for reading in readings:
                if reading.name == sets and isinstance(reading.value, (int, float)):
                    self.values.replace(sets, quantity_text(reading.value, reading.unit))
        names = dict.fromkeys((*step.reads, *data.reads))
        predecessors = {name: self.steps[name].finding for name in step.after if name in self.steps}
        finding = FindingLog(
            act=act,
            outcome=data.outcome,
            readings=readings,
            used=self.values.snapshot(names),
            after={name: log.act.order if log else 0 for name, log in predecessors.items()},
        )
        log.finding = finding
        log.findings += 1
        self.findings_by_ref[act.ref] = finding

    def _on_open(self, act: Act) -> None:
        self.opened = act
        previous = act.data.previous
        if previous is not None and previous.why in ("handover", "storage", "after-release"):
            # The earlier record's close ended that file, not the walk.
            self.closed_before = self.closed or self.closed_before
            self.closed = None

    def _on_sign(self, act: Act) -> None:
        finding = self.findings_by_ref.get(Ref(act.entry.rec, act.data.of))
        if finding is not None:
            finding.signature = act

    def _on_witness(self, act: Act) -> None:
        finding = self.findings_by_ref.get(Ref(act.entry.rec, act.data.of))
        if finding is not None:
            finding.witness = act

    def _on_waive(self, act: Act) -> None:
        if act.data.step in self.steps:
            self.steps[act.data.step].waivers.append(act)

    def _disturb(self, act: Act) -> None:
        """From here on the stations are asked again; once the balloon has left there is nothing to ask."""
        if self.released is None:
            self.disturbed = act.order

    def _on_hold(self, act: Act) -> None:
        self.holds[act.ref] = act
        self._disturb(act)

    def _on_lift(self, act: Act) -> None:
        self.holds.pop(Ref(act.data.rec or act.entry.rec, act.data.hold), None)
        self._disturb(act)

    def _on_phase(self, act: Act) -> None:
        log = self.phases.get(act.data.phase)
        if log is None:
            return
        if act.data.act == "start":
            log.started = act
        else:
            log.completed = act

    def _on_power(self, act: Act) -> None:
        self.values.power += 1
        self._disturb(act)

    def _on_replan(self, act: Act) -> None:
        for key, text in act.data.sets.items():
            self.values.replace(key, text)
        self._disturb(act)

    def _on_poll(self, act: Act) -> None:
        self.polls[act.data.gate, act.data.station] = act

    def _on_authorise(self, act: Act) -> None:
        self.authorised[act.data.gate] = act

    def _on_release(self, act: Act) -> None:
        self.released = act
        self.values_at_release = self.values.copy()
        self.holds_at_release = tuple(self.holds.values())

    def _on_scrub(self, act: Act) -> None:
        self.scrubbed = act

    def _on_close(self, act: Act) -> None:
        self.closed = act


def quantity_text(value: float, unit: str) -> str:
    """A number and its unit as the flight file has them."""
    return f"{decimal_text(float(value))} {unit}".strip()


def _readings(data: Any) -> tuple[Reading, ...]:
    if isinstance(data, kinds.MeasureData):
        return (codec.from_data(data.reading),)
    return tuple(codec.from_data(reading) for reading in getattr(data, "readings", ()))
