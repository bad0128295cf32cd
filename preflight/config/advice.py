"""Advice on checklists: what makes a list that loads a poor one to work from. Changes no outcome.

Lengths and responses follow Degani and Wiener, "Human Factors of Flight-Deck Checklists", NASA CR-177549
(1990), and the five to nine items a pause point of the WHO surgical safety checklist; from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from preflight.config.checklist import Checklist, Phase, Step
from preflight.config.problems import Path

FEWEST, MOST = 5, 9

_VAGUE = {
    "check", "checked", "set", "ok", "okay", "done", "yes", "good", "fine", "complete", "completed",
    "verified", "confirmed", "ready", "as required", "normal", "all good",
}  # fmt: skip

Advice = tuple[Path, str, str]
"""Where, what, and what to do about it."""


def advise(checklist: Checklist) -> tuple[Advice, ...]:
    """Everything worth saying about a checklist, in its order."""
    return tuple(_advice(checklist))


def _advice(checklist: Checklist) -> Iterator[Advice]:
    gates = {phase.gate for phase in checklist.phase}
    if "release" not in gates:
        yield ("phase",), 'no phase has gate "release"', "without one there is no verdict to release on"
    last_gated = max((i for i, phase in enumerate(checklist.phase) if phase.gate is not None), default=-1)
    for i, phase in enumerate(checklist.phase):
        place: Path = ("phase", i)
        if phase.gate is None and i < last_gated and any(step.required for step in phase.step):
            yield place, f"{phase.title} counts for no verdict", "give it the gate that comes after it"
        if not FEWEST <= len(phase.step) <= MOST:
            remedy = (
                "split it" if len(phase.step) > MOST else "join it with a neighbour if the place is the same"
            )
            count = f"{len(phase.step)} step{'s' if len(phase.step) != 1 else ''}"
            yield place, f"{phase.title} has {count}, {FEWEST} to {MOST} are kept in mind", remedy
        for j, step in enumerate(phase.step):
            for key, message, remedy in _step_advice(step):
                yield (*place, "step", j, key), message, remedy
            if i == 0 and step.valid_for is not None and not _again(step, checklist.phase[1:]):
                message = "expires, and no later phase does it again"
                yield (*place, "step", j, "valid_for"), message, "repeat it late, or leave valid_for out"


def _step_advice(step: Step) -> Iterator[tuple[str, str, str]]:
    said = step.response.strip().strip(".!").casefold()
    if step.kind == "confirm" and not said:
        yield "response", "is missing", "state what is seen or read when all is well"
    elif said in _VAGUE:
        yield "response", f'"{step.response}" can be said without looking', "state the value or what is seen"
    one_role = len(step.signed_by) == 1 and step.signed_by == step.witness_by
    if step.witness and one_role:
        message = f"performer and witness are both {step.signed_by[0]}: that takes two people of one role"
        yield "witness_by", message, "let another role witness"


def _again(step: Step, later: tuple[Phase, ...]) -> bool:
    for other in (other for phase in later for other in phase.step):
        if step.check is not None and step.check == other.check:
            return True
        if step.measure is not None and other.measure is not None:
            if step.measure.quantity == other.measure.quantity:
                return True
        elif step.challenge == other.challenge:
            return True
    return False
