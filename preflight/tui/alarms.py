"""What must not be missed when one view follows another: told on the screen, and by the terminal's bell."""

from __future__ import annotations

from dataclasses import dataclass

from preflight.tui import words
from preflight.tui.draw.scene import About
from preflight.tui.view import View
from preflight.walk.ledger import Act

TURNED = {"no-go": "No-go", "stale": "Stale"}
"""Outcomes that raise an alarm when a step turns to them."""

NOBODY_WRITES = "the screen on which the walk was at work has ended"


@dataclass(frozen=True, slots=True)
class Alarm:
    """One thing to say; `step` is the step whose place on the screen says it already."""

    title: str
    text: str
    about: About
    step: str | None = None
    alert: bool = True


def alarms(before: View, after: View) -> tuple[Alarm, ...]:
    """What `after` raises that `before` did not: storage, holds, steps turned no-go or stale, checks over.

    Only where one goes on from the other: a record that is just opened raises nothing.
    """
    if before.record is None or after.record is None or len(after.acts) < len(before.acts):
        return ()
    new = after.acts[len(before.acts) :]
    return (*_storage(before, after), *_holds(before, after), *_steps(before, after, new))


def _storage(before: View, after: View) -> list[Alarm]:
    old, now = before.record, after.record
    assert old is not None
    assert now is not None
    raised = []
    if now.failed is not None and old.failed is None:
        raised.append(Alarm("Record stopped", now.failed, "storage"))
    if now.mirror_behind is not None and old.mirror_behind is None:
        raised.append(Alarm("Mirror behind", now.mirror_behind, "storage"))
    if now.left and not old.left:
        text = f"{NOBODY_WRITES}; the last entry is of {words.utc_s(now.on_disk)}."
        raised.append(Alarm("Nobody at work", text, "nobody-writes"))
    return raised


def _holds(before: View, after: View) -> list[Alarm]:
    known = {(act.entry.rec, act.entry.seq) for act in before.state.holds}
    return [
        Alarm("Hold", f"{after.person(act.data.claimed or act.signer)}: {act.data.reason}", "hold")
        for act in after.state.holds
        if (act.entry.rec, act.entry.seq) not in known
    ]


def _steps(before: View, after: View, new: tuple[Act, ...]) -> list[Alarm]:
    raised: list[Alarm] = []
    if after.past:
        return raised  # nothing is done about a step any more
    over = {act.data.step for act in new if act.entry.kind == "check"}
    for name, step in after.state.steps.items():
        old = before.state.steps.get(name)
        turned = old is not None and old.outcome != step.outcome and step.outcome in TURNED
        if turned:
            raised.append(Alarm(TURNED[step.outcome], f"{name}: {step.reason}", "step", name))
        elif name in over:
            waits = f", waits for its {step.waiting}" if step.waiting in ("signature", "witness") else ""
            raised.append(Alarm("Check over", f"{name}: {step.outcome}{waits}", "step", name, alert=False))
    return raised
