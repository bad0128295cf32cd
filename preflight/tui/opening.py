"""Before a flight is chosen: the flight files here, what is wrong with them, and the demo."""

from __future__ import annotations

import os
from pathlib import Path
from typing import ClassVar, Literal

os.environ.setdefault("ESCDELAY", "400")

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from preflight.config.load import load_flight
from preflight.errors import PreflightError
from preflight.tui import style, theme
from preflight.tui.draw.text import row, say

Choice = Path | Literal["demo"] | None


class OpeningApp(App[Choice]):
    """A list: flight files, then the demo, then nothing."""

    TITLE = "preflight"
    CSS = style.CSS
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "by(-1)", show=False),
        Binding("down", "by(1)", show=False),
        Binding("enter", "go", "open"),
        Binding("t", "next_theme", "theme"),
        Binding("q,ctrl+q,ctrl+c", "leave", "leave", priority=True),
    ]

    def __init__(self, folder: Path, flights: list[Path]) -> None:
        super().__init__()
        self.folder = folder
        self.at = 0
        self._choices: list[tuple[Choice, str, str]] = [_flight(path) for path in flights]
        self._choices.append(
            ("demo", "The demo", "an invented flight on a simulated payload, in preflight-demo/ here")
        )
        self._choices.append((None, "Nothing", "preflight new DIR writes a flight file to start from"))
        for each in theme.THEMES.values():
            self.register_theme(each)
        self.theme = theme.ORDER[0]

    def compose(self) -> ComposeResult:
        yield Static(id="choices")

    def on_mount(self) -> None:
        self._draw()

    def _draw(self) -> None:
        here = say(f" preflight   {self.folder}", "bold", limit=200)
        lines = [here, Content(""), say(" Open", "bold $lead")]
        for n, (_, title, about) in enumerate(self._choices):
            mark, look = ("▶", "bold $lead") if n == self.at else (" ", "bold")
            lines.append(say(f"  {mark} {title}", look, limit=200))
            lines += [row("      ", each) for each in say(about, "$quiet", limit=600).wrap(72)[:4]]
        lines += [Content(""), say(" ↑ ↓ choose   Enter opens   t theme   q leaves", "$quiet")]
        self.query_one("#choices", Static).update(Content("\n").join(lines))

    def action_by(self, lines: int) -> None:
        """Another choice."""
        self.at = max(0, min(len(self._choices) - 1, self.at + lines))
        self._draw()

    def action_go(self) -> None:
        """Open what is chosen."""
        self.exit(self._choices[self.at][0])

    def action_next_theme(self) -> None:
        """Desk, sun, night."""
        self.theme = theme.after(self.theme)

    def action_leave(self) -> None:
        """Leave: nothing is open yet, so nothing is asked."""
        self.exit(None)


def _flight(path: Path) -> tuple[Choice, str, str]:
    try:
        flight = load_flight(path)
    except PreflightError as error:
        return path, path.name, f"has problems: {error}"
    at = flight.flight.release
    return path, f"{flight.flight.name}  ({path.name})", f"release planned {at:%Y-%m-%d %H:%M %Z}"


def choose(folder: Path, flights: list[Path]) -> Choice:
    """Show the list; what was chosen."""
    return OpeningApp(folder, flights).run()
