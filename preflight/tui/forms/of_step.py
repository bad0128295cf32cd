"""Forms of acts on one step: measure, no-go, not applicable, witness, waive."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from functools import partial
from typing import Any

from preflight.clean import clean
from preflight.config.checklist import Measure
from preflight.config.keys import replace_value, value_text
from preflight.config.quantities import convert, split_quantity
from preflight.errors import PreflightError, Refused
from preflight.names import UNITS
from preflight.readings import Reading, decimal_text
from preflight.record import kinds
from preflight.record.kinds import Bound
from preflight.tui import words
from preflight.tui.forms.form import PASSPHRASE, Answers, Field, Form, Missing, Wrong, who
from preflight.tui.view import Extra, View
from preflight.walk import codec
from preflight.walk.acts import Walk
from preflight.walk.ledger import quantity_text
from preflight.walk.limits import Limits, limits_for
from preflight.walk.state import StepState

GO_THERE = ". goes to what is next in order."
"""What to do where a step can't be done yet."""


def measure(view: View, extra: Extra, step: StepState) -> Form:
    """The values a person measured, in the step's unit."""
    asked = step.step.measure
    assert asked is not None
    unit = clean(asked.unit, limit=20)
    limits = extra.limits_of(step.step)
    about = [clean(step.step.challenge, limit=200)]
    if limits == (None, None):
        about.append("No limits are given for it.")
    about.append(values_asked(asked))
    name = clean(asked.quantity, limit=40)
    declared = declared_of(view, asked)
    judge = partial(_possible, view, asked)
    values = tuple(
        Field(
            key=f"value{n}",
            label=f"{name} {n}" if asked.repeat > 1 else name,
            kind="number",
            unit=unit,
            limits=limits,
            declared=declared,
            judge=partial(judge, f"value{n}"),
        )
        for n in range(1, asked.repeat + 1)
    )

    def make(answers: Answers) -> Any:
        numbers = [judge(field.key, answers) for field in values]
        person = answers.person()

        def do(walk: Walk) -> object:
            return walk.measure(step.step.id, person, numbers, limits_for(walk.ledger, step.step))

        return do

    def trial(walk: Walk, person: str, outcome: kinds.Outcome = "go") -> object:
        nothing_yet = codec.to_data(Reading(name=asked.sets or step.step.id, value=None, unit=asked.unit))
        data = kinds.MeasureData(
            step=step.step.id,
            outcome=outcome,
            values=(),
            reading=nothing_yet,
            sets=asked.sets,
            set_to=None,
            remarks=(),
            reads=(),
        )
        return walk.enter("measure", data, person)

    return Form(
        title=f"Measure: {name}",
        about=tuple(about),
        caution=caution_of(step),
        fields=(*values, who(*step.step.signed_by)),
        make=make,
        trial=trial,
        no_go=partial(trial, outcome="no-go"),
    )


def values_asked(asked: Measure) -> str:
    """How many values are asked for and what counts of them; "" for a single one."""
    if asked.repeat == 1:
        return ""
    spread = f", at most {clean(asked.spread, limit=30)} apart" if asked.spread else ""
    return f"{asked.repeat} values{spread}; their mean counts"


def declared_of(view: View, asked: Measure) -> float | None:
    """What was declared for a measured value, in the step's unit; None where nothing was.

    It is the flight file's or what it was replanned to, never what somebody has measured meanwhile.
    """
    if asked.sets is None:
        return None
    told = [act.data.sets for act in view.acts if act.entry.kind == "replan" and asked.sets in act.data.sets]
    try:
        text = told[-1][asked.sets] if told else value_text(view.book.flight, asked.sets)
        number, unit = split_quantity(text)
        return convert(float(number), unit, asked.unit)
    except PreflightError:
        return None


def _possible(view: View, asked: Measure, key: str, answers: Answers) -> float:
    """A measured value that the plan can take. Raises `Wrong` for one out of its range."""
    value = answers.number(key)
    if asked.sets is not None:
        try:
            replace_value(view.flight, asked.sets, quantity_text(value, asked.unit))
        except PreflightError as error:
            # By the name that the field has, not by the flight file's key that it sets.
            raise Wrong(key, str(error).replace(asked.sets, asked.quantity)) from error
    return value


def caution_of(step: StepState) -> str:
    """The step's caution as its dialogues show it."""
    return clean(step.step.caution, limit=400)


def refuse(step: StepState) -> Form:
    """A person finds a step no-go."""
    return _reasoned("No-go", step, Walk.refuse, "what is wrong")


def not_applicable(step: StepState) -> Form:
    """A step does not apply to this flight."""
    return _reasoned("Not applicable", step, Walk.not_applicable, "why it does not apply")


def _reasoned(title: str, step: StepState, do: Callable[[Walk, str, str, str], object], label: str) -> Form:
    def make(answers: Answers) -> Any:
        reason, person = answers.text("reason"), answers.person()
        return lambda walk: do(walk, step.step.id, person, reason)

    return Form(
        title=f"{title}: {step.step.id}",
        about=(clean(step.step.challenge, limit=200),),
        caution=caution_of(step),
        fields=(Field(key="reason", label=label), who(*step.step.signed_by)),
        make=make,
        trial=lambda walk, person: do(walk, step.step.id, person, "-"),
        instead=GO_THERE,
    )


def witness(view: View, extra: Extra, step: StepState) -> Form:
    """A second person's signature with what they read for themselves, or seen together.

    Beside their reading stand its limits and what was declared: never what the first person read.
    """
    first = step.finding.performer if step.finding is not None else None
    others = tuple(person.id for person in view.book.roster.people if person.id != first)
    fields: list[Field] = []
    if step.step.measure is not None:
        fields.append(
            Field(
                key="value",
                label="your own reading",
                kind="number",
                unit=clean(step.step.measure.unit, limit=20),
                limits=extra.limits_of(step.step),
                declared=declared_of(view, step.step.measure),
                optional=True,
            )
        )
    fields.append(
        Field(
            key="mode",
            label="how it was witnessed",
            kind="choice",
            choices=("independent", "concurrent"),
        )
    )

    def make(answers: Answers) -> Any:
        values: tuple[float, ...] = ()
        if step.step.measure is not None and answers.text("value"):
            values = (answers.number("value"),)
        mode, person = answers.choice("mode"), answers.person()
        return lambda walk: walk.witness(step.step.id, person, mode=mode, values=values)

    return Form(
        title=f"Witness: {step.step.id}",
        about=(
            clean(step.step.challenge, limit=200),
            "Independent: at another time or place, without knowing the first reading. Concurrent: together.",
        ),
        caution=caution_of(step),
        fields=(*fields, who(*step.step.witness_by, people=others)),
        make=make,
        trial=lambda walk, person: walk.witness(step.step.id, person),
    )


def waive(view: View, step: StepState) -> Form:
    """A no-go accepted by somebody allowed to: with a reason, a bound and an expiry."""
    if step.outcome != "no-go" or step.finding is None:
        raise Refused(f"Step {step.step.id} is {step.outcome}, not no-go: there is nothing to waive.")
    if not step.step.waive_by:
        raise Refused(
            f"Step {step.step.id} can't be waived by anybody: mend what is wrong and do it again (r)."
        )
    outside = next((r for r in step.finding.readings if r.within is False), None)
    fields: list[Field] = [Field(key="reason", label="why it is accepted")]
    about = [clean(step.step.challenge, limit=200), clean(f"No-go: {step.reason}", limit=200)]
    if outside is not None:
        low = outside.at_least is not None and _below(outside)
        unit = clean(outside.unit, limit=20)
        side = "down to" if low else "up to"
        fields.append(
            Field(key="bound", label=f"accepted {side}", kind="number", unit=unit, initial=_initial(outside))
        )
        about.append(f"Past {clean(outside.name, limit=40)} {side} the bound the no-go is back.")
    about.append(UNTIL)
    until = Field(key="expires", label="until (time)", kind="time", judge=_ahead, tells=partial(_ends, view))
    fields += [until, who(*step.step.waive_by), PASSPHRASE]

    def make(answers: Answers) -> Any:
        reason, person = answers.text("reason"), answers.person()
        bound = None
        if outside is not None:
            limit = decimal_text(answers.number("bound"))
            below = _below(outside)
            bound = Bound(
                name=outside.name, at_least=limit if below else None, at_most=None if below else limit
            )
        expires = _ahead(answers)
        passphrase = answers.secret("passphrase")
        return lambda walk: walk.waive(
            step.step.id, person, passphrase, reason=reason, expires=expires, bound=bound
        )

    soon = view.state.now.at + timedelta(hours=1)
    return Form(
        title=f"Waive: {step.step.id}",
        about=tuple(about),
        caution=caution_of(step),
        fields=tuple(fields),
        make=make,
        submit="the last Enter signs the waiver",
        trial=lambda walk, person: walk.waive(step.step.id, person, "", reason="-", expires=soon),
    )


UNTIL = "Until: hh:mm on the site's clock, hh:mmZ in UTC, +45 min from now."


def _ends(view: View, typed: Mapping[str, str]) -> str:
    """What a waiver's end says against the planned release, while that lies ahead."""
    own = Field(key="expires", label="until", kind="time", optional=True)
    try:
        at = Answers(view, {own.key: own}, typed).time(own.key)
    except Missing:
        return ""
    early = at is not None and at < view.state.planned_release and view.state.released is None
    return "before the planned release: by then the no-go is back" if early else ""


def _ahead(answers: Answers) -> datetime:
    """When a waiver ends. Raises `Wrong` for a moment that has passed."""
    expires = answers.time("expires")
    assert expires is not None
    if expires <= answers.view.state.now.at:
        raise Wrong("expires", f"{expires:%Y-%m-%d} {words.utc(expires)} has passed already")
    return expires


def _below(reading: Reading) -> bool:
    return (
        reading.at_least is not None
        and isinstance(reading.value, (int, float))
        and reading.value < reading.at_least
    )


def _initial(reading: Reading) -> str:
    return f"{reading.value:.6g}" if isinstance(reading.value, (int, float)) else ""


def typed(step: StepState, asks: tuple[str, ...], limits: Mapping[str, Limits]) -> Form:
    """Readings that a person may type before a check runs; what the check reads by itself stays empty."""
    return Form(
        title=f"Read it off and type it: {step.step.id}",
        about=(
            clean(step.step.challenge, limit=200),
            "Leave empty what the check reads by itself. It says what it still needs.",
        ),
        caution=caution_of(step),
        fields=tuple(
            Field(
                key=name,
                label=name,
                kind="number",
                unit=UNITS.get(name, ""),
                limits=limits.get(name, (None, None)),
                optional=True,
            )
            for name in asks
        ),
        special="typed",
        target=step.step.id,
        submit="the last Enter runs the check",
    )


def seen(step: StepState) -> Form:
    """A confirmation with the response as it was seen, where it is not word for word the expected one.

    Nothing is filled in where the response asks for what only the crew can say.
    """
    expected = "" if step.step.say else clean(step.step.response, limit=400)

    def make(answers: Answers) -> Any:
        response, person = answers.text("response"), answers.person()
        return lambda walk: walk.confirm(step.step.id, person, response)

    return Form(
        title=f"Confirm: {step.step.id}",
        about=(
            clean(step.step.challenge, limit=200),
            clean(f"Expected: {step.step.response}", limit=400) if step.step.response else "",
        ),
        caution=caution_of(step),
        fields=(
            Field(key="response", label="seen", initial=expected),
            who(*step.step.signed_by),
        ),
        make=make,
        trial=lambda walk, person: walk.confirm(step.step.id, person, "-"),
        instead=f"{GO_THERE} n enters a no-go.",
    )
