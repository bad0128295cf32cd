"""The footer: keys that do something now, on as many lines as there are; and what was last said."""

from __future__ import annotations

from textual.content import Content

from preflight.tui.draw.key_line import packed
from preflight.tui.draw.scene import Notice, Scene
from preflight.tui.draw.text import badge, fitted, row, say
from preflight.tui.keys import offered
from preflight.tui.marks import ALERT


def key_lines(scene: Scene, width: int, height: int) -> list[Content]:
    """`height` lines of keys with their words; what does not fit is found under `?`."""
    return packed(offered(scene), width, height)


def notice_lines(notice: Notice | None, width: int) -> list[Content]:
    """What was said to the crew last: its title and sentence, two lines at most."""
    if notice is None:
        return []
    head = row(" ", badge(ALERT), " ") if notice.alert else Content(" ")
    text = row(head, say(f"{notice.title}: ", "bold"), say(notice.text, limit=600))
    lines = [line.rstrip() for line in text.wrap(width - 1)]
    if len(lines) > 2:
        lines = [lines[0], row(lines[1].truncate(width - 3), " …")]
    return [fitted(line if n == 0 else row(" ", line), width) for n, line in enumerate(lines)]
