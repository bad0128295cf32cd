"""Numbers over time as a strip of blocks, with their limits across it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from textual.content import Content

from preflight.live import Trace, bounded
from preflight.tui import words
from preflight.tui.draw.text import fitted, row, say
from preflight.tui.marks import ALERT_STYLE

RISE = " ▁▂▃▄▅▆▇█"
"""A cell filled from below, by eighths."""
NONE = "·"
OUTSIDE = "■"
"""Tops a column that is outside its limits, whatever the colours are."""
LABEL = 11
TELL, MOST_TELL = 25, 40
"""Cells of the words beside a strip, at least and at most."""
_DECADES = 4.0
"""How far below its top a logarithmic scale starts."""


def tell_width(traces: Sequence[Trace], width: int) -> int:
    """Cells for the words beside strips that stand under each other, so that their times do as well."""
    longest = max((len(trace.told) for trace in traces), default=0)
    return max(TELL, min(MOST_TELL, longest + 2, (width - LABEL) * 3 // 5))


def strip_lines(trace: Trace, width: int, height: int, tell: int = TELL) -> list[Content]:
    """`height` lines: what it is called, the strip, what it says in words, in `tell` cells.

    With more than one line the extreme has a pointer under the strip, and limits stand beside it.
    """
    if height < 1:
        return []
    for part in bounded((trace,)):
        trace = part if isinstance(part, Trace) else trace
    room = max(8, width - LABEL - tell)
    rows = height if height < 3 else height - 1
    drawn = _Strip(trace, room, rows, height)
    lines = drawn.lines()
    told = _told(trace, rows, drawn, tell - 1)
    out = []
    for n, line in enumerate(lines):
        label = trace.name[: LABEL - 2] if n == 0 else ""
        head = fitted(row(say(f"{label:>{LABEL - 2}}", "$quiet"), "  "), LABEL)
        out.append(fitted(row(head, line, " ", told[n] if n < len(told) else ""), width))
    if rows < height:
        out.append(fitted(row(" " * LABEL, drawn.pointer()), width))
    return out


def columns_of(trace: Trace, width: int) -> list[float]:
    """The points in at most `width` columns, the one that matters of each; NaN where there is none."""
    count = len(trace.points)
    if count <= width:
        return list(trace.points)
    out = []
    for n in range(width):
        part = trace.points[n * count // width : (n + 1) * count // width]
        there = [value for value in part if math.isfinite(value)]
        out.append((min if trace.fold == "least" else max)(there) if there else math.nan)
    return out


class _Strip:
    """One drawing of a trace: `width` columns, `rows` cells high."""

    def __init__(self, trace: Trace, width: int, rows: int, height: int) -> None:
        self.trace, self.width, self.rows, self.height = trace, width, rows, height
        self.columns = columns_of(trace, width)
        self.low, self.high = _ends(trace, self.columns)
        self.limits = {
            line: self._row(value)
            for line, value in (
                ("least", trace.at_least),
                ("most", trace.at_most),
                ("declared", trace.declared),
            )
            if value is not None and math.isfinite(value)
        }

    def share(self, value: float) -> float:
        """How high a value stands, 0 to 1."""
        low, high = self.low, self.high
        if self.trace.steep:
            value, low, high = (math.log10(max(each, 1e-9)) for each in (value, low, high))
        return max(0.0, min(1.0, (value - low) / (high - low))) if high > low else 0.0

    def _row(self, value: float) -> int:
        """The line, from the top, in which a value stands."""
        return self.rows - 1 - min(self.rows - 1, int(self.share(value) * self.rows))

    def outside(self, value: float) -> bool:
        trace = self.trace
        if trace.at_least is not None and value < trace.at_least:
            return True
        return trace.at_most is not None and value > trace.at_most

    def lines(self) -> list[Content]:
        """The strip, from the top."""
        heights = [
            max(1, round(self.share(value) * self.rows * 8)) if math.isfinite(value) else -1
            for value in self.columns
        ]
        posts = self._posts()
        return [self._line(n, heights, posts) for n in range(self.rows)]

    def _line(self, n: int, heights: list[int], posts: dict[int, str]) -> Content:
        below = (self.rows - 1 - n) * 8
        dashes = n in self.limits.values() and self.rows > 1
        runs: list[tuple[str, str]] = []
        for at in range(self.width):
            text, style = ("╌" if dashes else " "), "$quiet"
            if at < len(heights):
                height = heights[at]
                if height < 0:
                    text = NONE if n == self.rows - 1 else text
                elif height > below:
                    bad = self.outside(self.columns[at])
                    top = height <= below + 8
                    text = OUTSIDE if bad and top else RISE[min(8, height - below)]
                    style = ALERT_STYLE if bad and top else "$lead"
                elif at in posts:
                    text = "┆"
            if runs and runs[-1][1] == style:
                runs[-1] = (runs[-1][0] + text, style)
            else:
                runs.append((text, style))
        return Content.assemble(*runs)

    def _posts(self) -> dict[int, str]:
        count = max(1, len(self.trace.points))
        shown = min(count, self.width)
        return {at * shown // count: word for at, word in self.trace.posts if 0 <= at < count}

    def extreme(self) -> tuple[int, float] | None:
        """Where the value that matters most stands, and which it is."""
        there = [(value, at) for at, value in enumerate(self.columns) if math.isfinite(value)]
        if not there:
            return None
        value, at = min(there) if self.trace.fold == "least" else max(there)
        return at, value

    def extreme_told(self) -> str:
        """The value that matters most in words, beside the limit that it comes near to; "" where none is."""
        found = self.extreme()
        if found is None:
            return ""
        trace = self.trace
        least = trace.fold == "least"
        what = "lowest" if least else "longest" if trace.steep else "most"
        limit = trace.at_least if least else trace.at_most
        beside = "" if limit is None else f", {'at least' if least else 'at most'} {_short(limit, trace)}"
        return f"{what} {_short(found[1], trace)}{beside}"

    def pointer(self) -> Content:
        """Under the strip: where its extreme is, and where something changed."""
        found = self.extreme()
        if found is None:
            return say(self._post_words(self.width, self.width), "$quiet", limit=self.width)
        at, value = found
        bad = self.outside(value)
        text, start = self._pointing(at, f"{OUTSIDE} " if bad else "")
        end = min(self.width, start + len(text))
        cells = self._post_words(start, end)
        return row(
            say(cells[:start], "$quiet", limit=self.width),
            say(text[: end - start], ALERT_STYLE if bad else "bold", limit=self.width),
            say(cells[end:], "$quiet", limit=self.width),
        )

    def _post_words(self, start: int, end: int) -> str:
        """Posts, each with its word where that has room before the next one and before what stands from
        `start` to `end`."""
        posts = sorted(self._posts().items())
        cells = [" "] * self.width
        for n, (at, word) in enumerate(posts):
            until = posts[n + 1][0] if n + 1 < len(posts) else self.width
            until = min(until, start) if at < start else until
            told = word if at + 1 + len(word) <= until and not start <= at < end else ""
            cells[at : at + 1 + len(told)] = f"┆{told}"
        return "".join(cells)

    def _pointing(self, at: int, shape: str) -> tuple[str, int]:
        """The words with their pointer at column `at`, and where they start: to the right, else to the left,
        else less of them."""
        told = self.extreme_told()
        for words_ in (told, told.partition(",")[0], ""):
            text = f"▲ {shape}{words_}".rstrip()
            if at + len(text) <= self.width:
                return text, at
            text = f"{shape}{words_} ▲".lstrip()
            if len(text) <= at + 1:
                return text, at - len(text) + 1
        return "▲", at


def _short(value: float, trace: Trace) -> str:
    return words.quantity(float(f"{value:.3g}"), trace.unit)


def _ends(trace: Trace, columns: Sequence[float]) -> tuple[float, float]:
    """The scale: all points and limits on it; from zero, unless what is shown lies far above."""
    lines = [trace.at_least, trace.at_most, trace.declared]
    there = [value for value in (*columns, *lines) if value is not None and math.isfinite(value)]
    if not there:
        return 0.0, 1.0
    low, high = min(there), max(there)
    if trace.steep:
        high = max(high * 1.5, 1e-3)
        return max(high / 10**_DECADES, 1e-6), high
    if low > 0 and low > 0.7 * high and trace.declared is None:
        # Voltages: what moves is a small part of what there is.
        room = (high - low) or abs(high) * 0.1
        return low - 0.6 * room, high + 0.3 * room
    return min(low, 0.0), high * 1.15 if high > 0 else 1.0


def _told(trace: Trace, rows: int, drawn: _Strip, width: int) -> list[Content]:
    """What stands right of the strip, line by line: words first, limits where they are drawn."""
    told = say(trace.told, "bold", limit=120)
    if trace.steep and drawn.height == 1:  # there is no line for a pointer
        told = say(f"{drawn.extreme_told()}; {trace.told}", "bold", limit=160)
    words_lines = [line.rstrip() for line in told.wrap(width)] or [Content("")]
    out = words_lines[:rows]
    if len(words_lines) > rows:
        out[-1] = told.truncate(width, ellipsis=True) if rows == 1 else out[-1]
    out += [Content("")] * (rows - len(out))
    bounds = (
        ("most", "at most", trace.at_most),
        ("least", "at least", trace.at_least),
        ("declared", "declared", trace.declared),
    )
    for key, word, value in bounds:
        at = drawn.limits.get(key)
        if value is None or at is None or rows == 1:
            continue
        empty = [n for n in range(rows - 1, -1, -1) if not out[n].plain]
        own = at in empty
        if own or empty:
            text = f"{word} {_short(value, trace)}"
            out[at if own else empty[0]] = say(f"╌ {text}" if own else text, "$quiet", limit=60)
    return out
