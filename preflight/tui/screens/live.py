"""What a check shows while it works, on the whole screen, with the lines that were kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Literal

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.screen import Screen

from preflight.live import Stream
from preflight.tui.draw.live_whole import farthest_back, stream_of, whole_lines
from preflight.tui.draw.scene import Scene
from preflight.tui.palette import Acts
from preflight.tui.pane import Pane

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp

PAGE = 10


class LiveScreen(Screen[Literal["full"] | None]):
    """Follows the check; going back in its lines holds them until End or the last line."""

    COMMANDS: ClassVar[Any] = {Acts}
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q", "leave", "back"),
        Binding("space", "full", "step in full"),
        Binding("s", "stop", "stop the check"),
        Binding("h", "hold", "hold"),
        Binding("up", "by(1)", show=False),
        Binding("down", "by(-1)", show=False),
        Binding("pageup", f"by({PAGE})", show=False),
        Binding("pagedown", f"by({-PAGE})", show=False),
        Binding("end", "latest", show=False),
        Binding("home", "by(100000)", show=False),
    ]

    def __init__(self) -> None:
        super().__init__()
        self._held: Stream | None = None
        self._back = 0

    def compose(self) -> ComposeResult:
        yield Pane(self._draw, id="live")

    def on_mount(self) -> None:
        self.watch(self.app, "scene", self._show)

    def _draw(self, scene: Scene, width: int, height: int) -> list[Content]:
        return whole_lines(scene, width, height, held=self._held, back=self._back)

    def _show(self, scene: Scene | None) -> None:
        if scene is not None:
            self.query_one("#live", Pane).show(scene)

    @property
    def _app(self) -> WalkApp:
        return self.app  # type: ignore[return-value]

    def action_by(self, lines: int) -> None:
        """Back in the lines, or on again."""
        scene = self._app.seen
        stream = self._held or stream_of(scene.live)
        self._back = max(0, min(farthest_back(stream, self.size.width), self._back + lines))
        self._held = stream if self._back else None
        self._show(scene)

    def action_latest(self) -> None:
        """The latest lines again, as they come."""
        self._held, self._back = None, 0
        self._show(self._app.seen)

    def action_stop(self) -> None:
        """Stop the check."""
        if self._app.seen.running is not None:
            self._app.conductor.begin("stop")

    def action_hold(self) -> None:
        """Hold, as everywhere."""
        self._app.action_hold()

    def action_leave(self) -> None:
        self.dismiss(None)

    def action_full(self) -> None:
        self.dismiss("full")
