"""Outcomes told apart by people who see colours otherwise, or none, measured on the fills that are drawn.

Simulation: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A Physiologically-based Model for
Simulation of Color Vision Deficiency" (2009), matrices of severity 1.0 on linear RGB, from memory.
Difference: CIE 1976 L*a*b* under D65 (ISO/CIE 11664-4); a just noticeable difference is about 2.3 (Mahy and
others, 1994, from memory).
"""

from __future__ import annotations

import itertools

import pytest
from textual.color import Color

from preflight.tui.draw.text import badge
from preflight.tui.marks import OUTCOMES, VERDICTS, Mark
from preflight.tui.theme import THEMES

Triple = tuple[float, float, float]
SEEN: dict[str, tuple[Triple, Triple, Triple]] = {
    "as it is": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    # Luminance of Rec. 709, as WCAG 2.2 has it.
    "greyscale": ((0.2126, 0.7152, 0.0722),) * 3,
}
APART = 20.0  # several times a just noticeable difference


def linear(color: Color) -> Triple:
    """Linear RGB of an sRGB colour (IEC 61966-2-1)."""

    def part(value: int) -> float:
        share = value / 255
        return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4

    return part(color.r), part(color.g), part(color.b)


def lab(rgb: Triple) -> Triple:
    """L*, a*, b* of linear RGB, D65."""
    red, green, blue = (min(1.0, max(0.0, each)) for each in rgb)
    x = 0.4124 * red + 0.3576 * green + 0.1805 * blue
    y = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    z = 0.0193 * red + 0.1192 * green + 0.9505 * blue

    def f(t: float) -> float:
        return t ** (1 / 3) if t > (6 / 29) ** 3 else t / (3 * (6 / 29) ** 2) + 4 / 29

    fx, fy, fz = f(x / 0.95047), f(y), f(z / 1.08883)
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


def difference(one: Color, other: Color, seen: str) -> float:
    """Colour difference of two colours as somebody sees them."""

    def as_seen(color: Color) -> Triple:
        rgb = linear(color)
        mixed = [sum(weight * part for weight, part in zip(line, rgb, strict=True)) for line in SEEN[seen]]
        return lab((mixed[0], mixed[1], mixed[2]))

    return sum((a - b) ** 2 for a, b in zip(as_seen(one), as_seen(other), strict=True)) ** 0.5


def fill(mark: Mark, theme: str) -> Color:
    """The fill of a mark's badge."""
    return Color.parse(THEMES[theme].variables[mark.style.split("on $")[1]])


def test_the_measure_is_what_it_says() -> None:
    # L* of white is 100 and of black 0 by definition; sRGB red is (53.2, 80.1, 67.2), from memory.
    white, black, red = (lab(linear(Color.parse(each))) for each in ("#FFFFFF", "#000000", "#FF0000"))
    assert white == pytest.approx((100, 0, 0), abs=0.1)
    assert black == pytest.approx((0, 0, 0), abs=0.1)
    assert red == pytest.approx((53.2, 80.1, 67.2), abs=0.3)
    for seen, matrix in SEEN.items():
        for line in matrix:
            assert sum(line) == pytest.approx(1, abs=2e-3), seen  # grey stays grey


@pytest.mark.parametrize("seen", SEEN)
@pytest.mark.parametrize("theme", ["desk", "sun"])
def test_go_no_go_and_what_wants_attention_are_far_apart_for_every_eye(theme: str, seen: str) -> None:
    marks = (OUTCOMES["go"], OUTCOMES["no-go"], OUTCOMES["stale"])
    for one, other in itertools.combinations(marks, 2):
        if seen == "greyscale" and {one.word, other.word} == {"GO", "NO-GO"}:
            continue  # both are dark fills: word and shape tell them apart, below
        told = difference(fill(one, theme), fill(other, theme), seen)
        assert told >= APART, (one.word, other.word, round(told, 1))


def test_every_outcome_has_a_word_and_a_shape_of_its_own() -> None:
    for marks in (OUTCOMES, VERDICTS):
        assert len({mark.word for mark in marks.values()}) == len(marks)
        assert len({mark.shape for mark in marks.values()}) == len(marks)
        for mark in marks.values():
            assert mark.word in badge(mark).plain
            assert mark.shape in badge(mark).plain
