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

MORE = {"ports": ": preflight ports lists them"}
"""Where the rest of a list is to be seen."""

Looks = Callable[[], list[Item]]


class Nearby(Widget):
    """Serial ports and cards; `flight` says which of them are its own, and which of its own are missing."""

    DEFAULT_CSS = "Nearby { width: 1fr; height: auto; max-height: 34%; border-top: solid $rule; }"

    def __init__(self, flight: Flight | None, folder: Path) -> None:
        super().__init__(id="nearby")
        self._looks: dict[str, Looks] = {
            "ports": lambda: ports_here(flight, folder),
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
        return Content("\n").join(self._lines(max(20, self.size.width), self.size.height))

    def get_content_height(self, container: object, viewport: object, width: int) -> int:
        """Lines that there are to show."""
        return sum(len(lines) for lines in self._groups().values())

    def _lines(self, width: int, height: int) -> list[Content]:
        """As many of each group as there is room for, and how many more there are."""
        groups = self._groups()
        room = shared(height, [len(lines) for lines in groups.values()])
        drawn = []
        for (name, lines), kept in zip(groups.items(), room, strict=True):
            shown = lines[:kept]
            if 0 < kept < len(lines):
                shown[-1] = say(f"+{len(lines) - kept + 1} more{MORE.get(name, '')}", "bold")
            for n, line in enumerate(shown):
                head = Content.styled(f"{name if n == 0 else '':>9}  ", "$quiet")
                drawn.append(fitted(row(head, line), width))
        return drawn

    def _groups(self) -> dict[str, list[Content]]:
        return {name: self._told(name, found) for name, found in self._found.items()}

    @staticmethod
    def _told(name: str, found: list[Item] | str | None) -> list[Content]:
        if found is None:
            return [Content.styled("looking …", "$quiet")]
        if isinstance(found, str):
            return [row("▲ ", say(found, "bold", limit=300))]
        if not found:
            return [Content("no serial port here" if name == "ports" else "no card in a reader here")]
        return [_drawn(item) for item in found]


def shared(height: int, wanted: list[int]) -> list[int]:
    """Lines for each of several lists that want so many, of `height` in all: no list starves another."""
    given = [0] * len(wanted)
    for _ in range(height):
        short = [n for n in range(len(wanted)) if given[n] < wanted[n]]
        if not short:
            break
        given[min(short, key=lambda n: given[n])] += 1
    return given


def _drawn(item: Item) -> Content:
    mark = Content.styled("▲ ", "bold") if item.missing else Content("")
    look = "bold" if item.missing else "$quiet"
    return row(mark, say(item.name, "bold", limit=120), "  ", say(item.about, look, limit=200))
