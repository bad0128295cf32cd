"""One field of a dialogue: its label, its line to type in, and what is said beside and under it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.suggester import SuggestFromList
from textual.widgets import Input, Static

from preflight.tui.dialogs.typed import Typed
from preflight.tui.draw.text import say
from preflight.tui.forms.form import Field, explain
from preflight.tui.view import View

LABEL = 26
"""Cells that a label has at most; a longer one is wrapped."""

WIDTHS = {"person": 4, "anyone": 4, "number": 12, "choice": 13, "time": 19, "time-near": 19, "time-plan": 19}
"""Cells of a line to type in that has something said beside it."""


def label_width(fields: Sequence[Field]) -> int:
    """Cells of the labels' column: as wide as the widest, within reason."""
    return min(LABEL, max((len(field.label) for field in fields), default=0)) + 1


class Asked(Vertical):
    """A field. `input` is where it is typed."""

    def __init__(self, field: Field, number: int, view: View, label: int) -> None:
        super().__init__(classes="field")
        self.field = field
        self.input = _input(field, f"f{number}")
        self._view = view
        self._label = Static(say(field.label, limit=80), classes="label")
        self._beside = Static("", classes="beside")
        self._under = Static("", classes="under")
        self._label.styles.width = label
        self._under.styles.margin = (0, 0, 0, label)
        width = WIDTHS.get(field.kind)
        if width is None:
            self._beside.display = False
        else:
            self.input.styles.width = width

    def compose(self) -> ComposeResult:
        with Horizontal():
            yield self._label
            yield self.input
            yield self._beside
        if self.field.tells is not None:
            yield self._under

    def explain(self, typed: Mapping[str, str]) -> None:
        """Say what is typed here stands for, and what can be typed."""
        if self.field.kind in WIDTHS:
            self._beside.update(say(explain(self._view, self.field, self.input.value), "$quiet", limit=300))
        if self.field.tells is not None:
            told = self.field.tells(typed)
            self._under.display = bool(told)
            self._under.update(say(told, limit=400))


def _input(field: Field, name: str) -> Input:
    person = field.kind in ("person", "anyone")
    return Typed(
        id=name,
        value=field.initial,
        password=field.kind == "secret",
        compact=True,
        select_on_focus=True,
        max_length=2 if person else 400,
        restrict=r"[0-9]*" if person else None,
        suggester=SuggestFromList(field.suggest) if field.suggest else None,
    )
