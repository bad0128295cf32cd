"""The lines around the step: title, times, people and record; how far a phase is."""

from __future__ import annotations

from datetime import datetime, timedelta

from rich.cells import cell_len, set_cell_size
from textual.content import Content

from preflight.clean import clean
from preflight.tui import words
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import WIDE, apart, badge, fitted, row, say
from preflight.tui.marks import ALERT_STYLE, CAUTION_STYLE, DRILL, LOOKING, PHASES, Mark
from preflight.tui.view import View, numbers
from preflight.walk.state import PhaseState, State


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
    """How far a phase is.

    One that was passed without ever being begun stands out, as does one that was called complete and whose
    required steps no longer are.
    """
    if phase.completed is not None:
        if not phase.blocking:
            return PHASES["complete"]
        no_go = any(view.step(name).outcome == "no-go" for name in phase.blocking)
        return PHASES["no-go" if no_go else "again"]
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
    when = (words.dated if abs(left) >= timedelta(days=1) else words.both)(planned, view.zone)
    said = f" {'planned release' if width >= WIDE else 'planned'} {when}  "
    if view.given_up:
        return fitted(say(said), width)
    count = Content.styled(words.countdown(left), "bold" if left >= timedelta(0) else CAUTION_STYLE)
    # The countdown is never cut: the site's clock gives way first, then words of what expires.
    starts = [row(said, count) for said in (said, f" planned {when.partition(' · ')[0]}  ", " ")]
    before = state.first_expiry is not None and state.first_expiry[0] < planned
    style = CAUTION_STYLE if before else "$quiet"
    ends = [Content.styled(text, style) for text in _expiry_words(state, before=before)]
    pairs = [(starts[0], each) for each in ends[:2]] + [(starts[1], each) for each in ends]
    pairs.append((starts[2], ends[-1]))
    fits = (pair for pair in pairs if pair[0].cell_length + pair[1].cell_length < width)
    return apart(*next(fits, (starts[2], Content(""))), width)


def _expiry_words(state: State, *, before: bool) -> list[str]:
    """What expires first, in ever fewer words; `before` says whether it does before the planned release."""
    if state.first_expiry is None:
        return ["nothing expires ", ""]
    at, step = words.utc(state.first_expiry[0]), clean(state.first_expiry[1], limit=60)
    mark = " ▲ " if before else " "
    return [
        f"{mark}first expiry {at} {step} {'before release ' if before else ''}",
        f"{mark}first expiry {at} {step} ",
        f"{mark}expires {at} {step} ",
        f"{mark}{at} {step} ",
        f"{mark}{at} ",
    ]


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
