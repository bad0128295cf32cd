"""The form that changes the plan: the planned release, or any declared value by its key."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from preflight.clean import clean
from preflight.config.keys import find_key, flight_keys, replace_value, value_text
from preflight.errors import PreflightError
from preflight.tui import words
from preflight.tui.forms.form import REASON, Answers, Field, Form, Missing, explain, who
from preflight.tui.times import FORM
from preflight.tui.view import View

RELEASE = "flight.release"
WHAT = Field(key="value", label="new value", kind="time")


def replan(view: View) -> Form:
    """Change a declared value by its key. Nothing is filled in: what is changed is named first."""
    head = view.book.checklist.checklist
    planned = view.state.planned_release

    def tells_key(typed: Mapping[str, str]) -> str:
        key = _key(typed["key"])
        if not key:
            return ""
        if key == RELEASE:
            return f"planned release, now {words.dated(planned, view.zone)}; new: {FORM} from now"
        return clean(_declared(view, key), limit=300)

    def tells_value(typed: Mapping[str, str]) -> str:
        key, text = _key(typed["key"]), typed["value"].strip()
        if not key or not text:
            return ""
        if key == RELEASE:
            return explain(view, WHAT, text) + _moved(view, text)
        try:
            return clean(f"= {value_text(replace_value(view.flight, key, text), key)}", limit=300)
        except PreflightError as error:
            return clean(str(error), limit=300)

    def make(answers: Answers) -> Any:
        key, text = _key(answers.text("key")), answers.text("value")
        if key == RELEASE:
            at = _typed_release(answers.view, text)
            assert at is not None
            text = at.isoformat(timespec="seconds").replace("+00:00", "Z")
        reason, person = answers.text("reason"), answers.person()
        return lambda walk: walk.replan({key: text}, person, reason)

    keys = (RELEASE, *sorted(set(flight_keys()) - {RELEASE}))
    return Form(
        title="Replan",
        about=("Type release for the planned release, else a key as in the flight file.",),
        fields=(
            Field(key="key", label="what changes", suggest=("release", *keys), tells=tells_key),
            Field(key="value", label="new value", tells=tells_value),
            REASON,
            who(*head.stations, *head.release_by),
        ),
        make=make,
        trial=lambda walk, person: walk.replan({RELEASE: planned.isoformat()}, person, "-"),
    )


def _typed_release(view: View, text: str) -> datetime | None:
    """The planned release that is typed. Raises `Missing` where it is no time."""
    return Answers(view, {"value": WHAT}, {"value": text}).time("value")


def _moved(view: View, text: str) -> str:
    """How far a new planned release lies from the one before: a day left out is seen by it."""
    try:
        at = _typed_release(view, text)
    except Missing:
        return ""
    planned = view.state.planned_release
    if at is None or at == planned:
        return ""
    side = "later" if at > planned else "earlier"
    return f": {words.span(abs((at - planned).total_seconds()))} {side} than planned"


def _key(text: str) -> str:
    """The key that is meant: the planned release goes by its short name as well."""
    text = text.strip()
    return RELEASE if text.lower() == "release" else text


def _declared(view: View, key: str) -> str:
    """What a key holds now and may hold, or why there is none."""
    try:
        now = value_text(view.flight, key)
    except PreflightError as error:
        return str(error)
    known = find_key(key)
    may = ", ".join(part for part in (known.bounds, words.listed(known.choices)) if part) if known else ""
    return f"{key}, {f'now {now}' if now else 'not given yet'}{f'; {may}' if may else ''}"
