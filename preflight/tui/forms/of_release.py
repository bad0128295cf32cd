"""The form of the release: when the balloon left, and whether that is entered as with go."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from preflight.clean import clean
from preflight.errors import Refused
from preflight.record.entry import format_utc
from preflight.tui import words
from preflight.tui.forms.form import Answers, Field, Form, Missing, Wrong, who
from preflight.tui.places import no_release
from preflight.tui.view import View
from preflight.walk.acts import Walk
from preflight.walk.ledger import Act
from preflight.walk.rules import release_facts

WHEN = Field(key="at", label="when (empty: now)", kind="time-near", optional=True)
AHEAD = "that is still to come: a release is entered once the balloon has left"
TITLE = "Release: the balloon has left"
WORD = "without go it takes a word on what happened"


def release(view: View, seen: Callable[[], View]) -> Form:
    """The balloon has left, on whatever verdict. `view` is what the dialogue opens on, `seen` the latest.

    Which of the two it will be entered as is said under the time as it is typed, and nothing else is entered.
    """
    authorised = _authorised(view)

    def typed_time(typed: Mapping[str, str]) -> datetime | None:
        return Answers(seen(), {WHEN.key: WHEN}, typed).time(WHEN.key)

    def tells(typed: Mapping[str, str]) -> str:
        try:
            at = typed_time(typed)
        except Missing:
            return ""
        return _entered_as(seen(), at or seen().state.now.at)

    def tells_reason(typed: Mapping[str, str]) -> str:
        if typed["reason"].strip():
            return ""
        try:
            at = typed_time(typed)
        except Missing:
            return ""
        return "" if seen().with_go(at or seen().state.now.at) else WORD

    def judge(answers: Answers) -> None:
        at = typed_time(answers.typed)
        if at is not None and (fault := _impossible(seen(), at)):
            raise Wrong(WHEN.key, fault)

    def make(answers: Answers) -> Any:
        judge(answers)
        at, now = typed_time(answers.typed), seen().state.now.at
        told = seen().with_go(at or now)
        reason, person = answers.text("reason"), answers.person()
        if not told and not reason:
            raise Missing("reason", WORD)

        def do(walk: Walk) -> object:
            moment = walk.now()
            left = at or moment.at
            if release_facts(walk.ledger, moment, format_utc(left))[1] != told:
                raise Refused("Whether it is with go has just changed: look again, then Enter.")
            return walk.release(person, released_at=left, reason=reason)

        return do

    return Form(
        title="Left WITHOUT GO: the balloon has left all the same" if authorised is None else TITLE,
        about=() if authorised is None else (f"Authorised at {words.utc_s(authorised.at.at)}.",),
        warning="Released without go: say what happened." if authorised is None else "",
        fields=(
            replace(WHEN, tells=tells, judge=judge),
            Field(
                key="reason",
                label="what happened" if authorised is None else "remark",
                optional=authorised is not None,
                tells=tells_reason if authorised is not None else None,
            ),
            who(),
        ),
        make=make,
        trial=lambda walk, person: walk.release(person, released_at=view.state.now.at, reason="-"),
    )


def _authorised(view: View) -> Act | None:
    gate = view.state.gates[view.book.gates[-1]] if view.book.gates else None
    return gate.authorised if gate is not None else None


def _impossible(view: View, at: datetime) -> str:
    """Why the balloon can't have left at that moment; "" where it can."""
    if at > view.state.now.at:
        return AHEAD
    opened = view.acts[0].at.at
    if at < opened <= view.state.now.at:  # a clock that was set back since says nothing about the opening
        return f"it can't have left then: the record was opened at {words.utc_s(opened)}"
    return ""


def _entered_as(view: View, at: datetime) -> str:
    """What a release at that moment will be entered as, and why it is without go."""
    if fault := _impossible(view, at):
        return fault
    if view.with_go(at):
        return "entered as released with go"
    authorised = _authorised(view)
    why = no_release(view.state)
    if authorised is not None and at < authorised.at.at:
        why = f"it was authorised at {words.utc_s(authorised.at.at)} only"
    return clean(f"entered as released WITHOUT GO: {why or 'the verdict was not go then'}", limit=300)
