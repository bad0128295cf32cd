"""A part of a screen that draws itself from the scene, and only when what it shows has changed."""

from __future__ import annotations

from collections.abc import Callable

from textual.content import Content
from textual.events import Resize
from textual.geometry import Region
from textual.widget import Widget

from preflight.tui.draw.scene import Scene
from preflight.tui.thrift import one_cell_each

Draw = Callable[[Scene, int, int], list[Content]]


class Pane(Widget):
    """Lines drawn by a function of scene, width and height."""

    DEFAULT_CSS = "Pane { width: 1fr; height: 1fr; }"

    def __init__(self, draw: Draw, *, id: str) -> None:
        super().__init__(id=id)
        self._draw = draw
        self._scene: Scene | None = None
        self._content = Content("")
        self._lines: list[Content] = []

    def show(self, scene: Scene) -> None:
        """Draw this scene."""
        self._scene = scene
        self._redraw()

    def on_resize(self, event: Resize) -> None:
        self._lines = []
        self._redraw()

    def _redraw(self) -> None:
        width, height = self.size
        if self._scene is None or width < 8 or height < 1:
            return
        lines = self._draw(self._scene, width, height)[:height]
        changed = _changed(self._lines, lines, width)
        self._lines = lines
        if changed is None or changed:
            self._content = Content("\n").join(lines)
            self.refresh(*(changed or ()))

    def render(self) -> Content:
        return self._content


def _changed(before: list[Content], after: list[Content], width: int) -> list[Region] | None:
    """What is other than before, as a region of each line; None where all is to be drawn again.

    A slow link is sent only what has changed.
    """
    if len(before) != len(after) or any(line.cell_length > width for line in (*before, *after)):
        return None
    return [
        _between(old, new, n, width)
        for n, (old, new) in enumerate(zip(before, after, strict=True))
        if not new.is_same(old)
    ]


def _between(old: Content, new: Content, line: int, width: int) -> Region:
    """From the first cell that differs to the last one."""
    if not (one_cell_each(old.plain) and one_cell_each(new.plain)):
        return Region(0, line, width, 1)
    ours, theirs = _cells(new, width), _cells(old, width)
    apart = [n for n in range(width) if ours[n] != theirs[n]]
    if not apart:
        return Region(0, line, width, 1)
    return Region(apart[0], line, apart[-1] - apart[0] + 1, 1)


def _cells(content: Content, width: int) -> list[tuple[str, tuple[object, ...]]]:
    """Every cell of a line: its character and the styles over it, in order."""
    text = content.plain.ljust(width)
    styles: list[tuple[object, ...]] = [()] * width
    for span in content.spans:
        for n in range(max(0, span.start), min(span.end, width)):
            styles[n] = (*styles[n], span.style)
    return list(zip(text, styles, strict=True))
