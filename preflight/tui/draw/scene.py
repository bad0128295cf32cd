"""The one state that every screen renders."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from preflight.readings import Progress
from preflight.tui.places import Place
from preflight.tui.view import Extra, View


@dataclass(frozen=True, slots=True)
class Running:
    """A check at work. `seconds` is how long it has been, `by_itself` true for a computed check's rerun."""

    step_id: str
    title: str
    progress: Progress | None = None
    seconds: float = 0.0
    stopping: bool = False
    by_itself: bool = False


@dataclass(frozen=True, slots=True)
class Notice:
    """Something said to the crew that stays until the next act. `alert` marks what can't be missed."""

    title: str
    text: str
    alert: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What is seen now: the view, where the crew stands in it, who is chosen, what runs, what was said.

    `busy` names work that takes longer than a moment.
    """

    view: View
    extra: Extra
    place: Place
    selected: str | None = None
    running: Running | None = None
    notice: Notice | None = None
    busy: str = ""

    def with_(self, **changes: Any) -> Scene:
        """A copy with some parts changed."""
        return replace(self, **changes)
