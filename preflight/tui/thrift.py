"""Fewer bytes for the same picture: of colours and attributes only what differs from the cell before is sent.

The screen library sends every run of cells with all of its colours, and a reset after it. On a slow link
those are most of the bytes.
"""

from __future__ import annotations

import re

from rich.console import Console, ConsoleOptions, RenderResult
from rich.segment import Segment
from textual._compositor import CompositorUpdate

_PART = re.compile(r"\x1b\[([0-9;]+)m([^\x1b]*)\x1b\[0m|\x1b\[0?m|\x1b\[[0-9;]*H|\r\n|[^\x1b\r]+|[\x1b\r]")
_MOVE = re.compile(r"\x1b\[[0-9;]*H")
_OFF = {"1": "22", "2": "22", "3": "23", "4": "24", "7": "27"}
_DRAWN = {"4", "7", "9", "21", "53"}
"""Attributes that are seen on a blank too."""


class Thrifty(CompositorUpdate):
    """An update of the screen, written with fewer bytes."""

    def __init__(self, update: CompositorUpdate) -> None:
        self._update = update

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield Segment(self.render_segments(console))

    def render_segments(self, console: Console) -> str:
        """What is sent to the terminal."""
        return thrifty(self._update.render_segments(console))


def thrifty(text: str) -> str:
    """The same cells, colours and moves as `text`, which begins without attributes and ends without."""
    out: list[str] = []
    now: _Style | None = None
    for part in _PART.finditer(text):
        codes, run = part[1], part[2]
        if codes is None:
            # Moves and line ends leave colours as they are; before anything else all is reset.
            if now is not None and part[0] != "\r\n" and not _MOVE.fullmatch(part[0]):
                out.append("\x1b[0m")
                now = None
            out.append(part[0])
            continue
        style = _Style(codes)
        if not run or (now is not None and run.isspace() and now.blank == style.blank):
            out.append(run)
            continue
        out.append(f"\x1b[{codes}m" if now is None else now.to(style))
        out.append(run)
        now = style
    if now is not None:
        out.append("\x1b[0m")
    return "".join(out)


class _Style:
    """The codes of one run: attributes, ink and fill."""

    __slots__ = ("blank", "codes", "fill", "flags", "ink")

    def __init__(self, codes: str) -> None:
        self.codes = codes
        self.ink = self.fill = ""
        flags = set()
        parts = iter(codes.split(";"))
        for code in parts:
            if code in ("38", "48"):
                kind = next(parts, "")
                rest = [next(parts, "") for _ in range(3 if kind == "2" else 1)]
                colour = ";".join((code, kind, *rest))
            elif (len(code) >= 2 and code[0] in "349") or code[:2] == "10":
                colour = code
            else:
                flags.add(code)
                continue
            if code[0] == "4" or code[:2] == "10":
                self.fill = colour
            else:
                self.ink = colour
        self.flags = frozenset(flags)
        self.blank = (self.fill, self.flags & _DRAWN, self.ink if self.flags & _DRAWN else "")

    def to(self, other: _Style) -> str:
        """What turns this style into another."""
        gone, new = self.flags - other.flags, other.flags - self.flags
        known = gone <= _OFF.keys() and not (gone & {"1", "2"} and other.flags & {"1", "2"})
        if not known or (self.ink and not other.ink) or (self.fill and not other.fill):
            return f"\x1b[0;{other.codes}m"
        turned = [_OFF[flag] for flag in sorted(gone)] + sorted(new)
        turned += [
            theirs for ours, theirs in ((self.ink, other.ink), (self.fill, other.fill)) if ours != theirs
        ]
        return f"\x1b[{';'.join(turned)}m" if turned else ""
