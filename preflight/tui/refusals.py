"""Why a key does nothing now, and what to do instead."""

from __future__ import annotations

from collections.abc import Callable

from preflight.tui.draw.scene import Scene
from preflight.walk.state import StepState, witness_required

Why = Callable[[Scene], str]

AFTER_SCRUB = frozenset({"lift", "countersign", "correct", "release", "close", "mirror", "power"})
"""Acts that a scrub leaves possible."""
TO_A_STEP = "this is no step; / finds one, . goes to what is next."


def why_not(scene: Scene, name: str) -> str:
    """Why an act of the key table can't be done in a scene, and what to do: it follows "Not now: "."""
    return _stopped(scene, name) or _WHY.get(name, _nothing)(scene)


def _stopped(scene: Scene, name: str) -> str:
    """What stands against all acts of a kind: a screen that looks, an attempt given up, a closed record."""
    if name in ("lock", "stop", "jump", "notice", "code"):
        return ""
    view = scene.view
    if view.looking:
        return "this screen only looks; act on the one where the walk is at work."
    if view.record is None:
        return "no record is open; choose one and Enter opens it."
    if view.state.closed is not None and view.state.next.kind == "none":
        return "the record is closed and the walk is over; m shows its seal code, q quits."
    if view.given_up and name not in AFTER_SCRUB:
        return "the attempt was scrubbed; z closes and seals its record."
    if view.state.closed is not None and name in ("witness", "waive", "countersign", "take_over"):
        return "the record is closed, and this belongs into it; . goes to what is next."
    return ""


def _nothing(scene: Scene) -> str:
    return "there is nothing to do it to; . goes to what is next."


def _at_step(why: Callable[[StepState], str]) -> Why:
    def told(scene: Scene) -> str:
        place = scene.place
        return why(scene.view.step(place.name)) if place.kind == "step" else TO_A_STEP

    return told


def _again(scene: Scene) -> str:
    if scene.running is not None:
        return "a check is at work; s stops it."
    if scene.place.kind != "step":
        return TO_A_STEP
    step = scene.view.step(scene.place.name)
    if step.finding is None:
        return f"{step.step.id} was not done yet; Enter does it."
    return "the record is closed, and an instrument can't begin the one that follows; . goes to what is next."


def _decided(step: StepState) -> str:
    name = step.step.id
    how = {
        "check": f"the instrument decides {name}; Enter or r runs its check.",
        "measure": f"what is measured decides {name}; Enter or r measures.",
        "defer": f"the authority's answer decides {name}; Enter or r enters it.",
    }
    return how.get(step.step.kind, f"{name} can't be confirmed now; . goes to what is next.")


def _witness(step: StepState) -> str:
    if step.finding is None:
        return f"{step.step.id} was not done yet; Enter does it, then it is witnessed."
    if not witness_required(step.step, step.finding):
        return f"{step.step.id} needs no witness; . goes to what is next."
    return f"{step.step.id} is witnessed already; c takes an entry out."


def _waive(step: StepState) -> str:
    name = step.step.id
    if step.outcome != "no-go":
        return f"{name} is {step.outcome}, and only a no-go is waived."
    return f"the checklist lets nobody waive {name}; mend what is wrong, then do it again."


def _begin(scene: Scene) -> str:
    view, name = scene.view, scene.place.name
    if view.state.released is not None:
        return "the balloon has left; its steps are done in any order."
    phase = view.book.phase_of.get(name) or view.book.phases.get(name)
    if phase is None or scene.place.kind not in ("step", "complete"):
        return "this belongs to no phase; / finds the phase's first step."
    if view.state.phases[phase.id].started:
        return f"{phase.title} was begun already; do its steps."
    return f"{phase.title} is next in order; just do its steps."


def _gate(scene: Scene) -> str:
    state = scene.view.state
    if state.released is not None:
        return "the balloon has left; its gates are behind it."
    if state.gate is None:
        return "no gate lies ahead; . goes to what is next."
    return f"the {state.gate.gate} gate is authorised; . goes to what is next."


def _release(scene: Scene) -> str:
    if not scene.view.book.gates:
        return "this checklist has no gate, so no release is entered; . goes to what is next."
    return "the release is entered already; if it did not happen, c takes the entry out."


def _scrub(scene: Scene) -> str:
    if scene.view.state.released is not None:
        return "the balloon has left; there is nothing to give up."
    return "the attempt is given up already; z closes and seals its record."


def _jump(scene: Scene) -> str:
    if scene.view.given_up:
        return "the attempt was scrubbed; z closes and seals its record."
    return "nothing stands against go; . goes to what is next."


def _take_over(scene: Scene) -> str:
    opened = next((act for act in reversed(scene.view.acts) if act.entry.kind == "open"), None)
    previous = opened.data.previous if opened is not None else None
    if previous is None or previous.why != "new-flight":
        return "this record follows no scrubbed attempt, so there is nothing to take over; do the steps."
    return "no step can be taken over here now; . goes to what is next."


def _paper(step: StepState) -> str:
    return (
        f"an authority's answer is entered itself, so {step.step.id} is not taken from paper; Enter opens it."
    )


_WHY: dict[str, Why] = {
    "stop": lambda _: "no check is at work; Enter at a step with one runs it.",
    "lift": lambda _: "no hold stands; F2 calls one.",
    "countersign": lambda _: "no hold waits for whom it was called for; l lifts a hold that stands.",
    "again": _again,
    "seen": _at_step(_decided),
    "no_go": _at_step(_decided),
    "not_applicable": lambda _: TO_A_STEP,
    "witness": _at_step(_witness),
    "waive": _at_step(_waive),
    "begin": _begin,
    "jump": _jump,
    "notice": lambda _: "the flight file has no [airspace], which the sheet is filled in from.",
    "lock": lambda _: "nobody's key is unlocked; u unlocks one.",
    "poll": _gate,
    "authorise": _gate,
    "release": _release,
    "code": lambda _: "no record is sealed yet; z closes and seals it.",
    "correct": lambda _: "nothing was entered yet that could be corrected; do a step first.",
    "paper": _at_step(_paper),
    "take_over": _take_over,
    "scrub": _scrub,
}
