"""The centre of the screen between steps: completing a phase, poll, authorisation, close, release."""

from __future__ import annotations

from textual.content import Content

from preflight.clean import clean
from preflight.tui import words
from preflight.tui.draw.ended import act_text, ended_blocks, scrubbed_blocks, sealed_blocks
from preflight.tui.draw.head import WIDE, called, phase_mark
from preflight.tui.draw.live import with_live
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.step import step_blocks
from preflight.tui.draw.text import Block, badge, fit, fitted, labelled, row, say, title
from preflight.tui.interruption import before_of
from preflight.tui.marks import ALERT, CAUTION, OUTCOMES, VERDICTS
from preflight.tui.places import ordinary, place_of
from preflight.tui.view import View
from preflight.walk.state import GateState, PhaseState


def centre_lines(scene: Scene, width: int, height: int) -> list[Content]:
    """The centre, cut to `height`: the step done before, what is shown, what Enter does."""
    prompt = prompt_lines(scene, width)
    before = before_line(scene, width)
    blocks = step_blocks(scene, width) if scene.place.kind == "step" else call_blocks(scene, width)
    room = height - 2 - len(prompt)
    blocks = with_live(scene, blocks, width, room)
    body = _airy(blocks, room) or fit(blocks, room, width)
    body += [Content("")] * (room - len(body))
    rule = Content.styled("─" * width, "$rule")
    return [before, rule, *body, *prompt]


def _airy(blocks: list[Block], height: int) -> list[Content] | None:
    """All blocks with a blank line between them; None where that does not fit."""
    if sum(len(block.lines) + 1 for block in blocks) > height:
        return None
    return [line for block in blocks for line in (*block.lines, Content(""))]


def prompt_lines(scene: Scene, width: int) -> list[Content]:
    """The one next act, in words, whole; who is chosen for it. Two lines at most."""
    mark, said, hint = _prompt(scene, width)
    lines = say(said, "bold $lead").wrap(max(20, width - 3))[:2]
    heads = [Content.styled(f" {mark} ", "bold $lead"), Content("   ")]
    drawn = [row(head, line.rstrip()) for head, line in zip(heads, lines, strict=False)]
    if len(lines) == 1 and drawn[0].cell_length + hint.cell_length <= width:
        drawn[0] = row(drawn[0], hint)
    return [fitted(line, width) for line in drawn]


def _prompt(scene: Scene, width: int) -> tuple[str, str, Content]:
    """Its mark, its words, and a hint that gives way."""
    view, none = scene.view, Content("")
    if view.looking:
        return "◇", "This screen only looks: it can't act.", none
    if scene.busy:
        return "◌", f"{scene.busy}…", none
    running = scene.running
    if running is not None and not running.by_itself:
        if running.stopping:
            return "◌", "stopping: the line is being put back", none
        return "▶", "the check is at work; s stops it", none
    does = ordinary(view.state, scene.place)
    text = does.says
    if does.person and scene.selected is not None:
        verb = {"sign": "sign", "confirm": "confirm", "witness": "witness", "complete": "call it complete"}
        text = f"{view.person(scene.selected)}: Enter to {verb[does.does]}, Escape to let go"
    due = place_of(view.state.next)
    if due != scene.place and due.kind != "none" and does.does != "go-on":
        return "▶", text, Content.styled(f"   . goes to {clean(due.name or due.kind, limit=40)}", "$quiet")
    return "▶", text, none


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
        act = found.signature or found.act
        parts.append(
            Content.styled(f"  {clean(view.person(act.signer), limit=40)} {words.utc_s(act.at.at)}", "$quiet")
        )
    if found is not None and found.readings:
        reading = found.readings[0]
        value = words.value_of(reading)
        parts.append(Content.styled(f"  {clean(reading.name, limit=40)} {clean(value, limit=40)}", "$quiet"))
    return fitted(row(*parts), width)


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
    blocks = [
        title(f"{_call(view, phase)}: {phase.phase.title}", width),
        Block(
            labelled(
                "phase", say(f"{mark.shape} {mark.word}, {phase.done} of {phase.total} steps done"), width
            ),
            8,
        ),
    ]
    if phase.completed is not None:
        blocks.append(Block(labelled("signed", act_text(view, phase.completed), width), 7))
    if phase.blocking:
        blocks.append(Block(labelled("open", say(", ".join(phase.blocking), "bold", limit=900), width), 8, 3))
    lines = []
    for step in phase.phase.step:
        found = view.step(step.id)
        lines.append(
            row(
                "   ", fitted(say(OUTCOMES[found.outcome].text, "bold"), 18), say(step.challenge, limit=200)
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
            said: Content = say("not asked yet, no answer is assumed", "$quiet")
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
    expiry = view.state.first_expiry
    if expiry is not None and gate.authorised is None:
        text = f"{expiry[1]} at {words.both(expiry[0], view.zone)}: fill and release must be over by then"
        blocks.append(Block(labelled("expires", say(text), width), 6, 2))
    said = say("The tool advises; local rules and the competent person decide.", "$quiet")
    blocks.append(Block(labelled("mind", said, width), 4))
    return blocks


LABEL_CUT = 9


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
    if gate is not None:
        with_go = gate.verdict == "go" and gate.authorised is not None
        said: Content = badge(VERDICTS[gate.verdict])
        if with_go:
            said = row(said, say("  authorised: a release now is with go"))
        else:
            said = row(said, "  ", badge(ALERT), say("  a release now is without go", "bold"))
        blocks.append(Block(labelled("verdict", said, width), 8, 2))
    if view.past:
        return blocks
    clear = "Area clear of people and aircraft, line free, gloves on: then let go, then enter it."
    blocks.append(Block(labelled("mind", row(badge(CAUTION), f" {clear}"), width), 8, 2))
    if view.state.closed is not None:
        other = say("Not flying after all: d scrubs. To go on later: q quits")
        blocks.append(Block(labelled("else", other, width), 7, 1))
    return blocks
