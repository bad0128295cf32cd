"""Every act with its key, its word in the footer and in the palette, and when it can be done."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from preflight.tui.draw.scene import Scene
from preflight.tui.places import no_release, ordinary
from preflight.walk.ledger import CORRECTABLE
from preflight.walk.state import StepState, witness_required

When = Callable[[Scene], bool]


@dataclass(frozen=True, slots=True)
class Key:
    """One act: `name` is what the screen calls it, `key` the key as the terminal names it."""

    name: str
    key: str
    shown: str
    word: str
    help: str
    when: When


def _always(scene: Scene) -> bool:
    return True


def _acting(scene: Scene) -> bool:
    return not scene.view.looking


def _open(scene: Scene) -> bool:
    state = scene.view.state
    return _acting(scene) and (state.closed is None or state.next.kind != "none")


def _counting(scene: Scene) -> bool:
    """Whether steps, polls and gates are still entered: not once the attempt was scrubbed."""
    return _open(scene) and not scene.view.given_up


def _in_record(scene: Scene) -> bool:
    """As `_counting`, for what goes into the record at hand alone: not once that is closed."""
    return _counting(scene) and scene.view.state.closed is None


def _step(scene: Scene) -> StepState | None:
    return scene.view.step(scene.place.name) if scene.place.kind == "step" else None


def _kind(*kinds: str) -> When:
    def when(scene: Scene) -> bool:
        step = _step(scene)
        return _counting(scene) and step is not None and step.step.kind in kinds

    return when


def _again(scene: Scene) -> bool:
    step = _step(scene)
    if step is None or step.finding is None or scene.running is not None:
        return False
    # An instrument can't open the record that follows a closed one.
    return _in_record(scene) if step.step.kind == "check" else _counting(scene)


def _witness(scene: Scene) -> bool:
    step = _step(scene)
    if not _in_record(scene) or step is None or step.finding is None:
        return False
    return witness_required(step.step, step.finding) and step.finding.witness is None


def _waive(scene: Scene) -> bool:
    step = _step(scene)
    return _in_record(scene) and step is not None and step.outcome == "no-go" and bool(step.step.waive_by)


def _correct(scene: Scene) -> bool:
    return _open(scene) and any(act.entry.kind in CORRECTABLE for act in reversed(scene.view.acts))


def _gate(scene: Scene) -> bool:
    state = scene.view.state
    return _counting(scene) and state.gate is not None and state.released is None


def _poll(scene: Scene) -> bool:
    gate = scene.view.state.gate
    return _gate(scene) and gate is not None and gate.authorised is None


def _begin(scene: Scene) -> bool:
    if not _counting(scene) or scene.place.kind not in ("step", "complete") or scene.view.state.released:
        return False
    phase = scene.view.book.phase_of.get(scene.place.name) or scene.view.book.phases.get(scene.place.name)
    if phase is None or scene.view.state.phases[phase.id].started:
        return False
    earlier = scene.view.book.earlier(phase.id)
    return not all(scene.view.state.phases[each.id].settled for each in earlier)


def _near_gate(scene: Scene) -> bool:
    """At a gate, or at a release that is to be brought back to go."""
    return scene.place.kind in ("poll", "authorise") or (scene.place.kind == "release" and _off_go(scene))


def _off_go(scene: Scene) -> bool:
    return bool(no_release(scene.view.state))


def _near_end(scene: Scene) -> bool:
    return scene.place.kind in ("close", "release", "none")


def _holding(scene: Scene) -> bool:
    return _open(scene) and bool(scene.view.state.holds)


def _claimed(scene: Scene) -> bool:
    return _in_record(scene) and any(act.data.claimed for act in scene.view.state.holds)


def _paper(scene: Scene) -> bool:
    step = _step(scene)
    return _counting(scene) and step is not None and step.step.defer is None


def _take_over(scene: Scene) -> bool:
    return _in_record(scene) and bool(scene.view.takeable)


def _any_step(scene: Scene) -> bool:
    return _counting(scene) and _step(scene) is not None


def _release(scene: Scene) -> bool:
    return _open(scene) and bool(scene.view.book.gates) and scene.view.state.released is None


def _scrub(scene: Scene) -> bool:
    state = scene.view.state
    return _open(scene) and state.released is None and state.scrubbed is None


def _close(scene: Scene) -> bool:
    return _acting(scene) and scene.view.record is not None


def _reasons(scene: Scene) -> bool:
    gate = scene.view.state.gate
    return gate is not None and not scene.view.given_up and (bool(gate.reasons) or gate.authorised is None)


def _airspace(scene: Scene) -> bool:
    return scene.view.flight.airspace is not None


def _unlocked(scene: Scene) -> bool:
    return bool(scene.view.unlocked)


def _running(scene: Scene) -> bool:
    return scene.running is not None


def _sealed(scene: Scene) -> bool:
    return scene.view.sealed


KEYS: tuple[Key, ...] = (
    Key("hold", "f2", "F2", "hold", "Hold, from everywhere (also h)", _open),
    Key("stop", "s", "s", "stop", "Stop the check", _running),
    Key("lift", "l", "l", "lift", "Lift a hold", _holding),
    Key("countersign", "b", "b", "countersign", "Stand to a hold in your name", _claimed),
    Key("again", "r", "r", "again", "Do the step once more", _again),
    Key("seen", "y", "y", "say what", "Confirm with what was seen", _kind("confirm")),
    Key("no_go", "n", "n", "no-go", "This step is no-go", _kind("confirm")),
    Key("not_applicable", "x", "x", "not appl.", "This step does not apply", _any_step),
    Key("witness", "w", "w", "witness", "Witness, with your own reading", _witness),
    Key("waive", "v", "v", "waive", "Accept a no-go within a bound", _waive),
    Key("begin", "g", "g", "begin phase", "Begin a phase out of order", _begin),
    Key("jump", "j", "j", "next not go", "To what is next against go", _reasons),
    Key("find", "slash", "/", "steps", "All steps: search, go there", _always),
    Key("due", "full_stop", ".", "next", "What is next in order", _always),
    Key("back", "left", "←", "back", "The step before", _always),
    Key("on", "right", "→", "on", "The step after", _always),
    Key("full", "space", "Space", "in full", "In full; a check as it works", _always),
    Key("figures", "i", "i", "figures", "Figures and run-out", _always),
    Key("notice", "0", "0", "notice", "Notification sheet to read out", _airspace),
    Key("unlock", "u", "u", "unlock", "Unlock somebody's key", _acting),
    Key("lock", "k", "k", "lock", "Lock every key", _unlocked),
    Key("poll", "p", "p", "poll", "A station answers", _poll),
    Key("authorise", "a", "a", "authorise", "Authorise the gate ahead", _poll),
    Key("release", "f", "f", "released", "The balloon has left", _release),
    Key("close", "z", "z", "close", "Close and seal; add a seal", _close),
    Key("code", "m", "m", "code", "The seal code again", _sealed),
    Key("correct", "c", "c", "correct", "An entry no longer counts", _correct),
    Key("paper", "f3", "F3", "paper", "Done on the printed list", _paper),
    Key("take_over", "f4", "F4", "take over", "From a scrubbed attempt", _take_over),
    Key("mirror", "f5", "F5", "2nd copy", "Catch up, or another folder", _close),
    Key("power", "o", "o", "power", "The power was cycled", _open),
    Key("replan", "e", "e", "replan", "Change release time or a value", _counting),
    Key("scrub", "d", "d", "scrub", "Give up for today", _scrub),
    Key("theme", "t", "t", "theme", "Desk, sun, night", _always),
    Key("bell", "exclamation_mark", "!", "bell", "Whether alarms ring", _always),
    Key("help", "question_mark", "?", "help", "Every key on one screen", _always),
    Key("leave", "q", "q", "quit", "Quit, after asking", _always),
)

BY_NAME: dict[str, Key] = {key.name: key for key in KEYS}

_WORDS = {
    "run": "run",
    "sign": "sign",
    "confirm": "confirm",
    "say": "say what",
    "witness": "witness",
    "measure": "measure",
    "defer": "answer",
    "form": "open",
    "complete": "complete",
    "go-on": "go on",
}


def offered(scene: Scene) -> list[tuple[str, str]]:
    """Keys and words for the footer now: the ordinary act first, then what matters most here."""
    pairs = []
    does = ordinary(scene.view.state, scene.place)
    at_work = scene.running is not None and not scene.running.by_itself
    if not scene.view.looking and not at_work and does.does in _WORDS:
        pairs.append(("1-9 Enter" if does.person else "Enter", _WORDS[does.does]))
    first = ["hold", "stop"]
    if scene.place.kind == "step" and scene.place.name in scene.view.takeable:
        first.append("take_over")
    if scene.view.record is not None and scene.view.record.mirror_behind is not None:
        first.append("mirror")
    if not scene.view.unlocked:
        first.append("unlock")
    if _near_gate(scene):
        first += ["poll", "authorise"]
    if _near_end(scene):
        first += ["close", "release", "code"]
        if scene.view.state.closed is not None:
            first += ["scrub", "mirror"]
    able = [key for key in KEYS if key.when(scene)]
    able.sort(key=lambda key: first.index(key.name) if key.name in first else len(first))
    return pairs + [(key.shown, _word(key, scene)) for key in able]


def _word(key: Key, scene: Scene) -> str:
    if key.name == "release" and _off_go(scene):
        return "left without go"
    return "add seal" if key.name == "close" and scene.view.state.closed is not None else key.word
