"""Contrast as WCAG 2.2 defines it, and what is drawn with too little of it."""

from __future__ import annotations

from collections.abc import Callable

from rich.color import Color
from screen_driving import Driver

Rgb = tuple[int, int, int]

LEAST = {"desk": 4.5, "sun": 7.0, "night": 4.5}
"""Of text, by theme."""
LINES = set("─━│┃█▏▎▍▌▋▊▉▐▕▶◀╟╢╭╮╰╯┌┐└┘▔▁▂▃▄▅▆▇▀╌┆╸╺┏┓┗┛ ")
"""Drawn as lines, bars and borders, for which 3 to 1 is enough."""
LEAST_OF_LINES = 3.0


def luminance(colour: Rgb) -> float:
    """Relative luminance: WCAG 2.2, definitions."""
    parts = [part / 255 for part in colour]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: Rgb, other: Rgb) -> float:
    """Contrast ratio: WCAG 2.2, definitions."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def as_drawn(colour: Color) -> Rgb:
    """The colour itself."""
    red, green, blue = colour.get_truecolor()
    return red, green, blue


def faint(
    driver: Driver,
    least: float,
    *,
    lines: float = LEAST_OF_LINES,
    seen_as: Callable[[Color], Rgb] = as_drawn,
) -> set[tuple[float, str]]:
    """What stands on the screen below `least` to 1, lines below `lines` to 1; each with its contrast."""
    found = set()
    for strip in driver.app.screen._compositor.render_strips():
        for segment in strip:
            style = segment.style
            if style is None or not style.color or not style.bgcolor or not segment.text.strip():
                continue
            ratio = contrast(seen_as(style.color), seen_as(style.bgcolor))
            if ratio < (least if set(segment.text) - LINES else lines):
                found.add((round(ratio, 2), segment.text.strip()[:30]))
    return found
