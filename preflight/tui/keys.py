"""Every act with its key, its word in the footer and in the palette, and when it can be done."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from preflight.tui.draw.scene import Scene
from preflight.tui.places import ordinary
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


def _step(scene: Scene) -> StepState | None:
    return scene.view.step(scene.place.name) if scene.place.kind == "step" else None


def _kind(*kinds: str) -> When:
    def when(scene: Scene) -> bool:
        step = _step(scene)
        return _open(scene) and step is not None and step.step.kind in kinds

    return when


def _again(scene: Scene) -> bool:
    step = _step(scene)
    return _open(scene) and step is not None and step.finding is not None and scene.running is None


def _witness(scene: Scene) -> bool:
    step = _step(scene)
    if not _open(scene) or step is None or step.finding is None:
        return False
    return witness_required(step.step, step.finding) and step.finding.witness is None


def _waive(scene: Scene) -> bool:
    step = _step(scene)
    return _open(scene) and step is not None and step.outcome == "no-go" and bool(step.step.waive_by)


def _correct(scene: Scene) -> bool:
    return _acting(scene) and any(act.entry.kind in CORRECTABLE for act in reversed(scene.view.acts))


def _gate(scene: Scene) -> bool:
    state = scene.view.state
    return _open(scene) and state.gate is not None and state.released is None


def _poll(scene: Scene) -> bool:
    gate = scene.view.state.gate
    return _gate(scene) and gate is not None and gate.authorised is None


def _begin(scene: Scene) -> bool:
    if not _open(scene) or scene.place.kind not in ("step", "complete") or scene.view.state.released:
        return False
    phase = scene.view.book.phase_of.get(scene.place.name) or scene.view.book.phases.get(scene.place.name)
    if phase is None or scene.view.state.phases[phase.id].begun:
        return False
    earlier = scene.view.book.earlier(phase.id)
    return any(scene.view.state.phases[each.id].completed is None for each in earlier)


KEYS: tuple[Key, ...] = (
    Key("hold", "f2", "F2", "hold", "Stop the count, from everywhere (also h)", _open),
    Key("stop", "s", "s", "stop", "Stop the check; its line is put back", lambda s: s.running is not None),
    Key("lift", "l", "l", "lift", "Lift a hold that stands", lambda s: _open(s) and bool(s.view.state.holds)),
    Key(
        "countersign",
        "b",
        "b",
        "countersign",
        "Stand to a hold called in your name",
        lambda s: _open(s) and any(act.data.claimed for act in s.view.state.holds),
    ),
    Key("again", "r", "r", "again", "Do the step again: run, measure or ask once more", _again),
    Key("seen", "y", "y", "say what", "Confirm with the response as seen", _kind("confirm")),
    Key("no_go", "n", "n", "no-go", "This step is no-go, and why", _kind("confirm")),
    Key(
        "not_applicable",
        "x",
        "x",
        "not appl.",
        "This step does not apply to this flight, and why",
        lambda s: _open(s) and _step(s) is not None,
    ),
    Key("witness", "w", "w", "witness", "Witness with a reading of your own", _witness),
    Key("waive", "v", "v", "waive", "Accept this no-go within a bound, until a time", _waive),
    Key("poll", "p", "p", "poll", "A station answers go or no-go", _poll),
    Key("authorise", "a", "a", "authorise", "Authorise passing the gate ahead", _poll),
    Key("begin", "g", "g", "begin phase", "Begin this phase out of order", _begin),
    Key(
        "release",
        "f",
        "f",
        "released",
        "The balloon has left",
        lambda s: _open(s) and bool(s.view.book.gates) and s.view.state.released is None,
    ),
    Key("unlock", "u", "u", "unlock", "Unlock somebody's key", _acting),
    Key("lock", "k", "k", "lock", "Lock every key", lambda s: bool(s.view.unlocked)),
    Key("correct", "c", "c", "correct", "An entry no longer counts", _correct),
    Key("power", "o", "o", "power", "The payload's power was cycled", _open),
    Key("replan", "e", "e", "replan", "Change the planned release or another value", _open),
    Key(
        "scrub",
        "d",
        "d",
        "scrub",
        "Give up the attempt for today",
        lambda s: _open(s) and s.view.state.released is None and s.view.state.scrubbed is None,
    ),
    Key(
        "close",
        "z",
        "z",
        "close",
        "Close and seal the record; later: add a seal",
        lambda s: _acting(s) and s.view.record is not None,
    ),
    Key("code", "m", "m", "code", "Show the seal code again", lambda s: s.view.sealed),
    Key("back", "left", "←", "back", "The step before", _always),
    Key("on", "right", "→", "on", "The step after", _always),
    Key("due", "full_stop", ".", "next", "What is next in order", _always),
    Key(
        "jump",
        "j",
        "j",
        "why not go",
        "The next thing that stands between here and go",
        lambda s: s.view.state.gate is not None and bool(s.view.state.gate.reasons),
    ),
    Key("find", "slash", "/", "steps", "Every step: look, search, go there", _always),
    Key("full", "space", "Space", "in full", "This step in full, with everything that was found", _always),
    Key("figures", "i", "i", "figures", "Figures and what runs out first", _always),
    Key("theme", "t", "t", "theme", "Desk, sun, night", _always),
    Key("help", "question_mark", "?", "help", "Every key on one screen", _always),
    Key("leave", "q", "q", "quit", "Quit, after asking; a check at work is stopped", _always),
)

BY_NAME: dict[str, Key] = {key.name: key for key in KEYS}

FIRST = ("hold", "stop", "unlock", "lift", "countersign")
"""Shown first in the footer where they can be done."""


def offered(scene: Scene) -> list[tuple[str, str]]:
    """Keys and words for the footer now: the ordinary act first, then what can be done."""
    pairs = []
    does = ordinary(scene.view.state, scene.place)
    words = {
        "run": "run",
        "sign": "sign",
        "confirm": "confirm",
        "witness": "witness",
        "measure": "measure",
        "defer": "answer",
        "form": "open",
        "complete": "complete",
        "go-on": "go on",
    }
    if not scene.view.looking and does.does in words:
        pairs.append(("1-9 Enter" if does.person else "Enter", words[does.does]))
    able = [key for key in KEYS if key.when(scene)]
    rank = {name: n for n, name in enumerate(FIRST)}
    able.sort(key=lambda key: rank.get(key.name, len(FIRST)))
    return pairs + [(key.shown, key.word) for key in able]
