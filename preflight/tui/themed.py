"""What every application of this tool has: its themes, and the choices that are remembered."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any, Generic, TypeVar

# Both are read when the library is imported. A slow link splits escape sequences; a longer wait keeps an
# arrow key from being read as Escape. And what a key does is drawn at a tick of a clock, up to two ticks
# later; nothing is drawn, or sent, where nothing has changed.
os.environ.setdefault("ESCDELAY", "400")
os.environ.setdefault("TEXTUAL_FPS", "240")

from rich.console import RenderableType
from textual._compositor import CompositorUpdate
from textual.app import App
from textual.filter import LineFilter
from textual.screen import Screen

from preflight.tui import style, theme
from preflight.tui.colourless import TwoTone, knows_no_colour
from preflight.tui.remembered import Memory
from preflight.tui.thrift import Thrifty

R = TypeVar("R")


class ThemedApp(App[R], Generic[R]):
    """An application with the three themes, of which `memory` keeps the one chosen last."""

    TITLE = "preflight"
    CSS = style.CSS

    def __init__(self, memory: Memory | None = None) -> None:
        super().__init__()
        self.memory = memory if memory is not None else Memory(None)
        self.remembered, self.unread = self.memory.recall()
        self.colourless = self.no_color or knows_no_colour()
        self._two_tone = TwoTone()
        self._told_colourless = False
        for each in theme.THEMES.values():
            self.register_theme(each)
        self.theme = self.remembered.theme

    def get_line_filters(self) -> Sequence[LineFilter]:
        """As the library has it; where there is to be no colour, its two-tone rendering."""
        return [self._two_tone] if self.colourless else super().get_line_filters()

    def _display(self, screen: Screen[Any], renderable: RenderableType | None) -> None:
        update = Thrifty(renderable) if isinstance(renderable, CompositorUpdate) else renderable
        super()._display(screen, update)

    def tell(self, title: str, text: str) -> None:
        """Say something to the crew that stays until the next act."""
        raise NotImplementedError

    def next_theme(self) -> None:
        """Desk, sun, night; remembered."""
        self.theme = theme.after(self.theme)
        if not self.colourless:
            self.keep(theme=self.theme)
        elif not self._told_colourless:
            self._told_colourless = True
            self.tell("Theme", "Without colour the themes look alike, and the choice is not remembered.")

    def keep(self, **changes: Any) -> None:
        """Remember a choice, off this thread; why it can't be is told once."""
        self.memory.keep(self._not_kept, **changes)

    def _not_kept(self, why: str) -> None:
        # The thread that writes may end after the screen.
        if self.is_running:
            self.call_later(self.tell, "Not remembered", why)
