"""What stands while everything else is loaded: what is opened, and for how long that has been."""

from __future__ import annotations

from time import monotonic

from textual.content import Content
from textual.widgets import Static

from preflight.tui.draw.text import row, say


class Loading(Static):
    """One line that answers at once."""

    def __init__(self, what: str) -> None:
        """`what` is being done; a file's name may be in it."""
        super().__init__()
        self._what = what
        self._began = monotonic()

    def on_mount(self) -> None:
        self._say()
        self.set_interval(0.5, self._say)

    def _say(self) -> None:
        spent = f"{monotonic() - self._began:.0f} s"
        head = say(f" {self._what} …", "bold $lead", limit=200)
        self.update(row(head, f"  {spent}   ", Content.styled("Ctrl+Q", "bold $lead"), " leaves"))
