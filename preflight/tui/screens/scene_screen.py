"""What every screen that draws the scene has: panes that follow it, and room for what was said."""

from __future__ import annotations

from typing import Any, ClassVar

from textual.content import Content
from textual.screen import Screen

from preflight.tui.draw.beside import centre_beside, figures_beside
from preflight.tui.draw.call import wanted_lines
from preflight.tui.draw.foot import notice_lines
from preflight.tui.draw.scene import Scene
from preflight.tui.palette import Acts
from preflight.tui.pane import Pane

RUN_OUT = ((21, 7), (15, 2), (0, 1))
"""From how many lines of the screen on what runs out has how many: on a low one they are the step's."""
ROOMY = 99
"""Lines left for what runs out before anything is known of the step."""


class SceneScreen(Screen[None]):
    """A screen of panes, one of them `#notice`, drawn anew with every scene of the application."""

    COMMANDS: ClassVar[Any] = {Acts}

    _seen: Scene | None = None
    _spare: int = ROOMY

    def on_mount(self) -> None:
        self.watch(self.app, "scene", self._show)

    def on_resize(self) -> None:
        """Other room: at once, not with the next scene."""
        self._spare = ROOMY
        self._fit_seen()
        self.call_after_refresh(self._fit_seen)  # the step's lines are other ones at another width

    def _fit_seen(self) -> None:
        """Give room for the scene that is shown now, which may be another than when this was asked for."""
        if self._seen is not None:
            self.fit(self._seen)

    def _show(self, scene: Scene | None) -> None:
        self._seen = scene
        if scene is None:
            return
        notice = self.query_one("#notice", Pane)
        notice.set_class(scene.notice is not None, "-said")
        notice.styles.height = max(1, len(notice_lines(scene.notice, self.size.width)))
        self.fit(scene)
        for pane in self.query(Pane):
            pane.show(scene)

    def middle(self, scene: Scene, width: int, height: int) -> list[Content]:
        """What a screen that has a `#centre` draws there."""
        raise NotImplementedError

    def centre(self, scene: Scene, width: int, height: int) -> list[Content]:
        """The centre; where figures are beside it, with those that have no room there."""
        return centre_beside(scene, self.middle(scene, width, height), width, self._room("#figures"))

    def figures(self, scene: Scene, width: int, height: int) -> list[Content]:
        """The figures' column."""
        centre = self._room("#centre")
        return figures_beside(scene, self.middle(scene, *centre), centre[0], (width, height))

    def _room(self, pane: str) -> tuple[int, int]:
        width, height = self.query_one(pane).size
        return width, height

    def fit(self, scene: Scene) -> None:
        """Give panes the room that this scene needs: lines that no resource needs are the step's.

        Where what decides at a step needs more, the run-out gives way to its governing line.
        """
        figures = scene.extra.figures
        for pane in self.query("#runout").results(Pane):
            most = next(lines for least, lines in RUN_OUT if self.size.height >= least)
            if figures is not None:
                most = min(most, 1 + len(figures.run_out))
            centre = self.query_one("#centre", Pane)
            spare = self._both - wanted_lines(scene, centre.size.width) if centre.size.width else most
            # While a check works its words come and go: what it has taken once it keeps.
            self._spare = spare if scene.running is None else min(spare, self._spare)
            pane.styles.max_height = max(1, min(most, self._spare))

    @property
    def _both(self) -> int:
        """Lines that the step and the run-out have together."""
        beside = ("centre", "steps", "figures", "runout")
        taken = sum(_height(pane) for pane in self.query(Pane) if pane.display and pane.id not in beside)
        return self.size.height - taken - self.query_one("#centre", Pane).styles.padding.height


def _height(pane: Pane) -> int:
    """Lines of a pane that has a height of its own, which the screen may not have given it yet."""
    height = pane.styles.height
    own = height.value if height is not None and height.is_cells else pane.size.height
    return int(own)
