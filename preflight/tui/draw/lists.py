"""The wide arrangement's columns: every step at the left, figures at the right."""

from __future__ import annotations

from textual.content import Content

from preflight.readings import Reading
from preflight.tui import words
from preflight.tui.draw.head import phase_mark
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import apart, fitted, more_line, row, say
from preflight.tui.marks import ALERT_STYLE, CAUTION_STYLE, OUTCOMES, PHASES
from preflight.tui.places import Place, places, settled

STANDING_OUT = tuple(PHASES[name] for name in ("passed", "again", "no-go"))
"""Marks of phases that want attention before go."""


def step_lines(scene: Scene, width: int) -> tuple[list[Content], int]:
    """Every place of the walk on a line, and the line of the one shown."""
    view = scene.view
    lines: list[Content] = []
    here = 0
    phase = None
    for place in places(view.book):
        if place.kind == "step":
            own = view.book.phase_of[place.name]
            if own.id != phase:
                phase = own.id
                state = view.state.phases[own.id]
                mark = phase_mark(view, state)
                out = mark in STANDING_OUT
                # Of what has no room the title is cut, neither its count nor what is wrong with it.
                tail = say(f" {state.count}{f' {mark.word.lower()}' if out else ''}")
                head = say(f" {mark.shape} {own.title}").truncate(width - tail.cell_length, ellipsis=True)
                lines.append(fitted(row(head, tail), width).stylize(mark.style if out else "bold"))
        if place == scene.place:
            here = len(lines)
        lines.append(_place_line(scene, place, width))
    return lines, here


def _place_line(scene: Scene, place: Place, width: int) -> Content:
    view = scene.view
    mark, style = " ", ""
    if place.kind == "step":
        outcome = view.step(place.name).outcome
        mark, text = OUTCOMES[outcome].shape, place.name
        style = ALERT_STYLE if outcome == "no-go" else CAUTION_STYLE if outcome == "stale" else ""
    else:
        text = place_title(place)
        mark = "●" if _done(scene, place) else "·"
        if place.kind != "complete":
            text = f"╟ {text}"
    line = row("   ", say(mark, style), say(f" {text}", "" if place.kind == "step" else "$quiet"))
    line = fitted(line, width)
    return Content.styled(line.plain, "reverse") if place == scene.place else line


def place_title(place: Place) -> str:
    """A call between steps in words."""
    return {
        "complete": "call complete",
        "poll": f"poll, {place.name} gate",
        "authorise": f"authorise {place.name}",
        "close": "close and seal",
        "release": "release",
    }.get(place.kind, place.kind)


def _done(scene: Scene, place: Place) -> bool:
    return settled(scene.view.state, place)


def figures_here(scene: Scene, width: int, height: int) -> list[Content]:
    """As many lines of the figures as there is room for, and how many more there are."""
    lines = figure_lines(scene, width)
    if len(lines) <= height:
        return lines
    left = len(lines) - height + 1
    return [*lines[: height - 1], more_line(f"{left} more line{'s' * (left > 1)}: i shows all", width)]


TIMES = 6
"""Cells of a margin behind a figure: "×1000 "."""


def figure_lines(scene: Scene, width: int) -> list[Content]:
    """Every figure with its value and limit: those outside their limits first, then what is against go.

    Then come those that have a limit, what is remarked of them, and what is good to know.
    """
    figures = scene.extra.figures
    if figures is None:
        return [Content.styled(" working out figures…", "$quiet")]
    lines = [Content.styled(" figures", "bold")]
    for reading in figures.figures:
        if reading.within is False:
            lines += _figure(reading, width)
    for text in (*figures.no_go.values(), *figures.faults):
        lines += _told(text, width)
    for reading in figures.figures:
        if reading.within is True:
            lines += _figure(reading, width)
    for text in figures.remarks:
        lines += _told(text, width)
    for reading in figures.figures:
        if reading.within is None:
            lines += _figure(reading, width)
    return lines


def _told(text: str, width: int) -> list[Content]:
    lines = say(text, limit=400).wrap(width - 4)
    return [row(" ▲ " if n == 0 else "   ", line) for n, line in enumerate(lines)]


def _figure(reading: Reading, width: int) -> list[Content]:
    # Beside a limit that is crossed a factor would tell nobody anything.
    margin = words.times(reading.margin) if reading.margin is not None and reading.within else ""
    value = say(words.value_of(reading), ALERT_STYLE if reading.within is False else "bold", limit=40)
    # Values stand under each other, whether or not a margin follows.
    right = row(value, Content.styled(f" {margin:<{TIMES}}", "$quiet"))
    name = say(f" {reading.name}", limit=60)
    lines = [apart(name, right, width)]
    if name.cell_length + right.cell_length + 1 > width:
        # A name that is cut may be taken for another one.
        lines = [fitted(name, width), apart(Content(""), right, width)]
    if reading.within is False:
        lines.append(say(f"   {words.limits(reading)}", "$quiet"))
    return lines
