"""What a check shows while it works: numbers over time, lines that come, reports heard. Bounded and cleaned.

A check yields these inside its `Progress`; a screen draws them, whoever else runs checks may ignore them.
They tell how it goes and are judged by nobody: the finding alone counts.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import msgspec

from preflight.clean import clean

MOST_POINTS = 240
MOST_LINES = 200
MOST_RECEPTIONS = 12
MOST_PARTS = 4
LONGEST = 400
"""Characters of one text."""

Fold = Literal["least", "most"]
LineKind = Literal["sample", "undecoded", "passed", "sent", "heard"]


class Trace(msgspec.Struct, frozen=True, kw_only=True):
    """Numbers in the order in which they came, the newest last; NaN where there was none.

    Limits and `declared` are in `unit`, as the points are. `fold` says which of several numbers stands for
    them where there is no room for all: the one that matters. `posts` are indices at which something
    changed, with a word for it. `steep` asks for a logarithmic scale. `told` says it in words.
    """

    name: str
    unit: str = ""
    points: tuple[float, ...] = ()
    fold: Fold = "most"
    at_least: float | None = None
    at_most: float | None = None
    declared: float | None = None
    posts: tuple[tuple[int, str], ...] = ()
    steep: bool = False
    told: str = ""


class Bad(msgspec.Struct, frozen=True):
    """A part of a line's text that is not as declared, from `start` to `end`, and why, limit and all.

    Where it is missing altogether `start` and `end` are one.
    """

    start: int
    end: int
    why: str


class Line(msgspec.Struct, frozen=True):
    """One line of what came or went: cleaned text, or bytes in hex, with its bad parts in order.

    "passed" lines say in words how many others came that are not shown.
    """

    text: str
    bad: tuple[Bad, ...] = ()
    kind: LineKind = "sample"


class Stream(msgspec.Struct, frozen=True, kw_only=True):
    """The latest lines, the newest last, of `seen` that came; `rest` is what came and ends no line yet."""

    name: str
    lines: tuple[Line, ...] = ()
    seen: int = 0
    rest: str = ""


class Reception(msgspec.Struct, frozen=True, kw_only=True):
    """One report that was heard `ago` seconds ago.

    `age` is how old its position was when it was heard (s), `distance` how far it is from the site (m); None
    where it tells none. `faults` says what of it is outside its limits, in words.
    """

    ago: float
    text: str
    age: float | None = None
    distance: float | None = None
    faults: tuple[str, ...] = ()


class Receptions(msgspec.Struct, frozen=True, kw_only=True):
    """The latest reports heard, the newest last, of `seen`."""

    name: str
    reports: tuple[Reception, ...] = ()
    seen: int = 0
    told: str = ""


Live = Trace | Stream | Receptions


def bounded(parts: Iterable[Live]) -> tuple[Live, ...]:
    """The same within the bounds of this module, texts cleaned: what a check from outside gives may be any
    length. Parts that are within them already are handed on as they are."""
    return tuple(_bounded(part) for part in tuple(parts)[:MOST_PARTS])


def _bounded(part: Live) -> Live:
    if isinstance(part, Trace):
        cut = max(0, len(part.points) - MOST_POINTS)
        posts = tuple((at - cut, _short(word)) for at, word in part.posts[-MOST_PARTS:] if at >= cut)
        return msgspec.structs.replace(
            part,
            name=_short(part.name),
            unit=_short(part.unit),
            points=part.points[cut:],
            posts=posts,
            told=_short(part.told),
        )
    if isinstance(part, Stream):
        lines = part.lines[-MOST_LINES:]
        lines = tuple(line if _is_short(line) else _cut(line) for line in lines)
        return msgspec.structs.replace(part, name=_short(part.name), lines=lines, rest=_short(part.rest))
    reports = tuple(
        msgspec.structs.replace(each, text=_short(each.text), faults=tuple(map(_short, each.faults[:4])))
        for each in part.reports[-MOST_RECEPTIONS:]
    )
    return msgspec.structs.replace(part, name=_short(part.name), reports=reports, told=_short(part.told))


def _short(text: str) -> str:
    if len(text) <= LONGEST and text.isascii() and text.isprintable():
        return text
    return clean(text, limit=LONGEST)


def _is_short(line: Line) -> bool:
    return len(line.text) <= LONGEST and len(line.bad) <= MOST_LINES and _short(line.text) == line.text


def _cut(line: Line) -> Line:
    """Marks of a text that is not what it was would point anywhere: they are given up."""
    return Line(_short(line.text), (), line.kind)
