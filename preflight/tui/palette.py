"""The command palette: every act that can be done now, and every step and call to go to."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.content import Content

from preflight.tui.draw.lists import place_title
from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import row, say
from preflight.tui.keys import KEYS
from preflight.tui.marks import OUTCOMES
from preflight.tui.places import ordinary, places

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp

BEFORE = frozenset({"unlock", "lock", "figures", "notice", "theme", "bell", "help", "leave"})
"""Acts that mean something before a record is open."""

ALSO: dict[str, str] = {
    "ordinary": "step sign confirm witness check measure measurement answer finding complete call",
    "hold": "stop count verdict",
    "stop": "check end",
    "lift": "hold count go on",
    "countersign": "hold sign claimed record",
    "again": "check run measure repeat redo finding stale",
    "seen": "sign response value finding words",
    "no_go": "outcome finding refuse fail",
    "not_applicable": "outcome not-applicable applicable skip",
    "witness": "sign second person finding reading",
    "waive": "waiver no-go finding outcome expiry",
    "begin": "order skip pass start",
    "jump": "verdict outcome reasons open stale no-go hold gate",
    "find": "checklist challenge phase call list go to",
    "due": "step phase order",
    "full": "step evidence finding reading remarks entries record tap sample live stream lines",
    "figures": "margin reading limit run-out battery card link gas descent ascent flight file",
    "notice": "airspace authority rules",
    "unlock": "key passphrase person number",
    "lock": "key passphrase person",
    "poll": "gate verdict go no-go answer",
    "authorise": "authorize pass director verdict",
    "release": "balloon record leave without go lost",
    "close": "record sign end director",
    "code": "record anchored QR number",
    "correct": "correction record mistake wrong undo withdraw",
    "paper": "checklist record step",
    "take_over": "carry earlier record steps attempt",
    "mirror": "mirror second copy record device stick backup",
    "power": "cycle restart stale payload",
    "replan": "flight file planned time delay declared",
    "scrub": "record attempt end stop abort cancel",
    "theme": "colours dark light contrast",
    "bell": "sound ring silent mute",
    "help": "keys marks shortcuts",
    "leave": "exit end close",
}
"""Other words by which an act is looked for: those of the record and the checklist, and a few of everyday."""


@dataclass(frozen=True, slots=True)
class Found:
    """One line of the palette: its text, its other words, how it is drawn, what choosing it does.

    `later` is an act that is refused now, with the reason: it is found by its words, but never offered.
    """

    text: str
    shown: Content
    do: Callable[[], None]
    also: str = ""
    later: bool = False


def match(query: str, text: str, also: str = "") -> float:
    """How well what was typed fits a line, from 0 to 1: each word is the beginning of one of the line."""
    wanted = _WORD.findall(query.lower())
    own = _WORD.findall(text.lower())
    every = own + _WORD.findall(also.lower())
    if not wanted:
        return 0.0
    if all(any(word.startswith(each) for word in own) for each in wanted):
        return 1.0 if own[0].startswith(wanted[0]) else 0.9
    return 0.8 if all(any(word.startswith(each) for word in every) for each in wanted) else 0.0


_WORD = re.compile(r"[^\s,;:()“”/]+")


class Acts(Provider):
    """Acts by their words and keys, steps by their challenge; text from files is never read as markup."""

    @property
    def _walk(self) -> WalkApp:
        return self.app  # type: ignore[return-value]

    async def discover(self) -> Hits:
        for found in self._found():
            if not found.later:
                yield DiscoveryHit(found.shown, found.do, text=found.text)

    async def search(self, query: str) -> Hits:
        fuzzy = self.matcher(query)
        for found in self._found():
            score = match(query, found.text, found.also) or 0.5 * min(1.0, fuzzy.match(found.text))
            if score > 0:
                yield Hit(score * (0.5 if found.later else 1), found.shown, found.do, text=found.text)

    def _found(self) -> Iterator[Found]:
        scene = self._walk.scene
        if scene is not None:
            yield from self._acts(scene)
            yield from self._places(scene)

    def _acts(self, scene: Scene) -> Iterator[Found]:
        walking = scene.view.record is not None
        begin = self._walk.conductor.begin
        does = ordinary(scene.view.state, scene.place)
        if walking and not scene.view.looking and does.does != "none":
            shown = row(Content.styled("Enter  ", "bold"), say(does.says, limit=200))
            yield Found(f"Enter {does.says}", shown, partial(begin, "ordinary"), ALSO["ordinary"])
        for key in KEYS:
            able = key.when(scene) and (walking or key.name in BEFORE)
            if not able and (not walking or scene.view.looking):
                continue
            style = "bold" if able else "$quiet"
            shown = row(say(f"{key.word}  ", style), Content.styled(f"{key.shown}  ", style), key.help)
            if not able:
                shown = row(shown, Content.styled("  (not now)", "$quiet"))
            yield Found(
                f"{key.word} {key.help}", shown, partial(begin, key.name), ALSO.get(key.name, ""), not able
            )

    def _places(self, scene: Scene) -> Iterator[Found]:
        if scene.view.record is None:
            return
        for place in places(scene.view.book):
            do = partial(self._walk.conductor.go, place)
            if place.kind == "step":
                step = scene.view.step(place.name)
                head = say(f"{OUTCOMES[step.outcome].text}  {place.name}  ", "bold")
                yield Found(
                    f"{place.name} {step.step.challenge}",
                    row(head, say(step.step.challenge, limit=200)),
                    do,
                    f"step {step.step.response} {OUTCOMES[step.outcome].word}",
                )
            else:
                text = place_title(place)
                if place.kind == "complete":
                    text = f"{text}: {scene.view.book.phases[place.name].title}"
                yield Found(text, say(f"╟ {text}", "bold", limit=200), do)
