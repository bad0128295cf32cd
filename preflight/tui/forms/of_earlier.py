"""Forms of what was done elsewhere, on the printed list or in an earlier attempt; and of the second copy."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from itertools import chain
from typing import Any

from preflight.clean import clean
from preflight.errors import Refused
from preflight.readings import Reading
from preflight.record import kinds
from preflight.record.entry import format_utc
from preflight.tui import words
from preflight.tui.forms.form import Answers, Field, Form, Missing, Wrong, first_allowed, numbered, who
from preflight.tui.forms.of_step import declared_of, values_asked
from preflight.tui.view import View
from preflight.walk import codec
from preflight.walk.acts import Walk
from preflight.walk.carry import Offer, carry
from preflight.walk.limits import Limits, limits_for
from preflight.walk.state import StepState

ALL = "all"


def paper(view: View, step: StepState, limits: Limits = (None, None)) -> Form:
    """A step that was done on the printed list, at the paper's time; a second person signs it as well."""
    if step.step.defer is not None:
        raise Refused(f"Enter the answer to {step.step.id} itself: until when it is valid counts.")
    asked = step.step.measure
    fields = [Field(key="at", label="time on the paper", kind="time-near")]
    if asked is not None:
        unit = clean(asked.unit, limit=20)
        name = clean(asked.quantity, limit=40)
        for n in range(1, asked.repeat + 1):
            label = f"{name} {n}" if asked.repeat > 1 else name
            fields.append(
                Field(
                    key=f"value{n}",
                    label=label,
                    kind="number",
                    unit=unit,
                    limits=limits,
                    declared=declared_of(view, asked),
                )
            )
    else:
        go = Field(key="outcome", label="its outcome there", kind="choice", choices=("go", "no-go"))
        fields.append(go)
    second_by = step.step.witness_by

    def others(typed: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
        """Everybody but whoever did it."""
        did = numbered(view, typed["who"])
        return {"people": tuple(each.id for each in view.book.roster.people if each != did)}

    fields += [
        Field(key="response", label="what is written there", initial=clean(step.step.response, limit=400)),
        who(*step.step.signed_by, label="done by (number)"),
        who(*second_by, key="second", label="second person (number)", optional=True, narrows=others),
    ]

    def make(answers: Answers) -> Any:
        at = answers.time("at")
        assert at is not None
        numbers = [answers.number(each.key) for each in fields if each.key.startswith("value")]
        outcome: Any = "go" if asked is not None else answers.choice("outcome")
        response, person = answers.text("response"), answers.person()
        second = answers.person("second") if answers.text("second") else None
        if second == person:
            raise Wrong("second", "The second person must be another one")
        if second is not None and not _may_witness(answers.view, step, second):
            raise Wrong("second", f"A witness here has the role {words.listed(step.step.witness_by)}")

        def do(walk: Walk) -> object:
            now = limits_for(walk.ledger, step.step) if asked is not None else (None, None)
            act = walk.paper(step.step.id, person, at, response, values=numbers, limits=now, outcome=outcome)
            if second is not None:
                walk.witness(step.step.id, second)
            return act

        return do

    def trial(walk: Walk, person: str) -> object:
        # The latest time that paper can have: what was done since the last finding is later than it.
        at = walk.now().at
        if asked is None:
            return walk.paper(step.step.id, person, at, "-", outcome="no-go")
        nothing_yet = Reading(name=asked.sets or step.step.id, value=None, unit=asked.unit)
        data = kinds.PaperData(
            step=step.step.id,
            outcome="no-go",
            done_at=format_utc(at),
            response="-",
            readings=(codec.to_data(nothing_yet),),
            reads=(),
        )
        return walk.enter("paper", data, person)

    return Form(
        title=f"From the printed list: {step.step.id}",
        about=(
            clean(step.step.challenge, limit=200),
            values_asked(asked) if asked is not None else "",
            "Time: hh:mm is the site's clock, hh:mmZ is UTC; a day may stand before it.",
            "It counts once a second person has signed it, here or later by number.",
        ),
        caution=clean(step.step.caution, limit=400),
        fields=tuple(fields),
        make=make,
        trial=trial,
    )


def _may_witness(view: View, step: StepState, person: str) -> bool:
    roles = view.book.roster.find(person).roles
    return not step.step.witness_by or bool(set(roles) & set(step.step.witness_by))


def take_over(view: View, offers: tuple[Offer, ...], left: list[str]) -> Form:
    """Steps of the earlier attempt that are as true today: each is taken over by somebody who may sign it.

    Once it is done, `left` says of those asked for which were not, and why.
    """
    if not offers:
        raise Refused("Nothing of the earlier attempt can be taken over: it was not go, or values changed.")
    known = {str(n): offer for n, offer in enumerate(offers, start=1)}
    about = [f"From {clean(offers[0].data.source.rec, limit=100)}, each with what it found then:"]
    about += [said_offer(n, offer) for n, offer in known.items()]

    def picked(text: str) -> list[Offer]:
        if text.lower() == ALL:
            return list(known.values())
        numbers = text.replace(",", " ").split()
        unknown = [clean(each, limit=10) for each in numbers if each not in known]
        if unknown:
            raise Missing("which", f"There is no {unknown[0]} in the list: type its numbers, or {ALL}")
        return [known[each] for each in dict.fromkeys(numbers)]

    def tells(typed: Mapping[str, str]) -> str:
        try:
            wanted = picked(typed["which"].strip())
        except Missing as error:
            return str(error)
        return clean(f"takes over {words.listed([offer.step for offer in wanted], 'and')}" if wanted else "")

    def able(typed: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
        """The roles that sign the steps picked; of all that are offered while none is."""
        try:
            wanted = picked(typed["which"].strip()) or list(known.values())
        except Missing:
            return {}
        signers = [view.book.steps[offer.step].signed_by for offer in wanted]
        # One that anybody may sign leaves nobody out.
        return {"roles": tuple(dict.fromkeys(chain(*signers))) if all(signers) else ()}

    def make(answers: Answers) -> Any:
        wanted, person = picked(answers.text("which")), answers.person()

        def do(walk: Walk) -> object:
            done = 0
            left.clear()
            for offer in wanted:
                try:
                    carry(walk, offer, person)
                    done += 1
                except Refused as error:
                    left.append(f"{offer.step}: {error}")
            if not done:
                raise Refused(left[0])
            return done

        return do

    return Form(
        title="Take over from the earlier attempt",
        about=tuple(about),
        fields=(Field(key="which", label="which (numbers, or all)", tells=tells), who(narrows=able)),
        make=make,
        trial=lambda walk, person: first_allowed(partial(carry, walk, offer, person) for offer in offers),
        instead="Do its steps again.",
    )


def said_offer(number: str, offer: Offer) -> str:
    """An offer in one line: its number, the step, when it was found, and its first reading."""
    from preflight.report.telling import readings_of

    data = offer.data
    readings = readings_of(data)
    value = f"  {words.quantity(readings[0].value, readings[0].unit)}" if readings else ""
    return clean(f"{number}  {offer.step}{value}  {data.found_at[:10]} {data.found_at[11:16]}Z", limit=76)


def mirror(view: View, root: str) -> Form:
    """The record's second copy: caught up where it is, or kept in another folder from now on."""
    behind = view.record.mirror_behind if view.record is not None else None
    state = "No second copy is kept." if not root else "The second copy is whole."
    return Form(
        title="The record's second copy",
        caution=clean(behind or "", limit=400),
        about=(
            "" if behind else state,
            "The same folder: it is copied there anew. Another one, best on another device: from now on.",
        ),
        fields=(Field(key="folder", label="folder", initial=root),),
        special="mirror",
        submit="Enter copies the record there",
    )
