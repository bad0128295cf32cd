"""The centre of the screen between steps: completing a phase, poll, authorisation, close, release."""

from __future__ import annotations

from textual.content import Content

from preflight.clean import clean
from preflight.tui import words
from preflight.tui.draw.ended import act_text, ended_blocks, scrubbed_blocks, sealed_blocks
from preflight.tui.draw.head import phase_mark
from preflight.tui.draw.live import with_live
from preflight.tui.draw.prompt import prompt_lines
from preflight.tui.draw.scale import short_names
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.step import GOOD_TO_KNOW, called_as_asked, decisive, step_blocks
from preflight.tui.draw.text import WIDE, Block, badge, fit, fitted, labelled, row, say, title
from preflight.tui.draw.verdict import called
from preflight.tui.interruption import before_of
from preflight.tui.marks import ALERT, CAUTION, OUTCOMES, VERDICTS
from preflight.tui.places import no_release, silent
from preflight.tui.view import View
from preflight.walk.state import GateState, PhaseState


def centre_lines(scene: Scene, width: int, height: int) -> list[Content]:
    """The centre, cut to `height`: the step done before, what is shown, what Enter does."""
    prompt = prompt_lines(scene, width)
    before = before_line(scene, width)
    blocks = step_blocks(scene, width) if scene.place.kind == "step" else call_blocks(scene, width)
    rule = Content.styled("─" * width, "$rule")
    # On a low screen the step itself comes before the one that is done.
    above = [before, rule] if height >= 10 else [before] if height >= 7 else []
    room = max(1, height - len(above) - len(prompt))
    blocks = with_live(scene, blocks, width, room)
    body = _airy(blocks, room) or fit(blocks, room, width)
    body += [Content("")] * (room - len(body))
    return [*above, *body, *prompt]


def wanted_lines(scene: Scene, width: int) -> int:
    """Lines that the centre wants for all that decides, the step's prompt among them."""
    blocks = step_blocks(scene, width) if scene.place.kind == "step" else call_blocks(scene, width)
    prompt = [] if scene.view.replay is not None else prompt_lines(scene, width)
    needed = [block for block in blocks if block.rank > GOOD_TO_KNOW]
    return 2 + sum(len(block.lines) for block in needed) + (len(needed) < len(blocks)) + len(prompt)


def _airy(blocks: list[Block], height: int) -> list[Content] | None:
    """All blocks with a blank line between them; None where that does not fit."""
    if sum(len(block.lines) + 1 for block in blocks) > height:
        return None
    return [line for block in blocks for line in (*block.lines, Content(""))]


def before_line(scene: Scene, width: int) -> Content:
    """The step done before this one, shown again."""
    view = scene.view
    done = before_of(view, scene.place)
    if done is None:
        return fitted(Content.styled(" before: nothing is done yet", "$quiet"), width)
    step = view.step(done)
    found = step.finding
    parts: list[Content | str] = [
        Content.styled(" before: ", "$quiet"),
        say(OUTCOMES[step.outcome].text, "bold"),
        say(f"  {step.step.id}"),
    ]
    if found is not None and found.performer is not None:
        waived = step.waiver if step.outcome == "waived" else None
        act = waived or found.signature or found.act
        parts.append(
            Content.styled(f"  {clean(view.person(act.signer), limit=40)} {words.utc_s(act.at.at)}", "$quiet")
        )
    if found is not None and found.readings:
        reading = called_as_asked(step, decisive(found.readings, step.step.response)[0])
        value = clean(words.value_of(reading), limit=40)
        # The value is never cut, and of the name what tells it from others is kept.
        room = width - row(*parts).cell_length - len(value) - 3
        (name,) = short_names([clean(reading.name, limit=60)], max(room, 0))
        parts.append(Content.styled(f"  {name} {value}" if room >= LEAST_NAME else f"  {value}", "$quiet"))
    return fitted(row(*parts), width)


LEAST_NAME = 8
"""Cells of a reading's name below which its value stands alone."""


def call_blocks(scene: Scene, width: int) -> list[Block]:
    """Everything that there is to say between steps."""
    kind = scene.place.kind
    if kind == "complete":
        return _phase_blocks(scene.view, scene.place.name, width)
    if kind in ("poll", "authorise"):
        return _gate_blocks(scene.view, scene.place.name, kind, width)
    if kind == "release":
        return _release_blocks(scene.view, width)
    if scene.view.state.closed is not None:
        return ended_blocks(scene.view, width)
    return _close_blocks(scene.view, width)


def _phase_blocks(view: View, phase_id: str, width: int) -> list[Block]:
    phase = view.state.phases[phase_id]
    mark = phase_mark(view, phase)
    counted = f", {phase.done} of {phase.total} steps done" if phase.total else ""
    blocks = [
        title(f"{_call(view, phase)}: {phase.phase.title}", width),
        Block(labelled("phase", say(f"{mark.shape} {mark.word}{counted}"), width), 8),
    ]
    if phase.completed is not None:
        blocks.append(Block(labelled("signed", act_text(view, phase.completed), width), 7))
    if phase.blocking:
        blocks.append(Block(labelled("open", say(", ".join(phase.blocking), "bold", limit=900), width), 8, 3))
    lines = []
    marks = 2 + max((len(OUTCOMES[view.step(step.id).outcome].text) for step in phase.phase.step), default=0)
    for step in phase.phase.step:
        found = view.step(step.id)
        lines.append(
            row(
                "   ",
                fitted(say(OUTCOMES[found.outcome].text, "bold"), marks),
                say(step.challenge, limit=200),
            ).truncate(width, ellipsis=True)
        )
    blocks.append(Block(lines, 3, 3))
    return blocks


def _call(view: View, phase: PhaseState) -> str:
    if phase.completed is not None:
        return "Phase complete"
    return "Phase not called complete" if view.past else "Call the phase complete"


def _gate_title(view: View, gate: GateState, kind: str) -> str:
    if kind == "poll":
        return "Poll of the stations" if gate.all_polled or view.past else "Poll the stations"
    if gate.authorised is not None:
        return "Gate authorised"
    return "Gate not authorised" if view.past else "Authorise passing the gate"


def _gate_blocks(view: View, name: str, kind: str, width: int) -> list[Block]:
    gate = view.state.gates[name]
    blocks = [title(f"{_gate_title(view, gate, kind)}: {name} gate", width)]
    why = gate.reasons[0].text if gate.reasons else ""
    if view.state.holds and gate.verdict == "hold":
        hold = view.state.holds[0]
        why = f"hold by {called(view, hold, WIDE)}: {hold.data.reason}"
    verdict = row(badge(VERDICTS[gate.verdict]), "  ", say(why))
    blocks.append(Block(labelled("verdict", verdict, width), 8, 2))
    for station, act in gate.polled.items():
        if act is None:
            said: Content = _unasked(view, name, station)
        else:
            mark = OUTCOMES["go" if act.data.answer == "go" else "no-go"]
            remark = f" {act.data.remark}" if act.data.remark else ""
            said = row(
                badge(mark),
                say(f" {view.person(act.signer)} {words.utc(act.at.at)} “{act.entry.meaning}”{remark}"),
            )
        blocks.append(Block(labelled(clean(station, limit=LABEL_CUT), said, width), 7))
    if gate.authorised is not None:
        act = gate.authorised
        text = f"{view.person(act.signer)} {words.utc_s(act.at.at)} “{act.entry.meaning}”"
        blocks.append(Block(labelled("authorised", say(text, "bold"), width), 8))
    blocks += _passed_with(view, name, width)
    expiry = view.state.first_expiry
    if expiry is not None and gate.authorised is None:
        text = f"{expiry[1]} at {words.both(expiry[0], view.zone)}: fill and release must be over by then"
        blocks.append(Block(labelled("expires", say(text), width), 6, 2))
    said = say("The tool advises; local rules and the competent person decide.", "$quiet")
    blocks.append(Block(labelled("mind", said, width), 4))
    return blocks


LABEL_CUT = 9


def _unasked(view: View, gate: str, station: str) -> Content:
    """A station without an answer that counts; a no-go that called the hold is not forgotten."""
    if view.state.holds:
        last = next(
            (
                act
                for act in reversed(view.acts)
                if act.entry.kind == "poll" and (act.data.gate, act.data.station) == (gate, station)
            ),
            None,
        )
        if last is not None and last.data.answer != "go":
            remark = f": {last.data.remark}" if last.data.remark else ""
            who = f" {view.person(last.signer)} {words.utc(last.at.at)}{remark}; asked again after the hold"
            return row(badge(OUTCOMES["no-go"]), say(who, limit=200))
    return say("not asked yet, no answer is assumed", "$quiet")


def _passed_with(view: View, gate: str, width: int) -> list[Block]:
    """What go at a gate leaves behind: steps that were waived, and by whom; optional ones left open."""
    waived = view.waived(gate)
    steps = [view.step(each.id) for phase in view.book.counted(gate) for each in phase.step]
    left = [
        f"{each.step.id} ({each.outcome})" for each in steps if not (each.step.required or each.satisfied)
    ]
    blocks = []
    if waived:
        blocks.append(Block(labelled("waived", say("; ".join(waived), "bold", limit=600), width), 7, 1))
    if left:
        blocks.append(Block(labelled("optional", say(f"left: {', '.join(left)}", limit=300), width), 5, 1))
    return blocks


def _close_blocks(view: View, width: int) -> list[Block]:
    head = view.book.checklist.checklist
    blocks = [title(_close_title(view), width), *scrubbed_blocks(view, width)]
    verdicts = [
        row(badge(VERDICTS[gate.verdict]), f" {gate.gate} gate   ") for gate in view.state.gates.values()
    ]
    if verdicts:
        blocks.append(Block(labelled("verdict", row(*verdicts), width), 5))
    if view.replay is None:
        blocks.append(Block(labelled("what", say(_closing(view)), width), 6, 2))
    blocks.append(Block(labelled("seals", say(words.listed(head.seal_by)), width), 5))
    return blocks


def _close_title(view: View) -> str:
    asked = "" if view.replay is not None else ": close and seal the record"
    if view.given_up:
        return f"The attempt was scrubbed{asked}"
    return "The record is not closed yet" if not asked else "Close and seal the record"


def _closing(view: View) -> str:
    """What closing means here."""
    text = "Nothing can be added to this record afterwards."
    state = view.state
    if state.scrubbed is not None or state.released is not None:
        return f"{text} The seal code is shown then: read it out, write it down or photograph it."
    return (
        f"{text} Release, tracking and recovery go into the one that follows it. The seal code is shown "
        "then: read it out, write it down or photograph it before release."
    )


def _release_blocks(view: View, width: int) -> list[Block]:
    blocks = [title("Release", width)]
    gate = view.state.gates[view.book.gates[-1]] if view.book.gates else None
    if view.state.released is not None:
        act = view.state.released
        blocks.append(Block(labelled("signed", act_text(view, act, act.data.reason), width), 8))
        return blocks
    if view.state.closed is not None:
        blocks += sealed_blocks(view, width)
    against = no_release(view.state)
    stands = bool(against) and not view.past
    if gate is not None:
        said: Content = badge(VERDICTS[gate.verdict])
        if against:
            said = row(said, "  ", badge(ALERT), say("  a release now is without go", "bold"))
        else:
            said = row(said, say("  authorised: a release now is with go"))
        blocks.append(Block(labelled("verdict", said, width), 8, 2))
    if view.past:
        return blocks
    if stands:
        # First on the page: whoever has the line in hand reads no further.
        stop = row(badge(ALERT), say(f" DO NOT LET GO: {against}", "bold", limit=300))
        blocks.insert(1, Block(labelled("stop", stop, width), 9, 2))
        blocks.insert(2, Block(labelled("to go", say(_back_to_go(view)), width), 9, 2))
    else:
        clear = "Area clear of people and aircraft, line free, gloves on: then let go, then enter it."
        blocks.append(Block(labelled("mind", row(badge(CAUTION), f" {clear}"), width), 8, 2))
    if view.state.closed is not None:
        other = say("Not flying after all: d scrubs. To go on later: q quits")
        blocks.append(Block(labelled("else", other, width), 9, 1))
    return blocks


def _back_to_go(view: View) -> str:
    """What brings a release back to go."""
    gate = view.state.gates[view.book.gates[-1]]
    todo = ["l lifts the hold"] if view.state.holds else []
    if any(reason.step is not None or reason.phase is not None for reason in gate.reasons):
        todo.append("j goes to what stands against it, and that step is done again")
    if asked := silent(gate):
        todo.append(f"p polls {words.listed(asked, 'and')}")
    if gate.authorised is None:
        todo.append("a authorises")
    return f"{'; then '.join(todo)}."
