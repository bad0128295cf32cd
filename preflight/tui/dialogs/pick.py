"""A list to choose a place from: every step with its outcome, narrowed by typing."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from preflight.tui.dialogs.tell import keys_line
from preflight.tui.dialogs.typed import Typed
from preflight.tui.draw.lists import place_title
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import fitted, row, say
from preflight.tui.marks import OUTCOMES
from preflight.tui.places import Place, places, settled

NAMES = 26
"""Cells for the steps' names at most."""


class Pick(ModalScreen[Place | None]):
    """Choose a step or a call; going there does nothing to it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "leave"),
        Binding("down", "by(1)", show=False, priority=True),
        Binding("up", "by(-1)", show=False, priority=True),
        Binding("pagedown", "by(10)", show=False, priority=True),
        Binding("pageup", "by(-10)", show=False, priority=True),
    ]

    def __init__(self, scene: Scene) -> None:
        super().__init__()
        self._scene = scene
        self._shown: list[Place] = []

    def compose(self) -> ComposeResult:
        with Vertical(id="page"):
            yield Static(say("Go to", "bold $lead"), id="title")
            yield Typed(placeholder="type to narrow", compact=True)
            yield OptionList(markup=False)
            yield Static(keys_line(("Enter", "goes there"), ("Esc", "back"), ("↑ ↓", "choose")), id="foot")

    def on_mount(self) -> None:
        self.query_one(OptionList).can_focus = False
        self.query_one(Input).focus()
        self._fill("")

    def on_input_changed(self, event: Input.Changed) -> None:
        self._fill(event.value)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        at = self.query_one(OptionList).highlighted
        if self._shown:
            self.dismiss(self._shown[at or 0])

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        self.dismiss(self._shown[event.option_index])

    def action_by(self, lines: int) -> None:
        options = self.query_one(OptionList)
        if self._shown:
            at = (options.highlighted or 0) + lines
            options.highlighted = max(0, min(len(self._shown) - 1, at))

    def action_leave(self) -> None:
        self.dismiss(None)

    def _fill(self, wanted: str) -> None:
        book = self._scene.view.book
        words = wanted.lower().split()
        found = [
            place for place in places(book) if all(word in _searched(self._scene, place) for word in words)
        ]
        # What is called so comes before what only speaks of it.
        self._shown = sorted(found, key=lambda place: -sum(word in _called(place) for word in words))
        options = self.query_one(OptionList)
        options.clear_options()
        width = max(40, min(98, self.size.width - 2) - 6)
        options.add_options([Option(line) for line in _lines(self._scene, self._shown, width)])
        if not self._shown:
            said = (
                f"No step or call has “{wanted}” in it. Take letters back, or Esc; Ctrl+P searches the acts."
            )
            options.add_options([Option(line, disabled=True) for line in say(said, limit=300).wrap(width)])
        else:
            here = self._scene.place
            options.highlighted = self._shown.index(here) if here in self._shown and not words else 0
            # The list has no height yet while it opens, and where there is none nothing is scrolled.
            self.call_after_refresh(options.scroll_to_highlight)


def _called(place: Place) -> str:
    return (place.name if place.kind == "step" else place_title(place)).lower()


def _searched(scene: Scene, place: Place) -> str:
    if place.kind != "step":
        return f"{place.kind} {place.name} {place_title(place)}".lower()
    step = scene.view.step(place.name)
    outcome = OUTCOMES[step.outcome].word
    return f"{place.name} {step.step.challenge} {step.step.response} {step.phase.title} {outcome}".lower()


def _lines(scene: Scene, shown: list[Place], width: int) -> list[Content]:
    """Outcome, step and challenge in columns as wide as what stands in them."""
    steps = [scene.view.step(place.name) for place in shown if place.kind == "step"]
    of_mark = max((len(OUTCOMES[step.outcome].text) for step in steps), default=6) + 2
    of_name = min(NAMES, max((len(step.step.id) for step in steps), default=0)) + 2

    def line(place: Place) -> Content:
        if place.kind != "step":
            title = place_title(place)
            if place.kind == "complete":
                title = f"{title}: {scene.view.book.phases[place.name].title}"
            mark = "● done" if settled(scene.view.state, place) else "· to do"
            return say(f" {mark:{of_mark}}{title}", "$quiet")
        step = scene.view.step(place.name)
        return row(
            fitted(say(f" {OUTCOMES[step.outcome].text}"), of_mark + 1),
            fitted(say(place.name, "bold").truncate(of_name - 1, ellipsis=True), of_name),
            "" if step.step.required else say("optional: ", "$quiet"),
            say(step.step.challenge, limit=200),
        )

    return [line(place).truncate(width, ellipsis=True) for place in shown]
