"""A list of choices in the room that there is. Needs nothing that takes long to load."""

from __future__ import annotations

from textual.content import Content

from preflight.tui.draw.text import more_line


def choice_lines(blocks: list[list[Content]], at: int, width: int, height: int) -> list[Content]:
    """The lines of as many choices as fit, number `at` among them; each is there with its first line or not.

    How many more there are above and below stands on the last line.
    """
    if sum(map(len, blocks)) <= height:
        return [line for block in blocks for line in block]
    room = height - 1 if height > 1 else height
    first = at
    while first and sum(map(len, blocks[first - 1 : at + 1])) <= room:
        first -= 1
    lines: list[Content] = []
    after = first
    while after < len(blocks) and len(lines) < room:
        lines += blocks[after]
        after += 1
    if height <= 1 or (first == 0 and after == len(blocks)):
        return lines[:height]
    told = [f"▲ {first} more above"] if first else []
    told += [f"▼ {len(blocks) - after} more below"] if after < len(blocks) else []
    return [*lines[:room], more_line("   ".join(told), width, f"{at + 1} of {len(blocks)}  ")]
