"""The form of an authority's answer: what the step asks, and what a gate that rests on it needs."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from preflight.clean import clean
from preflight.config.checklist import WINDOW, asks_time
from preflight.errors import Refused
from preflight.tui import words
from preflight.tui.forms.form import Answers, Field, Form, Missing, who
from preflight.tui.forms.of_step import GO_THERE, caution_of
from preflight.tui.view import View
from preflight.walk.acts import Walk
from preflight.walk.state import StepState

DECISION = ("granted", "refused")
OWN_REMARK = ("condition", "remark")
"""How a question begins that leaves room for what the answer depends on, and for why it was refused."""


def defer(view: View, step: StepState) -> Form:
    """An authority's answer: a field for each question of the step.

    Where a gate rests on the step also whether it was granted, and a remark unless the step asks for one: the
    verdict needs the first, and says the second of a refusal. Elsewhere nothing is granted or refused.
    """
    asked = step.step.defer
    assert asked is not None
    questions = [(f"answer{n}", question) for n, question in enumerate(asked.ask)]
    decided = step.phase.gate is not None
    window = {question.lower(): key for key, question in questions if question.lower() in WINDOW}
    own = next((key for key, question in questions if question.lower().startswith(OWN_REMARK)), None)
    # A refusal may come without any of it: what is missing of a grant is told once that is what it is.
    fields = [
        Field(
            key=key,
            label=clean(question, limit=40),
            kind=_kind(view, question),
            optional=decided,
            tells=partial(_covers, view, key, question.lower()) if question.lower() in WINDOW else None,
        )
        for key, question in questions
    ]
    if decided:
        fields.append(Field(key="granted", label="the answer", kind="choice", choices=DECISION))
        if own is None:
            fields.append(Field(key="reason", label="conditions, or why not", optional=True))
    fields.append(who(*step.step.signed_by))

    def make(answers: Answers) -> Any:
        said = {question: _said(answers, key) for key, question in questions}
        start, end = (answers.time(window[name]) if name in window else None for name in WINDOW)
        granted = not decided or answers.choice("granted") == "granted"
        for key, question in questions:
            if granted and not said[question]:
                raise Missing(key, f"{answers.fields[key].label}: a granted answer has it")
        if start is not None and end is not None and end <= start:
            raise Refused("The answer ends before it begins: check both times.")
        reason = answers.text("reason") if "reason" in answers.fields else ""
        if not granted and not reason:
            reason = (answers.text(own) if own is not None else "") or "refused"
        person = answers.person()
        return lambda walk: walk.defer(
            step.step.id, person, said, granted=granted, valid_from=start, valid_until=end, reason=reason
        )

    def trial(walk: Walk, person: str, granted: bool = True) -> object:
        return walk.defer(step.step.id, person, dict.fromkeys(asked.ask, "-"), granted=granted, reason="-")

    left = view.state.released is not None
    planned = f"Planned release {words.dated(view.state.planned_release, view.zone)}."
    near = "now" if left or not window else "the release"
    times = f"Times: hh:mm is the site's clock, hh:mmZ UTC; nearest to {near}; or now"
    timed = any(asks_time(question) for _, question in questions)
    return Form(
        title=f"Answer of {clean(asked.authority, limit=60)}",
        about=(clean(step.step.challenge, limit=200), "" if left else planned, times if timed else ""),
        caution=caution_of(step),
        fields=tuple(fields),
        make=make,
        trial=trial,
        no_go=partial(trial, granted=False) if decided else None,
        instead=GO_THERE,
    )


def _kind(view: View, question: str) -> Any:
    """How an answer is read: a time near now, and the ends of the window near the release that lies ahead."""
    if not asks_time(question):
        return "text"
    ahead = view.state.released is None and question.lower() in WINDOW
    return "time-plan" if ahead else "time-near"


def _said(answers: Answers, key: str) -> str:
    """What is recorded of an answer: its text, or the moment that it names, in UTC."""
    text = answers.text(key)
    if not text or not answers.fields[key].kind.startswith("time"):
        return text
    at = answers.time(key)
    assert at is not None
    return f"{at:%Y-%m-%d} {words.utc(at)}"


def _covers(view: View, key: str, question: str, typed: Mapping[str, str]) -> str:
    """What an end of the window says against the planned release, which the answer has to cover."""
    if view.state.released is not None:
        return ""
    own = Field(key=key, label=question, kind="time-plan", optional=True)
    try:
        at = Answers(view, {key: own}, typed).time(key)
    except Missing:
        return ""
    planned = view.state.planned_release
    if at is None or not (at > planned if question == WINDOW[0] else at < planned):
        return ""
    side = "after" if question == WINDOW[0] else "before"
    return f"{side} the planned release: this answer does not cover it, so its step will be stale"
