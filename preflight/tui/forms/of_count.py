"""Forms of acts on the count: hold, lift, power, replan, poll, authorise, release, scrub, close, seal."""

from __future__ import annotations

from typing import Any

from preflight.clean import clean
from preflight.config.keys import flight_keys
from preflight.errors import Refused
from preflight.tui import words
from preflight.tui.forms.form import PASSPHRASE, REASON, WHO, Answers, Field, Form
from preflight.tui.times import FORM
from preflight.tui.view import View, number_of, numbers
from preflight.walk.ledger import Act, Ref
from preflight.walk.state import GateState


def unlock(view: View, person: str | None = None) -> Form:
    """A person's passphrase, given once on arrival."""
    number = number_of(view.book.roster, view.unlocked, person) if person is not None else None
    people = view.book.roster.people
    if len(people) > 9:
        who = Field(
            key="id",
            label="id on the roster",
            initial=person or "",
            suggest=tuple(each.id for each in people),
        )
    else:
        who = Field(key="who", label="number", kind="anyone", initial=str(number or ""))
    return Form(
        title="Unlock a key",
        about=("Several keys stay unlocked side by side; k locks them all.",),
        fields=(who, PASSPHRASE),
        special="unlock",
        submit="the last Enter unlocks",
    )


def hold(view: View) -> Form:
    """Stop the count. Where nobody's key is unlocked the instrument signs in the name given."""
    nobody = not view.unlocked
    about = (
        "Nobody's key is unlocked: the instrument enters it in the name given, to be countersigned."
        if (nobody)
        else "The count stops for everybody until it is lifted."
    )

    def make(answers: Answers) -> Any:
        reason = answers.text("reason") or "hold called"
        who = answers.person()
        if who in view.unlocked:
            return lambda walk: walk.hold(reason, who)
        return lambda walk: walk.hold(reason, claimed=who)

    return Form(
        title="Hold",
        about=(about,),
        fields=(
            Field(key="reason", label="reason (may stay empty)", optional=True),
            Field(key="who", label="called by (number)", kind="anyone"),
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
        clean(
            f"{n}  {words.utc(act.at.at)}  {view.person(act.data.claimed or act.signer)}: {act.data.reason}"
        )
        for n, act in holds.items()
    ]
    fields = [REASON, WHO]
    if len(holds) > 1:
        fields.insert(0, Field(key="hold", label="which hold", kind="choice", choices=tuple(holds)))

    def make(answers: Answers) -> Any:
        act = holds[answers.choice("hold")] if len(holds) > 1 else view.state.holds[0]
        reason, who = answers.text("reason"), answers.person()
        return lambda walk: walk.lift(act.ref, who, reason)

    return Form(title="Lift a hold", about=tuple(about), fields=tuple(fields), make=make)


def _caller(view: View, act: Act) -> str:
    return view.person(act.data.claimed or act.signer)


def countersign(view: View) -> Form:
    """The person in whose name the instrument entered a hold stands to it."""
    claimed = [act for act in view.state.holds if act.data.claimed is not None]
    if not claimed:
        raise Refused("No hold waits for a countersignature.")
    act = claimed[0]

    def make(answers: Answers) -> Any:
        who = answers.person()
        return lambda walk: walk.countersign(Ref(act.entry.rec, act.entry.seq), who)

    return Form(
        title="Countersign a hold",
        about=(clean(f"Called in the name of {view.person(act.data.claimed)}: {act.data.reason}"),),
        fields=(WHO,),
        make=make,
    )


def power(view: View) -> Form:
    """The crew cycled the payload's power."""

    def make(answers: Answers) -> Any:
        detail, who = answers.text("detail"), answers.person()
        return lambda walk: walk.power(detail, who)

    return Form(
        title="Power cycled",
        about=("Steps that read the power turn stale and are done again.",),
        fields=(Field(key="detail", label="what happened"), WHO),
        make=make,
    )


def replan(view: View) -> Form:
    """Change a declared value by its key; the planned release stands first."""
    about = (
        f"Planned release {words.both(view.state.planned_release, view.zone)}.",
        f"Release: {FORM}. Other keys as in the flight file.",
    )

    def make(answers: Answers) -> Any:
        key, text = answers.text("key"), answers.text("value")
        if key == "flight.release":
            asked = {"value": Field(key="value", label="new value", kind="time")}
            at = Answers(answers.view, asked, {"value": text}).time("value")
            assert at is not None
            text = at.isoformat(timespec="seconds").replace("+00:00", "Z")
        reason, who = answers.text("reason"), answers.person()
        return lambda walk: walk.replan({key: text}, who, reason)

    keys = ("flight.release", *sorted(set(flight_keys()) - {"flight.release"}))
    return Form(
        title="Replan",
        about=about,
        fields=(
            Field(key="key", label="key", initial="flight.release", suggest=keys),
            Field(key="value", label="new value"),
            REASON,
            WHO,
        ),
        make=make,
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
    named = ", ".join(passed) or "phases not called complete"

    def make(answers: Answers) -> Any:
        reason, who = answers.text("reason"), answers.person()
        return lambda walk: walk.begin(phase_id, who, reason)

    return Form(
        title=f"Begin {clean(phase.title, limit=50)} out of order",
        caution=clean(f"Passed and still open: {named}", limit=300),
        about=("They stay open and keep the verdict from go.",),
        fields=(REASON, WHO),
        make=make,
    )


def poll(view: View, gate: GateState) -> Form:
    """One station's answer; no answer is assumed."""
    silent = [name for name, act in gate.polled.items() if act is None or act.data.answer != "go"]
    about = [
        clean(f"{name}: {'not asked yet' if act is None else act.data.answer}")
        for name, act in gate.polled.items()
    ]

    def make(answers: Answers) -> Any:
        station = answers.choice("station")
        go = answers.choice("answer") == "go"
        remark, who = answers.text("remark"), answers.person()
        return lambda walk: walk.poll(gate.gate, station, who, go=go, remark=remark)

    stations = tuple(gate.polled)
    return Form(
        title=f"Poll at the {gate.gate} gate",
        about=tuple(about),
        fields=(
            Field(
                key="station",
                label="station",
                kind="choice",
                choices=stations,
                initial=silent[0] if silent else "",
            ),
            Field(key="answer", label="go or no-go", kind="choice", choices=("go", "no-go")),
            Field(key="remark", label="remark (may stay empty)", optional=True),
            WHO,
        ),
        make=make,
    )


def authorise(view: View, gate: GateState) -> Form:
    """The director authorises passing a gate."""
    expiry = view.state.first_expiry
    about = [f"Verdict: {gate.verdict}."]
    if gate.reasons:
        about.append(clean(gate.reasons[0].text, limit=200))
    if expiry is not None:
        about.append(f"First expiry: {expiry[1]} at {words.both(expiry[0], view.zone)}.")
    about.append("The tool advises: local rules and the competent person decide.")

    def make(answers: Answers) -> Any:
        who, passphrase = answers.person(), answers.secret("passphrase")
        return lambda walk: walk.authorise(gate.gate, who, passphrase)

    return Form(
        title=f"Authorise passing the {gate.gate} gate",
        about=tuple(about),
        fields=(WHO, PASSPHRASE),
        make=make,
        submit="the last Enter authorises",
    )


def release(view: View) -> Form:
    """The balloon has left, on whatever verdict."""
    gate = view.state.gates[view.book.gates[-1]] if view.book.gates else None
    with_go = gate is not None and gate.verdict == "go" and gate.authorised is not None
    said = "with go" if with_go else "WITHOUT GO"

    def make(answers: Answers) -> Any:
        at = answers.time("at") or view.state.now.at
        if at > view.state.now.at:
            raise Refused("That is still to come: a release is entered once the balloon has left.")
        reason, who = answers.text("reason"), answers.person()
        return lambda walk: walk.release(who, released_at=at, reason=reason)

    return Form(
        title="Release: the balloon has left",
        about=(f"It will be entered as released {said}.",),
        caution="" if with_go else "Released without go: say what happened.",
        fields=(
            Field(key="at", label="when (empty: now)", kind="time-near", optional=True),
            Field(key="reason", label="remark" if with_go else "what happened", optional=with_go),
            WHO,
        ),
        make=make,
    )


def scrub(view: View) -> Form:
    """The attempt is given up for today."""

    def make(answers: Answers) -> Any:
        reason, who = answers.text("reason"), answers.person()
        return lambda walk: walk.scrub(who, reason)

    return Form(
        title="Scrub: give up the attempt for today",
        about=("Only closing the record is left afterwards.",),
        fields=(REASON, WHO),
        make=make,
    )


def close(view: View) -> Form:
    """Close the record and seal it, in one act."""
    head = view.book.checklist.checklist
    verdicts = ", ".join(f"{gate} {found.verdict}" for gate, found in view.state.gates.items())
    reason = "scrubbed" if view.state.scrubbed else "release decision"
    if view.state.released is not None:
        reason = "recovery over"
    others = [
        f"{n} {person.name}"
        for n, person in numbers(view.book.roster, view.unlocked).items()
        if set(person.roles) & set(head.seal_by)
    ]
    return Form(
        title="Close and seal the record",
        about=(
            f"Verdicts: {verdicts or 'no gate'}. Nothing can be added to this record afterwards.",
            clean(f"May seal: {', '.join(others)}.", limit=200),
        ),
        fields=(
            Field(key="reason", label="why it is closed", initial=reason),
            Field(
                key="also",
                label="others sealing (numbers)",
                optional=True,
            ),
            WHO,
            PASSPHRASE,
        ),
        special="close",
        submit="the last Enter closes and seals",
    )


def add_seal() -> Form:
    """Another person's seal on the closed record."""
    return Form(
        title="Seal the closed record",
        fields=(WHO, PASSPHRASE),
        special="seal",
        submit="the last Enter seals",
    )


def storage(view: View) -> Form:
    """The record goes on in a new linked folder, on another device if need be."""
    record = view.record
    about = [clean((record.failed if record is not None else "") or "", limit=400)]
    return Form(
        title="The record stopped: go on in another folder",
        caution=about[0],
        about=("What was on disk stays good. Name a folder, best on another device.",),
        fields=(Field(key="folder", label="folder for records"), WHO),
        special="storage",
        submit="the last Enter goes on",
    )


def other_sealers(view: View, text: str) -> tuple[str, ...]:
    """Ids of the people whose numbers stand in `text`, separated by commas or blanks."""
    known = numbers(view.book.roster, view.unlocked)
    found = []
    for word in text.replace(",", " ").split():
        person = known.get(int(word)) if word.isdecimal() and word.isascii() else None
        if person is None:
            raise Refused(f"There is no person number {clean(word, limit=10)}.")
        found.append(person.id)
    return tuple(found)
