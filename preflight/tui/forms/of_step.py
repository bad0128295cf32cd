"""Forms of acts on one step: measure, ask an authority, no-go, not applicable, witness, waive, correct."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from preflight.clean import clean
from preflight.errors import Refused
from preflight.names import UNITS
from preflight.readings import Reading, decimal_text
from preflight.record.kinds import Bound
from preflight.tui import words
from preflight.tui.forms.form import PASSPHRASE, REASON, WHO, Answers, Field, Form, Missing
from preflight.tui.view import Extra, View
from preflight.walk.acts import Walk
from preflight.walk.ledger import CORRECTABLE, Act
from preflight.walk.limits import Limits, limits_for
from preflight.walk.state import StepState


def measure(view: View, extra: Extra, step: StepState) -> Form:
    """The values a person measured, in the step's unit."""
    asked = step.step.measure
    assert asked is not None
    unit = clean(asked.unit, limit=20)
    about = [
        clean(step.step.challenge, limit=200),
        f"limits: {said_limits(extra.limits_of(step.step), unit)}",
    ]
    if asked.repeat > 1:
        spread = f", at most {clean(asked.spread, limit=30)} apart" if asked.spread else ""
        about.append(f"{asked.repeat} values{spread}; their mean counts")
    name = clean(asked.quantity, limit=40)
    values = tuple(
        Field(
            key=f"value{n}",
            label=f"{name} {n}" if asked.repeat > 1 else name,
            kind="number",
            unit=unit,
        )
        for n in range(1, asked.repeat + 1)
    )

    def make(answers: Answers) -> Any:
        numbers = [answers.number(field.key) for field in values]
        who = answers.person()

        def do(walk: Walk) -> object:
            return walk.measure(step.step.id, who, numbers, limits_for(walk.ledger, step.step))

        return do

    return Form(
        title=f"Measure: {name}",
        about=tuple(about),
        caution=clean(step.step.caution, limit=200),
        fields=(*values, WHO),
        make=make,
    )


def said_limits(limits: Limits, unit: str) -> str:
    """Limits in words."""
    reading = Reading(name="x", value=None, unit=unit, at_least=limits[0], at_most=limits[1])
    return words.limits(reading) or "none given"


WINDOW = ("valid from", "valid until")
"""Questions whose answers are times: they bound the answer, so they are asked for once and read as times."""


def defer(view: View, step: StepState) -> Form:
    """An authority's answer: one field for each question, its window, and whether it grants."""
    asked = step.step.defer
    assert asked is not None
    questions = [(f"answer{n}", question) for n, question in enumerate(asked.ask)]
    window = {question: key for key, question in questions if question.lower() in WINDOW}
    fields = [
        Field(
            key=key,
            label=clean(question, limit=40),
            kind="time-plan" if question in window else "text",
            optional=True,
        )
        for key, question in questions
    ]
    keys = {question.lower(): key for question, key in window.items()}
    for name in WINDOW:
        if name not in keys:
            keys[name] = name
            fields.append(Field(key=name, label=f"{name} (time)", kind="time-plan", optional=True))
    fields += [
        Field(key="granted", label="granted or refused", kind="choice", choices=("granted", "refused")),
        Field(key="reason", label="conditions, remark", optional=True),
        WHO,
    ]

    def make(answers: Answers) -> Any:
        said = {question: answers.text(key) for key, question in questions}
        start, end = (answers.time(keys[name]) for name in WINDOW)
        granted = answers.choice("granted") == "granted"
        reason = answers.text("reason")
        if start is not None and end is not None and end <= start:
            raise Refused("The answer ends before it begins: check both times.")
        if not granted and not reason:
            reason = "refused"
        who = answers.person()

        def do(walk: Walk) -> object:
            return walk.defer(
                step.step.id,
                who,
                said,
                granted=granted,
                valid_from=start,
                valid_until=end,
                reason=reason,
            )

        return do

    return Form(
        title=f"Answer of {clean(asked.authority, limit=60)}",
        about=(
            f"Planned release {words.both(view.state.planned_release, view.zone)}.",
            "Times: 20:30 on the site's clock, 08:30Z in UTC, those nearest the planned release.",
        ),
        fields=tuple(fields),
        make=make,
    )


def refuse(step: StepState) -> Form:
    """A person finds a step no-go."""
    return _reasoned(
        "No-go", step, lambda walk, who, reason: walk.refuse(step.step.id, who, reason), "what is wrong"
    )


def not_applicable(step: StepState) -> Form:
    """A step does not apply to this flight."""
    return _reasoned(
        "Not applicable",
        step,
        lambda walk, who, reason: walk.not_applicable(step.step.id, who, reason),
        "why it does not apply",
    )


def _reasoned(title: str, step: StepState, do: Any, label: str) -> Form:
    def make(answers: Answers) -> Any:
        reason, who = answers.text("reason"), answers.person()
        return lambda walk: do(walk, who, reason)

    return Form(
        title=f"{title}: {step.step.id}",
        about=(clean(step.step.challenge, limit=200),),
        fields=(Field(key="reason", label=label), WHO),
        make=make,
    )


def witness(view: View, step: StepState) -> Form:
    """A second person's signature with what they read for themselves, or seen together."""
    fields: list[Field] = []
    if step.step.measure is not None:
        fields.append(
            Field(
                key="value",
                label="your own reading",
                kind="number",
                unit=clean(step.step.measure.unit, limit=20),
                optional=True,
            )
        )
    fields.append(
        Field(
            key="mode",
            label="independent or concurrent",
            kind="choice",
            choices=("independent", "concurrent"),
        )
    )

    def make(answers: Answers) -> Any:
        values: tuple[float, ...] = ()
        if step.step.measure is not None and answers.text("value"):
            values = (answers.number("value"),)
        mode, who = answers.choice("mode"), answers.person()
        return lambda walk: walk.witness(step.step.id, who, mode=mode, values=values)

    return Form(
        title=f"Witness: {step.step.id}",
        about=(
            clean(step.step.challenge, limit=200),
            "Independent: at another time or place, without knowing the first reading. Concurrent: together.",
        ),
        fields=(*fields, WHO),
        make=make,
    )


def waive(view: View, step: StepState) -> Form:
    """A no-go accepted by somebody allowed to: with a reason, a bound and an expiry."""
    if step.outcome != "no-go" or step.finding is None:
        raise Refused(f"Step {step.step.id} is not no-go: there is nothing to waive.")
    if not step.step.waive_by:
        raise Refused(f"Step {step.step.id} can't be waived by anybody.")
    outside = next((r for r in step.finding.readings if r.within is False), None)
    fields: list[Field] = [Field(key="reason", label="why it is accepted")]
    about = [clean(step.reason, limit=200), f"Waived by: {words.listed(step.step.waive_by)}."]
    if outside is not None:
        low = outside.at_least is not None and _below(outside)
        unit = clean(outside.unit, limit=20)
        side = "down to" if low else "up to"
        fields.append(
            Field(key="bound", label=f"accepted {side}", kind="number", unit=unit, initial=_initial(outside))
        )
        about.append(f"Past {clean(outside.name, limit=40)} {side} the bound the no-go is back.")
    fields += [Field(key="expires", label="until (time)", kind="time"), WHO, PASSPHRASE]

    def make(answers: Answers) -> Any:
        reason, who = answers.text("reason"), answers.person()
        bound = None
        if outside is not None:
            limit = decimal_text(answers.number("bound"))
            below = _below(outside)
            bound = Bound(
                name=outside.name, at_least=limit if below else None, at_most=None if below else limit
            )
        expires: datetime | None = answers.time("expires")
        assert expires is not None
        passphrase = answers.secret("passphrase")
        return lambda walk: walk.waive(
            step.step.id, who, passphrase, reason=reason, expires=expires, bound=bound
        )

    return Form(
        title=f"Waive: {step.step.id}",
        about=tuple(about),
        fields=tuple(fields),
        make=make,
        submit="the last Enter signs the waiver",
    )


def _below(reading: Reading) -> bool:
    return (
        reading.at_least is not None
        and isinstance(reading.value, (int, float))
        and reading.value < reading.at_least
    )


def _initial(reading: Reading) -> str:
    return f"{reading.value:.6g}" if isinstance(reading.value, (int, float)) else ""


def correct(view: View, step: StepState | None) -> Form:
    """An entry that no longer counts: what stands instead is entered anew."""
    known = {number: act for number, act in _numbered(view).items() if act.entry.kind in CORRECTABLE}
    about = ["Nothing is edited: the entry named no longer counts; do the step again afterwards."]
    about += [said_act(view, act, number) for number, act in list(known.items())[-6:]]
    own = step.finding.act if step is not None and step.finding is not None else None
    initial = next((number for number, act in known.items() if act is own), "")

    def make(answers: Answers) -> Any:
        number, reason, who = answers.text("entry"), answers.text("reason"), answers.person()
        if number not in known:
            raise Missing(
                "entry", "That is no entry that can be corrected: type the number as it stands here"
            )
        return lambda walk: walk.correct(known[number].ref, who, reason)

    return Form(
        title="Correct an entry",
        about=tuple(about),
        fields=(
            Field(key="entry", label="entry number", initial=initial),
            REASON,
            WHO,
        ),
        make=make,
    )


def _numbered(view: View) -> dict[str, Act]:
    """Every entry of the walk by what it is called: "12" in this record, "1.12" in the first before it."""
    records = list(dict.fromkeys(act.entry.rec for act in view.acts))
    here = view.record.rec if view.record is not None else ""
    return {
        str(act.entry.seq)
        if act.entry.rec == here
        else f"{records.index(act.entry.rec) + 1}.{act.entry.seq}": act
        for act in view.acts
    }


def said_act(view: View, act: Act, number: str) -> str:
    """An entry in one line: number, time, kind, what it is about, who signed."""
    about = getattr(act.data, "step", None) or getattr(act.data, "station", None) or ""
    if not about and getattr(act.data, "of", None):
        about = f"of {act.data.of}"
    return clean(
        f"{number}  {words.utc(act.at.at)}  {act.entry.kind} {about}  {view.person(act.signer)}",
        limit=76,
    )


def typed(step: StepState, asks: tuple[str, ...]) -> Form:
    """Readings that a person may type before a check runs; what the check reads by itself stays empty."""
    return Form(
        title=f"Read it off and type it: {step.step.id}",
        about=(
            clean(step.step.challenge, limit=200),
            "Leave empty what the check reads by itself. It says what it still needs.",
        ),
        caution=clean(step.step.caution, limit=200),
        fields=tuple(
            Field(key=name, label=name, kind="number", unit=UNITS.get(name, ""), optional=True)
            for name in asks
        ),
        special="typed",
        target=step.step.id,
        submit="the last Enter runs the check",
    )


def seen(step: StepState) -> Form:
    """A confirmation with the response as it was seen, where it is not word for word the expected one."""

    def make(answers: Answers) -> Any:
        response, who = answers.text("response"), answers.person()
        return lambda walk: walk.confirm(step.step.id, who, response)

    return Form(
        title=f"Confirm: {step.step.id}",
        about=(clean(step.step.challenge, limit=200),),
        fields=(
            Field(key="response", label="seen", initial=clean(step.step.response, limit=400)),
            WHO,
        ),
        make=make,
    )
