"""The replay's own lines: the record's state, the strip of entries, what an entry changed."""

from __future__ import annotations

from textual.content import Content

from preflight.tui import words
from preflight.tui.draw.call import before_line, call_blocks
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.step import step_blocks
from preflight.tui.draw.text import Block, badge, fit, fitted, row, say
from preflight.tui.marks import ALERT_STYLE, NOTE_STYLE, PLAIN_STYLE, Mark
from preflight.tui.replay.session import Line, Shown

REPLAY = Mark("◇", "REPLAY", NOTE_STYLE)
STATES: dict[str, Mark] = {
    "bad": Mark("■", "BAD", ALERT_STYLE),
    "unsealed": Mark("○", "UNSEALED", PLAIN_STYLE),
    "sealed": Mark("●", "SEALED", NOTE_STYLE),
    "anchored": Mark("●", "ANCHORED", NOTE_STYLE),
}
VERDICT = " verdict "
FORK = Mark("■", "FORK", ALERT_STYLE)


def _shown(scene: Scene) -> Shown:
    assert scene.view.replay is not None
    return scene.view.replay


def record_line(scene: Scene, width: int) -> Content:
    """REPLAY, the entry's number, the record's state as `verify` gives it, and whom that trusts."""
    shown = _shown(scene)
    part = shown.part
    parts: list[Content | str] = [" ", badge(REPLAY)]
    parts += [
        Content.styled(f" {shown.spot.entry} of {shown.total} ", "bold"),
        badge(STATES[part.state]),
    ]
    if part.fork:
        parts += [" ", badge(FORK)]
    why = f" {part.why.removeprefix('the record is ')};" if part.why and part.state != "sealed" else ""
    said = say(f"{why} {part.trusted}", "$quiet", limit=600)
    return fitted(row(*parts, said), width)


def strip_lines(scene: Scene, width: int, height: int) -> list[Content]:
    """The entries around the one shown, it marked; below them what it changed."""
    shown = _shown(scene)
    room = max(1, height - (1 if height < 7 else 2))
    here = next(n for n, line in enumerate(shown.lines) if line.here)
    start = max(0, min(here - room // 2, len(shown.lines) - room))
    kinds = max(len(line.kind) for line in shown.lines)
    names = min(16, max(say(line.who, limit=60).cell_length for line in shown.lines))
    lines = [_entry_line(line, kinds, names, width) for line in shown.lines[start : start + room]]
    lines += [Content("")] * (room - len(lines))
    return lines + changed_lines(shown, width, height - room)


def _entry_line(line: Line, kinds: int, names: int, width: int) -> Content:
    seq = "" if line.seq is None else f"#{line.seq}"
    head = f"{'▶' if line.here else ' '}{seq:>6}  {words.utc_s(line.at)}  {line.kind:{kinds}}  "
    who = fitted(say(line.who, limit=60), names)
    text = fitted(row(head, who, "  ", say(line.text, limit=400)), width)
    return Content.styled(text.plain, "reverse") if line.here else text


def changed_lines(shown: Shown, width: int, height: int) -> list[Content]:
    """What the entry changed; where not all has room verdicts come first, and it is told how much is left."""
    changed = shown.changed or ("no step, phase, verdict or hold",)
    lines = _changed(changed, 0, width)
    if len(lines) > height:
        changed = tuple(sorted(changed, key=lambda each: VERDICT not in each))
        fits = (_changed(changed[:n], len(changed) - n, width) for n in range(len(changed) - 1, 0, -1))
        lines = next((each for each in fits if len(each) <= height), lines)
    if len(lines) > height:
        lines = [*lines[: height - 1], row(lines[height - 1].truncate(width - 2), " …")]
    return [fitted(line, width) for line in lines] + [Content("")] * (height - len(lines))


def _changed(changed: tuple[str, ...], more: int, width: int) -> list[Content]:
    said = " · ".join([*changed, *([f"+{more} more"] if more else [])])
    text = row(Content.styled(" changed ", "$quiet"), say(said, "bold", limit=4000))
    return [line.rstrip() for line in text.wrap(width)]


def centre_lines(scene: Scene, width: int, height: int) -> list[Content]:
    """The step or call that the entry is about, as it stood; the step done before it."""
    blocks = step_blocks(scene, width) if scene.place.kind == "step" else call_blocks(scene, width)
    rule = Content.styled("─" * width, "$rule")
    return [before_line(scene, width), rule, *_airy(blocks, height - 2, width)]


def _airy(blocks: list[Block], height: int, width: int) -> list[Content]:
    if sum(len(block.lines) + 1 for block in blocks) <= height:
        return [line for block in blocks for line in (*block.lines, Content(""))]
    return fit(blocks, height, width)
