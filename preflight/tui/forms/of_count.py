"""Forms of acts on the count: hold, lift, power, poll, authorise, release, scrub, close, seal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any

from preflight.clean import clean
from preflight.errors import Refused
from preflight.tui import words
from preflight.tui.forms.form import (
    NOBODY,
    PASSPHRASE,
    REASON,
    Answers,
    Field,
    Form,
    Wrong,
    first_allowed,
    numbered,
    said_numbers,
    who,
)
from preflight.tui.places import HELD, silent
from preflight.tui.view import View, number_of, numbers
from preflight.walk.acts import Walk
from preflight.walk.ledger import Act, Ref
from preflight.walk.state import GateState


def unlock(view: View, person: str | None = None) -> Form:
    """A person's passphrase, given once on arrival."""
    number = number_of(view.book.roster, view.unlocked, person) if person is not None else None
    people = view.book.roster.people
    if len(people) > 9:
        whose = Field(
            key="id",
            label="id on the roster",
            initial=person or "",
            settled=person is not None,
            suggest=tuple(each.id for each in people),
        )
    else:
        whose = Field(
            key="who",
            label="whose key (number)",
            kind="anyone",
            initial=str(number or ""),
            settled=number is not None,
        )
    return Form(
        title="Unlock a key",
        about=("Several keys stay unlocked side by side; k locks them all.",),
        fields=(whose, PASSPHRASE),
        special="unlock",
        submit="the last Enter unlocks",
    )


def hold(view: View) -> Form:
    """Stop the count. Where nobody's key is unlocked the instrument signs in the name given."""
    nobody = not view.unlocked
    follows = view.state.closed is not None
    if nobody and follows:
        raise Refused(NOBODY)  # the instrument can't begin the record that the hold goes into
    about = (
        "Nobody's key is unlocked: the instrument enters it in the name given, to be countersigned."
        if nobody
        else "The count stops for everybody until it is lifted."
    )

    def make(answers: Answers) -> Any:
        reason = answers.text("reason") or "hold called"
        person = answers.person()
        if person in view.unlocked:
            return lambda walk: walk.hold(reason, person)
        return lambda walk: walk.hold(reason, claimed=person)

    return Form(
        title="Hold",
        holds=True,
        about=(about,),
        fields=(
            Field(key="reason", label="reason (may stay empty)", optional=True),
            Field(key="who", label="called by (number)", kind="person" if follows else "anyone"),
        ),
        make=make,
        submit="the last Enter holds",
    )


def lift(view: View) -> Form:
    """Lift a hold that stands."""
    if not view.state.holds:
        raise Refused("No hold stands.")
    holds = {f"{n}": act for n, act in enumerate(view.state.holds, start=1)}
    about = [
        clean(f"{n}  {words.utc(act.at.at)}  {_caller(view, act)}: {act.data.reason}")
        for n, act in holds.items()
    ]

    def able(typed: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
        """Whom the rules let lift the hold chosen; before one is, whoever may lift any."""
        act = holds.get(typed.get("hold", "").strip())
        return {"people": _may_lift(view, holds.values() if act is None else [act])}

    fields = [REASON, who(narrows=able)]
    if len(holds) > 1:

        def tells(typed: Mapping[str, str]) -> str:
            act = holds.get(typed["hold"].strip())
            return "" if act is None else f"lifts {_caller(view, act)}'s hold: {act.data.reason}"

        choices = tuple(holds)
        fields.insert(0, Field(key="hold", label="which hold", kind="choice", choices=choices, tells=tells))

    def make(answers: Answers) -> Any:
        act = holds[answers.choice("hold")] if len(holds) > 1 else view.state.holds[0]
        reason, person = answers.text("reason"), answers.person()
        return lambda walk: walk.lift(act.ref, person, reason)

    return Form(
        title="Lift a hold",
        about=tuple(about),
        fields=tuple(fields),
        make=make,
        trial=lambda walk, person: first_allowed(
            partial(walk.lift, act.ref, person, "-") for act in holds.values()
        ),
    )


def _may_lift(view: View, holds: Iterable[Act]) -> tuple[str, ...]:
    """Who may lift one of these holds: whoever called it, and whoever may authorise a release."""
    callers = {act.data.claimed or act.signer for act in holds}
    directors = set(view.book.checklist.checklist.release_by)
    return tuple(
        person.id
        for person in view.book.roster.people
        if person.id in callers or directors & set(person.roles)
    )


def _caller(view: View, act: Act) -> str:
    return view.person(act.data.claimed or act.signer)


def countersign(view: View) -> Form:
    """The person in whose name the instrument entered a hold stands to it."""
    claimed = [act for act in view.state.holds if act.data.claimed is not None]
    if not claimed:
        raise Refused("No hold waits for a countersignature.")
    act = claimed[0]
    ref = Ref(act.entry.rec, act.entry.seq)

    def make(answers: Answers) -> Any:
        person = answers.person()
        return lambda walk: walk.countersign(ref, person)

    return Form(
        title="Countersign a hold",
        about=(clean(f"Called in the name of {view.person(act.data.claimed)}: {act.data.reason}"),),
        fields=(who(people=(act.data.claimed,)),),
        make=make,
        trial=lambda walk, person: walk.countersign(ref, person),
    )


def power(view: View) -> Form:
    """The crew cycled the payload's power."""

    def make(answers: Answers) -> Any:
        detail, person = answers.text("detail"), answers.person()
        return lambda walk: walk.power(detail, person)

    return Form(
        title="Power cycled",
        about=("Steps that read the power turn stale and are done again.",),
        fields=(Field(key="detail", label="what happened"), who()),
        make=make,
        trial=lambda walk, person: walk.power("-", person),
    )


def begin_phase(view: View, phase_id: str) -> Form:
    """Begin a phase out of order: what is passed is named."""
    phase = view.book.phases[phase_id]
    passed = [
        step.id
        for earlier in view.book.earlier(phase_id)
        for step in earlier.step
        if step.required and not view.step(step.id).satisfied
    ]
    if not passed and all(view.state.phases[each.id].settled for each in view.book.earlier(phase_id)):
        raise Refused(f"{phase.title} is next in order: just do its steps.")
    named = words.first_of(passed, 200) if passed else "phases not called complete"

    def make(answers: Answers) -> Any:
        reason, person = answers.text("reason"), answers.person()
        return lambda walk: walk.begin(phase_id, person, reason)

    return Form(
        title=f"Begin {clean(phase.title, limit=50)} out of order",
        warning=clean(f"Passed and still open: {named}", limit=400),
        about=("They stay open and keep the verdict from go.",),
        fields=(REASON, who()),
        make=make,
        trial=lambda walk, person: walk.begin(phase_id, person, "-"),
        instead="j goes to what stands against go.",
    )


def poll(view: View, gate: GateState) -> Form:
    """One station's answer; no answer is assumed."""
    unasked = silent(gate)
    about = [
        clean(f"{name}: {'not asked yet' if act is None else act.data.answer}")
        for name, act in gate.polled.items()
    ]

    def make(answers: Answers) -> Any:
        station = answers.choice("station")
        go = answers.choice("answer") == "go"
        remark, person = answers.text("remark"), answers.person()
        return lambda walk: walk.poll(gate.gate, station, person, go=go, remark=remark)

    def trial(walk: Walk, person: str) -> object:
        roles = view.book.roster.find(person).roles
        own = next((name for name in unasked if name in roles), unasked[0] if unasked else stations[0])
        return walk.poll(gate.gate, own, person, go=True)

    stations = tuple(gate.polled)

    def of_station(typed: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
        """The role that answers for the station typed; any station's while none is."""
        text = typed["station"].strip().lower()
        meant = [name for name in stations if text and name.lower().startswith(text)]
        exact = [name for name in meant if name.lower() == text]
        return {"roles": tuple(exact or (meant if len(meant) == 1 else stations))}

    return Form(
        title=f"Poll at the {gate.gate} gate",
        warning=f"{HELD}." if view.state.holds else "",
        about=tuple(about),
        fields=(
            Field(
                key="station",
                label="station",
                kind="choice",
                choices=stations,
                initial=unasked[0] if unasked else "",
                settled=bool(unasked),
            ),
            Field(key="answer", label="its answer", kind="choice", choices=("go", "no-go")),
            Field(key="remark", label="remark (may stay empty)", optional=True),
            who(narrows=of_station),
        ),
        make=make,
        trial=trial,
        instead="j goes to what is left to do.",
    )


def authorise(view: View, gate: GateState) -> Form:
    """The director authorises passing a gate."""
    expiry = view.state.first_expiry
    about = [f"Verdict: {gate.verdict}."]
    if gate.reasons:
        about.append(clean(gate.reasons[0].text, limit=200))
    if waived := view.waived(gate.gate):
        about.append(clean(f"Waived: {'; '.join(waived)}", limit=400))
    if expiry is not None:
        about.append(f"First expiry: {expiry[1]} at {words.both(expiry[0], view.zone)}.")
    about.append("The tool advises: local rules and the competent person decide.")

    def make(answers: Answers) -> Any:
        person, passphrase = answers.person(), answers.secret("passphrase")
        return lambda walk: walk.authorise(gate.gate, person, passphrase)

    return Form(
        title=f"Authorise passing the {gate.gate} gate",
        about=tuple(about),
        fields=(who(*view.book.checklist.checklist.release_by), PASSPHRASE),
        make=make,
        submit="the last Enter authorises",
        trial=lambda walk, person: walk.authorise(gate.gate, person, ""),
        instead="j goes to what is left to do.",
    )


def scrub(view: View) -> Form:
    """The attempt is given up for today."""

    def make(answers: Answers) -> Any:
        reason, person = answers.text("reason"), answers.person()
        return lambda walk: walk.scrub(person, reason)

    return Form(
        title="Scrub: give up the attempt for today",
        about=("Only closing the record is left afterwards.",),
        fields=(REASON, who(*view.book.checklist.checklist.release_by)),
        make=make,
        trial=lambda walk, person: walk.scrub(person, "-"),
    )


def close(view: View) -> Form:
    """Close the record and seal it, in one act."""
    head = view.book.checklist.checklist
    verdicts = ", ".join(f"{gate} {found.verdict}" for gate, found in view.state.gates.items())
    reason = _why_closed(view)
    sealers = [person for person in view.book.roster.people if set(person.roles) & set(head.seal_by)]
    numbered_ = {person.id: n for n, person in numbers(view.book.roster, view.unlocked).items()}
    named = [f"{numbered_.get(person.id, '')} {person.name}".strip() for person in sealers]
    also = Field(
        key="also",
        label="others sealing (numbers; may stay empty)",
        optional=True,
        settled=True,
        judge=lambda answers: other_sealers(answers.view, answers.text("also")),
    )
    return Form(
        title="Close and seal the record",
        about=(
            f"Verdicts: {verdicts or 'no gate'}.",
            "Nothing can be added to this record afterwards.",
            clean(f"May seal: {', '.join(named)}.", limit=200),
        ),
        fields=(
            Field(key="reason", label="why it is closed", initial=reason, settled=bool(reason)),
            *([also] if len(sealers) > 1 else []),  # nobody is asked for whom there is not
            who(*head.seal_by),
            PASSPHRASE,
        ),
        special="close",
        submit="the last Enter closes and seals",
        trial=lambda walk, person: walk.close(person, "", reason="-"),
    )


def _why_closed(view: View) -> str:
    """Why a record is closed, as far as that is known to be true; "" where its crew has to say it."""
    state, gate = view.state, view.state.gate
    if view.given_up:
        return "scrubbed"
    if state.next.kind == "close":
        if state.released is not None:
            return "what follows the release is done"
        return "every phase is complete" if gate is None else "release decision"
    return ""


def add_seal(view: View) -> Form:
    """Another person's seal on the closed record."""
    if not view.unlocked:
        raise Refused(NOBODY)
    return Form(
        title="Seal the closed record",
        about=("A further person's seal over the whole record, which is closed.",),
        fields=(who(), PASSPHRASE),
        special="seal",
        submit="the last Enter seals",
    )


def storage(view: View) -> Form:
    """The record goes on in a new linked folder, on another device if need be."""
    record = view.record
    return Form(
        title="The record stopped: go on in another folder",
        warning=clean((record.failed if record is not None else "") or "", limit=400),
        about=("What was on disk stays good. Name a folder, best on another device.",),
        fields=(Field(key="folder", label="folder for records"), who()),
        special="storage",
        submit="the last Enter goes on",
    )


def other_sealers(view: View, text: str) -> tuple[str, ...]:
    """Ids of the people whose numbers stand in `text`, separated by commas or blanks."""
    found = []
    for word in text.replace(",", " ").split():
        person = numbered(view, word)
        if person is None:
            raise Wrong("also", f"There is no person number {clean(word, limit=10)}{said_numbers(view)}")
        found.append(person.id)
    return tuple(found)
