"""Keys with their words, on as many lines as there are. Needs nothing that takes long to load."""

from __future__ import annotations

from textual.content import Content

from preflight.tui.draw.text import fitted, row


def packed(pairs: list[tuple[str, str]], width: int, height: int) -> list[Content]:
    """Keys and words side by side; `?` and `q` are always there."""
    always = [pair for pair in pairs if pair[0] in ("?", "q")]
    rest = [pair for pair in pairs if pair[0] not in ("?", "q")]
    tail = sum(_cells(pair) for pair in always)
    lines: list[list[tuple[str, str]]] = [[]]
    used = 1
    for pair in rest:
        room = width - (tail if len(lines) == height else 0)
        if used + _cells(pair) > room:
            if len(lines) == height:
                break
            lines.append([])
            used = 1
            room = width - (tail if len(lines) == height else 0)
        lines[-1].append(pair)
        used += _cells(pair)
    if used + tail > width and len(lines) < height:
        lines.append([])
    lines[-1] += always
    drawn = [row(" ", *[part for pair in line for part in _drawn(pair)]) for line in lines]
    return [fitted(line, width) for line in drawn]


def _cells(pair: tuple[str, str]) -> int:
    return len(pair[0]) + len(pair[1]) + 3


def _drawn(pair: tuple[str, str]) -> list[Content]:
    return [Content.styled(pair[0], "bold $lead"), Content(f" {pair[1]}  ")]
