"""Without colour: for whoever sets NO_COLOR, and for terminals that know none (by their terminfo entry).

Every cell takes the terminal's own two colours; what the theme fills with a colour brighter (in a light
theme darker) than its text is shown in reverse, so that cursors and choices keep their shape, and so is what
it fills with red or amber: nothing stands out more than an alert.
"""

from __future__ import annotations

import os
from functools import lru_cache

from rich.segment import Segment
from rich.style import Style
from textual.color import Color
from textual.filter import LineFilter

_OWN = Style(color="default", bgcolor="default")
_REVERSED = Style(color="default", bgcolor="default", reverse=True)
_PLAIN = Style(color="default", bgcolor="default", reverse=False)


class TwoTone(LineFilter):
    """Colours to none; the difference between text and fill to reverse video."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        dark = background.brightness < 0.5
        return [
            Segment(text, _two_tone(style, dark) if style is not None else None, control)
            for text, style, control in segments
        ]


@lru_cache(2048)
def _two_tone(style: Style, dark: bool) -> Style:
    if style.color is None or style.bgcolor is None or style.color.is_default or style.bgcolor.is_default:
        return style + _OWN
    ink, fill = (Color.from_rich_color(each) for each in (style.color, style.bgcolor))
    if style.reverse:
        ink, fill = fill, ink
    apart = fill.brightness - ink.brightness
    return style + (_REVERSED if _alerts(fill) or ((apart > 0) == dark and apart != 0) else _PLAIN)


def _alerts(fill: Color) -> bool:
    """Whether a fill is red or amber, and no shade of the paper."""
    hue, saturation, lightness = fill.hsl
    return saturation > 0.6 and lightness > 0.15 and (hue < 1 / 6 or hue > 0.95)


def knows_no_colour() -> bool:
    """Whether the terminal's terminfo entry has no colours; False where nothing tells of it."""
    if not os.environ.get("TERM") or os.environ.get("COLORTERM"):
        return False
    try:
        import curses

        curses.setupterm(None, 1)
        return curses.tigetnum("colors") < 8
    except Exception:  # noqa: BLE001 - curses.error, no curses here: nothing tells of it
        return False
