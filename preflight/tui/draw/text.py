"""Styled text from untrusted text: cleaned, never read as markup, wrapped under a label, cut to fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from textual.content import Content

from preflight.clean import clean
from preflight.tui.marks import Mark

LABEL = 11
"""Cells of the label column."""
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
    lines = lines_of(content, width - LABEL - 1)
    head = fitted(Content.styled(f"{label:>{LABEL - 2}}  ", style), LABEL)
    return [row(head if n == 0 else " " * LABEL, line) for n, line in enumerate(lines)]


MORE = 14
"""Cells of what is said at the end of a block's last line when it is cut: " … +12: Space"."""


@dataclass(frozen=True, slots=True)
class Block:
    """Lines that belong together; of `rank` 0 is given up first, and never fewer than `keep` lines kept
    before blocks of the next rank give way. `tight` are the same lines with room for `MORE` at their end,
    where those must not be cut."""

    lines: Sequence[Content]
    rank: int
    keep: int = 1
    tight: Sequence[Content] = ()


def title(text: str, width: int) -> Block:
    """The head of a page between steps."""
    return Block([fitted(row(" ", say(text, "bold $lead", limit=200)), width)], 9)


def fit(blocks: Sequence[Block], height: int, width: int) -> list[Content]:
    """The lines of all blocks cut to `height`: low ranks shrink to `keep` first, then go altogether."""
    room = [len(block.lines) for block in blocks]
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
        lines = list(block.lines[:kept])
        if 0 < kept < len(block.lines):
            more = Content.styled(f" … +{len(block.lines) - kept}: Space", "$quiet")
            if block.tight:
                lines[-1] = block.tight[kept - 1]
            lines[-1] = row(lines[-1].truncate(width - more.cell_length), more)
        out += lines
    return out
