"""One field of a dialogue: its label, its line to type in, and what is said beside and under it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.suggester import SuggestFromList
from textual.widgets import Static

from preflight.errors import PreflightError
from preflight.tui.dialogs.typed import Typed
from preflight.tui.draw.text import row, say
from preflight.tui.forms.form import Field, explain
from preflight.tui.view import View

LABEL = 26
"""Cells that a label has at most; a longer one is wrapped."""

WIDTHS = {"person": 4, "anyone": 4, "number": 12, "choice": 13, "time": 19, "time-near": 19, "time-plan": 19}
"""Cells of a line to type in that has something said beside it."""

SHORT = ("person", "anyone", "choice")
"""Kinds whose answer is a key or two: another one is typed over it, not behind it."""


def label_width(fields: Sequence[Field]) -> int:
    """Cells of the labels' column: as wide as the widest, within reason."""
    return min(LABEL, max((len(field.label) for field in fields), default=0)) + 1


CLEARS = "Backspace clears it"


class Asked(Vertical):
    """A field. `input` is where it is typed."""

    def __init__(self, field: Field, number: int, view: View, label: int) -> None:
        super().__init__(classes="field")
        self.field = field
        self.input = _input(field, f"f{number}")
        self.input.whole = field.kind == "number" or field.kind.startswith("time")
        self._view = view
        self._refused: PreflightError | None = None
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
        yield self._under

    def explain(self, typed: Mapping[str, str]) -> None:
        """Say what is typed here stands for, and what can be typed."""
        text, refused = self.input.value, self._refused
        if not refused:
            filled_in = self.field.kind != "text" and text == self.field.initial
            self.input.replaces = self.field.kind in SHORT or filled_in
        if self.field.kind in WIDTHS:
            # What is wrong stands under it; beside it then, what can be typed.
            beside = explain(self._view, self.field.beside(typed), "" if refused else text)
            if self.input.clears and self.input.has_focus and not refused:
                beside += f" · {CLEARS}"
            self._beside.update(say(beside, "$quiet", limit=300))
        told = say(self.field.tells(typed), limit=400) if self.field.tells is not None else say("")
        if refused:
            again = f" · {CLEARS}" if self.input.clears and text else ""
            told = row("▪ ", say(f"{refused.title}: ", "bold"), say(f"{refused}{again}", limit=600))
        self._under.display = bool(told.plain)
        self._under.update(told)

    def refuse(self, error: PreflightError | None) -> None:
        """What is typed here is wrong; None takes that back."""
        self._refused, self.input.clears = error, False
        if error is not None:
            self.again()

    def again(self) -> None:
        """What stands here is to be typed anew: the next key replaces an answer of a key or two and a secret.

        Anything longer stays, as where it is come back to: the number of a person, typed on behind it, does
        not take its place.
        """
        if self.field.kind not in (*SHORT, "secret"):
            self.input.replaces, self.input.clears = False, self.input.whole
            self.input.cursor_position = len(self.input.value)
            return
        self.input.replaces = True
        if self.input.has_focus:
            self.input.select_all()


def _input(field: Field, name: str) -> Typed:
    return Typed(
        id=name,
        value=field.initial,
        password=field.kind == "secret",
        compact=True,
        max_length=400,
        suggester=SuggestFromList(field.suggest) if field.suggest else None,
    )
