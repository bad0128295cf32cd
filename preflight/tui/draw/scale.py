"""A reading on a scale between its limits, and bars at an eighth of a cell."""

from __future__ import annotations

from collections.abc import Sequence

from textual.content import Content

from preflight.clean import clean
from preflight.readings import Reading
from preflight.tui import words
from preflight.tui.draw.text import fitted, lines_of, row, say
from preflight.tui.marks import ALERT_STYLE

EIGHTHS = " ▏▎▍▌▋▊▉█"


def bounds(reading: Reading) -> tuple[float, float] | None:
    """The ends of the scale that a reading is drawn on, None where it has no limit."""
    low, high = reading.at_least, reading.at_most
    if low is not None and high is not None:
        room = (high - low) * 0.3 or abs(high) * 0.3 or 1.0
        return low - room, high + room
    if low is not None:
        return (0.0, low * 2.5) if low > 0 else (low - abs(low) - 1.0, low + abs(low) + 1.0)
    if high is not None:
        return (0.0, high * 1.5) if high > 0 else (high - abs(high) - 1.0, high + abs(high) + 1.0)
    return None


def scale(reading: Reading, width: int) -> Content:
    """`width` cells: the part inside the limits is heavy, limits are posts, the value is a diamond.

    A value beyond an end of the scale is an arrowhead there.
    """
    ends = bounds(reading)
    if ends is None or width < 6 or not ends[0] < ends[1]:
        return Content(" " * max(0, width))
    start, end = ends
    last = width - 1

    def cell(value: float) -> int:
        share = (value - start) / (end - start)
        return round(max(-1.0, min(2.0, share)) * last)

    cells = []
    low = cell(reading.at_least) if reading.at_least is not None else -1
    high = cell(reading.at_most) if reading.at_most is not None else width
    for n in range(width):
        cells.append("┃" if n in (low, high) else "━" if low < n < high else "─")
    if not isinstance(reading.value, (int, float)):
        return Content.styled("".join(cells), "$quiet")
    at = cell(reading.value)
    shape = "◀" if at < 0 else "▶" if at > last else "◆"
    at = max(0, min(last, at))
    style = ALERT_STYLE if reading.within is False else "bold $ink"
    return row(
        Content.styled("".join(cells[:at]), "$quiet"),
        Content.styled(shape, style),
        Content.styled("".join(cells[at + 1 :]), "$quiet"),
    )


VALUE = 11
"""Cells of a value with its unit."""
MOST_NAME = 30
LEAST_SCALE = 12
"""Cells of a scale for which longer names give way."""


def name_width(readings: Sequence[Reading], width: int) -> int:
    """Cells for the names of readings that stand under each other on lines of `width`."""
    return max(8, min(_longest(readings), MOST_NAME, width // 3))


def _longest(readings: Sequence[Reading]) -> int:
    return max((len(reading.name) for reading in readings), default=12)


def short_names(names: Sequence[str], room: int) -> list[str]:
    """Names in at most `room` cells each, no two alike: whole, without what stands before their first point
    where none of them needs it, else without their middle."""
    if all(len(name) <= room for name in names):
        return list(names)
    bare = [name.partition(".")[2] or name for name in names]
    for told in (bare, names):
        for end in range((room - 1) // 2, room - 1):
            cut = [words.middle_cut(name, room, end) for name in told]
            if len(set(cut)) == len(set(names)):
                return cut
    return [words.middle_cut(name, room) for name in names]


def tail_width(readings: Sequence[Reading]) -> int:
    """Cells for limits and margins behind the scales of readings that stand under each other."""
    return max((_tail(each).cell_length for each in readings if bounds(each) is not None), default=0)


def _tail(reading: Reading) -> Content:
    """Limits, and how much of them is left; of what is outside them a factor would tell nobody anything."""
    beyond = words.beyond(reading)
    margin = f" {words.times(reading.margin)}" if reading.margin is not None else ""
    left = Content.styled(f" {beyond}", ALERT_STYLE) if beyond else Content.styled(margin, "bold")
    return row(Content.styled(f" {words.bounds(reading)}", "$quiet"), left)


def reading_lines(readings: Sequence[Reading], width: int) -> list[Content]:
    """Readings under each other: no two names are alike, and scales begin and end alike.

    Names are whole where that leaves a scale that can be read.
    """
    tails = tail_width(readings)
    beside = VALUE + 2 + tails + LEAST_SCALE
    room = max(name_width(readings, width), min(MOST_NAME, width - beside, _longest(readings)))
    names = short_names([clean(reading.name, limit=60) for reading in readings], room)
    room = max((len(name) for name in names), default=0)
    return [
        reading_line(each, width, room, tails, called=name)
        for each, name in zip(readings, names, strict=True)
    ]


def reading_line(
    reading: Reading, width: int, names: int | None = None, tails: int = 0, *, called: str = ""
) -> Content:
    """Name, value, scale, limits and margin on one line.

    `names` is the cells for the name, `tails` those for limits and margin: scales under each other end alike.
    `called` is the name in fewer characters.
    """
    room = names if names is not None else name_width([reading], width)
    name = fitted(say(called or words.middle_cut(clean(reading.name, limit=60), room)), room)
    value = say(words.value_of(reading), "bold", limit=40)
    value = value.truncate(max(VALUE, width - room - 2), ellipsis=True)
    head = row(name, " ", " " * (VALUE - value.cell_length), value, " ")
    if bounds(reading) is None:
        note = "" if reading.source == "measured" else reading.source
        return row(head, Content.styled(note, "$quiet")).truncate(width, ellipsis=True)
    tail = _tail(reading)
    middle = min(width - head.cell_length - max(tails, tail.cell_length), 40)
    drawn = scale(reading, middle) if middle >= 8 else Content("")
    return row(head, drawn, tail).truncate(width, ellipsis=True)


def bar(share: float, width: int) -> str:
    """A bar over `share` (0 to 1) of `width` cells, at an eighth of a cell, filled up with blanks."""
    eighths = round(max(0.0, min(1.0, share)) * width * 8)
    full, rest = divmod(eighths, 8)
    text = "█" * full + (EIGHTHS[rest] if rest else "")
    return text.ljust(width)


def progress_lines(text: str, fraction: float | None, seconds: float, width: int) -> list[Content]:
    """Long work: a bar where its share is known, the seconds, what is being done, on lines of its own where
    it is too long for the first."""
    took = f"{seconds:.0f} s"
    share = "" if fraction is None else f"{fraction * 100:3.0f} % "
    room = max(8, min(24, width // 4))
    if fraction is None:
        at = int(seconds * 4) % (room - 2)
        drawn = " " * at + "███" + " " * (room - at - 3)
    else:
        drawn = bar(fraction, room)
    head = row(Content.styled(drawn, "$lead on $bar-back"), f" {share}{took}  ")
    said = say(text, limit=200)
    if head.cell_length + said.cell_length <= width:
        return [row(head, said)]
    return [head.truncate(width, ellipsis=True), *lines_of(said, width)]
