"""What a check shows while it works, arranged in the lines that there are."""

from __future__ import annotations

from textual.content import Content

from preflight.live import Receptions, Stream, Trace
from preflight.readings import Progress
from preflight.tui.draw.live_stream import reception_lines, stream_lines
from preflight.tui.draw.live_trace import strip_lines, tell_width
from preflight.tui.draw.scale import reading_lines
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import LABEL, Block, fitted, row, say

LEAST, MOST = 2, 18
"""Lines that it takes at least, and at most."""
_RANK = 8
"""Blocks of a lower rank give way to it while the check works."""


def live_lines(progress: Progress, width: int, height: int) -> list[Content]:
    """At most `height` lines: readings beside their limits, then strips, reports heard, lines that came."""
    out: list[Content] = []
    if progress.readings:
        out += _reading_lines(progress, width)[: max(1, height - 1)]
    heard = [part for part in progress.live if isinstance(part, Receptions)]
    for part in heard:
        out += reception_lines(part, width, max(1, height - len(out)))
    traces = [part for part in progress.live if isinstance(part, Trace)]
    streams = [part for part in progress.live if isinstance(part, Stream)]
    left = height - len(out)
    tell = tell_width(traces, width)
    for trace, own in zip(traces, _heights(len(traces), left, stream=bool(streams)), strict=True):
        out += strip_lines(trace, width, own, tell)
    for stream in streams:
        out += stream_lines(stream, width, height - len(out))
    return out[:height]


def _reading_lines(progress: Progress, width: int) -> list[Content]:
    head = fitted(say(f"{'live':>{LABEL - 2}}", "$quiet"), LABEL)
    drawn = reading_lines(progress.readings, width - LABEL)
    return [row(head if n == 0 else " " * LABEL, line) for n, line in enumerate(drawn)]


def _heights(count: int, height: int, *, stream: bool) -> list[int]:
    """Lines of each strip: a stream of lines is worth more than high strips."""
    if not count:
        return []
    if stream:
        if count > 1 and height < 5:
            return [1 if n == 0 and height >= 3 else 0 for n in range(count)]
        if count == 1:
            each = min(7, height - 4) if height > 7 else 3 if height >= 5 else 1 if height >= 3 else 0
        else:
            each = 3 if height >= 4 * count + 4 else 1
    else:
        each = min(7, height // count)
        if each < 1:
            return [1 if n < height else 0 for n in range(count)]
    return [each] * count


def with_live(scene: Scene, blocks: list[Block], width: int, height: int) -> list[Block]:
    """The step's blocks with what there is to see live in the room that they leave.

    While the check works everything that can be read later gives way to it; once its finding is there, that
    comes first, and what was seen live has only the lines that it leaves.
    """
    progress = scene.live
    if progress is None:
        return blocks
    if scene.running is not None and scene.running.step_id == scene.place.name:
        kept = [block for block in blocks if block.rank >= _RANK]
        room = height - sum(len(block.lines) for block in kept)
        room = max(LEAST, min(MOST, room))
    else:
        # Its readings are among those of the finding now.
        progress = Progress(progress.text, progress.fraction, live=progress.live)
        if not progress.live:
            return blocks
        kept = blocks
        room = min(MOST, height - sum(len(block.lines) for block in blocks))
        if room < LEAST:
            return blocks
    return [*kept, Block(live_lines(progress, width, room), 7, LEAST)]
