"""The state at a moment: outcomes, verdicts, what is next. A function of the ledger and of now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from preflight.clock import Moment
from preflight.config.checklist import Phase, Step
from preflight.record.kinds import Verdict
from preflight.walk.ledger import Act, FindingLog, Ledger
from preflight.walk.staleness import expiry_of, stale_reason
from preflight.walk.waivers import told, waiver_of

Outcome = Literal["open", "go", "no-go", "waived", "not-applicable", "stale"]
Waiting = Literal["finding", "signature", "witness"]
NextKind = Literal["step", "complete", "poll", "authorise", "close", "release", "none"]

NOT_DONE = "not done yet"
SATISFIED = frozenset({"go", "waived", "not-applicable"})
"""Only these let a verdict be go, and only these can turn stale."""


@dataclass(frozen=True, slots=True)
class StepState:
    """One step now: its outcome, why it is not go, what it waits for, and when it expires."""

    step: Step
    phase: Phase
    outcome: Outcome
    reason: str = ""
    waiting: Waiting | None = None
    finding: FindingLog | None = None
    waiver: Act | None = None
    expires: datetime | None = None
    findings: int = 0

    @property
    def satisfied(self) -> bool:
        return self.outcome in SATISFIED


@dataclass(frozen=True, slots=True)
class PhaseState:
    """One phase now. `begun` is true once anything was done in it; `blocking` are its required open steps.

    Of steps, `done` of `total` are: a step that does not apply counts only where somebody said so.
    `started` is true once somebody began it out of order, so that its steps need not wait for earlier phases.

    Where nothing in it `concerns` this flight it waits for no completion call.
    """

    phase: Phase
    begun: bool
    completed: Act | None
    done: int
    total: int
    blocking: tuple[str, ...]
    concerns: bool = True
    started: bool = False

    @property
    def settled(self) -> bool:
        """Called complete, or nothing to call."""
        return self.completed is not None or not self.concerns

    @property
    def count(self) -> str:
        """How many of its steps are done: "2/5"; "" where there is none to do."""
        return f"{self.done}/{self.total}" if self.total else ""


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that stands between here and go: a sentence, and the step or phase to jump to."""

    text: str
    step: str | None = None
    phase: str | None = None


@dataclass(frozen=True, slots=True)
class GateState:
    """The verdict at one gate, why it is not go, the stations' answers that still count."""

    gate: str
    verdict: Verdict
    reasons: tuple[Reason, ...]
    polled: Mapping[str, Act | None]
    authorised: Act | None

    @property
    def all_polled(self) -> bool:
        """Every station's answer that counts is go."""
        return all(act is not None and act.data.answer == "go" for act in self.polled.values())


@dataclass(frozen=True, slots=True)
class Next:
    """What is to be done next; `name` is the step, phase or gate it is about."""

    kind: NextKind
    name: str = ""


@dataclass(frozen=True, slots=True)
class State:
    """Everything a screen shows of the walk at one moment."""

    now: Moment
    steps: Mapping[str, StepState]
    phases: Mapping[str, PhaseState]
    gates: Mapping[str, GateState]
    holds: tuple[Act, ...]
    next: Next
    planned_release: datetime
    released: Act | None
    scrubbed: Act | None
    closed: Act | None
    first_expiry: tuple[datetime, str] | None

    @property
    def released_without_go(self) -> bool:
        return self.released is not None and not self.released.data.with_go

    @property
    def gate(self) -> GateState | None:
        """The gate ahead: the first not yet authorised, else the last; None for a checklist without gates."""
        ahead = [gate for gate in self.gates.values() if gate.authorised is None]
        if ahead:
            return ahead[0]
        return next(reversed(list(self.gates.values())), None)


def state_at(ledger: Ledger, now: Moment) -> State:
    """The state that the folded entries give at `now`."""
    book = ledger.book
    steps: dict[str, StepState] = {}
    for step_id in book.steps:
        steps[step_id] = step_at(ledger, step_id, now, steps)
    phases = {phase.id: _phase_state(ledger, phase, steps) for phase in book.checklist.phase}
    gates = {gate: gate_at(ledger, gate, now, steps) for gate in book.gates}
    return State(
        now=now,
        steps=steps,
        phases=phases,
        gates=gates,
        holds=tuple(ledger.holds.values()),
        next=_next(ledger, steps, phases, gates),
        planned_release=ledger.values.flight.flight.release,
        released=ledger.released,
        scrubbed=ledger.scrubbed,
        closed=ledger.closed,
        first_expiry=_first_expiry(ledger, steps),
    )


def step_at(
    ledger: Ledger, step_id: str, now: Moment, known: dict[str, StepState] | None = None
) -> StepState:
    """One step at `now`; `known` holds steps already worked out, and gains those this one depends on."""
    known = {} if known is None else known
    if step_id in known:
        return known[step_id]
    step, phase = ledger.book.steps[step_id], ledger.book.phase_of[step_id]
    for name in step.after:
        if name in ledger.steps:
            step_at(ledger, name, now, known)
    if ledger.released_at is not None and phase.gate is not None:
        # What counted for the release stands as it stood then.
        now = ledger.released_at
    state = _judge(ledger, step, now, known)
    known[step_id] = state
    return state


def _judge(ledger: Ledger, step: Step, now: Moment, known: dict[str, StepState]) -> StepState:
    phase, log = ledger.book.phase_of[step.id], ledger.steps[step.id]
    finding = log.finding

    def state(outcome: Outcome, reason: str = "", **more: object) -> StepState:
        return StepState(step, phase, outcome, reason, finding=finding, findings=log.findings, **more)  # type: ignore[arg-type]

    unless = step.unless(ledger.values.flight)
    if unless is not None:
        return state("not-applicable", unless)
    if finding is None:
        return state("open", NOT_DONE, waiting="finding")

    expires = expiry_of(step, finding)
    waiver = None
    outcome: Outcome
    if finding.outcome == "no-go":
        waiver, lapsed = waiver_of(log, finding, now)
        if waiver is None:
            return state("no-go", lapsed or told(finding))
        outcome = "waived"
        waived_until = datetime.fromisoformat(waiver.data.expires)
        expires = min(expires, waived_until) if expires is not None else waived_until
    elif finding.outcome == "open":
        return state("open", told(finding), waiting="finding")
    else:
        outcome = "not-applicable" if finding.outcome == "not-applicable" else "go"
        unsigned = finding.act.entry.kind == "check" and finding.signature is None
        if unsigned or (witness_required(step, finding) and finding.witness is None):
            # What nobody has to sign any more is not waited for: it is done again first.
            again = stale_reason(ledger, step, finding, now, known)
            if again is not None:
                return state("open", again, waiting="finding")
            if unsigned:
                reason = f"found go, waits for {_whose(step)} signature"
                return state("open", reason, waiting="signature", expires=expires)
            return state("open", "waits for a witness", waiting="witness", expires=expires)
    stale = stale_reason(ledger, step, finding, now, known)
    if stale is not None:
        return state("stale", stale, waiting="finding", waiver=waiver)
    reason = waiver.data.reason if waiver is not None else getattr(finding.act.data, "reason", "")
    return state(outcome, reason, waiver=waiver, expires=expires)


def _whose(step: Step) -> str:
    """Who may sign a step: "payload's", "payload's or director's", "a"."""
    return " or ".join(f"{role}'s" for role in step.signed_by) or "a"


def witness_required(step: Step, finding: FindingLog) -> bool:
    """Whether a second person must sign: the step says so, or it was entered from the printed list.

    What is taken over from an earlier record was witnessed there.
    """
    kind = finding.act.entry.kind
    return kind == "paper" or (step.witness and kind != "carry")


def _phase_state(ledger: Ledger, phase: Phase, steps: Mapping[str, StepState]) -> PhaseState:
    own = [steps[step.id] for step in phase.step]
    counted = [s for s in own if s.outcome != "not-applicable" or s.finding is not None]
    log = ledger.phases[phase.id]
    return PhaseState(
        phase=phase,
        begun=log.started is not None or any(s.findings for s in own),
        completed=log.completed,
        done=sum(s.satisfied for s in counted),
        total=len(counted),
        blocking=tuple(s.step.id for s in own if s.step.required and not s.satisfied),
        concerns=ledger.concerns(phase),
        started=log.started is not None,
    )


def gate_at(ledger: Ledger, gate: str, now: Moment, known: dict[str, StepState] | None = None) -> GateState:
    """The verdict at one gate: no-go before hold before go, counted over the phases up to it."""
    known = {} if known is None else known
    phases = ledger.book.counted(gate)
    counted = [step_at(ledger, s.id, now, known) for phase in phases for s in phase.step if s.required]
    reasons = [Reason(f"{s.step.id}: {s.reason}", step=s.step.id) for s in counted if s.outcome == "no-go"]
    verdict: Verdict = "no-go" if reasons else "go"
    standing = ledger.holds.values() if ledger.released is None else ledger.holds_at_release
    waits = [Reason(f"hold: {act.data.reason}") for act in standing]
    waits += [
        Reason(f"{s.step.id} is {_how(s)}", step=s.step.id) for s in counted if s.outcome in ("open", "stale")
    ]
    waits += [
        Reason(f"phase {phase.title} was not called complete", phase=phase.id)
        for phase in phases
        if ledger.phases[phase.id].completed is None and ledger.concerns(phase)
    ]
    if waits and verdict == "go":
        verdict = "hold"
    polled = {
        station: _standing_answer(ledger, gate, station)
        for station in ledger.book.checklist.checklist.stations
    }
    return GateState(gate, verdict, tuple(reasons + waits), polled, _standing_authority(ledger, gate))


def _how(step: StepState) -> str:
    """What keeps a step from go: "not done yet", "stale: the power was cycled"."""
    return step.reason if step.reason == NOT_DONE else f"{step.outcome}: {step.reason}"


def _standing_answer(ledger: Ledger, gate: str, station: str) -> Act | None:
    """A station's answer counts until a hold, a lift, a power cycle or a replan: then it is asked again."""
    act = ledger.polls.get((gate, station))
    return act if act is not None and act.order > ledger.disturbed else None


def _standing_authority(ledger: Ledger, gate: str) -> Act | None:
    """An authorisation at the last gate lapses when the count is disturbed; a fill that happened stays."""
    act = ledger.authorised.get(gate)
    last = gate == ledger.book.gates[-1]
    if act is None or (last and act.order <= ledger.disturbed):
        return None
    return act


def _next(
    ledger: Ledger,
    steps: Mapping[str, StepState],
    phases: Mapping[str, PhaseState],
    gates: Mapping[str, GateState],
) -> Next:
    if ledger.closed is not None:
        return Next("release") if ledger.released is None and ledger.scrubbed is None else Next("none")
    if ledger.scrubbed is not None:
        return Next("close")
    order = ledger.book.checklist.phase
    for index, phase in enumerate(order):
        if ledger.released is not None and phase.gate is not None:
            continue
        due = _due_in(phase, steps, phases)
        if due is not None:
            return due
        gate = gates.get(phase.gate or "")
        last_of_gate = all(later.gate != phase.gate for later in order[index + 1 :])
        if gate is not None and last_of_gate and ledger.released is None and gate.authorised is None:
            return _due_at(gate)
        if gate is not None and gate.gate == "release" and last_of_gate and ledger.released is None:
            # A record is closed at the release decision; the release goes into one that follows it.
            return Next("release") if ledger.closed_before is not None else Next("close")
    return Next("close")


def _due_in(phase: Phase, steps: Mapping[str, StepState], phases: Mapping[str, PhaseState]) -> Next | None:
    """The first step that is to be done; an optional one in its place, and at the end if it was gone past."""
    own = [steps[step.id] for step in phase.step]
    last_done = max((n for n, step in enumerate(own) if step.findings), default=-1)
    over = phases[phase.id].settled
    left = [] if over else [step for step in own if not step.step.required and step.outcome == "open"]
    for n, step in enumerate(own):
        ahead = n > last_done or step.waiting in ("signature", "witness")
        if (step.step.required and not step.satisfied) or (step in left and ahead):
            return Next("step", step.step.id)
    if over:
        return None
    return Next("step", left[0].step.id) if left else Next("complete", phase.id)


def _due_at(gate: GateState) -> Next:
    station = next(
        (name for name, act in gate.polled.items() if act is None or act.data.answer != "go"), None
    )
    return Next("poll", gate.gate) if station is not None else Next("authorise", gate.gate)


def _first_expiry(ledger: Ledger, steps: Mapping[str, StepState]) -> tuple[datetime, str] | None:
    counted = {s.id for gate in ledger.book.gates for phase in ledger.book.counted(gate) for s in phase.step}
    expiring = [
        (s.expires, s.step.id) for s in steps.values() if s.expires and s.satisfied and s.step.id in counted
    ]
    return min(expiring, default=None)
