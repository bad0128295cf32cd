"""Dialogues that tell, ask for yes or no, or show a page of text."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from preflight.tui.draw.text import badge, row, say
from preflight.tui.marks import ALERT
from preflight.tui.style import BROAD


class Tell(ModalScreen[None]):
    """Something that must be seen before going on."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter,escape", "leave", "go on")]

    def __init__(self, title: str, text: str, *, alert: bool = False) -> None:
        super().__init__()
        self._title, self._text, self._alert = title, text, alert

    def compose(self) -> ComposeResult:
        with Vertical(id="dialogue", classes="alert" if self._alert else ""):
            head = say(self._title, "bold", limit=120)
            yield Static(row(badge(ALERT), "  ", head) if self._alert else head, id="title")
            with VerticalScroll(id="about"):
                for line in self._text.splitlines() or [""]:
                    yield Static(say(line, limit=1000))
            yield Static(keys_line(("Enter", "go on")), id="foot")

    def action_leave(self) -> None:
        self.dismiss(None)


class Sure(ModalScreen[bool]):
    """Yes or no: a letter chooses, Enter does it, so that no single key does."""

    HORIZONTAL_BREAKPOINTS = BROAD
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "choose(True)", "yes"),
        Binding("n", "choose(False)", "no"),
        Binding("enter", "done", "do it"),
        Binding("escape", "leave", "leave"),
    ]

    quits = True
    """What is asked here is whether to quit: another quit key asks it no second time."""

    def __init__(self, title: str, text: str) -> None:
        super().__init__()
        self._title, self._text = title, text
        self._yes: bool | None = None

    def compose(self) -> ComposeResult:
        with Vertical(id="dialogue"):
            yield Static(say(self._title, "bold $lead", limit=120), id="title")
            yield Static(say(self._text, limit=1000), id="about")
            yield Static("", id="said")
            yield Static(keys_line(("y", "yes"), ("n", "no"), ("Enter", "does what is chosen")), id="foot")

    def action_choose(self, yes: bool) -> None:
        self._yes = yes
        text = "yes — Enter does it" if yes else "no — Enter goes back"
        self.query_one("#said", Static).update(say(f"chosen: {text}", "bold"))

    def action_done(self) -> None:
        if self._yes is not None:
            self.dismiss(self._yes)
        else:
            self.query_one("#said", Static).update(say("y or n first, then Enter", "bold"))

    def action_leave(self) -> None:
        self.dismiss(False)


class Page(ModalScreen[None]):
    """A page of lines to read, scrolled where it does not fit."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,q", "leave", "back"),
        Binding("down", "by(1)", show=False),
        Binding("up", "by(-1)", show=False),
        Binding("pagedown,space", "by(15)", show=False),
        Binding("pageup", "by(-15)", show=False),
    ]

    def __init__(self, title: str, lines: list[Content]) -> None:
        super().__init__()
        self._title, self._lines = title, lines

    def compose(self) -> ComposeResult:
        with Vertical(id="page"):
            yield Static(say(self._title, "bold $lead", limit=120), id="title")
            with VerticalScroll(id="text", can_focus=False):
                yield Static(Content("\n").join(self._lines))
            yield Static(keys_line(("Esc", "back"), ("↑ ↓", "scroll")), id="foot")

    def action_by(self, lines: int) -> None:
        self.query_one("#text", VerticalScroll).scroll_relative(y=lines, animate=False)

    def action_leave(self) -> None:
        self.dismiss(None)


def keys_line(*pairs: tuple[str, str]) -> Content:
    """Keys and what they do, for the foot of a dialogue."""
    parts: list[Content | str] = []
    for key, word in pairs:
        parts += [Content.styled(key, "bold $lead"), f" {word}   "]
    return row(*parts)
