"""Rules for what is done to steps: findings, signatures, waivers, corrections."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from preflight.config.checklist import Step
from preflight.config.quantities import difference
from preflight.errors import PreflightError, Refused
from preflight.readings import judged
from preflight.record.entry import format_utc
from preflight.record.kinds import ReadingData
from preflight.walk import codec
from preflight.walk.ledger import CORRECTABLE, Act, FindingLog, Ledger, Ref
from preflight.walk.state import step_at, witness_required
from preflight.walk.waivers import within_bound
from preflight.walk.who import Ask, NotTheirRole, may_correct, may_sign, may_witness, name_of, one_of


def _step(ledger: Ledger, step_id: str, kind: str) -> Step:
    step = ledger.book.steps.get(step_id)
    if step is None:
        raise Refused(f"The checklist has no step {step_id!r}.")
    if step.kind != kind and kind not in ("paper", "carry"):
        raise Refused(f"Step {step_id} is a {step.kind} step, not a {kind} step.")
    return step


def _reachable(ledger: Ledger, step: Step, ask: Ask) -> None:
    """Whether a step can be done now: the gates behind it passed, the phases before it called complete."""
    phase = ledger.book.phase_of[step.id]
    for gate in ledger.book.behind(phase.id):
        if ledger.released is None and gate not in ledger.authorised:
            raise Refused(f"The {gate} gate lies before {step.id} and was not authorised yet.")
    if ledger.released is None and ledger.phases[phase.id].started is None:
        for earlier in ledger.book.earlier(phase.id):
            if ledger.phases[earlier.id].completed is None and ledger.concerns(earlier):
                raise Refused(
                    f"Phase {earlier.title} was not called complete. Complete it, or begin {phase.title} "
                    "naming what is passed."
                )
    for name in step.after:
        before = step_at(ledger, name, ask.now)
        settled = ledger.released is not None and before.phase.gate is not None
        if not before.satisfied and not settled:
            raise Refused(f"Step {name} comes before {step.id} and is {before.outcome}: {before.reason}.")


def _not_gone(ledger: Ledger, step: Step) -> None:
    """What counted for the release can't be changed after it."""
    if ledger.released is not None and ledger.book.phase_of[step.id].gate is not None:
        raise Refused(f"The balloon has left: {step.id} belongs to the time before release.")


def _perform(ledger: Ledger, step: Step, ask: Ask) -> None:
    if not may_sign(ledger, step, ask.signer):
        raise NotTheirRole(
            f"Step {step.id} is signed by {' or '.join(step.signed_by)}; "
            f"{name_of(ledger, ask.signer)} does not have that role."
        )
    _not_gone(ledger, step)
    # A no-go is never turned away for coming too early.
    if getattr(ask.data, "outcome", "go") in ("go", "not-applicable"):
        _reachable(ledger, step, ask)


def _fits(step: Step, readings: tuple[ReadingData, ...], outcome: str) -> None:
    """A go must be one by its own numbers."""
    if outcome != "go":
        return
    by_numbers = judged(tuple(codec.from_data(reading) for reading in readings))
    if by_numbers != "go":
        told = next(
            (r.name for r in map(codec.from_data, readings) if r.within is False), "a reading with a limit"
        )
        fault = "is outside its limits" if by_numbers == "no-go" else "has no value"
        raise Refused(f"{step.id} claims go, but {told} {fault}.")


def _settable(ledger: Ledger, step: Step, readings: tuple[ReadingData, ...], outcome: str) -> None:
    """A measured value that replaces one of the flight file must be one that the flight file could have."""
    sets = step.measure.sets if step.measure is not None else None
    if sets is None or outcome != "go":
        return
    for reading in readings:
        if reading.name == sets and reading.value is not None:
            possible(ledger, {sets: f"{reading.value} {reading.unit}".strip()})


def possible(ledger: Ledger, sets: Mapping[str, str]) -> None:
    """Refuse values that the flight file's loader would not take."""
    trial = ledger.values.copy()
    try:
        for key, text in sets.items():
            trial.replace(key, text)
    except PreflightError as error:
        raise Refused(str(error)) from error


def _check(ledger: Ledger, ask: Ask) -> None:
    step = _step(ledger, ask.data.step, "check")
    if step.check != ask.data.check:
        raise Refused(f"Step {step.id} asks for the check {step.check}, not {ask.data.check}.")
    _fits(step, ask.data.readings, ask.data.outcome)
    _not_gone(ledger, step)
    if ask.data.outcome == "go":
        _reachable(ledger, step, ask)


def _measure(ledger: Ledger, ask: Ask) -> None:
    step = _step(ledger, ask.data.step, "measure")
    _perform(ledger, step, ask)
    assert step.measure is not None
    if step.measure.sets != ask.data.sets:
        raise Refused(f"Step {step.id} does not set {ask.data.sets}.")
    _settable(ledger, step, (ask.data.reading,), ask.data.outcome)


def _confirm(ledger: Ledger, ask: Ask) -> None:
    step = ledger.book.steps.get(ask.data.step)
    not_applicable = ask.data.outcome == "not-applicable"
    if step is None or not not_applicable:
        step = _step(ledger, ask.data.step, "confirm")
    if ask.data.outcome != "go" and not ask.data.reason.strip():
        raise Refused(f"{ask.data.outcome} needs a reason.")
    if not_applicable and _no_go(ledger, step):
        raise Refused(
            f"Step {step.id} is no-go: it can't be declared not applicable. Do it again, or waive it."
        )
    _perform(ledger, step, ask)


def _defer(ledger: Ledger, ask: Ask) -> None:
    step = _step(ledger, ask.data.step, "defer")
    _perform(ledger, step, ask)
    assert step.defer is not None
    if ask.data.authority != step.defer.authority:
        raise Refused(f"Step {step.id} asks {step.defer.authority}, not {ask.data.authority}.")
    missing = [question for question in step.defer.ask if not ask.data.answers.get(question, "").strip()]
    if missing and ask.data.outcome == "go":
        raise Refused(f"The answer to {missing[0]!r} is missing.")


def _no_go(ledger: Ledger, step: Step) -> bool:
    finding = ledger.steps[step.id].finding
    return finding is not None and finding.outcome == "no-go"


def _paper(ledger: Ledger, ask: Ask) -> None:
    step = _step(ledger, ask.data.step, "paper")
    if not may_sign(ledger, step, ask.signer):
        raise NotTheirRole(f"Step {step.id} is signed by {' or '.join(step.signed_by)}.")
    _not_gone(ledger, step)
    if step.defer is not None:
        raise Refused(f"Enter the answer to {step.id} itself: until when it is valid counts.")
    if (step.measure is not None) != bool(ask.data.readings):
        raise Refused(f"What was written down of {step.id} goes with it, and only if it is measured.")
    if ask.data.done_at > format_utc(ask.now.at):
        raise Refused("The paper's time lies ahead.")
    finding = ledger.steps[step.id].finding
    if finding is not None and ask.data.done_at <= format_utc(finding.at.at):
        raise Refused(
            f"{step.id} was done later than that, at {finding.at.at:%H:%M} UTC: the later one counts."
        )
    if step.kind == "check" and _no_go(ledger, step):
        raise Refused(f"The instrument found {step.id} no-go: only the instrument finds it go again.")
    _fits(step, ask.data.readings, ask.data.outcome)
    _settable(ledger, step, ask.data.readings, ask.data.outcome)


def _carry(ledger: Ledger, ask: Ask) -> None:
    step = _step(ledger, ask.data.step, "carry")
    _perform(ledger, step, ask)
    opened = ledger.opened
    previous = opened.data.previous if opened is not None else None
    if previous is None or previous.why != "new-flight" or previous.rec != ask.data.source.rec:
        raise Refused("A step can be taken over only from the attempt that this record follows.")
    if not step.carry:
        raise Refused(f"The checklist does not let {step.id} be taken over: do it again.")
    if ledger.steps[step.id].finding is not None:
        raise Refused(f"{step.id} was done for this attempt already.")
    _fits(step, ask.data.readings, ask.data.outcome)
    _settable(ledger, step, ask.data.readings, ask.data.outcome)


def _finding(ledger: Ledger, ask: Ask) -> FindingLog:
    finding = ledger.findings_by_ref.get(Ref(ask.rec, ask.data.of))
    if finding is None:
        raise Refused(f"Entry {ask.data.of} is no finding of this record.")
    log = ledger.steps[finding.act.data.step]
    if log.finding is not finding:
        raise Refused(f"The finding of entry {ask.data.of} no longer counts: the step was done again.")
    _not_gone(ledger, ledger.book.steps[finding.act.data.step])
    return finding


def _sign(ledger: Ledger, ask: Ask) -> None:
    hold = ledger.holds.get(Ref(ask.rec, ask.data.of))
    if hold is not None:
        if hold.data.claimed != ask.signer:
            raise NotTheirRole(
                f"The hold was called in the name of {hold.data.claimed}, who countersigns it."
            )
        if hold.ref in ledger.countersigned:
            raise Refused("The hold is countersigned already.")
        return
    finding = _finding(ledger, ask)
    if finding.act.entry.kind != "check":
        raise Refused("This finding carries its performer's signature already.")
    if finding.outcome != "go":
        raise Refused(f"A finding that is {finding.outcome} can't be signed into a go: do the step again.")
    if finding.signature is not None:
        raise Refused("This finding is signed already.")
    if finding.witness is not None and finding.witness.signer == ask.signer:
        raise Refused("Who witnessed this can't be its performer as well.")
    _perform(ledger, ledger.book.steps[finding.act.data.step], ask)


def _witness(ledger: Ledger, ask: Ask) -> None:
    finding = _finding(ledger, ask)
    step = ledger.book.steps[finding.act.data.step]
    if not witness_required(step, finding):
        raise Refused(f"Step {step.id} needs no witness.")
    if finding.performer is None:
        raise Refused("The performer signs first, then the witness.")
    if not may_witness(ledger, step, finding, ask.signer):
        who = f" of the role {' or '.join(step.witness_by)}" if step.witness_by else ""
        raise NotTheirRole(f"The witness must be another person{who}, with a key of their own.")
    if ask.data.values:
        _reconciled(step, finding, [float(value) for value in ask.data.values])


def _reconciled(step: Step, finding: FindingLog, witnessed: list[float]) -> None:
    """Two people who read a quantity independently must have read the same within the step's spread."""
    measured = finding.readings[0].value if finding.readings else None
    if step.measure is None or not isinstance(measured, (int, float)):
        raise Refused(f"Step {step.id} has no measured value to compare with.")
    allowed = spread_of(step)
    mean = sum(witnessed) / len(witnessed)
    if abs(mean - measured) > allowed:
        raise Refused(
            f"The witness read {mean:g} {step.measure.unit}, the performer {measured:g}: more than "
            f"{allowed:g} apart. Measure again together."
        )


def spread_of(step: Step) -> float:
    """How far apart readings of one quantity may lie, in the step's unit; infinite where none is given."""
    if step.measure is None or step.measure.spread is None:
        return math.inf
    return difference(step.measure.spread, step.measure.unit)


def _waive(ledger: Ledger, ask: Ask) -> None:
    step = ledger.book.steps.get(ask.data.step)
    if step is None:
        raise Refused(f"The checklist has no step {ask.data.step!r}.")
    if not step.waive_by:
        raise Refused(f"Step {step.id} can't be waived by anybody.")
    one_of(ledger, ask, step.waive_by, f"waive {step.id}")
    finding = ledger.steps[step.id].finding
    if finding is None or finding.outcome != "no-go":
        raise Refused(f"Step {step.id} is not no-go: there is nothing to waive.")
    if finding.act.ref != Ref(ask.rec, ask.data.finding):
        raise Refused("A waiver names the finding that counts now.")
    _not_gone(ledger, step)
    bound = ask.data.bound
    if bound is not None and not any(r.name == bound.name for r in finding.readings):
        raise Refused(f"The finding has no reading {bound.name} to set a bound on.")
    if bound is not None and bound.at_least is None and bound.at_most is None:
        raise Refused("A bound needs a number.")
    if bound is not None and not within_bound(bound, finding.readings):
        raise Refused(
            f"The bound must lie beyond {bound.name} as found, on the side where its limit is crossed."
        )
    if ask.data.expires <= format_utc(ask.now.at):
        raise Refused("The waiver's expiry has passed already.")


def _correct(ledger: Ledger, ask: Ask) -> None:
    act = ledger.find(Ref(ask.data.rec or ask.rec, ask.data.of))
    if act is None or act.entry.kind not in CORRECTABLE:
        raise Refused(f"Entry {ask.data.of} is none that can be corrected.")
    if act.ref in ledger.struck:
        raise Refused(f"Entry {ask.data.of} was corrected already.")
    head = ledger.book.checklist.checklist
    step = _step_of(ledger, act)
    if act.entry.kind == "release":
        one_of(ledger, ask, head.release_by, "say that a release did not happen")
    elif act.entry.kind == "poll" and ledger.released is not None:
        raise Refused("The balloon has left: its polls stand.")
    elif step is not None:
        _not_gone(ledger, step)
    if not may_correct(ledger.book, act, step, ask.signer):
        raise NotTheirRole("An entry is corrected by who signed it, or by the director.")


def _step_of(ledger: Ledger, act: Act) -> Step | None:
    """The step that an entry is about, through the finding it signs if need be."""
    finding = ledger.findings_by_ref.get(Ref(act.entry.rec, getattr(act.data, "of", 0)))
    about = finding.act if finding is not None else act
    return ledger.book.steps.get(getattr(about.data, "step", ""))


RULES: dict[str, Callable[[Ledger, Ask], None]] = {
    "check": _check,
    "measure": _measure,
    "confirm": _confirm,
    "defer": _defer,
    "paper": _paper,
    "carry": _carry,
    "sign": _sign,
    "witness": _witness,
    "waive": _waive,
    "correct": _correct,
}
