"""What runs out first: each resource a bar on the flight's own axis of time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.content import Content

from preflight.figures.shown import lasts_text, needs_text
from preflight.tui import words
from preflight.tui.draw.scale import EIGHTHS
from preflight.tui.draw.text import MORE_STYLE, fitted, row, say
from preflight.tui.marks import ALERT_STYLE

if TYPE_CHECKING:
    from preflight.figures.compute import FlightFigures
    from preflight.figures.run_out import Axis, RunOut

NAME = 16
TAIL = 27
GOVERNS = "◀ governs"
BEYOND = 1.3
"""How much longer than flight and search the bars go."""


def run_out_lines(figures: FlightFigures | None, width: int, height: int) -> list[Content]:
    """The axis and one bar for each resource, the first to end at the top; on one line the governing one."""
    if figures is None:
        return [Content.styled("working out what runs out first…", "$quiet")]
    if not figures.run_out:
        said = "Nothing to run out is declared: the flight file has no [card], [battery] or [beacon]."
        return [say(said, "$quiet")]
    room = max(1, width - NAME - TAIL)
    if height == 1:
        return [_resource(figures.governing or figures.run_out[0], figures, room)]
    lines = [axis_line(figures.axis, room)]
    shown = figures.run_out[: height - 1]
    beyond = len(figures.run_out) - len(shown)
    if beyond:
        # Above the names, where nothing else ever stands.
        told = fitted(Content.styled(f" ▼ +{beyond} more: i ", MORE_STYLE), NAME - 1)
        lines = [row(told, " ", axis_line(figures.axis, room)[NAME:])]
    if figures.governing is not None and figures.governing not in shown:
        shown = (*shown[:-1], figures.governing)
    for item in shown:
        lines.append(_resource(item, figures, room))
    return lines


def _resource(item: RunOut, figures: FlightFigures, room: int) -> Content:
    governing = figures.governing is not None and item == figures.governing
    name = fitted(row(" ", say(item.resource, "bold" if governing else "", limit=30)), NAME)
    short = item.margin is not None and item.margin < (item.at_least or 1.0)
    margin = "" if item.margin is None else words.times(item.margin, item.at_least or 1.0)
    tail: Content = row(f" {lasts_text(item.after)} ", Content.styled(margin, ALERT_STYLE if short else ""))
    if short:
        tail = row(tail, Content.styled(" SHORT", ALERT_STYLE))
    if governing:
        words_ = f" {GOVERNS}" if not short and tail.cell_length + len(GOVERNS) < TAIL else " ◀"
        tail = row(tail, Content.styled(words_, "bold"))
    colour = "$lead" if governing else "$bar"
    return row(name, _bar(item.after, figures.axis, room, colour), fitted(tail, TAIL))


def _span(axis: Axis) -> float:
    """Seconds that the bars cover: the flight and its search, and some room to see what is left over."""
    return (axis.end_of_search or 1.0) * BEYOND


def _posts(axis: Axis, room: int) -> list[int]:
    moments = (axis.release, axis.burst, axis.landing, axis.end_of_search)
    return [min(room - 1, int(moment / _span(axis) * room)) for moment in moments]


def _bar(after: float, axis: Axis, room: int, colour: str) -> Content:
    """The bar at an eighth of a cell, the flight's moments as posts across it."""
    eighths = round(max(0.0, min(1.0, after / _span(axis))) * room * 8)
    full, rest = divmod(eighths, 8)
    cells = list(("█" * full + (EIGHTHS[rest] if rest else "")).ljust(room))
    if after > _span(axis):
        cells[-1] = "▶"
    posts = _posts(axis, room)
    runs: list[tuple[str, str]] = []
    for n, cell in enumerate(cells):
        text, style = cell, f"{colour} on $bar-back"
        if n in posts and cell in "█ ":
            text, style = "│", f"$paper on {colour}" if cell == "█" else "$quiet on $bar-back"
        if runs and runs[-1][1] == style:
            runs[-1] = (runs[-1][0] + text, style)
        else:
            runs.append((text, style))
    return Content.assemble(*runs)


def axis_line(axis: Axis, room: int) -> Content:
    """The flight's own moments over the bars: each a post with its word where there is room."""
    cells = [" "] * room
    cells[0] = "│"
    ends = [0, *_posts(axis, room)]
    names = ("power-up", "release", "burst", "landing", f"end of search {needs_text(axis.end_of_search)}")
    for n, word in enumerate(names):
        at = ends[n]
        until = ends[n + 1] if n + 1 < len(ends) else room + TAIL
        cells[at] = "│"
        gap = until - at - 1
        text = word if gap >= len(word) else ""
        cells[at + 1 : at + 1 + len(text)] = text
    return row(" " * NAME, Content.styled("".join(cells), "$quiet")).truncate(NAME + room + TAIL)
