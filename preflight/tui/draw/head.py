"""The lines around the step: title, phases, verdict, times, people and record."""

from __future__ import annotations

from datetime import datetime, timedelta

from rich.cells import cell_len, set_cell_size
from textual.content import Content

from preflight.clean import clean
from preflight.tui import words
from preflight.tui.draw.ended import closed_mark
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import apart, badge, fitted, row, say
from preflight.tui.marks import ALERT_STYLE, CAUTION_STYLE, DRILL, LOOKING, PHASES, SCRUBBED, VERDICTS, Mark
from preflight.tui.view import View, numbers
from preflight.walk.ledger import Act
from preflight.walk.state import PhaseState

WIDE = 100
"""Cells from which there is room for whole names."""


def title_line(scene: Scene, width: int) -> Content:
    """Flight, checklist with revision and hash, DRILL, the time in UTC and on the site's clock."""
    view = scene.view
    head = view.book.checklist.checklist
    right: list[Content | str] = []
    if view.drill:
        right += [badge(DRILL), " "]
    if view.looking and view.replay is None:
        right += [badge(LOOKING), " "]
    now = view.state.now.at
    right.append(Content.styled(f"{words.utc_s(now)} ", "bold"))
    if width >= WIDE:
        right.append(Content.styled(f"{words.local(now, view.zone)} ", "$quiet"))
    end = row(*right)
    flight = Content.styled(f" {clean(view.title, limit=60)}", "bold")
    version = f" · rev {clean(head.revision, limit=16)} · {view.checklist_hash[:8]}"
    # Of what does not fit the checklist's title is cut first: its revision and hash tell versions apart.
    room = max(0, width - end.cell_length - 1 - flight.cell_length - len(version))
    title = say(f"  {head.title}", "$quiet", limit=82).truncate(room, ellipsis=True)
    return apart(row(flight, title, Content.styled(version, "$quiet")), end, width)


def phase_mark(view: View, phase: PhaseState) -> Mark:
    """How far a phase is; one that was passed without ever being begun stands out."""
    if phase.completed is not None:
        return PHASES["complete"]
    if not phase.concerns:
        return PHASES["not-applicable"]
    if phase.begun:
        return PHASES["begun"]
    order = [each.id for each in view.book.checklist.phase]
    later = order[order.index(phase.phase.id) + 1 :]
    if any(view.state.phases[name].begun or view.state.phases[name].completed for name in later):
        return PHASES["passed"]
    return PHASES["waiting"]


def phase_here(scene: Scene) -> str | None:
    """The phase that the crew stands in."""
    place = scene.place
    if place.kind == "step":
        return scene.view.book.phase_of[place.name].id
    return place.name if place.kind == "complete" else None


def verdict_line(scene: Scene, width: int) -> Content:
    """The verdict at the gate ahead and the one line that says why it is not go."""
    state = scene.view.state
    mark = closed_mark(scene.view)
    closed: Content | str = badge(mark) if mark is not None else ""
    if state.released is not None:
        return fitted(_released_line(scene.view, closed), width)
    if state.scrubbed is not None:
        act = state.scrubbed
        at = words.both(act.at.at, scene.view.zone)
        text = say(f" {at} by {scene.view.person(act.signer)}: {act.data.reason}", limit=300)
        return fitted(row(" ", badge(SCRUBBED), closed, text), width)
    gate = state.gate
    if gate is None:
        return fitted(row(" ", closed, "This checklist has no gate."), width)
    at = f" at the {gate.gate} gate " if width >= WIDE else f" {gate.gate} gate "
    head = row(" ", badge(VERDICTS[gate.verdict]), closed, Content.styled(at, "bold"))
    if gate.reasons:
        more = f"  (+{len(gate.reasons) - 1} more: j)" if len(gate.reasons) > 1 else ""
        text = say(f" {gate.reasons[0].text}", limit=300)
        tail = Content("")
        if state.holds and gate.verdict == "hold":
            hold = state.holds[0]
            text = say(f" hold by {called(scene.view, hold, width)}: {hold.data.reason}", limit=300)
        elif state.holds:
            # A no-go outweighs a hold in the verdict, but never hides that one stands, and whose it is.
            others = len(gate.reasons) - 2
            more = f"  (+{others} more: j)" if others > 0 else ""
            left = width - head.cell_length - text.cell_length - len(more)
            tail = _held(scene.view, state.holds[0], width, left)
        room = max(0, width - head.cell_length - tail.cell_length - len(more))
        text = text.truncate(room, ellipsis=True)
        return fitted(row(head, text, tail, Content.styled(more, "$quiet")), width)
    said = " authorised" if gate.authorised is not None else " nothing stands against it"
    if gate.authorised is None and not gate.all_polled:
        said = " every station is to be polled"
    return fitted(row(head, said), width)


def called(view: View, hold: Act, width: int) -> str:
    """Who called a hold, and when."""
    name = clean(view.person(hold.data.claimed or hold.signer), limit=60)
    (name,) = names_that_fit([name], 60 if width >= WIDE else 12)
    return f"{name} {words.utc(hold.at.at)}"


def _held(view: View, act: Act, width: int, left: int) -> Content:
    """A hold that stands beside a no-go: its badge, who called it, and why where that is `left` room for."""
    held = row("  ", badge(VERDICTS["hold"]), say(f" {called(view, act, width)}", "bold"))
    why = say(f": {act.data.reason}", limit=200)
    room = left - held.cell_length
    return row(held, why.truncate(room, ellipsis=True)) if room >= min(12, why.cell_length) else held


def _released_line(view: View, closed: Content | str) -> Content:
    released = view.state.released
    assert released is not None
    at = words.both(datetime.fromisoformat(released.data.released), view.zone)
    if view.state.released_without_go:
        return row(" ", Content.styled(" ■ RELEASED WITHOUT GO ", ALERT_STYLE), closed, f" at {at}")
    return row(" ", badge(VERDICTS["go"]), closed, f" released with go at {at}")


def times_line(scene: Scene, width: int) -> Content:
    """Planned release in UTC and local with the time to go, and what expires first."""
    view = scene.view
    state = view.state
    if state.released is not None:
        left_at = datetime.fromisoformat(state.released.data.released)
        gone = words.countdown(left_at - state.now.at)
        return fitted(say(f" released {words.both(left_at, view.zone)}  {gone}"), width)
    planned = state.planned_release
    left = planned - state.now.at
    said = f" {'planned release' if width >= WIDE else 'planned'} {words.both(planned, view.zone)}  "
    if view.given_up:
        return fitted(say(said), width)
    start = row(
        say(said), Content.styled(words.countdown(left), "bold" if left >= timedelta(0) else CAUTION_STYLE)
    )
    if state.first_expiry is None:
        return apart(start, Content.styled("nothing expires ", "$quiet"), width)
    at, step = state.first_expiry
    before = at < planned
    text = say(f" {'▲ ' if before else ''}first expiry {words.utc(at)} {step} ", limit=80)
    if before and start.cell_length + text.cell_length + 16 < width:
        text = row(text, "before release ")
    text = text.truncate(max(20, width - start.cell_length - 1), ellipsis=True)
    return apart(start, Content.styled(text.plain, CAUTION_STYLE if before else "$quiet"), width)


def people_line(scene: Scene, width: int) -> Content:
    """Who has which number and whose key is unlocked, who is chosen; at the right the record on disk."""
    view = scene.view
    parts: list[Content | str] = [" "]
    known = numbers(view.book.roster, view.unlocked)
    right = record_part(scene)
    locked = " all locked: u" if not view.unlocked and not view.looking else ""
    room = width - right.cell_length - 4 - len(locked) - 5 * len(known)
    names = names_that_fit([clean(person.name, limit=60) for person in known.values()], room)
    for (n, person), name in zip(known.items(), names, strict=True):
        open_ = person.id in view.unlocked
        if person.id == scene.selected:
            parts.append(Content.styled(f" {n} ▸{name} ", "bold reverse"))
        elif open_:
            parts.append(Content.styled(f" {n} ●{name} ", "bold"))
        else:
            parts.append(Content.styled(f" {n} ○{name} ", "$quiet"))
    parts.append(Content.styled(locked, "$quiet"))
    return apart(row(*parts), right, width)


def names_that_fit(names: list[str], room: int) -> list[str]:
    """Names that fit side by side, all in one way: whole, first one and initial, first one, or cut."""
    split = [name.split() or [""] for name in names]
    initials = [f"{words_[0]} {words_[-1][0]}." if len(words_) > 1 else words_[0] for words_ in split]
    first = [words_[0] for words_ in split]
    for way in (names, initials, first):
        if sum(map(cell_len, way)) <= room:
            return way
    each = max(4, room // max(1, len(names)))
    return [set_cell_size(name, min(each, cell_len(name))) for name in first]


def record_part(scene: Scene) -> Content:
    """The state of the record; before it whether alarms are silent."""
    silent = "" if scene.bell else Content.styled("bell off · ", "bold")
    return row(silent, _record(scene))


def _record(scene: Scene) -> Content:
    record = scene.view.record
    if record is None:
        return Content.styled("no record open ", "$quiet")
    if record.failed is not None:
        return row(Content.styled(" ■ RECORD STOPPED ", ALERT_STYLE), " ")
    closed = " closed" if scene.view.state.closed is not None else ""
    said = Content.styled(f"on disk {words.utc_s(record.on_disk)} #{record.entries}{closed} ", "$quiet")
    if record.left:
        return row(Content.styled(" ▲ nobody writes ", CAUTION_STYLE), " ", said)
    if record.mirror_behind is not None:
        return row(Content.styled(" ▲ mirror behind ", CAUTION_STYLE), " ", said)
    return said
