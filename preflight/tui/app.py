"""The application: paints at once, opens what it shows meanwhile, and ends in order whatever happens.

What a walk needs takes a good part of a second to load (the units most of it). So this module imports none of
it: a thread does, while the first screen stands and answers.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.reactive import var
from textual.screen import Screen

from preflight.errors import PreflightError
from preflight.tui.key_order import KeyOrder, Leaves
from preflight.tui.loading import Loading
from preflight.tui.themed import ThemedApp

if TYPE_CHECKING:
    from preflight.tui import runner
    from preflight.tui.conductor import Conductor
    from preflight.tui.draw.scene import Scene
    from preflight.tui.following import Following
    from preflight.tui.looking import Looking
    from preflight.tui.remembered import Memory
    from preflight.tui.session import Session

LEAVE_WAIT = 5.0
"""Seconds that the screen is given to be taken down after a signal."""
IDLE = 20 * 60.0
"""Seconds without a key after which every key is locked."""


@dataclass(frozen=True, slots=True)
class Opened:
    """What an application shows: where it comes from, who follows it and acts, the scene and screen first."""

    session: Session | Looking
    following: Following
    conductor: Conductor
    scene: Scene
    screen: Callable[[], Screen[None]]


class WalkApp(ThemedApp[int]):
    """One walk on one screen: at work, looked at, or stepped through again."""

    COMMANDS: ClassVar[Any] = set()
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
        opener: Callable[[WalkApp], Opened],
        what: str = "",
        *,
        idle: float = IDLE,
        memory: Memory | None = None,
    ) -> None:
        """`opener` is called on a thread of its own and may block; `what` it does is shown meanwhile.

        A PreflightError that it raises ends the application and is left in `refused`.
        """
        super().__init__(memory)
        self.idle = idle
        self.touched = time.monotonic()
        self.fault: Exception | None = None
        self.refused: PreflightError | None = None
        # Given once everything is loaded; there is no scene before.
        self._opened: Opened | None = None
        self._opener = opener
        self._what = what
        self._signals: list[int] = []
        self.keys = KeyOrder(self)
        # Given by a program that ends with the screen, and set by it once the screen is down.
        self.ended: threading.Event | None = None

    # -- the way in -------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        yield Loading(self._what)

    def on_mount(self) -> None:
        self._catch_signals()
        # Not before the first screen is drawn: a thread that imports would delay it.
        self.call_after_refresh(threading.Thread(target=self._open, name="opening", daemon=True).start)

    def _open(self) -> None:
        try:
            opened = self._opener(self)
        except Exception as error:  # noqa: BLE001 - told by whoever runs the application
            if self.is_running:
                self.call_later(self._not_opened, error)
            return
        self._opened = opened
        if self.is_running:
            self.call_later(self._show, opened)
        else:
            opened.session.shut()

    def _not_opened(self, error: Exception) -> None:
        if isinstance(error, PreflightError):
            self.refused = error
            self.exit(error.exit_code)
        else:
            self.fault_with(error)

    async def _show(self, opened: Opened) -> None:
        # What is loaded stays: looking through it for what could go would keep a key waiting now and then.
        gc.freeze()
        self.scene = opened.scene
        await self.push_screen(opened.screen())
        await self.screen_stack[0].query_one(Loading).remove()
        self.reckon()
        self.set_interval(1.0, opened.following.tick)

    # -- the scene --------------------------------------------------------------------------------

    @property
    def opened(self) -> Opened:
        """What is shown, once everything is loaded."""
        assert self._opened is not None
        return self._opened

    @property
    def session(self) -> Session | Looking:
        """The walk at work, or the look at one."""
        return self.opened.session

    @property
    def conductor(self) -> Conductor:
        """What does the acts."""
        return self.opened.conductor

    @property
    def seen(self) -> Scene:
        """The scene, once there is one."""
        assert self.scene is not None
        return self.scene

    def change(self, **changes: Any) -> None:
        """Show another scene: the one there is with some parts changed."""
        before = self.scene
        if before is None or (changes and before.has(changes)):
            return
        scene = before.with_(**changes)
        if scene.view is not before.view:
            scene = self.opened.following.alarmed(before, scene)
        self.scene = scene

    def ring(self) -> None:
        """The terminal's bell, unless it is switched off."""
        if self.scene is None or self.scene.bell:
            self.bell()

    def tell(self, title: str, text: str) -> None:
        """Say something to the crew that stays until the next act."""
        self.conductor.say(title, text)

    def reckon(self) -> None:
        """Compute figures and limits anew where the values have changed."""
        self.opened.following.reckon()

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
        if not isinstance(event, (events.Key, events.Paste)):
            await super().on_event(event)
            return
        self.touched = time.monotonic()
        if not self.screen_stack:
            return  # pressed while everything is being taken down
        if event.is_forwarded:
            await super().on_event(event)
        else:
            await self.keys.came(event)

    async def pass_on(self, event: events.Event) -> None:
        """A key whose turn it is, to whatever it is for."""
        await super().on_event(event)

    async def on_key_order_dealt(self, message: KeyOrder.Dealt) -> None:
        await self.keys.dealt(message)

    def action_hold(self) -> None:
        """Hold, from everywhere."""
        if self.scene is not None:
            self.conductor.begin_hold()

    def action_leave(self) -> None:
        """Quit, after asking; at once while there is nothing to lose yet."""
        if self.scene is None:
            self.exit(0)
        elif not (isinstance(self.screen, Leaves) and self.screen.quits):
            self.conductor.begin("leave")

    async def action_quit(self) -> None:
        """Quit, after asking."""
        self.action_leave()

    def action_command_palette(self) -> None:
        """Every act and step by its words; a dialogue has its own keys only."""
        if self.screen.COMMANDS:
            super().action_command_palette()

    # -- the end ----------------------------------------------------------------------------------

    def shut(self) -> None:
        """Let go of what was opened; called once the screen is down."""
        if self._opened is not None:
            self._opened.session.shut()

    def _catch_signals(self) -> None:
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)):
            with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
                loop.add_signal_handler(number, self._signalled, int(number))
                self._signals.append(int(number))

    def _signalled(self, number: int) -> None:
        # The session's end stops the check and waits for the line to be put back.
        if self.scene is not None and self.session.runner is not None:
            self.session.runner.stop()
        if self.ended is not None:
            threading.Thread(target=self._leave_anyway, args=(self.ended, 128 + number), daemon=True).start()
        self.exit(128 + number)

    def _leave_anyway(self, ended: threading.Event, code: int) -> None:
        """End in order without the screen: with its terminal gone, what draws it may wait forever."""
        if not ended.wait(LEAVE_WAIT):
            self.shut()
            os._exit(code)

    def on_unmount(self) -> None:
        gc.unfreeze()
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
