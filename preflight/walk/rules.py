"""Who may do what now: one rule for each kind of entry, used before an entry is made and again by the audit.

A rule says nothing where the act is allowed and raises `Refused` with a sentence where it is not. No rule
looks at more of the state than it needs, so that an audit of ten thousand entries stays quick.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from preflight.clock import Moment
from preflight.config.checklist import Step
from preflight.config.quantities import difference
from preflight.errors import Refused
from preflight.record.entry import format_utc
from preflight.record.kinds import INSTRUMENT_KINDS
from preflight.walk.ledger import CORRECTABLE, Act, FindingLog, Ledger, Ref
from preflight.walk.state import gate_at, step_at, witness_required

MEANINGS: dict[str, str] = {
    "open": "I open this record with these files",
    "check": "found by the instrument",
    "measure": "I measured this",
    "confirm": "I did this and saw the response",
    "defer": "I asked the authority and this is its answer",
    "sign": "I performed this and accept the finding",
    "witness": "I witnessed this",
    "waive": "I accept this no-go within the bound given",
    "hold": "I call a hold",
    "lift": "I lift the hold",
    "phase": "I call this phase",
    "power": "the payload's power was cycled",
    "replan": "I change the plan",
    "resume": "the record goes on after an interruption",
    "poll": "my station answers",
    "authorise": "I authorise passing this gate",
    "release": "the balloon has left",
    "scrub": "I give up the attempt for today",
    "carry": "I take this over from the record before",
    "correct": "the entry named no longer counts",
    "clock": "the laptop's clock was compared",
    "recover": "set a torn line aside",
    "paper": "I did this on the printed list",
    "close": "I close this record",
}
"""What a signature on an entry of each kind means, as shown wherever the signature is shown."""

ASKED_AGAIN = frozenset({"waive", "authorise"})
"""Kinds for which the passphrase is asked for again."""

AFTER_SCRUB = frozenset({"close", "correct", "hold", "lift", "clock", "recover", "resume"})


@dataclass(frozen=True, slots=True)
class Ask:
    """An act somebody wants to do: what the rules judge."""

    kind: str
    data: Any
    signer: str
    auth: str
    now: Moment
    rec: str


def allow(ledger: Ledger, ask: Ask) -> None:
    """Raise `Refused` unless this act may be done now by this signer."""
    _signer(ledger, ask)
    if ask.kind == "open":
        return
    if ledger.closed is not None:
        raise Refused("The record is closed: nothing can be added to it. Go on in a following record.")
    if ledger.scrubbed is not None and ask.kind not in AFTER_SCRUB:
        raise Refused("The attempt was scrubbed: only closing the record is left.")
    rule = _RULES.get(ask.kind)
    if rule is not None:
        rule(ledger, ask)


def roles_of(ledger: Ledger, person: str) -> frozenset[str]:
    """The roles the roster gives a person."""
    return frozenset(ledger.book.roster.find(person).roles)


def may_sign(ledger: Ledger, step: Step, person: str) -> bool:
    """Whether this person's roles let them perform the step; a step that names no role takes anyone."""
    return not step.signed_by or bool(roles_of(ledger, person) & set(step.signed_by))


def may_witness(ledger: Ledger, step: Step, finding: FindingLog, person: str) -> bool:
    """Whether this person can be the second one: not the performer, and of the roles asked for."""
    if person in (finding.performer, finding.act.signer):
        return False
    return not step.witness_by or bool(roles_of(ledger, person) & set(step.witness_by))


def _signer(ledger: Ledger, ask: Ask) -> None:
    is_instrument = ledger.book.roster.find(ask.signer).is_instrument
    if is_instrument != (ask.auth == "instrument"):
        raise Refused("The instrument's key signs for the instrument alone, a person's key for that person.")
    if is_instrument and ask.kind not in INSTRUMENT_KINDS:
        raise Refused(f"The instrument can't sign a {ask.kind}: a person must.")
    if ask.kind == "check" and not is_instrument:
        raise Refused("A check's finding is signed by the instrument that made it.")
    if ask.kind in ASKED_AGAIN and ask.auth != "passphrase":
        raise Refused("The passphrase is asked for again for this.")


def _step(ledger: Ledger, step_id: str, kind: str) -> Step:
    step = ledger.book.steps.get(step_id)
    if step is None:
        raise Refused(f"The checklist has no step {step_id!r}.")
    if step.kind != kind and kind not in ("paper", "carry"):
        raise Refused(f"Step {step_id} is a {step.kind} step, not a {kind} step.")
    return step


def _one_of(ledger: Ledger, ask: Ask, roles: tuple[str, ...], what: str) -> None:
    if not roles_of(ledger, ask.signer) & set(roles):
        raise Refused(f"To {what} takes the role {' or '.join(roles)}; {ask.signer} does not have it.")


def _reachable(ledger: Ledger, step: Step, ask: Ask) -> None:
    """Whether a step can be done now: the gates behind it passed, the phases before it called complete."""
    phase = ledger.book.phase_of[step.id]
    if ledger.released is not None and phase.gate is not None:
        raise Refused(f"The balloon has left: {step.id} belongs to the time before release.")
    for gate in ledger.book.behind(phase.id):
        if ledger.released is None and gate not in ledger.authorised:
            raise Refused(f"The {gate} gate lies before {step.id} and was not authorised yet.")
    if ledger.released is None and ledger.phases[phase.id].started is None:
        for earlier in ledger.book.earlier(phase.id):
            if ledger.phases[earlier.id].completed is None:
                raise Refused(
                    f"Phase {earlier.title} was not called complete. Complete it, or begin {phase.title} "
                    "naming what is passed."
                )
    for name in step.after:
        before = step_at(ledger, name, ask.now)
        settled = ledger.released is not None and before.phase.gate is not None
        if not before.satisfied and not settled:
            raise Refused(f"Step {name} comes before {step.id} and is {before.outcome}: {before.reason}.")


def _perform(ledger: Ledger, step: Step, ask: Ask) -> None:
    if not may_sign(ledger, step, ask.signer):
        raise Refused(
            f"Step {step.id} is signed by {' or '.join(step.signed_by)}; {ask.signer} does not have that role."
        )
    _reachable(ledger, step, ask)


def _check(ledger: Ledger, ask: Ask) -> None:
    step = _step(ledger, ask.data.step, "check")
    if step.check != ask.data.check:
        raise Refused(f"Step {step.id} asks for the check {step.check}, not {ask.data.check}.")
    _reachable(ledger, step, ask)


def _measure(ledger: Ledger, ask: Ask) -> None:
    step = _step(ledger, ask.data.step, "measure")
    _perform(ledger, step, ask)
    assert step.measure is not None
    if step.measure.sets != ask.data.sets:
        raise Refused(f"Step {step.id} does not set {ask.data.sets}.")


def _confirm(ledger: Ledger, ask: Ask) -> None:
    step = ledger.book.steps.get(ask.data.step)
    not_applicable = ask.data.outcome == "not-applicable"
    if step is None or not not_applicable:
        step = _step(ledger, ask.data.step, "confirm")
    if ask.data.outcome != "go" and not ask.data.reason.strip():
        raise Refused(f"{ask.data.outcome} needs a reason.")
    _perform(ledger, step, ask)


def _defer(ledger: Ledger, ask: Ask) -> None:
    step = _step(ledger, ask.data.step, "defer")
    _perform(ledger, step, ask)
    assert step.defer is not None
    missing = [question for question in step.defer.ask if not ask.data.answers.get(question, "").strip()]
    if missing and ask.data.outcome == "go":
        raise Refused(f"The answer to {missing[0]!r} is missing.")


def _paper(ledger: Ledger, ask: Ask) -> None:
    step = _step(ledger, ask.data.step, "paper")
    if not may_sign(ledger, step, ask.signer):
        raise Refused(f"Step {step.id} is signed by {' or '.join(step.signed_by)}.")


def _carry(ledger: Ledger, ask: Ask) -> None:
    step = _step(ledger, ask.data.step, "carry")
    _perform(ledger, step, ask)
    opened = ledger.opened
    previous = opened.data.previous if opened is not None else None
    if previous is None or previous.rec != ask.data.source.rec:
        raise Refused("A step can be taken over only from the record that this one follows.")


def _finding(ledger: Ledger, ask: Ask) -> FindingLog:
    finding = ledger.findings_by_ref.get(Ref(ask.rec, ask.data.of))
    if finding is None:
        raise Refused(f"Entry {ask.data.of} is no finding of this record.")
    log = ledger.steps[finding.act.data.step]
    if log.finding is not finding:
        raise Refused(f"The finding of entry {ask.data.of} no longer counts: the step was done again.")
    return finding


def _sign(ledger: Ledger, ask: Ask) -> None:
    hold = ledger.holds.get(Ref(ask.rec, ask.data.of))
    if hold is not None:
        if hold.data.claimed != ask.signer:
            raise Refused(f"The hold was called in the name of {hold.data.claimed}, who countersigns it.")
        return
    finding = _finding(ledger, ask)
    if finding.act.entry.kind != "check":
        raise Refused("This finding carries its performer's signature already.")
    if finding.outcome != "go":
        raise Refused(f"A finding that is {finding.outcome} can't be signed into a go: do the step again.")
    if finding.signature is not None:
        raise Refused("This finding is signed already.")
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
        raise Refused(f"The witness must be another person{who}, with a key of their own.")
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
    _one_of(ledger, ask, step.waive_by, f"waive {step.id}")
    finding = ledger.steps[step.id].finding
    if finding is None or finding.outcome != "no-go":
        raise Refused(f"Step {step.id} is not no-go: there is nothing to waive.")
    if finding.act.ref != Ref(ask.rec, ask.data.finding):
        raise Refused("A waiver names the finding that counts now.")
    bound = ask.data.bound
    if bound is not None and not any(r.name == bound.name for r in finding.readings):
        raise Refused(f"The finding has no reading {bound.name} to set a bound on.")
    if bound is not None and bound.at_least is None and bound.at_most is None:
        raise Refused("A bound needs a number.")
    if ask.data.expires <= format_utc(ask.now.at):
        raise Refused("The waiver's expiry has passed already.")


def _lift(ledger: Ledger, ask: Ask) -> None:
    hold = ledger.holds.get(Ref(ask.data.rec or ask.rec, ask.data.hold))
    if hold is None:
        raise Refused(f"No hold stands under entry {ask.data.hold}.")
    head = ledger.book.checklist.checklist
    if ask.signer not in (hold.signer, hold.data.claimed):
        _one_of(ledger, ask, head.release_by, "lift another person's hold")


def _phase(ledger: Ledger, ask: Ask) -> None:
    phase = ledger.book.phases.get(ask.data.phase)
    if phase is None:
        raise Refused(f"The checklist has no phase {ask.data.phase!r}.")
    if ask.data.act == "start":
        for gate in ledger.book.behind(phase.id):
            if ledger.released is None and gate not in ledger.authorised:
                raise Refused(f"The {gate} gate lies before {phase.title} and was not authorised yet.")
        open_steps = passed_by(ledger, phase.id, ask.now)
        if set(open_steps) != set(ask.data.passed):
            raise Refused(
                f"To begin {phase.title} out of order, name what is passed: {', '.join(open_steps)}."
            )
        if open_steps and not ask.data.reason.strip():
            raise Refused("Going past open steps needs a reason.")
        return
    blocking = [
        step.id for step in phase.step if step.required and not step_at(ledger, step.id, ask.now).satisfied
    ]
    if blocking:
        raise Refused(f"{phase.title} is not complete: {', '.join(blocking)}.")


def passed_by(ledger: Ledger, phase_id: str, now: Moment) -> tuple[str, ...]:
    """The required steps of earlier phases that are open if this phase is begun now."""
    return tuple(
        step.id
        for phase in ledger.book.earlier(phase_id)
        for step in phase.step
        if step.required and not step_at(ledger, step.id, now).satisfied
    )


def _poll(ledger: Ledger, ask: Ask) -> None:
    head = ledger.book.checklist.checklist
    if ask.data.station not in head.stations:
        raise Refused(f"{ask.data.station} is no station of this checklist.")
    _one_of(ledger, ask, (ask.data.station,), f"answer for {ask.data.station}")
    _has_gate(ledger, ask.data.gate)


def _has_gate(ledger: Ledger, gate: str) -> None:
    if gate not in ledger.book.gates:
        raise Refused(f"The checklist has no {gate} gate.")


def _authorise(ledger: Ledger, ask: Ask) -> None:
    head = ledger.book.checklist.checklist
    _one_of(ledger, ask, head.release_by, "authorise")
    _has_gate(ledger, ask.data.gate)
    for gate in ledger.book.gates[: ledger.book.gates.index(ask.data.gate)]:
        if gate not in ledger.authorised:
            raise Refused(f"The {gate} gate comes first.")
    gate_state = gate_at(ledger, ask.data.gate, ask.now)
    if gate_state.verdict != "go":
        raise Refused(f"The verdict is {gate_state.verdict}: {gate_state.reasons[0].text}.")
    silent = [name for name, act in gate_state.polled.items() if act is None]
    if silent:
        raise Refused(f"Not polled yet: {', '.join(silent)}.")
    if not gate_state.all_polled:
        raise Refused("A station answered no-go.")
    if gate_state.authorised is not None:
        raise Refused(f"The {ask.data.gate} gate is authorised already.")


def _release(ledger: Ledger, ask: Ask) -> None:
    if ledger.released is not None:
        raise Refused("A release is entered already.")
    verdict, with_go, authority = release_facts(ledger, ask.now)
    if (ask.data.verdict, ask.data.with_go) != (verdict, with_go):
        raise Refused(
            f"The verdict at release is {verdict}, and it is {'with' if with_go else 'without'} go."
        )
    if not with_go and not ask.data.reason.strip():
        raise Refused("A release without go needs a word on what happened.")
    named = ask.data.authority
    if (authority is None) != (named is None) or (
        authority is not None and authority.ref != Ref(named.rec, named.seq)
    ):
        raise Refused("A release names the authorisation that stands, or none.")
    if authority is not None and ledger.line_hash(authority) not in (None, named.line):
        raise Refused("The authorisation that the release names has another hash.")


def release_facts(ledger: Ledger, now: Moment) -> tuple[str, bool, Act | None]:
    """The verdict at release now, whether that is with go, and the authorisation that stands for it."""
    gate = gate_at(ledger, ledger.book.gates[-1], now) if ledger.book.gates else None
    if gate is None:
        return "hold", False, None
    return gate.verdict, gate.verdict == "go" and gate.authorised is not None, gate.authorised


def _scrub(ledger: Ledger, ask: Ask) -> None:
    if ledger.released is not None:
        raise Refused("The balloon has left: there is nothing to scrub.")
    _one_of(ledger, ask, ledger.book.checklist.checklist.release_by, "scrub")


def _correct(ledger: Ledger, ask: Ask) -> None:
    act = ledger.find(Ref(ask.rec, ask.data.of))
    if act is None or act.entry.kind not in CORRECTABLE:
        raise Refused(f"Entry {ask.data.of} is none that can be corrected.")
    if act.ref in ledger.struck:
        raise Refused(f"Entry {ask.data.of} was corrected already.")
    head = ledger.book.checklist.checklist
    if ask.signer != act.signer and not roles_of(ledger, ask.signer) & {*head.seal_by, *head.release_by}:
        step = ledger.book.steps.get(getattr(act.data, "step", ""))
        if act.entry.kind != "check" or step is None or not may_sign(ledger, step, ask.signer):
            raise Refused("An entry is corrected by who signed it, or by the director.")


def _close(ledger: Ledger, ask: Ask) -> None:
    head = ledger.book.checklist.checklist
    _one_of(ledger, ask, head.seal_by, "close")
    for person in ask.data.sealers:
        if not roles_of(ledger, person) & set(head.seal_by):
            raise Refused(f"{person} can't seal: that takes the role {' or '.join(head.seal_by)}.")
    if ask.signer not in ask.data.sealers:
        raise Refused("Who closes a record seals it.")
    verdicts = {gate: gate_at(ledger, gate, ask.now).verdict for gate in ledger.book.gates}
    if dict(ask.data.verdicts) != verdicts:
        raise Refused(f"The verdicts are {verdicts}.")


_RULES: dict[str, Callable[[Ledger, Ask], None]] = {
    "check": _check,
    "measure": _measure,
    "confirm": _confirm,
    "defer": _defer,
    "paper": _paper,
    "carry": _carry,
    "sign": _sign,
    "witness": _witness,
    "waive": _waive,
    "lift": _lift,
    "phase": _phase,
    "poll": _poll,
    "authorise": _authorise,
    "release": _release,
    "scrub": _scrub,
    "correct": _correct,
    "close": _close,
}
