"""What runs out first: each resource a bar on the flight's own axis of time."""

from __future__ import annotations

from textual.content import Content

from preflight.figures.compute import FlightFigures
from preflight.figures.run_out import Axis, RunOut
from preflight.tui import words
from preflight.tui.draw.scale import EIGHTHS
from preflight.tui.draw.text import fitted, row, say
from preflight.tui.marks import ALERT_STYLE

NAME = 15
TAIL = 22
GOVERNS = "◀ governs"


def run_out_lines(figures: FlightFigures | None, width: int, height: int) -> list[Content]:
    """The axis and one bar for each resource, the first to end at the top."""
    if figures is None:
        return [Content.styled("working out what runs out first…", "$quiet")]
    if not figures.run_out:
        said = "Nothing to run out is declared: the flight file has no [card], [battery] or [beacon]."
        return [say(said, "$quiet")]
    room = width - NAME - TAIL
    lines = [axis_line(figures.axis, room)]
    shown = figures.run_out[: height - 1]
    if figures.governing is not None and figures.governing not in shown:
        shown = (*shown[:-1], figures.governing)
    for item in shown:
        lines.append(_resource(item, figures, room))
    return lines


def _resource(item: RunOut, figures: FlightFigures, room: int) -> Content:
    governing = figures.governing is not None and item == figures.governing
    name = fitted(say(item.resource, "bold" if governing else "", limit=30), NAME)
    short = item.margin is not None and item.margin < (item.at_least or 1.0)
    margin = "" if item.margin is None else f"×{item.margin:.3g}"
    tail: Content = row(f" {words.span(item.after)} ", Content.styled(margin, ALERT_STYLE if short else ""))
    if short:
        tail = row(tail, Content.styled(" SHORT", ALERT_STYLE))
    if governing:
        tail = row(tail, Content.styled(" ◀" if short else f" {GOVERNS}", "bold"))
    return row(name, _bar(item.after, figures.axis, room), fitted(tail, TAIL))


def _bar(after: float, axis: Axis, room: int) -> Content:
    total = axis.end_of_search or 1.0
    eighths = round(max(0.0, min(1.0, after / total)) * room * 8)
    full, rest = divmod(eighths, 8)
    drawn = "█" * full + (EIGHTHS[rest] if rest else "")
    cells = list(drawn.ljust(room))
    for moment in (axis.release, axis.burst, axis.landing):
        at = min(room - 1, int(moment / total * room))
        if cells[at] == " ":
            cells[at] = "│"
    if after > total:
        cells[-1] = "▶"
    text = "".join(cells)
    return row(
        Content.styled(text[: len(drawn)], "$bar on $bar-back"),
        Content.styled(text[len(drawn) :], "$quiet on $bar-back"),
    )


def axis_line(axis: Axis, room: int) -> Content:
    """The flight's own moments over the bars: each a post with its word where there is room."""
    total = axis.end_of_search or 1.0
    cells = [" "] * room
    marks = [
        (0.0, "power-up"),
        (axis.release, "release"),
        (axis.burst, "burst"),
        (axis.landing, "landing"),
    ]
    ends = [min(room - 1, int(moment / total * room)) for moment, _ in marks] + [room]
    for n, (_, word) in enumerate(marks):
        at, until = ends[n], ends[n + 1]
        cells[at] = "│"
        gap = until - at - 1
        text = word if gap > len(word) else word[: max(0, gap - 1)] if gap > 3 else ""
        cells[at + 1 : at + 1 + len(text)] = text
    last = "end of search"
    start = room - len(last)
    if all(cell == " " for cell in cells[max(0, start - 1) :]):
        cells[start:] = last
    return row(" " * NAME, Content.styled("".join(cells[:room]), "$quiet"), f" {words.span(total)}")
