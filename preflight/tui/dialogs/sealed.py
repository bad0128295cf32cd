"""The seal code, large and as a QR code."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from preflight.tui.dialogs.glyphs import groups, large, qr
from preflight.tui.draw.text import badge, row, say
from preflight.tui.marks import DRILL
from preflight.tui.session import Seal
from preflight.tui.style import BROAD


class Sealed(ModalScreen[None]):
    """Shown once a record is sealed; stays until Enter."""

    HORIZONTAL_BREAKPOINTS = BROAD
    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter,escape", "leave", "go on")]

    def __init__(self, seal: Seal, *, drill: bool, ahead: bool) -> None:
        """`ahead` is whether the release is still to come."""
        super().__init__()
        self.seal = seal
        self._drill = drill
        self._by = " before release" if ahead else ""

    def compose(self) -> ComposeResult:
        four = groups(self.seal.code)
        with Vertical(id="sealed"):
            head = say(f"Sealed: {self.seal.rec}", "bold $lead", limit=120)
            yield Static(row(badge(DRILL), " ", head) if self._drill else head, id="title")
            with Horizontal(id="code"):
                yield Static(Content.styled("\n".join(self._large(four)), "bold"), id="large")
                yield Static(Content("\n".join(qr(self.seal.code))), id="qr")
            yield Static(row(say("seal code ", "$quiet"), say(" ".join(four), "bold $lead")))
            yield Static(say(f"Read it out, write it down or photograph it{self._by}.", "$quiet"))
            yield Static(row(Content.styled("Enter", "bold $lead"), " goes on;  m shows it again"), id="foot")

    @staticmethod
    def _large(four: list[str]) -> list[str]:
        return [line for group in four for line in large(group)]

    def action_leave(self) -> None:
        self.dismiss(None)
