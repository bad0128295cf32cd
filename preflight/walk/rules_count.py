"""Rules for the count: phases, gates, holds, the release and the end of a record."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from preflight.clock import Moment
from preflight.errors import Refused
from preflight.record.entry import format_utc
from preflight.record.kinds import Verdict
from preflight.walk.ledger import Act, Ledger, Ref, earlier_than
from preflight.walk.rules_steps import possible
from preflight.walk.state import gate_at, step_at
from preflight.walk.who import Ask, name_of, one_of, roles_of


def _lift(ledger: Ledger, ask: Ask) -> None:
    hold = ledger.holds.get(Ref(ask.data.rec or ask.rec, ask.data.hold))
    if hold is None:
        raise Refused(f"No hold stands under entry {ask.data.hold}.")
    head = ledger.book.checklist.checklist
    # A name that the instrument took down counts as the caller's; one that a person wrote does not.
    claimed = hold.data.claimed if hold.entry.auth == "instrument" else None
    if ask.signer not in (hold.signer, claimed):
        one_of(ledger, ask, head.release_by, "lift another person's hold")


def _hold(ledger: Ledger, ask: Ask) -> None:
    if ask.data.claimed is None:
        return
    if ask.auth != "instrument":
        raise Refused("A person calls a hold in their own name.")
    if ledger.book.roster.find(ask.data.claimed).is_instrument:
        raise Refused(f"{ask.data.claimed} is an instrument: a hold is called by a person.")


def _replan(ledger: Ledger, ask: Ask) -> None:
    head = ledger.book.checklist.checklist
    one_of(ledger, ask, (*head.stations, *head.release_by), "change the plan")
    possible(ledger, ask.data.sets)


def _phase(ledger: Ledger, ask: Ask) -> None:
    phase = ledger.book.phases.get(ask.data.phase)
    if phase is None:
        raise Refused(f"The checklist has no phase {ask.data.phase!r}.")
    if ledger.released is not None and phase.gate is not None:
        raise Refused(f"The balloon has left: {phase.title} belongs to the time before release.")
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
    one_of(ledger, ask, (ask.data.station,), f"answer for {ask.data.station}")
    _has_gate(ledger, ask.data.gate)
    _before_release(ledger, ask)
    _gates_before(ledger, ask.data.gate)


def _before_release(ledger: Ledger, ask: Ask) -> None:
    if ledger.released is not None:
        raise Refused(f"The balloon has left: there is nothing to {ask.kind}.")


def _gates_before(ledger: Ledger, gate: str) -> None:
    for earlier in ledger.book.gates[: ledger.book.gates.index(gate)]:
        if earlier not in ledger.authorised:
            raise Refused(f"The {earlier} gate comes first.")


def _has_gate(ledger: Ledger, gate: str) -> None:
    if gate not in ledger.book.gates:
        raise Refused(f"The checklist has no {gate} gate.")


def _authorise(ledger: Ledger, ask: Ask) -> None:
    head = ledger.book.checklist.checklist
    one_of(ledger, ask, head.release_by, "authorise")
    _has_gate(ledger, ask.data.gate)
    _before_release(ledger, ask)
    _gates_before(ledger, ask.data.gate)
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
    if ask.data.released > format_utc(ask.now.at):
        raise Refused("The time of the release lies ahead.")
    first = ledger.acts[0].entry.at
    # A clock that was set back since says nothing about the opening.
    if ask.data.released < first <= format_utc(ask.now.at):
        raise Refused(
            f"The balloon can't have left at {_said(ask.data.released)}: the record was opened at "
            f"{_said(first)}."
        )
    verdict, with_go, authority = release_facts(ledger, ask.now, ask.data.released)
    given = ledger.authorised.get(ledger.book.gates[-1]) if ledger.book.gates else None
    early = given is not None and ask.data.released < given.entry.at
    if given is not None and early and (ask.data.with_go or not ask.data.reason.strip()):
        raise Refused(
            f"A release at {_said(ask.data.released)} is without go: it was authorised at "
            f"{_said(given.entry.at)} only. Say what happened, or give the time when it left after that."
        )
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


def _said(utc: str) -> str:
    return f"{datetime.fromisoformat(utc):%Y-%m-%d %H:%M:%S}Z"


def release_facts(ledger: Ledger, now: Moment, released: str) -> tuple[Verdict, bool, Act | None]:
    """The verdict when the balloon left, whether that was with go, and the authorisation that stood for it.

    `released` is when it left, in UTC as entries have it; an authorisation given later does not count.
    """
    if not ledger.book.gates:
        return "hold", False, None
    gate = gate_at(ledger, ledger.book.gates[-1], earlier_than(now, released))
    authority = gate.authorised
    if authority is not None and authority.entry.at > released:
        authority = None
    return gate.verdict, gate.verdict == "go" and authority is not None and gate.all_polled, authority


def _scrub(ledger: Ledger, ask: Ask) -> None:
    if ledger.released is not None:
        raise Refused("The balloon has left: there is nothing to scrub.")
    one_of(ledger, ask, ledger.book.checklist.checklist.release_by, "scrub")


def _close(ledger: Ledger, ask: Ask) -> None:
    head = ledger.book.checklist.checklist
    one_of(ledger, ask, head.seal_by, "close")
    for person in ask.data.sealers:
        if not roles_of(ledger, person) & set(head.seal_by):
            raise Refused(
                f"{name_of(ledger, person)} can't seal: that takes the role {' or '.join(head.seal_by)}."
            )
    if ask.signer not in ask.data.sealers:
        raise Refused("Who closes a record seals it.")
    verdicts = {gate: gate_at(ledger, gate, ask.now).verdict for gate in ledger.book.gates}
    if dict(ask.data.verdicts) != verdicts:
        raise Refused(f"The verdicts are {verdicts}.")


RULES: dict[str, Callable[[Ledger, Ask], None]] = {
    "hold": _hold,
    "replan": _replan,
    "lift": _lift,
    "phase": _phase,
    "poll": _poll,
    "authorise": _authorise,
    "release": _release,
    "scrub": _scrub,
    "close": _close,
}
