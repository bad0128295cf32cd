"""The one line that says the verdict at the gate ahead, and why it is not go.

The reason comes first, detail after it; where room is short the rest of the line is said in fewer words
before anything of the reason is cut.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime

from textual.content import Content

from preflight.clean import clean
from preflight.tui import words
from preflight.tui.draw.ended import closed_mark
from preflight.tui.draw.head import names_that_fit
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import WIDE, badge, fitted, row, say
from preflight.tui.marks import ALERT_STYLE, SCRUBBED, VERDICTS
from preflight.tui.view import View
from preflight.walk.ledger import Act
from preflight.walk.state import NOT_DONE, GateState, Reason
from preflight.walk.waivers import told

UNCHECKED = "Not checked: "
_CLAUSE = re.compile(r"[:;.?] ")
_PART = re.compile(r", | \(| at (?=\d)")
_PATH = re.compile(r"(?<![^\s“(])/[^\s:,;”)]{17,}")
_PATH_KEPT = 14
SHORT_ID = 12
SHORTEST = 12
"""Characters of a reason that say too little to stand for it: "pressure: …"."""


def verdict_line(scene: Scene, width: int) -> Content:
    """The verdict at the gate ahead and the one line that says why it is not go."""
    view, state = scene.view, scene.view.state
    mark = closed_mark(view)
    closed: Content | str = badge(mark) if mark is not None else ""
    if state.released is not None:
        return fitted(_released_line(view, closed), width)
    if state.scrubbed is not None:
        act = state.scrubbed
        at = words.both(act.at.at, view.zone)
        text = say(f" {at} by {view.person(act.signer)}: {act.data.reason}", limit=300)
        return fitted(row(" ", badge(SCRUBBED), closed, text), width)
    gate = state.gate
    if gate is None:
        return fitted(row(" ", closed, "This checklist has no gate."), width)
    verdict = row(" ", badge(VERDICTS[gate.verdict]), closed)
    if gate.reasons:
        return _why(view, gate, verdict, width)
    said = "authorised" if gate.authorised is not None else "nothing stands against it"
    if gate.authorised is None and not gate.all_polled:
        said = "every station is to be polled"
    return fitted(row(verdict, Content.styled(_at(gate), "bold"), said), width)


def _at(gate: GateState) -> str:
    return f" at the {gate.gate} gate: "


def _why(view: View, gate: GateState, verdict: Content, width: int) -> Content:
    """The verdict with its first reason, in the fullest wording that leaves the reason's meaning whole."""
    holds = view.state.holds
    against = holds and gate.verdict == "no-go"
    forms = _hold_forms(view) if holds and not against else _forms(view, gate.reasons[0])
    # A no-go outweighs a hold in the verdict, but never hides that one stands, and whose it is.
    beside = _beside(view, width) if against else [Content("")]
    others = len(gate.reasons) - 1 - len(holds[:1] if against else ())
    more = (f"  (+{others} more: j)", f"  +{others}: j") if others > 0 else ("", "")
    # Of the gate, the step and how many more there are, the gate is said by the line of phases too.
    tried = [
        *((_at(gate), form, beside[0], more[0]) for form in forms[:2]),
        *(
            (at, form, tail, more[1])
            for tail in beside
            for form in forms[1:]
            for at in (f" {gate.gate}: ", " ")
        ),
    ]
    lines = [
        _Line(row(verdict, Content.styled(at, "bold"), form.whose), form, tail, rest, width)
        for at, form, tail, rest in tried
    ]
    line, text = _fullest(lines)
    tail = row(line.tail, _hold_why(view, line.room - text.cell_length)) if against else line.tail
    return fitted(row(line.head, text, tail, Content.styled(line.rest, "$quiet")), width)


@dataclass(frozen=True, slots=True)
class _Form:
    """A wording of a reason: whose it is, which is never left out, and what is said of it.

    What is `one` is a single clause, whatever stands in it.
    """

    whose: str
    said: str
    one: bool = False


@dataclass(frozen=True, slots=True)
class _Line:
    """The line in one wording: what stands before and behind what is said."""

    head: Content
    form: _Form
    tail: Content
    rest: str
    width: int

    @property
    def room(self) -> int:
        return max(0, self.width - self.head.cell_length - self.tail.cell_length - len(self.rest))

    @property
    def ends(self) -> tuple[list[int], list[int]]:
        """Where what is said may be cut: behind its meaning, and within that before a comma or a bracket."""
        said = self.form.said
        first = _CLAUSE.search(f"{said}. ", SHORTEST)
        if self.form.one or first is None:
            return [], []
        words_ = (at.start() for at in re.finditer(" ", said) if at.start() > first.end())
        return [first.start(), *words_], [at.start() for at in _PART.finditer(said, 0, first.start())]

    def cut(self, ends: list[int]) -> Content | None:
        """What is said, whole or up to the last of `ends` that fits; None where none does."""
        whole = say(self.form.said)
        if whole.cell_length <= self.room:
            return whole
        shorter = [say(f"{self.form.said[:end].rstrip(' :;,.(')} …") for end in ends]
        return next((each for each in reversed(shorter) if each.cell_length <= self.room), None)


def _fullest(lines: list[_Line]) -> tuple[_Line, Content]:
    """The first of the wordings whose meaning is whole; else the first that has the beginning of it."""
    tries = (
        *((line, None) for line in lines[:2]),
        *((line, 0) for line in lines),
    )
    for line, at in tries:
        text = line.cut([] if at is None else line.ends[at])
        if text is not None:
            return line, text
    parts = [(line, text) for line in lines if (text := line.cut(line.ends[1])) is not None]
    if parts:
        return max(parts, key=lambda part: part[1].cell_length)
    line = lines[-1]
    whole_words = say(line.form.said).truncate(max(0, line.room - 1)).plain.rpartition(" ")[0]
    return line, say(f"{whole_words.rstrip(' :;,.(')} …")


def _forms(view: View, reason: Reason) -> list[_Form]:
    """The wordings of a reason, fullest first; the last one shortens the step's name in its middle."""
    if reason.step is None:
        phase = view.state.phases.get(reason.phase or "")
        title = "phase" if phase is None else say(phase.phase.title).truncate(20, ellipsis=True).plain
        return [
            _Form("", clean(reason.text, limit=300), one=True),
            _Form("", f"{title} not called complete", one=True),
        ]
    step = view.step(reason.step)
    step_id = clean(reason.step, limit=60)
    said, state = step.reason, ": " if step.outcome == "no-go" else f" {step.outcome}: "
    if said.startswith(UNCHECKED):
        said, state = said.removeprefix(UNCHECKED), " not checked: "
    elif said == NOT_DONE or step.waiting in ("signature", "witness"):
        state = " "
    said = brief = clean(said, limit=500)
    if step.finding is not None:
        brief = said.replace(told(step.finding), told(step.finding, brief=True))
    # A value beside its limit is said whole: half of it says nothing.
    one = brief != said
    brief = _PATH.sub(lambda path: f"…{path[0][-_PATH_KEPT:]}", brief)
    return [
        _Form(f"{step_id}{state}", said, one),
        _Form(f"{step_id}{state}", brief, one),
        _Form(f"{words.middle_cut(step_id, SHORT_ID)}{state.replace('not ', 'un')}", brief, one),
    ]


def _hold_forms(view: View) -> list[_Form]:
    """The wordings of a hold: whose it is, then why."""
    act = view.state.holds[0]
    whole, short = (called(view, act, width) for width in (WIDE, 0))
    return [_Form(f"hold by {who}: ", clean(act.data.reason, limit=300), one=True) for who in (whole, short)]


def called(view: View, hold: Act, width: int) -> str:
    """Who called a hold, and when."""
    name = clean(view.person(hold.data.claimed or hold.signer), limit=60)
    (name,) = names_that_fit([name], 60 if width >= WIDE else 12)
    return f"{name} {words.utc(hold.at.at)}"


def _beside(view: View, width: int) -> list[Content]:
    """A hold that stands beside a no-go: its badge with who called it, and alone."""
    mark = row("  ", badge(VERDICTS["hold"]))
    return [row(mark, say(f" {called(view, view.state.holds[0], width)}", "bold")), mark]


def _hold_why(view: View, room: int) -> Content:
    """Why a hold beside a no-go was called, where there is room."""
    why = say(f": {view.state.holds[0].data.reason}", limit=200)
    return why.truncate(room, ellipsis=True) if room >= min(12, why.cell_length) else Content("")


def _released_line(view: View, closed: Content | str) -> Content:
    released = view.state.released
    assert released is not None
    at = words.both(datetime.fromisoformat(released.data.released), view.zone)
    if view.state.released_without_go:
        return row(" ", Content.styled(" ■ RELEASED WITHOUT GO ", ALERT_STYLE), closed, f" at {at}")
    return row(" ", badge(VERDICTS["go"]), closed, f" released with go at {at}")
