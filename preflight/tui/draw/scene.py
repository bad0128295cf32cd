"""The one state that every screen renders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from preflight.readings import Progress
from preflight.tui.places import Place
from preflight.tui.view import Extra, View

About = Literal["", "storage", "hold", "nobody-writes", "step"]
"""What something said is about, so that it can be told when that is over; "" is over with the next act."""


@dataclass(frozen=True, slots=True)
class Running:
    """A check at work.

    `seconds` is how long it has been, `quiet` how long it has told nothing, `by_itself` true for a computed
    check's rerun.
    """

    step_id: str
    title: str
    progress: Progress | None = None
    seconds: float = 0.0
    stopping: bool = False
    by_itself: bool = False
    quiet: float = 0.0


@dataclass(frozen=True, slots=True)
class Kept:
    """The last picture of a check that is over; it stays until the crew leaves its step.

    `outcome` is "" where what the check has found could not be entered.
    """

    step_id: str
    progress: Progress
    outcome: str


@dataclass(frozen=True, slots=True)
class Notice:
    """Something said to the crew that stays until the next act. `alert` marks what can't be missed.

    `step` is the step whose outcome it tells of, where it is `about` one.
    """

    title: str
    text: str
    alert: bool = False
    about: About = ""
    step: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What is seen now: the view, where the crew stands in it, who is chosen, what runs, what was said.

    `busy` names work that takes longer than a moment; `bell` is whether alarms ring; `covered` is whether
    what was found here is kept from view, while a second person reads it for themselves.
    """

    view: View
    extra: Extra
    place: Place
    selected: str | None = None
    running: Running | None = None
    notice: Notice | None = None
    busy: str = ""
    bell: bool = True
    kept: Kept | None = None
    covered: bool = False

    @property
    def live(self) -> Progress | None:
        """What there is to see live at the step that is shown: of the check at work here, or of the last."""
        if self.place.kind != "step":
            return None
        running, kept = self.running, self.kept
        if running is not None and running.step_id == self.place.name:
            progress = running.progress
        else:
            progress = kept.progress if kept is not None and kept.step_id == self.place.name else None
        return progress if progress is not None and (progress.live or progress.readings) else None

    def has(self, changes: Mapping[str, object]) -> bool:
        """Whether these parts are the same already; of what is large, whether it is the very one."""
        return all(
            own is part or (isinstance(part, (str, Place, Notice)) and own == part)
            for own, part in ((getattr(self, name), part) for name, part in changes.items())
        )

    def with_(self, **changes: Any) -> Scene:
        """A copy with some parts changed; the last picture of a check does not outlast its place."""
        if changes.get("place", self.place) != self.place:
            changes.setdefault("kept", None)
        return replace(self, **changes)
