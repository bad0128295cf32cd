"""The shape of a form: fields, what is said beside them, and the act that the answers make."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

from preflight.clean import clean
from preflight.config.quantities import BadQuantity, typed_number
from preflight.errors import PreflightError, Refused
from preflight.readings import Reading
from preflight.record.roster import Person
from preflight.tui import words
from preflight.tui.times import BadTime, parse_time
from preflight.tui.view import View, number_of, numbers
from preflight.walk.acts import Walk
from preflight.walk.limits import Limits

FieldKind = Literal[
    "text", "number", "time", "time-near", "time-plan", "choice", "person", "anyone", "secret"
]
"""A "time" without a date is the next one, "time-near" the nearest, "time-plan" that nearest the release."""


class Missing(PreflightError):  # noqa: N818
    """An answer that a form needs is missing; or wrong, where it is one of the kinds below."""

    title = "Not filled in"

    def __init__(self, key: str, message: str) -> None:
        super().__init__(message)
        self.key = key


class Wrong(Missing):
    """An answer that can't be what was meant."""

    title = "Look again"


class Mistyped(Wrong):
    """A passphrase that does not open somebody's key."""

    def __init__(self, name: str) -> None:
        super().__init__("passphrase", "try again; nothing was entered.")
        self.title = clean(f"Wrong passphrase for {name}", limit=80)


TIMES = {
    "time": "hh:mm local, hh:mmZ or +45 min",
    "time-near": "hh:mm local, hh:mmZ or now",
    "time-plan": "hh:mm local, hh:mmZ or now",
}
"""What a time is typed as, beside its empty field."""

NOW = "now"
"""What stands for this moment in a time's field."""

FAR = 1.5
"""From this factor on a measured value is far from the declared one."""

Tells = Callable[[Mapping[str, str]], str]
"""What stands for itself under a field: told of everything that is typed so far, by key."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One thing asked. `person` takes the number of somebody unlocked, `anyone` of anybody on the roster.

    `settled` is true where what stands there was decided by whoever opened the form: the hand starts after
    it. `roles` are those that can sign, or `people` by id where only they can; `limits` those of a number, in
    its unit, and `declared` what the flight file gives for it; `tells` says under the field what is chosen
    by it; `judge` raises `Missing` where what is typed here can't be meant; `narrows` gives the roles or
    people that what is typed elsewhere leaves.
    """

    key: str
    label: str
    kind: FieldKind = "text"
    initial: str = ""
    optional: bool = False
    settled: bool = False
    choices: tuple[str, ...] = ()
    suggest: tuple[str, ...] = ()
    unit: str = ""
    limits: Limits = (None, None)
    declared: float | None = None
    roles: tuple[str, ...] = ()
    people: tuple[str, ...] = ()
    tells: Tells | None = None
    judge: Callable[[Answers], object] | None = None
    narrows: Callable[[Mapping[str, str]], Mapping[str, tuple[str, ...]]] | None = None

    def beside(self, typed: Mapping[str, str]) -> Field:
        """The field as it is beside what is typed in the others, by key."""
        return self if self.narrows is None else replace(self, **self.narrows(typed))  # type: ignore[arg-type]

    def lacks_role(self, person: Person) -> bool:
        """Whether the field asks for a role that somebody does not have."""
        return bool(self.roles) and not set(self.roles) & set(person.roles)

    def open_to(self, person: Person) -> bool:
        """Whether somebody is among those that the field is for, their key unlocked or not."""
        return not self.lacks_role(person) and (not self.people or person.id in self.people)


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
            raise Missing(key, "the passphrase is asked for")
        return text

    def number(self, key: str) -> float:
        """A number; a decimal comma may stand for the point."""
        try:
            return typed_number(self.text(key))
        except BadQuantity as error:
            raise Wrong(key, str(error)) from error

    def choice(self, key: str) -> str:
        """One of the field's choices, which its beginning may stand for."""
        text = self.text(key).lower()
        found = [choice for choice in self.fields[key].choices if choice.lower().startswith(text)]
        exact = [choice for choice in found if choice.lower() == text]
        if len(exact or found) != 1:
            raise Wrong(key, f"type {words.listed(self.fields[key].choices)}")
        return (exact or found)[0]

    def time(self, key: str) -> datetime | None:
        """A moment in UTC, None for an optional one left empty."""
        text = self.text(key)
        if not text:
            return None
        kind, state = self.fields[key].kind, self.view.state
        if text.lower() == NOW:
            return state.now.at
        anchor = state.planned_release if kind == "time-plan" else state.now.at
        try:
            return parse_time(text, anchor, self.view.zone, prefer="future" if kind == "time" else "near")
        except BadTime as error:
            raise Wrong(key, str(error)) from error

    def person(self, key: str = "who") -> str:
        """The id of the person whose number was typed."""
        text = self.text(key)
        person = numbered(self.view, text)
        if person is None:
            shown, known_ones = clean(text, limit=10), said_numbers(self.view)
            if not text.isdecimal():
                raise Wrong(key, f"“{shown}” is no number{known_ones}")
            raise Wrong(key, f"There is no person number {shown}{known_ones}")
        if self.fields[key].kind == "person" and person.id not in self.view.unlocked:
            raise Wrong(key, f"{person.name}'s key is locked: unlock it first (u)")
        return person.id

    def judge(self, key: str) -> None:
        """Raise `Missing` where this answer alone is missing or wrong already."""
        asked = self.fields[key]
        if asked.kind == "secret":
            self.secret(key)
        elif self.text(key):
            if asked.kind in ("person", "anyone"):
                self.person(key)
            elif asked.kind == "choice":
                self.choice(key)
            elif asked.kind == "number":
                self.number(key)
            elif asked.kind.startswith("time"):
                self.time(key)
            if asked.judge is not None:
                asked.judge(self)


def numbered(view: View, text: str) -> Person | None:
    """Who has the number typed; None for a number of nobody, and for what is no number."""
    text = text.strip()
    known = numbers(view.book.roster, view.unlocked)
    return known.get(int(text)) if text.isdecimal() and text.isascii() else None


def said_numbers(view: View) -> str:
    """Who has which number, at a sentence's end; where nobody has one, what to do, in one of its own."""
    known = numbers(view.book.roster, view.unlocked)
    if known:
        return ": " + ", ".join(f"{n} is {person.name}" for n, person in known.items())
    return f". {NOBODY if view.book.roster.people else NO_PEOPLE}"


Does = Callable[[Answers], Callable[[Walk], object]]
Trial = Callable[[Walk, str], object]
"""The act by a person, with answers that are never turned away: only the walk's state may refuse it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """A dialogue: `make` turns answers into what is done to the walk, or raises `Missing` or `Refused`.

    `special` names what is more than an act on the walk: "close", "seal", "unlock", "typed", "storage" or
    "mirror". With a `trial` the dialogue opens only if somebody could do the act now, and `instead` says what
    to do where nobody could; where `no_go` could be done it opens all the same, as none comes too early.
    `warning` is what is dangerous about the act, `caution` the step's own. `holds` marks the one that calls a
    hold: it is never asked over itself.
    """

    title: str
    about: tuple[str, ...] = ()
    caution: str = ""
    warning: str = ""
    fields: tuple[Field, ...] = ()
    make: Does | None = None
    special: str = ""
    submit: str = "the last Enter signs"
    target: str = ""
    trial: Trial | None = None
    instead: str = ""
    no_go: Trial | None = None
    holds: bool = False
    by_key: Mapping[str, Field] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "by_key", {each.key: each for each in self.fields})

    def chosen(self, view: View, person_id: str | None) -> Form:
        """The form with the person who was chosen before it filled in as who signs, if they may."""
        asked = self.by_key.get("who")
        if asked is None or asked.kind != "person" or asked.initial or person_id is None:
            return self
        number = number_of(view.book.roster, view.unlocked, person_id)
        may = asked.beside({each.key: each.initial for each in self.fields})
        person = view.book.roster.find(person_id)
        if not may.open_to(person):
            return self
        known = replace(asked, initial=str(number or ""))
        return replace(self, fields=tuple(known if each is asked else each for each in self.fields))

    def answers(self, view: View, typed: Mapping[str, str]) -> Answers:
        """Answers to this form's fields."""
        return Answers(view, self.by_key, typed)

    def judge(self, view: View, key: str, typed: Mapping[str, str]) -> None:
        """Raise `Missing` where the answer to one field is missing or wrong, whatever the others are."""
        self.answers(view, typed).judge(key)


def first_allowed(acts: Iterable[Callable[[], object]]) -> object:
    """The first of several acts that is not refused. Raises what the last one is refused with."""
    refused = Refused("There is nothing to do.")
    for act in acts:
        try:
            return act()
        except Refused as error:
            refused = error
    raise refused


NONE_HAS = "nobody on the roster"
NO_PEOPLE = "The roster is empty: add people with: preflight crew add"
NOBODY = "Nobody's key is unlocked: unlock yours first, with your number or u."
PASSPHRASE = Field(key="passphrase", label="passphrase", kind="secret")
REASON = Field(key="reason", label="reason")


def who(*roles: str, key: str = "who", label: str = "signed by (number)", **more: Any) -> Field:
    """Who signs: the number of somebody unlocked, who has one of the roles if there are any."""
    return Field(key=key, label=label, kind="person", roles=tuple(dict.fromkeys(roles)), **more)


def explain(view: View, asked: Field, text: str) -> str:
    """What stands beside a field: what a typed text will be taken for, and what can be typed."""
    answers = Answers(view, {asked.key: asked}, {asked.key: text})
    if asked.kind in ("person", "anyone"):
        return _explain_person(view, answers, asked)
    if asked.kind == "number":
        return _explain_number(answers, asked)
    if not text.strip():
        return TIMES.get(asked.kind) or words.listed(asked.choices)
    try:
        if asked.kind == "choice":
            return f"= {answers.choice(asked.key)}"
        if asked.kind.startswith("time"):
            at = answers.time(asked.key)
            if at is None:
                return ""
            return f"= {words.dated(at, view.zone)}, {words.away(at - view.state.now.at)}"
    except Missing:
        return words.listed(asked.choices)
    return ""


def _explain_number(answers: Answers, asked: Field) -> str:
    bounds = words.bounds(_reading(asked, None))
    limits = f"limits {bounds}" if bounds else ""
    try:
        value = answers.number(asked.key)
    except Missing as error:
        if answers.typed[asked.key].strip():
            return str(error)
        return ", ".join(filter(None, (limits, _explain_declared(None, asked)))) or asked.unit
    said = f"= {words.quantity(value, asked.unit)}"
    outside = _reading(asked, value).within is False
    told = (said, f"outside {bounds}" if outside else limits, _explain_declared(value, asked))
    return ", ".join(part for part in told if part)


def _explain_declared(value: float | None, asked: Field) -> str:
    """What is declared, and how far a typed value is from it: a slip of ten is never typed unseen."""
    if asked.declared is None:
        return ""
    said = f"declared {words.quantity(asked.declared, asked.unit)}"
    if value is None or asked.declared <= 0 or asked.declared / FAR <= value <= asked.declared * FAR:
        return said
    return f"{words.number(value / asked.declared)} times what is declared: look again ({said})"


def _reading(asked: Field, value: float | None) -> Reading:
    low, high = asked.limits
    return Reading(name=asked.key, value=value, unit=asked.unit, at_least=low, at_most=high)


def _explain_person(view: View, answers: Answers, asked: Field) -> str:
    if not answers.typed[asked.key].strip():
        able = said_who(view, asked)
        return f"{able} may sign" if able and asked.kind == "person" else able
    try:
        person = view.book.roster.find(answers.person(asked.key))
    except Missing as error:
        return str(error)
    needed = "" if asked.open_to(person) else "; somebody else has to"
    if asked.lacks_role(person):
        needed = f"; it takes the role {words.listed(asked.roles)}"
    return clean(f"= {person.name}, {words.listed(person.roles, 'and')}{needed}", limit=200)


def said_who(view: View, asked: Field) -> str:
    """Who could answer, by number; only the roles where that would be many."""
    able = [
        f"{n} {person.name}"
        for n, person in numbers(view.book.roster, view.unlocked).items()
        if (asked.kind == "anyone" or person.id in view.unlocked) and asked.open_to(person)
    ]
    if 0 < len(able) <= 3:
        return clean(words.listed(able), limit=150)
    if asked.roles:
        held = not all(asked.lacks_role(person) for person in view.book.roster.people)
        roles = words.listed(asked.roles)
        return f"the role {roles}" if held else f"{NONE_HAS} ({roles})"
    return f"one of {len(able)} people" if able else ""
