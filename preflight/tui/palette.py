"""The command palette: every act that can be done now, and every step and call to go to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
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

Found = tuple[str, Content, Callable[[], None]]


class Acts(Provider):
    """Acts by their words and keys, steps by their challenge; text from files is never read as markup."""

    @property
    def _walk(self) -> WalkApp:
        return self.app  # type: ignore[return-value]

    async def discover(self) -> Hits:
        scene = self._walk.scene
        if scene is not None:
            for text, shown, do in (*self._acts(scene), *self._places(scene)):
                yield DiscoveryHit(shown, do, text=text)

    async def search(self, query: str) -> Hits:
        scene = self._walk.scene
        if scene is None:
            return
        matcher = self.matcher(query)
        for text, shown, do in (*self._acts(scene), *self._places(scene)):
            score = matcher.match(text)
            if score > 0:
                yield Hit(score, shown, do, text=text)

    def _acts(self, scene: Scene) -> Iterator[Found]:
        walking = scene.view.record is not None
        if walking and not scene.view.looking:
            says = ordinary(scene.view.state, scene.place).says
            shown = row(Content.styled("Enter  ", "bold"), say(says, limit=200))
            yield f"Enter {says}", shown, partial(self._walk.conductor.begin, "ordinary")
        for key in KEYS:
            if key.when(scene) and (walking or key.name in BEFORE):
                shown = row(say(f"{key.word}  ", "bold"), Content.styled(f"{key.shown}  ", "bold"), key.help)
                yield f"{key.word} {key.help}", shown, partial(self._walk.conductor.begin, key.name)

    def _places(self, scene: Scene) -> Iterator[Found]:
        if scene.view.record is None:
            return
        for place in places(scene.view.book):
            do = partial(self._walk.conductor.go, place)
            if place.kind == "step":
                step = scene.view.step(place.name)
                head = say(f"{OUTCOMES[step.outcome].text}  {place.name}  ", "bold")
                yield (
                    f"{place.name} {step.step.challenge}",
                    row(head, say(step.step.challenge, limit=200)),
                    do,
                )
            else:
                text = place_title(place)
                if place.kind == "complete":
                    text = f"{text}: {scene.view.book.phases[place.name].title}"
                yield text, say(f"╟ {text}", "bold", limit=200), do
