"""Keeps the scene with its session: once a second, and when values have changed."""

from __future__ import annotations

import asyncio
import time
from typing import TYPE_CHECKING

from textual import events

from preflight.tui.alarms import TURNED, Alarm, alarms
from preflight.tui.dialogs.ask import Ask
from preflight.tui.draw.scene import Notice, Scene
from preflight.tui.looking import Looking
from preflight.tui.places import place_of
from preflight.tui.session import Session
from preflight.tui.view import View

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp

SAID_FOR = 10.0
"""Seconds that a screen which only looks says why a key does nothing."""


def _ended(notice: Notice, view: View) -> bool:
    """Whether what an alert tells of is over: the step turned back, the last hold was lifted."""
    if not notice.alert:
        return False
    if notice.about == "step":
        return view.step(notice.step).outcome not in TURNED
    if notice.about == "nobody-writes":
        return view.record is not None and not view.record.left
    return notice.about == "hold" and not view.state.holds


def _yields(notice: Notice) -> bool:
    """Whether a newer alarm takes an alert's place: that storage failed never does so."""
    return notice.about in ("step", "hold", "nobody-writes")


class Following:
    """What an application does by itself while nobody presses a key."""

    def __init__(self, app: WalkApp, session: Session | Looking) -> None:
        self._app = app
        self._session = session
        self._ticking = False
        self._reckoned: tuple[object, object] | None = None
        self._said: tuple[Notice | None, float] = None, 0.0

    # -- alarms -----------------------------------------------------------------------------------

    def alarmed(self, before: Scene, scene: Scene) -> Scene:
        """The scene that follows `before`, with the alarms that it raises told and rung."""
        if scene.notice is not None and _ended(scene.notice, scene.view):
            scene = scene.with_(notice=None)
        return self._told(scene, alarms(before.view, scene.view))

    def _told(self, scene: Scene, raised: tuple[Alarm, ...]) -> Scene:
        """Ring, and say what the place that is shown does not say by itself: the bell is never alone."""
        if not raised:
            return scene
        self._app.ring()
        shown = scene.place.name if scene.place.kind == "step" else None
        unseen = [alarm for alarm in raised if alarm.step is None or alarm.step != shown]
        if not unseen:
            return scene
        first = next((alarm for alarm in unseen if alarm.alert), unseen[0])
        if scene.notice is not None and scene.notice.alert and not (first.alert and _yields(scene.notice)):
            return scene
        more = f" (+{len(unseen) - 1} more)" if len(unseen) > 1 else ""
        notice = Notice(first.title, first.text + more, first.alert, first.about, first.step or "")
        return scene.with_(notice=notice)

    # -- time -------------------------------------------------------------------------------------

    def tick(self) -> None:
        """A second has passed."""
        if isinstance(self._session, Session):
            self._app.conductor.keep_time()
        self.fit()
        if not self._ticking:
            self._ticking = True
            self._app.conductor.start(self._look)

    def fit(self) -> None:
        """A window made larger while one screen takes another's place reaches neither: told again here."""
        for screen in self._app.screen_stack:
            if screen.is_attached and screen.outer_size != self._app.size:
                screen.post_message(events.Resize(self._app.size, self._app.size))

    async def _look(self) -> None:
        try:
            view = await asyncio.wrap_future(self._session.view())
        finally:
            self._ticking = False
        seen = self._app.seen
        following = seen.view.looking and seen.place == place_of(seen.view.state.next)
        self._app.change(view=view)
        if following:
            self._app.change(place=place_of(view.state.next))
        if view.looking:
            self._forget()
        self.reckon()
        await self._after_look(view)

    def _forget(self) -> None:
        """Where nobody acts nothing else takes away what was said of a key: it goes by itself."""
        notice, now = self._app.seen.notice, time.monotonic()
        if notice is not self._said[0]:
            self._said = notice, now
        elif notice is not None and not notice.alert and now - self._said[1] >= SAID_FOR:
            self._app.change(notice=None)

    async def _after_look(self, view: View) -> None:
        app, session = self._app, self._session
        if not isinstance(session, Session) or not app.screen_stack:
            return  # it only looks, or everything is being taken down
        if view.unlocked and time.monotonic() - app.touched > app.idle:
            session.lock_all()
            app.change(selected=None)
            app.conductor.say("Locked", "Nobody pressed a key for a while: every key is locked.")
        if not isinstance(app.screen, Ask):
            await app.conductor.tell_failure(view)
        if session.runner is None and (due := session.rerun_due(view)) is not None:
            await app.conductor.run(due, by_itself=True)

    # -- values -----------------------------------------------------------------------------------

    def reckon(self) -> None:
        """Compute figures and limits anew where the values have changed."""
        view = self._app.seen.view
        known = (view.flight, view.measured)
        if self._reckoned is not None and self._reckoned[0] is known[0] and self._reckoned[1] == known[1]:
            return
        self._reckoned = known
        self._app.conductor.start(self._reckon, view)

    async def _reckon(self, view: View) -> None:
        self._app.change(extra=await asyncio.wrap_future(self._session.reckon(view)))
