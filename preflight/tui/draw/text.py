"""Styled text from untrusted text: cleaned, never read as markup, wrapped under a label, cut to fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from textual.content import Content

from preflight.clean import clean
from preflight.tui.marks import Mark

LABEL = 11
"""Cells of the label column."""
TEXT = 88
"""Cells of a line of text at most: longer ones are hard to read on in."""
WIDE = 100
"""Cells from which there is room for whole names."""


def say(text: str, style: str = "", limit: int = 500) -> Content:
    """Text as it stands, cleaned."""
    return Content.styled(clean(text, limit=limit), style) if style else Content(clean(text, limit=limit))


def badge(mark: Mark) -> Content:
    """A filled badge: shape and word on the mark's colour."""
    return Content.styled(f" {mark.text} ", mark.style)


def row(*parts: Content | str) -> Content:
    """Parts side by side."""
    return Content("").join([part if isinstance(part, Content) else Content(part) for part in parts])


def fitted(content: Content, width: int) -> Content:
    """Exactly `width` cells: cut with an ellipsis or filled with blanks."""
    return content.truncate(width, ellipsis=True, pad=True)


def apart(left: Content, right: Content, width: int) -> Content:
    """One part at the left end of a line, one at the right; the left one gives way."""
    room = max(0, width - right.cell_length - 1)
    return row(fitted(left, room), " ", right).truncate(width)


def lines_of(content: Content, width: int) -> list[Content]:
    """Wrapped to lines no wider than `width`."""
    return [line.rstrip() for line in content.wrap(max(8, width))]


def labelled(label: str, content: Content, width: int, style: str = "$quiet") -> list[Content]:
    """Lines of `content` with `label` in the column before the first one."""
    lines = lines_of(content, min(TEXT, width - LABEL - 1))
    head = fitted(Content.styled(f"{label:>{LABEL - 2}}  ", style), LABEL)
    return [row(head if n == 0 else " " * LABEL, line) for n, line in enumerate(lines)]


@dataclass(frozen=True, slots=True)
class Block:
    """Lines that belong together; of `rank` 0 is given up first, and never fewer than `keep` lines kept
    before blocks of the next rank give way."""

    lines: Sequence[Content]
    rank: int
    keep: int = 1


def title(text: str, width: int) -> Block:
    """The head of a page between steps."""
    return Block([fitted(row(" ", say(text, "bold $lead", limit=200)), width)], 9)


def fit(blocks: Sequence[Block], height: int, width: int) -> list[Content]:
    """The lines of all blocks cut to `height`: low ranks shrink to `keep` first, then go altogether.

    How many were cut stands below them, on a line of its own; at the end of the one that there is room for.
    """
    room = [len(block.lines) for block in blocks]
    cut = sum(room) > height
    apart_line = cut and height > 1
    height -= apart_line
    order = sorted(range(len(blocks)), key=lambda i: (blocks[i].rank, -i))
    for least in (True, False):
        for i in order:
            over = sum(room) - height
            if over <= 0:
                break
            floor = min(blocks[i].keep, room[i]) if least else 0
            room[i] = max(floor, room[i] - over)
    out: list[Content] = []
    for block, kept in zip(blocks, room, strict=True):
        out += block.lines[:kept]
    if cut:
        left = sum(len(block.lines) for block in blocks) - len(out)
        if apart_line:
            out.append(more_line(f"{left} more line{'s' * (left > 1)}: Space shows all", width))
        else:
            out = [apart(out[0], Content.styled(f" ▼ +{left}: Space ", MORE_STYLE), width) for _ in out]
    return out


MORE_STYLE = "bold $ink on $panel-fill"


def more_line(text: str, width: int, shape: str = "▼") -> Content:
    """A line that says what is beyond the room: filled from end to end, so that it is no part of any text."""
    return fitted(Content.styled(f" {shape} {text}".ljust(width), MORE_STYLE), width)
