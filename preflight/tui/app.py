"""The application: holds the one scene, ticks once a second, and ends in order whatever happens."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import threading
import time
from pathlib import Path
from typing import Any, ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.reactive import var
from textual.screen import Screen

from preflight.tui import runner
from preflight.tui.alarms import Alarm, alarms
from preflight.tui.conductor import Conductor
from preflight.tui.dialogs.ask import Ask
from preflight.tui.draw.scene import Notice, Scene
from preflight.tui.looking import Looking
from preflight.tui.palette import Acts
from preflight.tui.places import place_of
from preflight.tui.remembered import Memory
from preflight.tui.screens.arrival import ArrivalScreen
from preflight.tui.screens.walk import WalkScreen
from preflight.tui.session import Session
from preflight.tui.themed import ThemedApp
from preflight.tui.view import Extra, View

LEAVE_WAIT = 5.0
"""Seconds that the screen is given to be taken down after a signal."""
IDLE = 20 * 60.0
"""Seconds without a key after which every key is locked."""


class WalkApp(ThemedApp[int]):
    """One walk on one screen; `session` is a walk at work or a look at one."""

    COMMANDS: ClassVar[Any] = {Acts}
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f2", "hold", "hold", priority=True),
        Binding("ctrl+q", "leave", "quit", priority=True),
        Binding("ctrl+c", "leave", show=False, priority=True),
    ]

    scene: var[Scene | None] = var(None)

    class Reported(Message):
        """Progress of a check."""

        def __init__(self, report: runner.Report) -> None:
            super().__init__()
            self.report = report

    class Finished(Message):
        """The end of a check."""

        def __init__(self, done: runner.Done) -> None:
            super().__init__()
            self.done = done

    def __init__(
        self,
        session: Session | Looking,
        *,
        idle: float = IDLE,
        memory: Memory | None = None,
        record: Path | None = None,
    ) -> None:
        """`record` is the folder of the unfinished record to point at first."""
        super().__init__(memory)
        self.session = session
        self.conductor = Conductor(self)
        self.fault: Exception | None = None
        self._idle = idle
        self._wanted = record
        self._touched = time.monotonic()
        self._ticking = False
        self._reckoned: tuple[object, object] | None = None
        self._signals: list[int] = []
        # Given by a program that ends with the screen, and set by it once the screen is down.
        self.ended: threading.Event | None = None

    # -- the scene --------------------------------------------------------------------------------

    @property
    def seen(self) -> Scene:
        """The scene, once there is one."""
        assert self.scene is not None
        return self.scene

    def change(self, **changes: Any) -> None:
        """Show another scene: the one there is with some parts changed."""
        before = self.scene
        if before is None:
            return
        scene = before.with_(**changes)
        if scene.view is not before.view:
            scene = self._alarmed(scene, alarms(before.view, scene.view))
        self.scene = scene

    def _alarmed(self, scene: Scene, raised: tuple[Alarm, ...]) -> Scene:
        """Ring, and say what the place that is shown does not say by itself: the bell is never alone."""
        if not raised:
            return scene
        self.ring()
        shown = scene.place.name if scene.place.kind == "step" else None
        unseen = [alarm for alarm in raised if alarm.step is None or alarm.step != shown]
        if not unseen or (scene.notice is not None and scene.notice.alert):
            return scene
        more = f" (+{len(unseen) - 1} more)" if len(unseen) > 1 else ""
        first = unseen[0]
        return scene.with_(notice=Notice(first.title, first.text + more, first.alert))

    def ring(self) -> None:
        """The terminal's bell, unless it is switched off."""
        if self.scene is None or self.scene.bell:
            self.bell()

    def tell(self, title: str, text: str) -> None:
        """Say something to the crew that stays until the next act."""
        self.conductor.say(title, text)

    async def on_mount(self) -> None:
        self._catch_signals()
        await self.open_first()

    async def open_first(self) -> None:
        """Show what there is to see, and the screen that stands first."""
        view = await asyncio.wrap_future(self.session.view())
        notice = Notice("Not remembered", self.unread) if self.unread is not None else None
        self.scene = Scene(view, Extra(), place_of(view.state.next), notice=notice, bell=self.remembered.bell)
        if isinstance(self.session, Looking):
            await self.push_screen(self.looking_screen())
        else:
            found = await asyncio.wrap_future(self.session.unfinished())
            await self.push_screen(
                ArrivalScreen(found, flight=view.flight, folder=self.session.folder, record=self._wanted)
            )
        self.reckon()
        self.set_interval(1.0, self._tick)

    def looking_screen(self) -> Screen[None]:
        """What is shown where nothing can be entered."""
        return WalkScreen()

    def to_walk(self) -> None:
        """From arrival to the walk."""
        self.switch_screen(WalkScreen())

    def _tick(self) -> None:
        if isinstance(self.session, Session):
            self.conductor.keep_time()
        self._fit()
        if not self._ticking:
            self._ticking = True
            self.conductor.start(self._look)

    def _fit(self) -> None:
        """A window made larger while one screen takes another's place reaches neither: told again here."""
        for screen in self.screen_stack:
            if screen.is_attached and screen.outer_size != self.size:
                screen.post_message(events.Resize(self.size, self.size))

    async def _look(self) -> None:
        try:
            view = await asyncio.wrap_future(self.session.view())
        finally:
            self._ticking = False
        following = self.seen.view.looking and self.seen.place == place_of(self.seen.view.state.next)
        self.change(view=view)
        if following:
            self.change(place=place_of(view.state.next))
        self.reckon()
        await self._after_look(view)

    async def _after_look(self, view: View) -> None:
        session = self.session
        if not isinstance(session, Session) or not self.screen_stack:
            return  # it only looks, or everything is being taken down
        if view.unlocked and time.monotonic() - self._touched > self._idle:
            session.lock_all()
            self.change(selected=None)
            self.conductor.say("Locked", "Nobody pressed a key for a while: every key is locked.")
        if not isinstance(self.screen, Ask):
            await self.conductor.tell_failure(view)
        if session.runner is None and (due := session.rerun_due(view)) is not None:
            await self.conductor.run(due, by_itself=True)

    def reckon(self) -> None:
        """Compute figures and limits anew where the values have changed."""
        view = self.seen.view
        known = (view.flight, view.measured)
        if self._reckoned is not None and self._reckoned[0] is known[0] and self._reckoned[1] == known[1]:
            return
        self._reckoned = known
        self.conductor.start(self._reckon, view)

    async def _reckon(self, view: View) -> None:
        self.change(extra=await asyncio.wrap_future(self.session.reckon(view)))

    # -- from other threads -----------------------------------------------------------------------

    def reported(self, report: runner.Report) -> None:
        """Called on the check's thread."""
        self.post_message(self.Reported(report))

    def finished(self, done: runner.Done) -> None:
        """Called on the check's thread."""
        self.post_message(self.Finished(done))

    def on_walk_app_reported(self, message: Reported) -> None:
        self.conductor.reported(message.report)

    def on_walk_app_finished(self, message: Finished) -> None:
        self.conductor.start(self.conductor.finished, message.done)

    # -- keys that work everywhere ----------------------------------------------------------------

    async def on_event(self, event: events.Event) -> None:
        if isinstance(event, events.Key):
            self._touched = time.monotonic()
            if not self.screen_stack:
                return  # pressed while everything is being taken down
        await super().on_event(event)

    def action_hold(self) -> None:
        """Hold, from everywhere."""
        if isinstance(self.screen, Ask) and self.screen.form.title == "Hold":
            return
        if self.scene is not None and self.scene.view.record is not None:
            self.conductor.begin("hold")

    def action_leave(self) -> None:
        """Quit, after asking."""
        if self.scene is not None:
            self.conductor.begin("leave")

    async def action_quit(self) -> None:
        """Quit, after asking."""
        self.action_leave()

    # -- the end ----------------------------------------------------------------------------------

    def _catch_signals(self) -> None:
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)):
            with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
                loop.add_signal_handler(number, self._signalled, int(number))
                self._signals.append(int(number))

    def _signalled(self, number: int) -> None:
        # The session's end stops the check and waits for the line to be put back.
        if isinstance(self.session, Session) and self.session.runner is not None:
            self.session.runner.stop()
        if self.ended is not None:
            threading.Thread(target=self._leave_anyway, args=(self.ended, 128 + number), daemon=True).start()
        self.exit(128 + number)

    def _leave_anyway(self, ended: threading.Event, code: int) -> None:
        """End in order without the screen: with its terminal gone, what draws it may wait forever."""
        if not ended.wait(LEAVE_WAIT):
            self.session.shut()
            os._exit(code)

    def on_unmount(self) -> None:
        loop = asyncio.get_running_loop()
        for number in self._signals:
            loop.remove_signal_handler(number)

    def fault_with(self, error: Exception) -> None:
        """A defect: end in order. Whoever runs the application tells of it, without any local variable."""
        if self.fault is None:
            self.fault = error
        self._return_code = 70
        if self._exception is None:
            self._exception = error
            self._exception_event.set()
        self._close_messages_no_wait()

    def _handle_exception(self, error: Exception) -> None:
        # The library would print the traceback with local variables, passphrases among them.
        self.fault_with(error)
