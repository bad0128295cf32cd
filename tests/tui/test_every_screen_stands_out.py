"""Every screen and dialogue of the tour: contrast of each strip in each theme."""

from __future__ import annotations

from pathlib import Path

import pytest
from screen_driving import Driver
from textual.color import Color
from tour import TOURS

from preflight.tui.theme import ORDER

LEAST = {"desk": 4.5, "sun": 7.0, "night": 4.5}
LINES = set("─━│┃█▏▎▍▌▋▊▉▐▕▶◀╟╢╭╮╰╯┌┐└┘▔▁▂▃▄▅▆▇▀╌┆╸╺┏┓┗┛ ")


def luminance(color: Color) -> float:
    """Relative luminance: WCAG 2.2, definitions."""
    parts = [part / 255 for part in (color.r, color.g, color.b)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def faint(driver: Driver, least: float) -> set[tuple[float, str]]:
    """Text below `least` to 1; lines, bars and borders below 3 to 1."""
    found = set()
    for strip in driver.app.screen._compositor.render_strips():
        for segment in strip:
            style = segment.style
            if style is None or not style.color or not style.bgcolor or not segment.text.strip():
                continue
            pair = [luminance(Color.from_rich_color(each)) for each in (style.color, style.bgcolor)]
            ratio = (max(pair) + 0.05) / (min(pair) + 0.05)
            if ratio < (least if set(segment.text) - LINES else 3.0):
                found.add((round(ratio, 2), segment.text.strip()[:30]))
    return found


@pytest.mark.parametrize("theme", ORDER)
def test_every_strip_of_every_screen_stands_out(tmp_path: Path, theme: str) -> None:
    bad: dict[str, set[tuple[float, str]]] = {}
    stops: list[str] = []

    def look(driver: Driver, name: str) -> None:
        stops.append(name)
        if weak := faint(driver, LEAST[theme]):
            bad[name] = weak

    for n, tour in enumerate(TOURS):
        tour(tmp_path / str(n), look, (80, 24), theme)
    assert len(set(stops)) > 50
    assert not bad
