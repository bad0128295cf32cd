"""The command palette: every act that can be done now, and every step to go to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import TYPE_CHECKING

from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.content import Content

from preflight.tui.draw.scene import Scene
from preflight.tui.draw.text import row, say
from preflight.tui.keys import KEYS
from preflight.tui.marks import OUTCOMES
from preflight.tui.places import Place

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp

Found = tuple[str, Content, Callable[[], None]]


class Acts(Provider):
    """Acts by their words and keys, steps by their challenge; text from files is never read as markup."""

    @property
    def _walk(self) -> WalkApp:
        return self.app  # type: ignore[return-value]

    async def discover(self) -> Hits:
        scene = self._walk.scene
        if scene is not None:
            for text, shown, do in self._acts(scene):
                yield DiscoveryHit(shown, do, text=text)

    async def search(self, query: str) -> Hits:
        scene = self._walk.scene
        if scene is None:
            return
        matcher = self.matcher(query)
        for text, shown, do in (*self._acts(scene), *self._steps(scene)):
            score = matcher.match(text)
            if score > 0:
                yield Hit(score, shown, do, text=text)

    def _acts(self, scene: Scene) -> Iterator[Found]:
        for key in KEYS:
            if key.when(scene):
                shown = row(
                    say(f"{key.word}  ", "bold"), Content.styled(f"{key.shown}  ", "bold $lead"), key.help
                )
                yield f"{key.word} {key.help}", shown, partial(self._walk.conductor.begin, key.name)

    def _steps(self, scene: Scene) -> Iterator[Found]:
        for step in scene.view.state.steps.values():
            mark = OUTCOMES[step.outcome]
            shown = row(say(f"{mark.text}  {step.step.id}  ", "bold"), say(step.step.challenge, limit=200))
            do = partial(self._walk.conductor.go, Place("step", step.step.id))
            yield f"{step.step.id} {step.step.challenge}", shown, do
