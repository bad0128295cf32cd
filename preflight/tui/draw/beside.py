"""The figures beside the step: what their column has no room for stands where the step's leaves some."""

from __future__ import annotations

from textual.content import Content

from preflight.tui.draw.lists import figure_lines, figures_here
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import row

Size = tuple[int, int]
"""Width and height in cells."""


def centre_beside(scene: Scene, lines: list[Content], width: int, column: Size) -> list[Content]:
    """The centre's `lines`, with the figures that the column of that size beside it has no room for."""
    rest, end = _rest(scene, lines, width, column)
    if not rest:
        return lines
    pad = " " * (width - column[0])
    told = [row(pad, line) for line in (Content.styled(" figures, the rest", "bold"), *rest)]
    return [*lines[: end - len(told)], *told, *lines[end:]]


def figures_beside(scene: Scene, lines: list[Content], width: int, column: Size) -> list[Content]:
    """The figures' column beside the centre's `lines`, which are `width` cells wide."""
    if _rest(scene, lines, width, column)[0]:
        return figure_lines(scene, column[0])[: column[1]]
    return figures_here(scene, *column)


def _rest(scene: Scene, lines: list[Content], width: int, column: Size) -> tuple[list[Content], int]:
    """The figures beyond their column, if the centre has room for them; and the line they end at."""
    rest = figure_lines(scene, column[0])[column[1] :] if 0 < column[0] < width else []
    blank = [not line.plain.strip() for line in lines]
    end = len(lines)
    while end and not blank[end - 1]:  # what Enter does stands there
        end -= 1
    free = 0
    while free < end and blank[end - 1 - free]:
        free += 1
    end -= end < len(lines)
    return (rest if len(rest) + 3 <= free else []), end
