"""The line of phases: where the crew stands, how far each phase is, where the gates are."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass

from textual.content import Content

from preflight.clean import clean
from preflight.tui.draw.head import phase_here, phase_mark
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import fitted, row, say
from preflight.tui.marks import PHASES, Mark
from preflight.tui.view import View
from preflight.walk.state import GateState


@dataclass(slots=True)
class Shown:
    """One phase on the line, and how much of it is shown so far.

    Its mark always is. `short` is its name in a word that no other phase has. `post` is the gate after it, ""
    where there is none; `named` says whether by its name.
    """

    title: str
    count: str
    mark: Mark
    post: str = ""
    short: str = ""
    text: str = ""
    counted: bool = False
    named: bool = False

    @property
    def cells(self) -> int:
        """Cells that it takes, with the blank before the next one."""
        blank = 1 if self.text and self.counted else 0
        count = len(self.count) if self.counted else 0
        post = len(self.post) + 1 if self.named else 2 if self.post else 0
        return 2 + say(self.text).cell_length + blank + count + post

    @property
    def passed(self) -> bool:
        return self.mark is PHASES["passed"]


def arrange(phases: list[Shown], at: int, width: int) -> None:
    """Show as much of the phases as `width` takes, the crew's own (number `at`) and what is near it first.

    Names are whole, or the short ones; only the crew's own is cut where there is no room for it at all.
    """

    def room() -> int:
        return width - 1 - sum(each.cells for each in phases)

    def grow(phase: Shown, **more: object) -> bool:
        before = {key: getattr(phase, key) for key in more}
        for key, value in more.items():
            setattr(phase, key, value)
        if room() >= 0:
            return True
        for key, value in before.items():
            setattr(phase, key, value)
        return False

    for phase, short in zip(phases, short_names([phase.title for phase in phases]), strict=True):
        phase.short = short
    own = phases[at]
    grow(own, counted=True)
    if not grow(own, text=own.title):
        left = room() - 1  # a blank stands between name and count
        own.text = say(own.title).truncate(left, ellipsis=True).plain if left >= 3 else ""
    near = list(_nearest(phases, at))
    for phase in near:
        if phase.passed:
            _ = grow(phase, text=phase.title) or grow(phase, text=phase.short)
    if near:
        grow(near[0], text=near[0].text or near[0].short, counted=True)
    for phase in near:
        grow(phase, counted=True)
    for phase in near[:2]:
        _ = grow(phase, text=phase.title) or phase.text or grow(phase, text=phase.short)
    for phase in sorted(phases[at:], key=lambda each: not each.post)[:1]:
        if phase.post:
            grow(phase, named=True)
    for phase in near[2:]:
        _ = phase.text or grow(phase, text=phase.short)
    for phase in phases:
        if phase.post:
            grow(phase, named=True)
    for phase in near[2:]:
        grow(phase, text=phase.title)


SHORT = 12
"""Cells that the rest of a title may take where its beginning is shared."""


def short_names(titles: list[str]) -> list[str]:
    """A short name for each title, no two alike: its first word, or that behind the words it shares."""
    parts = [re.split(r"[\s:]+", title.strip()) for title in titles]
    names = [each[0] for each in parts]
    for n, own in enumerate(parts):
        alike = [other for other in parts[:n] + parts[n + 1 :] if other[0] == own[0]]
        shared = max((_shared(own, other) for other in alike), default=0)
        rest = " ".join(own[shared:])
        names[n] = (rest if len(rest) <= SHORT else own[shared]) or own[0]
    told = [name if names.count(name) == 1 else f"{n} {name}" for n, name in enumerate(names, start=1)]
    return told if len(set(told)) == len(told) else [f"{n} {name}" for n, name in enumerate(names, start=1)]


def _shared(one: list[str], other: list[str]) -> int:
    """How many words two titles begin with alike."""
    return sum(1 for _ in itertools.takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False)))


def _nearest(phases: list[Shown], at: int) -> Iterator[Shown]:
    """The others, from those beside the crew's own outwards, what is ahead before what is behind."""
    for distance in range(1, len(phases)):
        for n in (at + distance, at - distance):
            if 0 <= n < len(phases):
                yield phases[n]


def phases_line(scene: Scene, width: int) -> Content:
    """Every phase with its mark, as far as there is room with its count and title; posts where gates are."""
    view = scene.view
    here = phase_here(scene)
    states = list(view.state.phases.values())
    ends = _gate_ends(view)
    posts = {phase: _gate_text(view, view.state.gates[gate]) for phase, gate in ends.items()}
    shown = [
        Shown(
            clean(state.phase.title, limit=60),
            state.count,
            phase_mark(view, state),
            posts.get(state.phase.id, ""),
        )
        for state in states
    ]
    names = [state.phase.id for state in states]
    if shown:
        arrange(shown, names.index(here) if here is not None else _at_gate(scene, names, ends), width)
    parts: list[Content | str] = [" "]
    for name, phase in zip(names, shown, strict=True):
        plain = "bold $ink" if name == here else phase.mark.style
        look = "bold underline" if name == here and not phase.passed else plain
        count = phase.count if phase.counted else ""
        post = f" {phase.post}" if phase.named else " ┃" if phase.post else ""
        parts += [
            Content.styled(phase.mark.shape, plain),
            Content.styled(phase.text, look),
            Content.styled(f" {count}" if phase.text and count else count, plain),
            Content.styled(post, "bold"),
            " ",
        ]
    return fitted(row(*parts), width)


def _at_gate(scene: Scene, names: list[str], ends: dict[str, str]) -> int:
    """The last phase before the gate, close or release that is shown."""
    gates = [phase for phase, gate in ends.items() if gate == scene.place.name or not scene.place.name]
    return names.index(gates[-1]) if gates else len(names) - 1


def _gate_ends(view: View) -> dict[str, str]:
    """The last phase of each gate."""
    ends = {phase.gate: phase.id for phase in view.book.checklist.phase if phase.gate is not None}
    return {phase: gate for gate, phase in ends.items()}


def _gate_text(view: View, gate: GateState) -> str:
    """A gate with how far it is: nobody is told that it was passed while the balloon is in the hand."""
    if gate.authorised is None:
        return f"╟{gate.gate}╢"
    return f"╟{gate.gate} {'authorised' if view.state.released is None else 'passed'}╢"
