"""The form that takes an entry out: which one is chosen by its number, and stands there in full before."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from preflight.clean import clean
from preflight.errors import Refused
from preflight.tui import words
from preflight.tui.forms.form import REASON, Answers, Field, Form, Wrong, who
from preflight.tui.view import View
from preflight.walk.ledger import CORRECTABLE, Act, Ref
from preflight.walk.state import StepState
from preflight.walk.who import may_correct

LINE = 74
_DOTTED = re.compile(r"\b[a-z]\w*\.([a-z]\w*(?:\[\d+\])?(?:\.\w+)*)")
"""Cells of a line in the list."""
SHOWN = 6
"""Entries that are listed; older ones go by their number as well."""
ABSENT = "There is no entry {} that can be corrected: type a number as it stands here."


def correct(view: View, step: StepState | None) -> Form:
    """An entry that no longer counts: what stands instead is entered anew.

    Nothing is filled in: whoever strikes an entry has named it. `step` is the one shown, whose entries are
    marked.
    """
    entries, struck = _numbered(view), _struck(view)
    known = {
        number: act
        for number, act in entries.items()
        if act.entry.kind in CORRECTABLE and act.ref not in struck
    }
    if not known:
        raise Refused("No entry stands that could be corrected: do a step first.")
    about = ["The entry named stays readable and counts no longer; then do it again."]
    for number, act in list(known.items())[-SHOWN:]:
        mark = "▸" if step is not None and _step_of(entries, act) == step.step.id else " "
        line = clean(f"{mark} {_said(view, entries, act, number, whole=False)}")
        if len(line) > LINE:
            line = _DOTTED.sub(r"\1", line)  # a value's name gives way before the value does
        about.append(line if len(line) <= LINE else f"{line[: LINE - 1]}…")

    if len(known) > SHOWN:
        about.append(f"The last {SHOWN} of {len(known)}; an older one by its number, as the report shows it.")

    def tells(typed: Mapping[str, str]) -> str:
        number = typed["entry"].strip()
        if not number:
            return ""
        if number not in known:
            return ABSENT.format(clean(number, limit=40))
        return f"strikes {_said(view, entries, known[number], number)}"

    def able(typed: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
        """Whom the rules let strike the entry typed."""
        act = known.get(typed["entry"].strip())
        if act is None:
            return {}
        of = view.book.steps.get(_step_of(entries, act) or "")
        ids = [person.id for person in view.book.roster.people]
        return {"people": tuple(each for each in ids if may_correct(view.book, act, of, each))}

    def judge(answers: Answers) -> None:
        number = answers.text("entry")
        if number not in known:
            raise Wrong("entry", ABSENT.format(clean(number, limit=40)))

    def make(answers: Answers) -> Any:
        judge(answers)
        number, reason, person = answers.text("entry"), answers.text("reason"), answers.person()
        return lambda walk: walk.correct(known[number].ref, person, reason)

    return Form(
        title="Correct an entry",
        about=tuple(about),
        fields=(
            Field(key="entry", label="which entry (number)", tells=tells, judge=judge),
            REASON,
            who(narrows=able),
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


def _struck(view: View) -> set[Ref]:
    corrections = (act for act in view.acts if act.entry.kind == "correct")
    return {Ref(act.data.rec or act.entry.rec, act.data.of) for act in corrections}


def _of(entries: Mapping[str, Act], act: Act) -> Act:
    """The finding that an entry signs or witnesses; itself where it is none of these."""
    if act.entry.kind not in ("sign", "witness"):
        return act
    wanted = Ref(act.entry.rec, act.data.of)
    return next((other for other in entries.values() if other.ref == wanted), act)


def _step_of(entries: Mapping[str, Act], act: Act) -> str | None:
    return getattr(_of(entries, act).data, "step", None)


def _said(view: View, entries: Mapping[str, Act], act: Act, number: str, *, whole: bool = True) -> str:
    """An entry in a line: its number, when, who, and what it says; `whole` also what it signs."""
    from preflight.report.telling import tell

    said = tell(act.entry.kind, act.data)
    signed = _of(entries, act)
    if signed is not act:
        said = f"{said} ({tell(signed.entry.kind, signed.data) if whole else signed.data.step})"
    return f"{number}  {words.utc(act.at.at)}  {view.person(act.signer)}  {said}"
