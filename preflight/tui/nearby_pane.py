"""Ports and cards on a screen, looked for on a thread of its own and shown as they come."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from textual.app import App, RenderResult
from textual.content import Content
from textual.widget import Widget

from preflight.config.flight import Flight
from preflight.errors import PreflightError
from preflight.tui.draw.text import fitted, row, say
from preflight.tui.nearby import Item, cards_here, ports_here

Looks = Callable[[], list[Item]]


class Nearby(Widget):
    """Serial ports and cards; `flight` says which of them are its own, and which of its own are missing."""

    DEFAULT_CSS = "Nearby { width: 1fr; height: auto; max-height: 8; border-top: solid $rule; }"

    def __init__(self, flight: Flight | None, folder: Path) -> None:
        super().__init__(id="nearby")
        self._looks: dict[str, Looks] = {
            "ports": lambda: ports_here(flight),
            "cards": lambda: cards_here(flight, folder),
        }
        self._found: dict[str, list[Item] | str | None] = {}
        self._round = 0

    def on_mount(self) -> None:
        self.look()

    def look(self) -> None:
        """Look anew; what an earlier look still brings is dropped."""
        self._round += 1
        self._found = dict.fromkeys(self._looks)
        for name, look in self._looks.items():
            work = threading.Thread(
                target=self._look,
                args=(self.app, self._round, name, look),
                name=f"nearby {name}",
                daemon=True,
            )
            work.start()
        self.refresh(layout=True)

    def _look(self, app: App[Any], number: int, name: str, look: Looks) -> None:
        # On a thread, which may outlast this widget and the screen.
        found: list[Item] | str
        try:
            found = look()
        except PreflightError as error:
            found = str(error)
        except Exception as error:  # noqa: BLE001 - a driver's surprise must not end the screen
            found = f"they can't be listed ({type(error).__name__})"
        if app.is_running:
            app.call_later(self._came, number, name, found)

    def _came(self, number: int, name: str, found: list[Item] | str) -> None:
        if number == self._round and self.is_attached:
            self._found[name] = found
            self.refresh(layout=True)

    @property
    def settled(self) -> bool:
        """Whether everything was looked at."""
        return all(found is not None for found in self._found.values())

    def render(self) -> RenderResult:
        return Content("\n").join(self._lines(max(20, self.size.width)))

    def get_content_height(self, container: object, viewport: object, width: int) -> int:
        """Lines that there are to show."""
        return len(self._lines(max(20, width)))

    def _lines(self, width: int) -> list[Content]:
        lines = []
        for name, found in self._found.items():
            head = f"{name:>9}  "
            if found is None:
                lines.append(row(Content.styled(head, "$quiet"), Content.styled("looking …", "$quiet")))
            elif isinstance(found, str):
                lines.append(row(Content.styled(head, "$quiet"), "▲ ", say(found, "bold", limit=300)))
            elif not found:
                none = "no serial port here" if name == "ports" else "no card in a reader here"
                lines.append(row(Content.styled(head, "$quiet"), none))
            else:
                lines += [
                    row(Content.styled(head if n == 0 else " " * len(head), "$quiet"), _drawn(item))
                    for n, item in enumerate(found)
                ]
        return [fitted(line, width) for line in lines]


def _drawn(item: Item) -> Content:
    mark = Content.styled("▲ ", "bold") if item.missing else Content("")
    look = "bold" if item.missing else "$quiet"
    return row(mark, say(item.name, "bold", limit=120), "  ", say(item.about, look, limit=200))
