"""The walk: one step in the middle, everything that decides the flight around it."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.content import Content

from preflight.tui.draw.call import centre_lines
from preflight.tui.draw.foot import key_lines, notice_lines
from preflight.tui.draw.head import people_line, times_line, title_line
from preflight.tui.draw.lists import step_lines
from preflight.tui.draw.phases import phases_line
from preflight.tui.draw.runout import run_out_lines
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import more_line
from preflight.tui.draw.verdict import verdict_line
from preflight.tui.keys import KEYS
from preflight.tui.pane import Pane
from preflight.tui.screens.scene_screen import SceneScreen
from preflight.tui.style import COLUMNS

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp


LEAST_LISTED = 5
"""Lines of the list of steps from which what is beyond them is told on it."""


def steps_around(scene: Scene, width: int, height: int) -> list[Content]:
    """As many places of the walk as fit, the one shown among them."""
    lines, here = step_lines(scene, width)
    start = max(0, min(len(lines) - height, here - height // 2))
    shown = lines[start : start + height]
    below = len(lines) - start - height
    if height >= LEAST_LISTED and start:
        shown[0] = more_line(f"{start + 1} above: / goes to any", width, "▲")
    if height >= LEAST_LISTED and below > 0:
        shown[-1] = more_line(f"{below + 1} below: / goes to any", width)
    return shown


class WalkScreen(SceneScreen):
    """Renders the scene; every key goes to the conductor."""

    HORIZONTAL_BREAKPOINTS = COLUMNS
    VERTICAL_BREAKPOINTS = [(0, "-short"), (32, "-tall")]  # noqa: RUF012 - as the library has it
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "ordinary", "the step's own act"),
        Binding("escape", "let_go", "let go of who is chosen"),
        Binding("h", "act('hold')", "hold"),
        Binding("up", "act('back')", show=False),
        Binding("down", "act('on')", show=False),
        *[Binding(str(n), f"choose({n})", show=False) for n in range(1, 10)],
        *[Binding(key.key, f"act('{key.name}')", key.word) for key in KEYS if key.key != "f2"],
    ]

    def middle(self, scene: Scene, width: int, height: int) -> list[Content]:
        """The step or call shown."""
        return centre_lines(scene, width, height)

    def compose(self) -> ComposeResult:
        yield Pane(lambda scene, width, _: [title_line(scene, width)], id="title-line")
        yield Pane(lambda scene, width, _: [phases_line(scene, width)], id="phases")
        yield Pane(lambda scene, width, _: [verdict_line(scene, width)], id="verdict")
        with Horizontal(id="middle"):
            yield Pane(steps_around, id="steps")
            yield Pane(self.centre, id="centre")
            yield Pane(self.figures, id="figures")
        yield Pane(lambda scene, width, _: notice_lines(scene.notice, width), id="notice")
        yield Pane(run_out, id="runout")
        yield Pane(lambda scene, width, _: [times_line(scene, width)], id="times")
        yield Pane(lambda scene, width, _: [people_line(scene, width)], id="people")
        yield Pane(key_lines, id="keys")

    @property
    def _app(self) -> WalkApp:
        return self.app  # type: ignore[return-value]

    def action_ordinary(self) -> None:
        """The step's own act."""
        self._app.conductor.begin("ordinary")

    def action_choose(self, number: int) -> None:
        """Choose the person who answers to a number; it signs nothing."""
        self._app.conductor.choose(number)

    def action_let_go(self) -> None:
        """Let go of who is chosen and of what was said."""
        self._app.change(selected=None, notice=None)

    def action_act(self, name: str) -> None:
        """One of the acts of the key table."""
        self._app.conductor.begin(name)


def run_out(scene: Scene, width: int, height: int) -> list[Content]:
    """What runs out first, of the figures in the scene."""
    return run_out_lines(scene.extra.figures, width, height)
