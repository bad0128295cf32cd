"""Advice on checklists: what makes a list that loads a poor one to work from. Changes no outcome.

Lengths, responses, completion calls and late re-checks follow Degani and Wiener, "Human Factors of
Flight-Deck Checklists", NASA CR-177549 (1990), and the five to nine items a pause point of the WHO surgical
safety checklist; from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from preflight.config.checklist import Checklist, Phase, Step
from preflight.config.problems import Path

FEWEST, MOST = 5, 9
LONGEST = 14
"""Words of a challenge: it is called out and heard in wind. Common practice, no source."""
STEP_TAKES = 60.0
"""Seconds a step takes at least on the way to the release. Common practice, no source."""

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
    if "release" not in gates and not checklist.checklist.part:
        yield ("phase",), 'no phase has gate "release"', "without one there is no verdict to release on"
    last_gated = max((i for i, phase in enumerate(checklist.phase) if phase.gate is not None), default=-1)
    yield from _late(checklist.phase[: last_gated + 1])
    for i, phase in enumerate(checklist.phase):
        place: Path = ("phase", i)
        if phase.gate is None and i < last_gated and any(step.required for step in phase.step):
            yield place, f"{phase.title} counts for no verdict", "give it the gate that comes after it"
        for message, remedy in _phase_advice(phase):
            yield place, message, remedy
        for j, step in enumerate(phase.step):
            for key, message, remedy in _step_advice(step):
                yield (*place, "step", j, key), message, remedy
            if i == 0 and step.valid_for is not None and not _again(step, checklist.phase[1:]):
                message = "expires, and no later phase does it again"
                yield (*place, "step", j, "valid_for"), message, "repeat it late, or leave valid_for out"
            message = _too_short(step, checklist.phase[i : last_gated + 1])
            if message:
                remedy = "give it longer, or do it later"
                yield (*place, "step", j, "valid_for"), message, remedy


def _phase_advice(phase: Phase) -> Iterator[tuple[str, str]]:
    count = len(phase.step)
    if not FEWEST <= count <= MOST:
        remedy = "split it" if count > MOST else "join it with a neighbour if the place is the same"
        said = f"{count} step{'s' if count != 1 else ''}"
        yield f"{phase.title} has {said}, {FEWEST} to {MOST} are kept in mind", remedy
    if not any(step.required for step in phase.step):
        message = f"{phase.title} can be called complete with nothing done: no step of it is required"
        yield message, "require the steps that its completion call speaks for"


def _step_advice(step: Step) -> Iterator[tuple[str, str, str]]:
    said = step.response.strip().strip(".!").casefold()
    if step.kind == "confirm" and not said:
        yield "response", "is missing", "state what is seen or read when all is well"
    elif said in _VAGUE:
        yield "response", f'"{step.response}" can be said without looking', "state the value or what is seen"
    words = len(step.challenge.split())
    if words > LONGEST:
        remedy = "name the thing to touch here, and put the rest into response or why"
        yield "challenge", f"has {words} words, {LONGEST} can be called out", remedy
    one_role = len(step.signed_by) == 1 and step.signed_by == step.witness_by
    if step.witness and one_role:
        message = f"performer and witness are both {step.signed_by[0]}: that takes two people of one role"
        yield "witness_by", message, "let another role witness"


def _late(gated: Sequence[Phase]) -> Iterator[Advice]:
    """What late information can change is looked at again in a later phase."""
    steps = [step for phase in gated for step in phase.step]
    again = (_again(step, gated[i + 1 :]) for i, phase in enumerate(gated) for step in phase.step)
    if len(gated) > 1 and not any(again):
        message = "nothing is looked at again in a later phase"
        yield ("phase",), message, "look again, late, at what can change: wind, battery, beacon, the answer"
        return
    for i, phase in enumerate(gated):
        for j, step in enumerate(phase.step):
            what = _changes(step)
            if what is None or phase.gate == "release" or _again(step, gated[i + 1 :]):
                continue
            if sum(_changes(other) == what for other in steps) > 1:
                continue
            message = f"{what} can change until the release, and no later phase looks at it again"
            yield ("phase", i, "step", j), message, "repeat the step in a later phase"


def _changes(step: Step) -> str | None:
    """What of a step late information can change: the wind, the battery under load."""
    if step.measure is not None and "wind" in step.measure.quantity.casefold():
        return "the wind"
    return "the battery" if step.check == "battery-voltage" else None


def _too_short(step: Step, ahead: Sequence[Phase]) -> str:
    """What to say where a step expires before the release can be reached, from its own phase on."""
    if step.valid_for is None or not ahead or step not in ahead[0].step:
        return ""
    way = len(ahead[0].step) - 1 - ahead[0].step.index(step) + sum(len(phase.step) for phase in ahead[1:])
    if step.valid_for >= way * STEP_TAKES:
        return ""
    minutes = step.valid_for / 60
    return f"holds for {minutes:g} min, and {way} steps of a minute each lie between it and the release"


def _again(step: Step, later: Sequence[Phase]) -> bool:
    for other in (other for phase in later for other in phase.step):
        if step.check is not None and step.check == other.check:
            return True
        if step.measure is not None and other.measure is not None:
            if step.measure.quantity == other.measure.quantity:
                return True
        elif step.challenge == other.challenge:
            return True
    return False
