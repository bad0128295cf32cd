"""The centre of the screen while a step is shown."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import msgspec
from textual.content import Content

from preflight.checks import table
from preflight.checks.base import Check
from preflight.clean import clean
from preflight.errors import PreflightError
from preflight.readings import Reading
from preflight.tui import words
from preflight.tui.draw.scale import bounds, progress_lines, reading_line, reading_lines
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import LABEL, TEXT, Block, apart, badge, labelled, row, say
from preflight.tui.marks import CAUTION, OUTCOMES
from preflight.tui.view import View
from preflight.walk.ledger import Act, FindingLog
from preflight.walk.state import StepState, witness_required

MOST_DECIDE = 4
"""Readings that decide of which no line is cut while anything of a lower rank is left."""
GOOD_TO_KNOW = 1
"""The rank of readings that nothing is judged by."""
ASIDE = 3
COVERED = "covered, while a second person reads it for themselves"
QUIET = 2.5
"""Seconds without anything new from a check after which that is said."""


def check_of(step: StepState) -> Check | None:
    """The check of a step; None where it has none or there is none of that name here."""
    if step.step.check is None:
        return None
    try:
        return table.get(step.step.check)
    except PreflightError:
        return None


def step_blocks(scene: Scene, width: int) -> list[Block]:
    """Everything that there is to say of the step shown; `rank` says what gives way on a small screen."""
    view = scene.view
    step = view.step(scene.place.name)
    found = step.finding
    running = scene.running if scene.running is not None and _runs_here(scene) else None
    check = check_of(step)
    blocks = [Block([_head(view, step, width)], 9)]
    if step.step.caution:
        text = row(badge(CAUTION), " ", say(step.step.caution, "bold", limit=2000))
        blocks.append(_whole(_plain(text, width), 10))
    blocks.append(
        Block(labelled("challenge", say(step.step.challenge, "bold $lead", limit=400), width), 9, 3)
    )
    if step.step.response:
        blocks.append(Block(labelled("response", say(step.step.response, "bold", limit=2000), width), 7, 2))
    due = found is None or step.waiting == "finding" or running is not None
    if check is not None and check.leads and due and not view.past and view.state.closed is None:
        blocks.append(_whole(labelled("move lead", say(check.leads, limit=300), width), 10))
    if running is not None:
        blocks += _progress_blocks(scene, width)
    elif found is not None:
        blocks += finding_blocks(view, step, found, width, covered=scene.covered)
        if check is not None and check.put_back and found.act.entry.kind == "check" and not view.past:
            blocks.append(_whole(labelled("put back", say(check.put_back, limit=300), width), 10))
    elif step.step.measure is not None:
        blocks += _limits_block(scene, step, width)
    if step.step.defer is not None and found is None:
        asked = f"{step.step.defer.authority}: {', '.join(step.step.defer.ask)}"
        blocks.append(Block(labelled("ask", say(asked, limit=600), width), 6, 2))
    if step.step.why:
        blocks.append(Block(labelled("why", say(step.step.why, "$quiet", limit=2000), width), 1, 1))
    if step.waiting != "signature" or running is not None:
        blocks.append(_whole(labelled("signs", _who(view, step), width), 7))
    return blocks


def _runs_here(scene: Scene) -> bool:
    running = scene.running
    return running is not None and scene.place.kind == "step" and running.step_id == scene.place.name


def _whole(lines: list[Content], rank: int) -> Block:
    """Lines that are never cut while anything of a lower rank is left."""
    return Block(lines, rank, len(lines))


def _plain(content: Content, width: int) -> list[Content]:
    wrapped = content.wrap(max(8, min(TEXT + LABEL, width - 2)))
    return [row(" ", line.rstrip()) for line in wrapped]


def _head(view: View, step: StepState, width: int) -> Content:
    phase = step.phase
    at = [each.id for each in phase.step].index(step.step.id) + 1
    mark = badge(OUTCOMES[step.outcome])
    where = f"  step {at} of {len(phase.step)}, {clean(phase.title, limit=50)}"
    mode = "read, then do" if phase.mode == "read-do" else "do, then confirm"
    left = row(" ", mark, "  ", say(step.step.id, "bold"), Content.styled(where, "$quiet"))
    right = row(Content.styled(f"{mode} " if step.step.required else f"{mode} · optional ", "$quiet"))
    return apart(left, right, width)


def _progress_blocks(scene: Scene, width: int) -> list[Block]:
    running = scene.running
    assert running is not None
    progress = running.progress
    text = progress.text if progress is not None else f"{running.title} starts"
    if running.stopping:
        text = f"stopping, the line is put back — {text}"
    fraction = progress.fraction if progress is not None else None
    if running.quiet >= QUIET:
        text = f"{text} · nothing new for {running.quiet:.0f} s"
    lines = progress_lines(text, fraction, running.seconds, width - LABEL - 1)
    head = Content.styled(f"{'working':>{LABEL - 2}}  ", "bold $lead")
    blocks = [_whole([row(head if n == 0 else " " * LABEL, line) for n, line in enumerate(lines)], 9)]
    shown = progress.reading if progress is not None and not progress.readings else None
    # A number that has no limit says no more than its strip.
    if progress is not None and shown is not None and (not progress.live or bounds(shown) is not None):
        reading = reading_line(shown, width - LABEL - 1)
        blocks.append(Block([row(Content.styled(f"{'live':>{LABEL - 2}}  ", "$quiet"), reading)], 8))
    return blocks


def _limits_block(scene: Scene, step: StepState, width: int) -> list[Block]:
    asked = step.step.measure
    assert asked is not None
    least, most = scene.extra.limits_of(step.step)
    reading = Reading(name=asked.quantity, value=None, unit=asked.unit, at_least=least, at_most=most)
    said = words.limits(reading) or "no limit given"
    times = f", {asked.repeat} times" if asked.repeat > 1 else ""
    text = say(f"{asked.quantity} in {asked.unit or 'numbers'}{times}; {said}", limit=300)
    return [Block(labelled("measure", text, width), 6, 1)]


def finding_blocks(
    view: View, step: StepState, found: FindingLog, width: int, *, covered: bool = False
) -> list[Block]:
    """What was found: readings against limits, remarks, evidence, signatures with their meaning.

    Readings are `covered` while a second person reads them for themselves.
    """
    blocks = []
    told = step.outcome in ("stale", "waived", "no-go") or step.waiting == "finding"
    if step.reason and told:
        why = say(_why(view, step), "bold", limit=600)
        blocks.append(_whole(labelled(step.outcome, why, width), 9))
    elif step.waiting == "signature":
        passed = row(say(step.reason.removeprefix("found "), "bold"), _beside_signing(step))
        blocks.append(_whole(labelled("found", passed, width), 8))
    data = found.act.data
    against = told and step.outcome != "stale"
    remarks = [
        _whole(labelled("remark", say(remark, limit=600), width), 8 if against else 4)
        for remark in getattr(data, "remarks", ())
        if not told or remark != step.reason
    ]
    readings = _readings(step, found.readings, width)
    if found.readings and covered:
        readings = [Block(labelled("reading", say(COVERED, "$quiet"), width), 6)]
    # Against go what to do now comes before any detail; else what decides, then what is remarked.
    at = 0 if against else 1
    blocks += [*readings[:at], *remarks, *readings[at:]]
    said = str(getattr(data, "response", ""))
    if not said and step.outcome != "no-go":
        said = str(getattr(data, "reason", ""))
    if said:
        blocks.append(Block(labelled("entered", say(said, limit=600), width), 3, 1))
    answers = getattr(data, "answers", None)
    if answers:
        text = "; ".join(f"{question}: {answer}" for question, answer in answers.items() if answer)
        blocks.append(Block(labelled("answer", say(text, limit=800), width), 4, 1))
    evidence = getattr(data, "evidence", ())
    if evidence:
        text = ", ".join(f"{item.name} {item.size} B {item.sha256[:8]}" for item in evidence)
        blocks.append(Block(labelled("evidence", say(f"kept: {text}", "$quiet"), width), 0, 1))
    signed = signatures(view, found)
    if signed:
        blocks.append(Block([line for each in signed for line in labelled("signed", each, width)], 3, 1))
    return blocks


def _why(view: View, step: StepState) -> str:
    if step.waiver is None:
        return step.reason
    bound = step.waiver.data.bound
    limit = "" if bound is None else f"; bound {bound.name} {bound.at_least or bound.at_most}"
    until = step.waiver.data.expires[11:16]
    return f"{step.reason}, by {view.person(step.waiver.signer)}, until {until}Z{limit}"


def _readings(step: StepState, readings: Sequence[Reading], width: int) -> list[Block]:
    """What decides first, the tightest limit before all; then what gives way, being only good to know."""
    ordered = decisive(readings, step.step.response)
    if not ordered:
        return []
    head = Content.styled(f"{'reading':>{LABEL - 2}}  ", "$quiet")
    drawn = reading_lines([called_as_asked(step, each) for each in ordered], width - LABEL - 1)
    decide = sum(_weight(each, step.step.response)[0] < ASIDE for each in ordered) or 1
    # Those that give way may stand behind remarks: they are told to be readings once more.
    lines = [row(head if n in (0, decide) else " " * LABEL, line) for n, line in enumerate(drawn)]
    blocks = [Block(lines[:decide], 8, min(decide, MOST_DECIDE)), Block(lines[decide:], GOOD_TO_KNOW, 0)]
    return [block for block in blocks if block.lines]


def called_as_asked(step: StepState, reading: Reading) -> Reading:
    """A measured reading by the name that its form has, not by the flight file's key that it sets."""
    asked = step.step.measure
    if asked is None or reading.name != asked.sets:
        return reading
    return msgspec.structs.replace(reading, name=asked.quantity)


def decisive(readings: Sequence[Reading], response: str) -> list[Reading]:
    """Readings in the order of what decides: outside their limits, inside them, the tightest first."""
    return sorted(readings, key=lambda each: _weight(each, response))


def _weight(reading: Reading, response: str) -> tuple[int, float]:
    """Outside its limits, inside them, spoken of in the step's response, the rest; limits by margin."""
    margin = reading.margin if reading.margin is not None else math.inf
    if reading.within is not None:
        return int(reading.within), margin
    words_ = re.split(r"[._]", reading.name)[1:]
    spoken = all(re.search(rf"\b{re.escape(word)}", response, re.IGNORECASE) for word in words_)
    return (2 if spoken else ASIDE), 0.0


def signatures(view: View, found: FindingLog) -> list[Content]:
    """Each signature with printed name, time and meaning."""
    acts: list[Act] = []
    if found.act.entry.kind != "check":
        acts.append(found.act)
    acts += [act for act in (found.signature, found.witness) if act is not None]
    return [
        row(
            say(view.person(act.signer), "bold", limit=100),
            f" {words.utc_s(act.at.at)} ",
            say(meant(act), "$quiet"),
        )
        for act in acts
    ]


def meant(act: Act) -> str:
    """What a signature stands for. That of an entry by hand tells of a response seen: a no-go saw none."""
    if act.entry.kind != "check" and getattr(act.data, "outcome", "") == "no-go":
        return "entered no-go"
    return f"“{act.entry.meaning}”"


def _who(view: View, step: StepState) -> Content:
    roles = words.listed(step.step.signed_by) if step.step.signed_by else "anybody on the crew"
    return row(say(roles, limit=200), _beside_signing(step))


def _beside_signing(step: StepState) -> Content:
    """Who else has to do with a step than who signs it."""
    parts: list[Content | str] = []
    needs = witness_required(step.step, step.finding) if step.finding is not None else step.step.witness
    if needs:
        whose = f" of {words.listed(step.step.witness_by)}" if step.step.witness_by else ""
        parts.append(Content.styled(f"; witness: a second person{whose}", "bold"))
    if step.step.waive_by:
        parts.append(Content.styled(f"; may be waived by {words.listed(step.step.waive_by)}", "$quiet"))
    return row(*parts)
