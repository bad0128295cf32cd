"""Where a crew can stand in a walk, in order, and what the Enter key does there.

A place is a step, the call that completes a phase, a gate's poll or authorisation, the close, the release.
The rules judge every act again; what is said here only guides the hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from preflight.tui import words
from preflight.walk.book import Book
from preflight.walk.state import Next, NextKind, State, StepState

Does = Literal["run", "sign", "confirm", "witness", "measure", "defer", "form", "complete", "go-on", "none"]


HELD = "A hold stands: l lifts the hold, then every station is asked anew"


@dataclass(frozen=True, slots=True)
class Place:
    """A place of the walk; `name` is the step, phase or gate."""

    kind: NextKind
    name: str = ""


@dataclass(frozen=True, slots=True)
class Ordinary:
    """What Enter does at a place, whether a person must be chosen first, and how the screen says it."""

    does: Does
    person: bool
    says: str


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
    if no_release(state):
        said = "Do not let go. If the balloon has left all the same, Enter enters that: without go"
        return Ordinary("form", False, said)
    return Ordinary("form", False, "Enter enters the release, once the balloon has left")


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
        return Ordinary("run", False, f"Enter runs the check{again}")
    if kind == "measure":
        return Ordinary("measure", False, f"Enter opens the measurement{again}")
    if kind == "defer":
        return Ordinary("defer", False, f"Enter opens the authority's answer{again}")
    return Ordinary("confirm", True, f"Do it, see the response; your number, then Enter: confirm{again}")
