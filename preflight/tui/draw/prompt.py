"""The one next act in words: what Enter does, who may do it, and what to do where nothing is to be done."""

from __future__ import annotations

from textual.content import Content

from preflight.clean import clean
from preflight.record.roster import Person
from preflight.tui import words
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import fitted, row, say
from preflight.tui.places import Ordinary, Place, ordinary, place_of, silent
from preflight.tui.view import View, numbers, unlocking
from preflight.walk.state import StepState

MOST_NAMED = 3
"""Beyond so many people only their roles are said."""
_NO_HINT: tuple[Content, ...] = ()


def prompt_lines(scene: Scene, width: int) -> list[Content]:
    """The one next act, in words, whole; who may do it, or who is chosen for it. Two lines at most."""
    mark, said, hints = _prompt(scene)
    lines = say(said, "bold $lead").wrap(max(20, width - 3))[:2]
    heads = [Content.styled(f" {mark} ", "bold $lead"), Content("   ")]
    drawn = [row(head, line.rstrip()) for head, line in zip(heads, lines, strict=False)]
    fits = [hint for hint in hints if drawn[-1].cell_length + hint.cell_length <= width]
    if fits:
        drawn[-1] = row(drawn[-1], fits[0])
    return [fitted(line, width) for line in drawn]


def _prompt(scene: Scene) -> tuple[str, str, tuple[Content, ...]]:
    """Its mark, its words, and a hint that gives way, in ever fewer words."""
    view = scene.view
    if view.looking:
        return _looks(view)
    if scene.busy:
        return "◌", f"{scene.busy}…", _NO_HINT
    running = scene.running
    if running is not None and not running.by_itself:
        here = scene.place.kind == "step" and scene.place.name == running.step_id
        of = "" if here else f" of {clean(running.step_id, limit=40)}"
        if running.stopping:
            return "◌", f"stopping the check{of}: the line is being put back", _NO_HINT
        return "▶", f"the check{of} is at work; s stops it", _NO_HINT
    does = ordinary(view.state, scene.place)
    text = _by_person(scene, does) if does.person else does.says
    if scene.selected is None and (first := _unlocks_first(scene, does)):
        text = f"{first}. Then: {does.says}"
    due = place_of(view.state.next)
    if due != scene.place and due.kind != "none" and does.does != "go-on":
        return "▶", text, _elsewhere(view, due)
    if scene.place.kind == "step" and does.does != "go-on" and not view.step(scene.place.name).step.required:
        return "▶", text, (Content.styled("   → goes past it", "$quiet"),)
    return "▶", text, _NO_HINT


def _elsewhere(view: View, due: Place) -> tuple[Content, ...]:
    """Where the walk goes on by itself; what has turned stale is said louder, as it comes first."""
    called = {"poll": "the poll", "authorise": "the authorisation"}.get(due.kind) or due.name or due.kind
    to = f". goes to {clean(called, limit=40)}"
    stale = sum(step.outcome == "stale" and step.step.required for step in view.state.steps.values())
    plain = Content.styled(f"   {to}", "bold" if stale else "$quiet")
    if not stale:
        return (plain,)
    return Content.styled(f"   {words.count(stale, 'step')} stale: {to}", "bold"), plain


def _looks(view: View) -> tuple[str, str, tuple[Content, ...]]:
    """What a screen says that only looks: whether there is still anybody to be looked at."""
    record = view.record
    if record is None or not record.left:
        return "◇", "This screen only looks: it can't act.", _NO_HINT
    since = words.countdown(record.on_disk - view.state.now.at)
    said = f"NOBODY IS AT WORK on this walk. Last entry {words.utc_s(record.on_disk)}, {since}."
    return "▲", said, _NO_HINT


def _unlocks_first(scene: Scene, does: Ordinary) -> str:
    """Who has to unlock a key before what Enter does here can be done; "" where one of theirs is unlocked."""
    view, place = scene.view, scene.place
    head = view.book.checklist.checklist
    roles: tuple[str, ...] = ()
    barred: tuple[str, ...] = ()
    if does.does in ("sign", "confirm", "say", "measure", "defer"):
        roles = view.step(place.name).step.signed_by
    elif does.does == "witness":
        roles, barred = _of_witness(view.step(place.name))
    elif does.does == "form":
        asked = tuple(silent(view.state.gates[place.name])[:1]) if place.kind == "poll" else ()
        roles = {"poll": asked, "authorise": head.release_by, "close": head.seal_by}.get(place.kind, ())
    elif does.does != "complete":
        return ""
    able = _may(view, roles, barred)
    if not able or any(person.id in view.unlocked for person in able):
        return ""
    if len(able) > MOST_NAMED:
        role = f" of the role {clean(words.listed(roles), limit=60)}" if roles else ""
        return f"Somebody{role} unlocks first: u"
    named, key = unlocking(view.book.roster, view.unlocked, able)
    return f"{named} unlocks first: {key}"


def _of_witness(step: StepState) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The roles of whom a step takes for its witness, and who can't be it."""
    finding = step.finding
    done_by = () if finding is None else (finding.performer or "", finding.act.signer)
    return step.step.witness_by, done_by


def _may(view: View, roles: tuple[str, ...], barred: tuple[str, ...]) -> list[Person]:
    """The people on the roster who have one of the roles, if there are any, and are not barred."""
    return [
        person
        for person in view.book.roster.people
        if (not roles or set(person.roles) & set(roles)) and person.id not in barred
    ]


_VERBS = {"sign": "sign", "confirm": "confirm", "witness": "witness", "complete": "call it complete"}


def _by_person(scene: Scene, does: Ordinary) -> str:
    """An act that a person is chosen for: who may do it, and whether the one chosen may."""
    view, chosen = scene.view, scene.selected
    roles: tuple[str, ...] = ()
    barred: tuple[str, ...] = ()
    if scene.place.kind == "step":
        step = view.step(scene.place.name)
        roles, barred = _of_witness(step) if does.does == "witness" else (step.step.signed_by, ())
    able = _able(view, roles, barred)
    if chosen is not None:
        name = clean(view.person(chosen), limit=60)
        who = able or "somebody else"
        if chosen in barred:
            return f"{name} did this step and can't witness it: {who} does"
        if roles and not set(view.book.roster.find(chosen).roles) & set(roles):
            return f"{name} may not {_VERBS[does.does]} this: {who} does"
        return f"{name}: Enter to {_VERBS[does.does]}, Escape to let go"
    if does.does == "witness":
        who = f" ({able})" if able else ""
        return f"A second person{who}: number, then Enter: witness"
    if does.does == "sign" and able:
        return f"{able}: your number, then Enter signs this finding"
    if does.does == "confirm" and roles:
        again = " again" if does.says.endswith("again") else ""
        return f"Do it, see the response; {able}: your number, then Enter: confirm{again}"
    return does.says


def _able(view: View, roles: tuple[str, ...], barred: tuple[str, ...]) -> str:
    """Roles and, where they are few, people by number who may do an act; "" where anybody may."""
    if not roles:
        return ""
    number = {person.id: n for n, person in numbers(view.book.roster, view.unlocked).items()}
    people = [
        f"{number.get(person.id, '')} {clean(person.name, limit=40)}".strip()
        for person in _may(view, roles, barred)
    ]
    said = clean(words.listed(roles), limit=60)
    if not people:
        return f"{said} (nobody on the roster)"
    return f"{said} ({', '.join(people)})" if len(people) <= MOST_NAMED else said
