"""A line to type in that shows what is hostile and does not pass it on to the terminal."""

from __future__ import annotations

from rich.text import Text
from textual import events
from textual.widgets import Input

from preflight.clean import MAX_COMBINING, clean

HIDDEN = "\N{REPLACEMENT CHARACTER}"


def shown(value: str) -> str:
    """As many characters as there are: one that a terminal would obey stands as a replacement character."""
    out, marks = [], 0
    for char in value:
        told = clean(char)
        # Each mark by itself is fit to be shown; a stack of them is not.
        marks = marks + 1 if len(told) == 1 and not Text(char).cell_len else 0
        out.append(HIDDEN if len(told) > 1 or marks > MAX_COMBINING else told)
    return "".join(out)


class Typed(Input):
    """What is typed or pasted keeps every character; only how it is drawn is safe.

    Coming here puts the cursor at the end, so that nothing typed is lost by a digit more. With `replaces`,
    what stands here is selected instead: an answer of a key or two, or a number filled in. A `whole` answer,
    a number or a time, is not mended by a character: come back to, refused or not, the first Backspace takes
    all of it (`clears`), and whoever types on, blind, never makes another answer of it.
    """

    replaces = False
    whole = False
    clears = False

    def action_delete_left(self) -> None:
        """Delete a character to the left, or all that was refused."""
        if self.clears and self.selection.is_empty:
            self.value = ""
        else:
            super().action_delete_left()

    def _on_focus(self, event: events.Focus) -> None:
        # The library's own handler follows, and selects.
        self.select_on_focus = self.replaces
        if not event.from_app_focus:
            self.cursor_position = len(self.value)
            self.clears = self.whole and bool(self.value) and not self.replaces

    def _on_blur(self, event: events.Blur) -> None:
        self.clears = False

    @property
    def _value(self) -> Text:
        if self.password:
            return super()._value
        return Text(shown(self.value), no_wrap=True, overflow="ignore", end="")
