"""Lines that come, as they come: bad parts marked by a shape and reversed, with what is wrong in words."""

from __future__ import annotations

from textual.content import Content

from preflight.clean import clean
from preflight.live import LONGEST, MOST_LINES, Bad, Line, Receptions, Stream
from preflight.tui import words
from preflight.tui.draw.text import fitted, row, say
from preflight.tui.marks import ALERT_STYLE

LABEL = 11
BAD = "■"
_BEFORE = {"undecoded": ("▨ ", "no sample: "), "sent": ("→ ", ""), "heard": ("← ", ""), "passed": ("⋮ ", "")}


def line_content(line: Line, width: int) -> Content:
    """One line in `width` cells; where it is longer, the part around its first bad field."""
    text = clean(line.text, limit=LONGEST + 40)
    # A text that had to be cleaned again is not the one that was marked.
    bad = line.bad if text == line.text else ()
    mark, said = _BEFORE.get(line.kind, ("", ""))
    head = row(
        Content.styled(mark, ALERT_STYLE if line.kind == "undecoded" else "$quiet"),
        Content.styled(said, "bold") if said else "",
    )
    room = width - head.cell_length
    body = _marked(text, bad, "$quiet" if line.kind == "passed" else "")
    if body.cell_length > room and bad:
        # What is wrong must be seen: the line is shown from a little before it.
        over = min(bad[0].start, bad[0].end + 12 - room)
        if over > 0:
            body = row(Content.styled("…", "$quiet"), _marked(text, bad, "", start=over))
    return row(head, body.truncate(room, ellipsis=True))


def _marked(text: str, bad: tuple[Bad, ...], style: str, start: int = 0) -> Content:
    runs: list[tuple[str, str]] = []
    at = start
    for each in bad:
        if each.start >= at and each.end <= len(text):
            runs.append((text[at : each.start], style))
            # The shape stands beside the fill: inside it, it would be lost on some fills.
            runs.append((BAD, "bold"))
            runs.append((text[each.start : each.end], f"{ALERT_STYLE} underline"))
            at = each.end
    return Content.assemble(*runs, (text[at:], style))


def why_lines(line: Line, width: int, most: int = 4) -> list[Content]:
    """What is wrong with a line's bad parts, each with the field's name and its limit."""
    if most == 1:
        whys = " · ".join(each.why for each in line.bad)
        told = [row(Content.styled(f"└{BAD} ", "bold"), say(whys, "bold"))] if whys else []
        return [each.truncate(width, ellipsis=True) for each in told]
    out = []
    for each in line.bad[:most]:
        out.append(row(Content.styled(f"└{BAD} ", "bold"), say(each.why, "bold", limit=160)))
    if len(line.bad) > most:
        out[-1] = row(out[-1], Content.styled(f"  +{len(line.bad) - most} more", "$quiet"))
    return [each.truncate(width, ellipsis=True) for each in out]


def stream_lines(stream: Stream, width: int, height: int) -> list[Content]:
    """The latest lines in `height`, and under them what is wrong with the latest bad one that is shown."""
    if height < 1:
        return []
    room = width - LABEL
    if not stream.lines:
        return _under(stream.name, [_rest(stream, room)], width)
    rest = [_rest(stream, room)] if stream.rest and height > 2 else []
    shown = stream.lines[-max(1, height - len(rest)) :]
    latest = next((line for line in reversed(shown) if line.bad), None)
    why: list[Content] = []
    if latest is not None and height > 1:
        why = why_lines(latest, room, most=max(1, min(3, (height - len(rest)) // 2)))
    keep = max(1, height - len(rest) - len(why))
    shown = stream.lines[-keep:]
    if latest is not None and latest not in shown:
        shown = (latest, *shown[1:]) if len(shown) > 1 else (latest,)
    out: list[Content] = []
    for line in shown:
        out.append(line_content(line, room))
        if line is latest:
            out += why
            why = []
    return _under(stream.name, [*out, *rest][:height], width)


def history_lines(stream: Stream, width: int, latest: int = MOST_LINES) -> list[Content]:
    """Every line that was kept, or the latest of them, each with what is wrong with it."""
    out: list[Content] = []
    told: set[str] = set()
    for line in stream.lines[-latest:]:
        out.append(row(" ", line_content(line, width - 2)))
        why = {each.why for each in line.bad}
        if why != told:  # of lines that are wrong in the same way the first says why
            out += [row("   ", each) for each in why_lines(line, width - 4, most=8)]
        told = why if line.kind != "passed" else told
    if stream.rest:
        out.append(row(" ", _rest(stream, width - 2)))
    return out


def _rest(stream: Stream, width: int) -> Content:
    """What ends no line yet, or that nothing has come."""
    if not stream.rest:
        return Content.styled("nothing has come yet", "$quiet").truncate(width, ellipsis=True)
    text = say(stream.rest, "", limit=LONGEST)
    return row(Content.styled("… no line yet: ", "bold"), text).truncate(width, ellipsis=True)


def reception_lines(heard: Receptions, width: int, height: int) -> list[Content]:
    """The latest reports: when each was heard, how old it was then, how far off, what it said."""
    room = width - LABEL
    out: list[Content] = []
    for each in heard.reports[-max(1, height) :]:
        age = "age ?" if each.age is None else f"age {words.span(each.age)}"
        far = "no position" if each.distance is None else _far(each.distance)
        facts = f"{words.span(each.ago):>6} ago  {age:<9} {far:<11} "
        bad = [Content.styled(f"{BAD} {clean(fault, limit=80)} ", ALERT_STYLE) for fault in each.faults]
        line = row(say(facts, "bold"), *bad, say(each.text, "$quiet", limit=200))
        out.append(line.truncate(room, ellipsis=True))
    if not out:
        out.append(say(f"nothing heard yet; {heard.told}", "$quiet").truncate(room, ellipsis=True))
    elif len(out) < height:
        out.append(say(f"{heard.seen} heard; {heard.told}", "$quiet").truncate(room, ellipsis=True))
    return _under(heard.name, out[:height], width)


def _far(metres: float) -> str:
    return f"{metres:.0f} m" if metres < 1000 else f"{metres / 1000:.1f} km"


def _under(label: str, lines: list[Content], width: int) -> list[Content]:
    head = fitted(say(f"{label[: LABEL - 2]:>{LABEL - 2}}", "$quiet"), LABEL)
    return [
        row(head if n == 0 else " " * LABEL, line).truncate(width, ellipsis=True)
        for n, line in enumerate(lines)
    ]
