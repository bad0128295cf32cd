"""The shape of a form: fields, what is said beside them, and the act that the answers make."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from preflight.config.quantities import BadQuantity, typed_number
from preflight.errors import PreflightError
from preflight.tui import words
from preflight.tui.times import BadTime, parse_time
from preflight.tui.view import View, numbers
from preflight.walk.acts import Walk

FieldKind = Literal[
    "text", "number", "time", "time-near", "time-plan", "choice", "person", "anyone", "secret"
]
"""A "time" without a date is the next one, "time-near" the nearest, "time-plan" that nearest the release."""


class Missing(PreflightError):  # noqa: N818
    """An answer that a form needs is missing or can't be read."""

    title = "Not filled in"

    def __init__(self, key: str, message: str) -> None:
        super().__init__(message)
        self.key = key


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One thing asked. `person` takes the number of somebody unlocked, `anyone` of anybody on the roster."""

    key: str
    label: str
    kind: FieldKind = "text"
    initial: str = ""
    optional: bool = False
    choices: tuple[str, ...] = ()
    suggest: tuple[str, ...] = ()
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Answers:
    """What was typed, read by kind. Each getter raises `Missing` with what to type."""

    view: View
    fields: Mapping[str, Field]
    typed: Mapping[str, str]

    def text(self, key: str) -> str:
        """The text without blanks around it; empty only where the field is optional."""
        text = self.typed.get(key, "").strip()
        if not text and not self.fields[key].optional:
            raise Missing(key, f"{self.fields[key].label}: nothing is typed yet")
        return text

    def secret(self, key: str) -> str:
        """A passphrase exactly as typed."""
        text = self.typed.get(key, "")
        if not text:
            raise Missing(key, "The passphrase is asked for")
        return text

    def number(self, key: str) -> float:
        """A number; a decimal comma may stand for the point."""
        try:
            return typed_number(self.text(key))
        except BadQuantity as error:
            raise Missing(key, str(error)) from error

    def choice(self, key: str) -> str:
        """One of the field's choices, which its beginning may stand for."""
        text = self.text(key).lower()
        found = [choice for choice in self.fields[key].choices if choice.lower().startswith(text)]
        exact = [choice for choice in found if choice.lower() == text]
        if len(exact or found) != 1:
            raise Missing(key, f"{self.fields[key].label}: type {words.listed(self.fields[key].choices)}")
        return (exact or found)[0]

    def time(self, key: str) -> datetime | None:
        """A moment in UTC, None for an optional one left empty."""
        text = self.text(key)
        if not text:
            return None
        kind, state = self.fields[key].kind, self.view.state
        anchor = state.planned_release if kind == "time-plan" else state.now.at
        try:
            return parse_time(text, anchor, self.view.zone, prefer="future" if kind == "time" else "near")
        except BadTime as error:
            raise Missing(key, str(error)) from error

    def person(self, key: str = "who") -> str:
        """The id of the person whose number was typed."""
        text = self.text(key)
        known = numbers(self.view.book.roster, self.view.unlocked)
        person = known.get(int(text)) if text.isdecimal() and text.isascii() else None
        if person is None:
            raise Missing(key, f"There is no person number {text}: {said_numbers(self.view)}")
        if self.fields[key].kind == "person" and person.id not in self.view.unlocked:
            raise Missing(key, f"{person.name}'s key is locked: unlock it first (u)")
        return person.id


def said_numbers(view: View) -> str:
    """Who has which number, in words."""
    known = numbers(view.book.roster, view.unlocked)
    return ", ".join(f"{n} is {person.name}" for n, person in known.items()) or "nobody is unlocked"


Does = Callable[[Answers], Callable[[Walk], object]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """A dialogue: `make` turns answers into what is done to the walk, or raises `Missing` or `Refused`.

    `special` names what is more than an act on the walk: "close", "seal", "unlock", "typed", "storage" or
    "mirror".
    """

    title: str
    about: tuple[str, ...] = ()
    caution: str = ""
    fields: tuple[Field, ...] = ()
    make: Does | None = None
    special: str = ""
    submit: str = "the last Enter signs"
    target: str = ""
    by_key: Mapping[str, Field] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "by_key", {each.key: each for each in self.fields})

    def answers(self, view: View, typed: Mapping[str, str]) -> Answers:
        """Answers to this form's fields."""
        return Answers(view, self.by_key, typed)


WHO = Field(key="who", label="signed by (number)", kind="person")
PASSPHRASE = Field(key="passphrase", label="passphrase", kind="secret")
REASON = Field(key="reason", label="reason")


def explain(view: View, asked: Field, text: str) -> str:
    """What a typed text will be taken for, shown beside its field; "" while that is not clear."""
    if not text.strip():
        return ""
    answers = Answers(view, {asked.key: asked}, {asked.key: text})
    try:
        if asked.kind in ("person", "anyone"):
            return _explain_person(view, answers, asked)
        if asked.kind == "choice":
            return f"= {answers.choice(asked.key)}"
        if asked.kind == "number":
            return f"= {words.quantity(answers.number(asked.key), asked.unit)}"
        if asked.kind.startswith("time"):
            at = answers.time(asked.key)
            return "" if at is None else f"= {at:%Y-%m-%d} {words.both(at, view.zone)}"
    except Missing:
        return ""
    return ""


def _explain_person(view: View, answers: Answers, asked: Field) -> str:
    person = view.book.roster.find(answers.person(asked.key))
    return f"= {person.name}, {words.listed(person.roles, 'and')}"
