"""Fewer bytes for the same picture: the cells that change, and of colours what differs from the cell before.

The screen library sends every run of cells with all of its colours and a reset after it, and of a region
everything from the left end of its line. On a slow link those are most of the bytes.
"""

from __future__ import annotations

import re

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderResult
from rich.control import Control
from rich.segment import Segment
from textual._compositor import ChopsUpdate, CompositorUpdate

_PART = re.compile(r"\x1b\[([0-9;]+)m([^\x1b]*)\x1b\[0m|\x1b\[0?m|\x1b\[[0-9;]*H|\r?\n|[^\x1b\r\n]+|[\x1b\r]")
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
        if isinstance(self._update, ChopsUpdate):
            return thrifty(_within(self._update, console))
        return thrifty(self._update.render_segments(console))


def _within(update: ChopsUpdate, console: Console) -> str:
    """The parts of the strips that lie in the update's spans; more of one with wide characters."""
    sent: list[str] = []
    for y, left, right in update.spans:
        for end, (x, strip) in zip(update.chop_ends[y], update.chops[y].items(), strict=False):
            if strip is None or x >= right or end <= left:
                continue
            start = max(x, left) if one_cell_each(strip.text) else x
            sent.append(Control.move_to(start, y).segment.text)
            sent.append(strip.crop(start - x, min(end, right) - x).render(console))
    return "".join(sent)


def one_cell_each(text: str) -> bool:
    """Whether every character takes one cell, so that counting one is counting the other."""
    return text.isascii() or all(cell_len(character) == 1 for character in text)


def thrifty(text: str) -> str:
    """The same cells, colours and moves as `text`, which begins without attributes and ends without."""
    out: list[str] = []
    now: _Style | None = None
    for part in _PART.finditer(text):
        codes, run = part[1], part[2]
        if codes is None:
            # Moves and line ends leave colours as they are; before anything else all is reset.
            if now is not None and part[0] not in ("\n", "\r\n") and not _MOVE.fullmatch(part[0]):
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
        if not turned:
            return ""
        return f"\x1b[{min(';'.join(turned), f'0;{other.codes}', key=len)}m"
