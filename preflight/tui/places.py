"""Where a crew can stand in a walk, in order, and what the Enter key does there.

A place is a step, the call that completes a phase, a gate's poll or authorisation, the close, the release.
The rules judge every act again; what is said here only guides the hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from preflight.clean import clean
from preflight.tui import words
from preflight.walk.book import Book
from preflight.walk.state import GateState, Next, NextKind, PhaseState, State, StepState

Does = Literal[
    "run",
    "sign",
    "confirm",
    "say",
    "witness",
    "measure",
    "defer",
    "form",
    "complete",
    "go-on",
    "held",
    "none",
]


HELD = "A hold stands: l lifts the hold, then every station is asked anew"
LEFT = "If it has left all the same: f"
"""The one key of a release off go: Enter never comes to it."""


@dataclass(frozen=True, slots=True)
class Place:
    """A place of the walk; `name` is the step, phase or gate."""

    kind: NextKind
    name: str = ""


@dataclass(frozen=True, slots=True)
class Ordinary:
    """What Enter does at a place, whether a person must be chosen first, and how the screen says it.

    `to` is where it goes on to; None for what is next.
    """

    does: Does
    person: bool
    says: str
    to: Place | None = None


def place_of(due: Next) -> Place:
    """The place that the state says is next."""
    return Place(due.kind, due.name)


def places(book: Book) -> tuple[Place, ...]:
    """Every place of a checklist in the order of the walk."""
    found: list[Place] = []
    order = book.checklist.phase
    for index, phase in enumerate(order):
        found += [Place("step", step.id) for step in phase.step]
        found.append(Place("complete", phase.id))
        later = {each.gate for each in order[index + 1 :]}
        if phase.gate is not None and phase.gate not in later:
            found += [Place("poll", phase.gate), Place("authorise", phase.gate)]
            if phase.gate == book.gates[-1]:
                found += [Place("close"), Place("release")]
    if Place("close") not in found:
        found.append(Place("close"))
    return tuple(found)


def beside(book: Book, place: Place, by: int) -> Place:
    """The place that many places on or back; the first or last at the ends."""
    order = places(book)
    at = order.index(place) if place in order else len(order)
    return order[max(0, min(len(order) - 1, at + by))]


def settled(state: State, place: Place) -> bool:
    """Whether nothing is left to do at a place."""
    if place.kind == "step":
        return state.steps[place.name].satisfied
    if place.kind == "complete":
        return state.phases[place.name].settled
    if place.kind == "poll":
        return state.gates[place.name].all_polled
    if place.kind == "authorise":
        return state.gates[place.name].authorised is not None
    if place.kind == "close":
        return state.closed is not None
    return state.released is not None if place.kind == "release" else True


def ordinary(state: State, place: Place) -> Ordinary:
    """What Enter does at a place now."""
    if place != place_of(state.next) and (said := _not_any_more(state, place)):
        return Ordinary("go-on", False, said)
    if place.kind == "step":
        return _at_step(state, state.steps[place.name])
    if place.kind == "complete":
        return _at_phase(state, place)
    if place.kind == "none":
        return Ordinary("none", False, "Nothing is left to do; q quits")
    if settled(state, place):
        return Ordinary("go-on", False, "Enter goes to what is next")
    if place.kind == "poll":
        return Ordinary("form", False, _polled_next(state, place))
    if place.kind == "authorise":
        if state.holds:
            return Ordinary("form", False, HELD)
        return Ordinary("form", False, f"Enter authorises passing the {place.name} gate (passphrase)")
    if place.kind == "close":
        return Ordinary("form", False, "Enter closes and seals the record (passphrase)")
    return _at_release(state)


def _at_release(state: State) -> Ordinary:
    """The release itself where it is with go; else the way back to go."""
    if not no_release(state):
        return Ordinary("form", False, "Enter enters the release, once the balloon has left")
    if state.holds:
        return Ordinary("held", False, f"{HELD}. {LEFT}")
    to = towards_go(state)
    if to is None:
        said = "Do not let go. F2 holds, and so begins the record in which what stands against go is done"
        return Ordinary("held", False, f"{said}. {LEFT}")
    if to.kind == "poll":
        asked = words.listed(silent(state.gates[to.name]), "and")
        said = f"Enter goes to the poll (p) of {asked}; then a authorises"
    elif to.kind == "authorise":
        said = "Enter goes to the authorisation (a)"
    elif to.kind == "complete":
        said = f"Enter goes to phase {state.phases[to.name].phase.title}, not called complete"
    else:
        said = f"Enter goes to {to.name}" + (f", {state.steps[to.name].outcome}" if to.kind == "step" else "")
    return Ordinary("go-on", False, clean(f"{said}. {LEFT}", limit=300), to)


def towards_go(state: State) -> Place | None:
    """Where a release is brought back to go; None where the closed record bars that."""
    if state.next.kind != "release":
        return place_of(state.next)
    # A closed record says no more than that the release is next; what is missing stands at its gate.
    gate = state.gate
    assert gate is not None
    steps = [Place("step", each.step) for each in gate.reasons if each.step is not None]
    phases = [Place("complete", each.phase) for each in gate.reasons if each.phase is not None]
    first = next(iter((*steps, *phases)), None)
    if first is not None and not _not_any_more(state, first):
        return first
    if not gate.all_polled:
        return Place("poll", gate.gate)
    return Place("authorise", gate.gate) if first is None else None


def silent(gate: GateState) -> list[str]:
    """The stations whose answer that counts is not go."""
    return [name for name, act in gate.polled.items() if act is None or act.data.answer != "go"]


def no_release(state: State) -> str:
    """Why a release now would be without go, "" where it would be with go or there is no gate."""
    gate = next(reversed(list(state.gates.values())), None)
    if gate is None or state.released is not None or (gate.verdict == "go" and gate.authorised is not None):
        return ""
    if state.scrubbed is not None:
        return "the attempt was scrubbed"
    if state.holds:
        return f"hold: {state.holds[0].data.reason}"
    if gate.reasons:
        return gate.reasons[0].text
    return f"the {gate.gate} gate is not authorised"


def _polled_next(state: State, place: Place) -> str:
    """What a poll waits for: the hold that a no-go calls is lifted before anybody is asked again."""
    if state.holds:
        return HELD
    return "Enter asks the next station"


def _not_any_more(state: State, place: Place) -> str:
    """Why nothing is done at a place any more; "" where something is."""
    if state.next.kind == "none":
        return "The walk is over. Enter goes to how it ended"
    if state.scrubbed is not None and state.released is None:
        return "SCRUBBED: nothing is done here any more. Enter goes to close and seal"
    if state.closed is None or place.kind != "step":
        return ""
    # Instruments can't open the record that follows, and a signature is given in its finding's own record.
    step = state.steps[place.name]
    if step.waiting in ("signature", "witness") or (step.step.kind == "check" and not step.satisfied):
        return "The record is closed: nothing is added here. Enter goes to the release"
    return ""


def _at_phase(state: State, place: Place) -> Ordinary:
    phase = state.phases[place.name]
    if phase.completed is not None:
        return Ordinary("go-on", False, "Called complete. Enter goes to what is next")
    if not phase.concerns:
        return Ordinary("go-on", False, "Nothing here applies. Enter goes to what is next")
    if phase.blocking:
        return Ordinary("go-on", False, f"Not complete: {', '.join(phase.blocking)}")
    return Ordinary("complete", True, "Your number, then Enter: call this phase complete")


def too_early(state: State, step: StepState) -> str:
    """The phase that is not called complete, so that nothing but a no-go of this step counts; or ""."""
    if state.released is not None or state.phases[step.phase.id].started:
        return ""
    return next((each.phase.title for each in _earlier(state, step) if not each.settled), "")


def begins(state: State, step: StepState) -> bool:
    """Whether g, which begins a step's phase out of order, is what lets the step count: no gate bars it."""
    barred = {each.phase.gate for each in _earlier(state, step)} - {step.phase.gate}
    passed = all(state.gates[gate].authorised is not None for gate in barred if gate is not None)
    return passed and bool(too_early(state, step))


def _earlier(state: State, step: StepState) -> list[PhaseState]:
    """The phases before a step's own that count for a gate."""
    order = list(state.phases.values())
    before = order[: order.index(state.phases[step.phase.id])]
    return [each for each in before if each.phase.gate is not None]


def _at_step(state: State, step: StepState) -> Ordinary:
    kind = step.step.kind
    if step.waiting == "signature":
        return Ordinary("sign", True, "Your number, then Enter: sign this finding")
    if step.waiting == "witness":
        who = f" ({words.listed(step.step.witness_by)})" if step.step.witness_by else ""
        return Ordinary("witness", True, f"A second person{who}: number, then Enter: witness")
    if step.satisfied:
        return Ordinary("go-on", False, "Done. Enter goes to what is next")
    again = " again" if step.finding is not None else ""
    if kind == "check":
        said = f"Enter runs the check{again}"
        if early := too_early(state, step):
            how = "; g begins this one all the same" if begins(state, step) else ""
            said = clean(f"{said}; only a no-go counts, as {early} is not called complete{how}", limit=200)
        return Ordinary("run", False, said)
    if kind == "measure":
        return Ordinary("measure", False, f"Enter opens the measurement{again}")
    if kind == "defer":
        return Ordinary("defer", False, f"Enter opens the authority's answer{again}")
    if step.step.say:
        return Ordinary("say", False, f"Do it, then Enter: say what was seen{again}")
    return Ordinary("confirm", True, f"Do it, see the response; your number, then Enter: confirm{again}")
