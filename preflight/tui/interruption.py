"""What a crew must not lose sight of: where they were before an interruption, and what they have passed."""

from __future__ import annotations

from preflight.clean import clean
from preflight.tui import words
from preflight.tui.draw.scene import Notice
from preflight.tui.places import Place, place_of
from preflight.tui.view import View
from preflight.walk.ledger import FINDING_KINDS


def before_of(view: View, place: Place) -> str | None:
    """The step that something was found for last, other than the one shown."""
    for act in reversed(view.acts):
        name = getattr(act.data, "step", None)
        shown = place.kind == "step" and place.name == name
        if act.entry.kind in FINDING_KINDS and name in view.state.steps and not shown:
            return str(name)
    return None


def back_again(view: View) -> Notice:
    """Coming back to a record: how long it was left, what is next, the step before it to be read again."""
    resume = next((act for act in reversed(view.acts) if act.entry.kind == "resume"), None)
    away = float(resume.data.away) if resume is not None and resume.data.away is not None else None
    text = "" if away is None else f"{words.clock_span(away)} away. "
    due = place_of(view.state.next)
    text += f"Next: {clean(due.name or due.kind, limit=60)}."
    before = before_of(view, due)
    if before is not None:
        step = view.step(before)
        challenge = clean(step.step.challenge, limit=80)
        response = f" — {clean(step.step.response, limit=60)}" if step.step.response else ""
        text += f" Read again the one before it, {before} ({step.outcome}): {challenge}{response}"
    return Notice("Back again", text)


def passed_over(view: View, place: Place) -> Notice | None:
    """An alert that names the required steps before this one that are still to be done; None without any."""
    if place.kind != "step":
        return None
    here = view.book.phase_of[place.name]
    order = [each.id for each in here.step]
    own = here.step[: order.index(place.name)]
    steps = [step for phase in view.book.earlier(here.id) for step in phase.step] if here.gate else []
    passed = [view.step(step.id) for step in (*steps, *own) if step.required]
    named = [f"{state.step.id} ({state.outcome})" for state in passed if not state.satisfied]
    if not named:
        return None
    said = f"{words.listed(named, 'and')} before {place.name}: still to be done."
    return Notice("Passed over", said, alert=True)
