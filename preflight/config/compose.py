"""Checklists put together from files: one extends another, steps and phases are inserted and overridden.

What comes out is one plain checklist, as a walk uses and a record pins it; what is wrong in it is told with
the file and line that it came from.
"""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any

from preflight.clean import clean
from preflight.config.checklist import Checklist
from preflight.config.checklist_file import ChecklistFile, Insert
from preflight.config.checklist_rules import check_checklist
from preflight.config.collect import collect
from preflight.config.flight_rules import relative
from preflight.config.found import Enough, Found, instead
from preflight.config.problems import Path, Problem, quoted
from preflight.config.shipped import shipped_file
from preflight.config.source import decode_text, parse_toml, read_bytes

MOST_FILES = 12
_KINDS = ("check", "measure", "defer")
_HEAD_ONLY_HERE = ("extends", "remove")

Origin = tuple[Found, Path]
"""The file a value came from, and its place there."""


def is_composed(raw: Mapping[str, object]) -> bool:
    """Whether these values of a checklist file change or take in another."""
    head = raw.get("checklist")
    keys = head if isinstance(head, dict) else {}
    return "insert" in raw or "override" in raw or any(key in keys for key in _HEAD_ONLY_HERE)


@dataclass(eq=False)
class _Step:
    raw: dict[str, Any]
    origin: Origin
    keys: dict[Path, Origin] = field(default_factory=dict)


@dataclass(eq=False)
class _Phase:
    raw: dict[str, Any]
    origin: Origin
    steps: list[_Step]
    keys: dict[Path, Origin] = field(default_factory=dict)


@dataclass
class Whole:
    """A checklist put together: its head, its phases, and the files that it came from, as bytes by name."""

    head: dict[str, Any]
    head_keys: dict[str, Origin]
    phases: list[_Phase]
    top: Found
    sources: dict[str, bytes]

    def found(self) -> Found:
        """Its values as one file would hold them, every place leading back to the file it came from."""
        origins: dict[Path, Origin] = {(): (self.top, ())}
        origins |= {("checklist", key): origin for key, origin in self.head_keys.items()}
        phases = []
        for i, phase in enumerate(self.phases):
            place: Path = ("phase", i)
            origins[place] = phase.origin
            origins |= {(*place, *key): origin for key, origin in phase.keys.items()}
            steps = []
            for j, step in enumerate(phase.steps):
                here: Path = (*place, "step", j)
                origins[here] = step.origin
                origins |= {(*here, *key): origin for key, origin in step.keys.items()}
                steps.append(step.raw)
            phases.append({**phase.raw, "step": steps})
        return _ComposedFound({"checklist": self.head, "phase": phases}, self.top.where, origins)

    def header(self) -> str:
        """A comment that names the files it came from, with their SHA-256."""
        lines = ["# Put together from these files, the last one's words counting most:"]
        for name, data in self.sources.items():
            lines.append(f"#   {clean(name, limit=100)}  SHA-256 {hashlib.sha256(data).hexdigest()}")
        return "\n".join(lines) + "\n\n"


class _ComposedFound(Found):
    def __init__(self, raw: dict[str, Any], where: str, origins: Mapping[Path, Origin]) -> None:
        super().__init__(raw, where)
        self._origins = origins

    def problem(self, path: Path, message: str, remedy: str) -> Problem:
        for end in range(len(path), -1, -1):
            if path[:end] in self._origins:
                source, place = self._origins[path[:end]]
                return source.problem((*place, *path[end:]), message, remedy)
        return super().problem(path, message, remedy)


def compose(path: FilePath) -> Whole:
    """The checklist at `path` with all that it extends and inserts. Raises `BadFile`."""
    return _read(path, ())


def _read(path: FilePath, chain: tuple[FilePath, ...]) -> Whole:
    data = read_bytes(path)
    where = str(path)
    text = decode_text(data, where)
    found = Found(parse_toml(text, where), where, text)
    if not is_composed(found.raw):
        whole = _plain(found, {path.name: data})
    else:
        whole = _extended(found, path, data, chain)
    # Each file must be right by itself: a team then reads about its own file, or about the one it takes in.
    typed(whole.found())
    return whole


def typed(found: Found) -> Checklist:
    """A whole checklist, typed and checked. Raises `BadFile`."""
    try:
        collect(Checklist, found)
        check_checklist(found)
    except Enough:
        found.close_off()
    return found.finish(Checklist)


def _plain(found: Found, sources: dict[str, bytes]) -> Whole:
    typed(Found(found.raw, found.where, found.text))
    head = copy.deepcopy(found.raw["checklist"])
    keys: dict[str, Origin] = {key: (found, ("checklist", key)) for key in head}
    return Whole(head, keys, _phases(found, found.raw["phase"]), found, sources)


def _phases(found: Found, raw: list[dict[str, Any]]) -> list[_Phase]:
    phases = []
    for i, phase in enumerate(copy.deepcopy(raw)):
        steps = [_Step(step, (found, ("phase", i, "step", j))) for j, step in enumerate(phase.pop("step"))]
        phases.append(_Phase(phase, (found, ("phase", i)), steps))
    return phases


def _extended(found: Found, path: FilePath, data: bytes, chain: tuple[FilePath, ...]) -> Whole:
    try:
        collect(ChecklistFile, found)
    except Enough:
        found.close_off()
    file = found.finish(ChecklistFile)
    chain = (*chain, path.resolve())
    whole = Whole({}, {}, [], found, {})
    base = file.checklist.extends
    if base is not None:
        taken = _other(found, ("checklist", "extends"), base, path, chain)
        whole = Whole(taken.head, taken.head_keys, taken.phases, found, dict(taken.sources))
    for key, value in found.raw["checklist"].items():
        if key not in _HEAD_ONLY_HERE:
            whole.head[key] = copy.deepcopy(value)
            whole.head_keys[key] = (found, ("checklist", key))
    if base is not None and file.checklist.part is None:
        whole.head.pop("part", None)
    _own_phases(whole, found)
    for i, name in enumerate(file.checklist.remove):
        _remove(whole, found, ("checklist", "remove", i), name)
    for i, change in enumerate(found.raw.get("override", ())):
        _override(whole, found, ("override", i), change)
    for i, insert in enumerate(file.insert):
        _insert(whole, found, i, insert, path=path, chain=chain)
    if found.problems:
        found.finish(ChecklistFile)
    whole.sources.pop(path.name, None)
    whole.sources[path.name] = data
    return whole


def _other(found: Found, place: Path, name: str, path: FilePath, chain: tuple[FilePath, ...]) -> Whole:
    relative(found, place, name)
    if found.problems:
        found.finish(ChecklistFile)
    beside = path.parent / name
    # A team's file may have the name of the shipped one that it extends.
    other = beside if beside.exists() and beside.resolve() != path.resolve() else shipped_file(name)
    if other.resolve() in chain or len(chain) >= MOST_FILES:
        found.add(place, f"{quoted(name)} leads back to this file", "break the circle")
    elif not other.exists():
        remedy = "put it beside this file, or name one that is shipped"
        found.add(place, f"there is no file {quoted(name)}", remedy)
    if found.problems:
        found.finish(ChecklistFile)
    return _read(other, chain)


def _own_phases(whole: Whole, found: Found) -> None:
    places = {phase.raw["id"]: i for i, phase in enumerate(whole.phases)}
    for phase in _phases(found, found.raw.get("phase", [])):
        place = places.get(phase.raw["id"])
        if place is None:
            whole.phases.append(phase)
        else:
            whole.phases[place] = phase


def _remove(whole: Whole, found: Found, place: Path, name: str) -> None:
    phase, step = _target(whole, found, place, name)
    gone = {name}
    if step is not None and phase is not None:
        phase.steps.remove(step)
    elif phase is not None:
        whole.phases.remove(phase)
        gone = {str(each.raw["id"]) for each in phase.steps}
    # What is left out is not waited for either.
    for each in (each for phase in whole.phases for each in phase.steps):
        if isinstance(each.raw.get("after"), list):
            each.raw["after"] = [before for before in each.raw["after"] if before not in gone]


def _override(whole: Whole, found: Found, place: Path, change: dict[str, Any]) -> None:
    phase, step = _target(whole, found, (*place, "id"), str(change["id"]))
    if phase is None:
        return
    target: _Step | _Phase = phase if step is None else step
    mine = {"title", "gate", "mode"} if step is None else set(change) - {"title", "gate", "mode"}
    for key, value in change.items():
        if key == "id":
            continue
        if key not in mine:
            noun = "phase" if step is None else "step"
            found.add((*place, key), f"is no key of a {noun}", f"leave it out: {change['id']} is a {noun}")
            continue
        if key in _KINDS:
            for other in _KINDS:
                target.raw.pop(other, None)
        target.raw[key] = copy.deepcopy(value)
        target.keys[key,] = (found, (*place, key))


def _target(whole: Whole, found: Found, place: Path, name: str) -> tuple[_Phase | None, _Step | None]:
    """The phase of that id, or the step of that id with its phase; none of them with the problem noted."""
    phases = [phase for phase in whole.phases if phase.raw["id"] == name]
    steps = [(phase, step) for phase in whole.phases for step in phase.steps if step.raw["id"] == name]
    if phases and steps:
        found.add(place, f"{quoted(name)} is the id of a phase and of a step", "give one another id")
    elif steps:
        return steps[0]
    elif phases:
        return phases[0], None
    else:
        known = {str(phase.raw["id"]) for phase in whole.phases}
        known |= {str(step.raw["id"]) for phase in whole.phases for step in phase.steps}
        found.add(place, f"no step or phase is called {quoted(name)}", instead(name, known))
    return None, None


def _insert(
    whole: Whole, found: Found, i: int, insert: Insert, *, path: FilePath, chain: tuple[FilePath, ...]
) -> None:
    place: Path = ("insert", i)
    if (insert.file is None) == (not insert.step):
        found.add(place, "needs a file or steps of its own, one of the two", "give file, or [[insert.step]]")
        return
    if (insert.before is None) == (insert.after is None):
        found.add(place, "needs a place", "give before or after, with the id of a phase or step")
        return
    side = "before" if insert.before is not None else "after"
    name = insert.before if insert.before is not None else insert.after
    assert name is not None
    phase, step = _target(whole, found, (*place, side), name)
    if phase is None:
        return
    if insert.file is not None:
        other = _other(found, (*place, "file"), insert.file, path, chain)
        whole.sources |= other.sources
        phases = other.phases
        steps = [each for one in phases for each in one.steps]
    else:
        raw = copy.deepcopy(found.raw["insert"][i]["step"])
        steps = [_Step(each, (found, (*place, "step", j))) for j, each in enumerate(raw)]
        phases = []
    for each in steps:
        for key, word in insert.applies_if.items():
            each.raw.setdefault("applies_if", {})[key] = word
            each.keys["applies_if", key] = (found, (*place, "applies_if", key))
    shift = 0 if side == "before" else 1
    if step is not None:
        at = phase.steps.index(step) + shift
        phase.steps[at:at] = steps
    elif phases:
        at = whole.phases.index(phase) + shift
        whole.phases[at:at] = phases
    else:
        remedy = "name the step they go beside"
        found.add((*place, side), f"{quoted(name)} is a phase, and steps go beside steps", remedy)
