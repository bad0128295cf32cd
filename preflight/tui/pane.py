"""A part of a screen that draws itself from the scene, and only when what it shows has changed."""

from __future__ import annotations

from collections.abc import Callable

from textual.content import Content
from textual.events import Resize
from textual.widget import Widget

from preflight.tui.draw.scene import Scene

Draw = Callable[[Scene, int, int], list[Content]]


class Pane(Widget):
    """Lines drawn by a function of scene, width and height."""

    DEFAULT_CSS = "Pane { width: 1fr; height: 1fr; }"

    def __init__(self, draw: Draw, *, id: str) -> None:
        super().__init__(id=id)
        self._draw = draw
        self._scene: Scene | None = None
        self._content = Content("")

    def show(self, scene: Scene) -> None:
        """Draw this scene."""
        self._scene = scene
        self._redraw()

    def on_resize(self, event: Resize) -> None:
        self._redraw()

    def _redraw(self) -> None:
        width, height = self.size
        if self._scene is None or width < 8 or height < 1:
            return
        content = Content("\n").join(self._draw(self._scene, width, height)[:height])
        if not content.is_same(self._content):
            self._content = content
            self.refresh()

    def render(self) -> Content:
        return self._content
