"""Pages of text: a step in full, figures, the notification sheet, help."""

from __future__ import annotations

from pathlib import Path

from textual.content import Content

from preflight.tui.draw.call import centre_lines
from preflight.tui.draw.lists import figure_lines
from preflight.tui.draw.runout import run_out_lines
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.step import meant, step_blocks
from preflight.tui.draw.text import badge, fitted, row, say
from preflight.tui.keys import KEYS
from preflight.tui.marks import OUTCOMES, VERDICTS
from preflight.tui.view import View

WIDTH = 74

Text = tuple[str, list[Content]]


def in_full(scene: Scene) -> Text:
    """Everything there is to say of what is shown."""
    if scene.place.kind != "step":
        return "In full", centre_lines(scene, WIDTH, 60)
    lines = [line for block in step_blocks(scene, WIDTH) for line in block.lines]
    step = scene.view.step(scene.place.name)
    lines.append(Content(""))
    for act in scene.view.acts:
        if getattr(act.data, "step", None) == step.step.id:
            said = f"entry {act.entry.seq} {act.entry.kind} {act.at.at:%Y-%m-%d %H:%M:%S}Z "
            lines.append(say(f"   {said}{scene.view.person(act.signer)} {meant(act)}", "$quiet"))
    return f"Step {step.step.id} in full", lines


def figures(scene: Scene) -> Text:
    """What runs out first, and every figure."""
    lines = run_out_lines(scene.extra.figures, WIDTH, 12)
    return "Figures", [*lines, Content(""), *figure_lines(scene, WIDTH)]


def notice(view: View, folder: Path) -> Text:
    """The notification sheet of the values in force, to read out. Raises for rules that can't be read."""
    # Loaded when it is asked for: the first screen does not wait for them.
    from preflight.figures.compute import compute
    from preflight.figures.notification import sheet_text
    from preflight.report.notice import sheet_for

    now = view.state.now.at
    figures = compute(view.flight, view.measured, folder=folder, now=now)
    sheet = sheet_for(view.flight, figures, folder=folder, now=now)
    lines = [
        say(line, "bold" if line.isupper() or line.startswith("! ") else "", limit=WIDTH)
        for line in sheet_text(sheet, WIDTH).splitlines()
    ]
    return "Notification sheet", lines


def help_page() -> Text:
    """Every key on one screen, two columns, and the marks."""
    head = [
        ("Enter", "The step's act; 1-9 who signs"),
        ("Ctrl+P", "Search acts and steps"),
        ("← →", "The step before, or after"),
    ]
    pairs = head + [(key.shown, key.help) for key in KEYS if key.name not in ("back", "on")]
    half = (len(pairs) + 1) // 2
    lines = []
    for n in range(half):
        right = pairs[n + half] if n + half < len(pairs) else ("", "")
        lines.append(row(_pair(pairs[n]), _pair(right)))
    # A verdict's go and no-go look as a step's do.
    marks = {mark.text: mark for mark in (*OUTCOMES.values(), *VERDICTS.values())}
    lines.append(Content(" ").join([badge(mark) for mark in marks.values()]))
    return "Help: keys and marks", lines


def _pair(pair: tuple[str, str]) -> Content:
    width = WIDTH // 2
    return fitted(row(Content.styled(f"{pair[0]:>6} ", "bold $lead"), say(pair[1], limit=80)), width)
