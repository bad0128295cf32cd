"""Why a go no longer counts: time, a changed value, a step done again, an answer out of its window."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from preflight.clock import Moment
from preflight.config.checklist import Step
from preflight.walk.ledger import FindingLog, Ledger

if TYPE_CHECKING:
    from preflight.walk.state import StepState


def expiry_of(step: Step, finding: FindingLog) -> datetime | None:
    """When a finding of this step stops counting by time alone."""
    return None if step.valid_for is None else finding.at.at + timedelta(seconds=step.valid_for)


def stale_reason(
    ledger: Ledger, step: Step, finding: FindingLog, now: Moment, known: Mapping[str, StepState]
) -> str | None:
    """Why this finding is stale at `now`, None if it is not; `known` holds the steps that it depends on."""
    return (
        _timed_out(step, finding, now)
        or changed(ledger, step, finding)
        or _done_again(ledger, step, finding, known)
        or _out_of_window(ledger, finding, now)
    )


def _timed_out(step: Step, finding: FindingLog, now: Moment) -> str | None:
    if step.valid_for is None:
        return None
    age = now.since(finding.at)
    if age < timedelta(0):
        return "the clock is behind the time at which it was done: how old it is can't be told"
    if age > timedelta(seconds=step.valid_for):
        return f"valid for {_span(step.valid_for)} only, done {finding.at.at:%H:%M} UTC"
    return None


def changed(ledger: Ledger, step: Step, finding: FindingLog) -> str | None:
    """Which value that this finding used is another by now; None if all are the same."""
    values = ledger.values
    if ledger.values_at_release is not None and ledger.book.phase_of[step.id].gate is not None:
        values = ledger.values_at_release
    return values.changed(finding.used)


def _done_again(
    ledger: Ledger, step: Step, finding: FindingLog, known: Mapping[str, StepState]
) -> str | None:
    gated = ledger.book.phase_of[step.id].gate is not None
    for name in step.after:
        before = known.get(name)
        if before is None or (before.phase.gate is not None and not gated):
            continue
        if not before.satisfied:
            return f"depends on {name}, which is {before.outcome}"
        if before.finding is not None and before.finding.act.order > finding.act.order:
            return f"{name} was done again at {before.finding.at.at:%H:%M} UTC"
    return None


def _out_of_window(ledger: Ledger, finding: FindingLog, now: Moment) -> str | None:
    """An authority's answer must be valid at the planned release, and now that this has passed."""
    if finding.act.entry.kind != "defer":
        return None
    release = ledger.values.flight.flight.release
    start, end = finding.act.data.valid_from, finding.act.data.valid_until
    if start is not None and release < datetime.fromisoformat(start):
        return f"the answer is valid from {start[:10]} {start[11:16]} UTC, after the planned release"
    if end is None:
        return None
    until = f"the answer is valid until {end[:10]} {end[11:16]} UTC"
    if release > datetime.fromisoformat(end):
        return f"{until}, before the planned release"
    return f"{until}, which has passed" if now.at > datetime.fromisoformat(end) else None


def _span(seconds: float) -> str:
    return f"{seconds / 3600:g} h" if seconds >= 7200 else f"{seconds / 60:g} min"
