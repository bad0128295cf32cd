"""The fold: entries in, what they add up to out. Nothing here asks for the time or touches a file."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, NamedTuple

from preflight.clock import Moment
from preflight.config.checklist import Phase, Step
from preflight.errors import PreflightError
from preflight.readings import Reading, decimal_text
from preflight.record import kinds
from preflight.record.entry import Entry
from preflight.walk import codec
from preflight.walk.book import Book
from preflight.walk.values import Snapshot, Values

FINDING_KINDS = frozenset({"check", "measure", "confirm", "defer", "paper", "carry"})
CORRECTABLE = FINDING_KINDS | {"sign", "witness", "waive", "poll", "release"}


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


@dataclass(frozen=True, slots=True)
class FindingLog:
    """The finding that counts for a step, and the signatures it has collected.

    `at` is when the step was done: for what was taken from paper or an earlier record, before it was entered.
    `used` are the values that its outcome used, as they were when it was first entered.
    """

    act: Act
    at: Moment
    outcome: str
    readings: tuple[Reading, ...]
    used: Snapshot
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
        self._used: dict[Ref, Snapshot] = {}
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
        self.released_at: Moment | None = None
        self.values_at_release: Values | None = None
        self.holds_at_release: tuple[Act, ...] = ()
        self.scrubbed: Act | None = None
        self.closed: Act | None = None
        self.closed_before: Act | None = None
        self.opened: Act | None = None
        self.disturbed = 0
        self.cycles: list[Moment] = []
        self.countersigned: set[Ref] = set()
        self.findings_by_ref: dict[Ref, FindingLog] = {}

    def copy(self) -> Ledger:
        """The ledger as it stands, untouched by what is folded into this one later."""
        other = Ledger.__new__(Ledger)
        other.__dict__ |= self.__dict__
        for name, own in self.__dict__.items():
            if isinstance(own, (dict, list, set)):
                setattr(other, name, own.copy())
        other.values = self.values.copy()
        other.steps = {
            step_id: StepLog(log.finding, log.findings, log.waivers.copy())
            for step_id, log in self.steps.items()
        }
        other.phases = {
            phase_id: PhaseLog(log.started, log.completed) for phase_id, log in self.phases.items()
        }
        return other

    def find(self, ref: Ref) -> Act | None:
        """The folded entry with this reference."""
        return self._by_ref.get(ref)

    def concerns(self, phase: Phase) -> bool:
        """Whether anything in a phase applies to this flight: one of which nothing does needs no call."""
        return any(step.unless(self.values.flight) is None for step in phase.step)

    def line_hash(self, act: Act) -> str | None:
        """SHA-256 of the entry's line as the next entry of its record, or the record after it, names it.

        None for the last line of the record at hand.
        """
        following = self._by_ref.get(Ref(act.entry.rec, act.entry.seq + 1))
        if following is not None:
            return following.entry.prev
        heads = (later.data.previous for later in self.acts if later.entry.kind == "open")
        return next((head.head for head in heads if head is not None and head.rec == act.entry.rec), None)

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
            self.struck.add(Ref(act.data.rec or entry.rec, act.data.of))
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
        step = self.book.steps[data.step]
        log.findings += 1
        if data.outcome == "open" and log.finding is not None and log.finding.outcome == "no-go":
            # Nothing was found this time: what was found before still counts.
            return
        readings = _readings(data)
        if step.measure is None or data.outcome == "go":
            self.values.note(readings)
        self._take_over(step, data.outcome, readings)
        at = _done_at(act)
        if act.ref not in self._used:
            names = dict.fromkeys((*step.reads, *data.reads))
            if step.measure is not None and step.measure.sets is not None:
                names[step.measure.sets] = None
            self._used[act.ref] = self.values.snapshot(names)
            if "power" in names and at is not act.at:
                self._used[act.ref]["power"] = sum(cycle.at <= at.at for cycle in self.cycles)
        finding = FindingLog(
            act=act, at=at, outcome=data.outcome, readings=readings, used=self._used[act.ref]
        )
        log.finding = finding
        self.findings_by_ref[act.ref] = finding
        if data.outcome not in ("go", "not-applicable"):
            self._disturb(act)

    def _take_over(self, step: Step, outcome: str, readings: tuple[Reading, ...]) -> None:
        """What a step measures replaces the flight file's value, once it is good enough to fly with."""
        sets = step.measure.sets if step.measure is not None else None
        if sets is None or outcome != "go":
            return
        for reading in readings:
            if reading.name == sets and isinstance(reading.value, (int, float)):
                # The rules took the value already; a foreign record may hold one that they would not.
                with contextlib.suppress(PreflightError):
                    self.values.replace(sets, quantity_text(reading.value, reading.unit))
                    self.values.note([reading])

    def _on_open(self, act: Act) -> None:
        self.opened = act
        previous = act.data.previous
        if previous is not None and previous.why in ("handover", "storage", "after-release"):
            # The earlier record's close ended that file, not the walk.
            self.closed_before = self.closed or self.closed_before
            self.closed = None

    def _on_sign(self, act: Act) -> None:
        ref = Ref(act.entry.rec, act.data.of)
        finding = self.findings_by_ref.get(ref)
        if finding is not None:
            self._collected(ref, finding, replace(finding, signature=act))
        elif ref in self.holds:
            self.countersigned.add(ref)

    def _on_witness(self, act: Act) -> None:
        ref = Ref(act.entry.rec, act.data.of)
        finding = self.findings_by_ref.get(ref)
        # Whose signature was struck since has not performed anything that could be witnessed.
        if finding is not None and finding.performer not in (None, act.signer):
            self._collected(ref, finding, replace(finding, witness=act))

    def _collected(self, ref: Ref, before: FindingLog, after: FindingLog) -> None:
        """A finding has collected a signature: whoever looks at an earlier state keeps the one without."""
        self.findings_by_ref[ref] = after
        log = self.steps[after.act.data.step]
        if log.finding is before:
            log.finding = after

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
        self.cycles.append(act.at)
        self._disturb(act)

    def _on_replan(self, act: Act) -> None:
        for key, text in act.data.sets.items():
            with contextlib.suppress(PreflightError):
                self.values.replace(key, text)
        self._disturb(act)

    def _on_poll(self, act: Act) -> None:
        self.polls[act.data.gate, act.data.station] = act
        if act.data.answer == "no-go":
            self._disturb(act)

    def _on_authorise(self, act: Act) -> None:
        self.authorised[act.data.gate] = act

    def _on_release(self, act: Act) -> None:
        self.released = act
        self.released_at = earlier_than(act.at, act.data.released)
        self.values_at_release = self.values.copy()
        self.holds_at_release = tuple(self.holds.values())

    def _on_scrub(self, act: Act) -> None:
        self.scrubbed = act

    def _on_close(self, act: Act) -> None:
        self.closed = act


def earlier_than(moment: Moment, utc: str) -> Moment:
    """The moment at `utc`, on the clock of a later one."""
    at = datetime.fromisoformat(utc)
    ago = int((moment.at - at).total_seconds() * 1e9)
    return Moment(at, moment.boot, moment.boot_ns - ago, moment.source, moment.uncertainty)


def _done_at(act: Act) -> Moment:
    done = getattr(act.data, "done_at", None) or getattr(act.data, "found_at", None)
    return act.at if done is None else earlier_than(act.at, done)


def quantity_text(value: float, unit: str) -> str:
    """A number and its unit as the flight file has them."""
    return f"{decimal_text(float(value))} {unit}".strip()


def _readings(data: Any) -> tuple[Reading, ...]:
    if isinstance(data, kinds.MeasureData):
        return (codec.from_data(data.reading),)
    return tuple(codec.from_data(reading) for reading in getattr(data, "readings", ()))
