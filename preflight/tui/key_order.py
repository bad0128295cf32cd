"""Keys in the order they are pressed, each to the screen that the hand meant.

A dialogue takes a moment to open, and so does the first screen. Whoever types on at once, or over a slow
link, means the dialogue: so keys wait while one is opening, and while an act is at work that was submitted in
one.
"""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from textual import events
from textual.command import CommandPalette
from textual.message import Message
from textual.screen import Screen
from textual.widget import Widget

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp

DEALT_WITHIN = 0.5
"""Seconds after which a key counts as dealt with, whatever became of it."""
PATIENCE = 1.0
"""Seconds for which a key that must always work waits behind a dialogue that is opening."""
QUIET = 0.3
"""Seconds without a key after which a hand that typed on for a refused dialogue is taken to have stopped."""
LOOK_AGAIN = 0.01
ALWAYS = frozenset({"f2", "ctrl+q", "ctrl+c"})
"""Hold and quit: never kept for long."""

Pressed = events.Key | events.Paste
Tell = Callable[[int], None]


class Opening:
    """An act on its way to a dialogue, or between two; `below` is the screen where it was begun."""

    def __init__(self, below: Screen[Any]) -> None:
        self.below = below
        self.began = time.monotonic()

    def ready(self, top: Screen[Any]) -> bool:
        """Whether another screen stands there now and takes keys."""
        if top is self.below or not top.is_mounted:
            return False
        return top.focused is not None or not top.query("Input")


def _name(event: Pressed) -> str:
    return event.key if isinstance(event, events.Key) else ""


class KeyOrder:
    """What becomes of every key of one application."""

    class Dealt(Message):
        """Follows a key along the way that it bubbles, twice: what the key posts by itself comes before."""

        def __init__(self, key: int, again: bool) -> None:
            super().__init__()
            self.key = key
            self.again = again

    def __init__(self, app: WalkApp) -> None:
        self._app = app
        self._kept: deque[Pressed] = deque()
        self._openings: list[Opening] = []
        self._passed = 0
        self._passed_at: float | None = None
        self._target: Widget | None = None
        self._chosen_in: Screen[Any] | None = None
        self._chosen_at = 0.0
        self._deaf = False
        self._refused_at = -math.inf
        self._tell: Tell | None = None
        self._unused = 0
        self._last = 0.0
        self._looking = False

    # -- what opens -------------------------------------------------------------------------------

    def opening(self) -> Opening:
        """From now on keys wait for the dialogue of an act that begins."""
        opening = Opening(self._app.screen)
        self._openings.append(opening)
        return opening

    def over(self, opening: Opening) -> None:
        """An act is over: it opens nothing more."""
        self._openings.remove(opening)

    def refused(self, tell: Tell) -> None:
        """What was typed for a dialogue that does not open, or behind a refused act, is for nobody.

        That is what is kept, what was pressed by now and is still to come, and what a hand types on behind
        that. `tell` is called with how many keys those were, whenever it grows.
        """
        # The clock that keys are stamped with is the library's own.
        self._refused_at, self._tell, self._unused = events.Event().time, tell, 0
        self._deaf = bool(self._kept)
        dropped = 0
        while self._kept and _name(self._kept[0]) not in ALWAYS:
            self._kept.popleft()
            dropped += 1
        self._deaf = self._deaf and not self._kept
        self._count(dropped)

    def _count(self, dropped: int) -> None:
        self._unused += dropped
        if dropped and self._tell is not None:
            self._tell(self._unused)

    # -- keys -------------------------------------------------------------------------------------

    async def came(self, event: Pressed) -> None:
        """A key or a pasted text has come from the terminal."""
        since, self._last = time.monotonic() - self._last, time.monotonic()
        key = _name(event)
        # In one burst the refusal comes before the keys behind it do: their own time tells.
        self._deaf = ((self._deaf and since < QUIET) or event.time <= self._refused_at) and key not in ALWAYS
        if self._deaf:
            self._count(1)
            return
        if self._free():
            self._kept.append(event)
            await self.deliver()
        elif self._hurries(key):
            await self._pass(event)
        elif not (self._at_work and key == "enter" and not self._kept):  # the last Enter, pressed twice
            self._kept.append(event)
            self._look_again()

    async def deliver(self) -> None:
        """Hand on what was kept, as far as it can be now."""
        self._looking = False
        if not self._app.screen_stack:
            return  # everything is being taken down
        while self._kept and (self._free() or self._hurries(_name(self._kept[0]))):
            event = self._kept.popleft()
            await self._pass(event)
            while self._kept and self._at_work and _name(self._kept[0]) == _name(event) == "enter":
                self._kept.popleft()  # the last Enter, pressed twice
        if self._kept:
            self._look_again()

    async def dealt(self, message: Dealt) -> None:
        """The message that follows a key has come."""
        if message.key != self._passed or not self._app.screen_stack:
            return
        if message.again and self._follow(again=False):
            return
        self._passed_at = None
        await self.deliver()

    def _look_again(self) -> None:
        if not self._looking:
            self._looking = True
            self._app.set_timer(LOOK_AGAIN, self.deliver)

    @property
    def _at_work(self) -> bool:
        return bool(getattr(self._app.screen, "at_work", False))

    @property
    def _loading(self) -> bool:
        """Whether the first screen that takes keys is still to come."""
        return len(self._app.screen_stack) < 2 or not self._app.screen.is_mounted

    def _hurries(self, key: str) -> bool:
        """Whether a key goes before what waits: to leave a wait, to hold, to quit."""
        if self._at_work:
            return key in ALWAYS or key == "escape"
        if self._loading:
            return key in ALWAYS
        top = self._app.screen
        waiting = (opening.began for opening in self._openings if not opening.ready(top))
        return key in ALWAYS and time.monotonic() - min(waiting, default=math.inf) > PATIENCE

    def _free(self) -> bool:
        """Whether a key pressed now reaches the screen that it is meant for."""
        if self._loading:
            return False
        stack = self._app.screen_stack
        if self._passed_at is not None and time.monotonic() - self._passed_at < DEALT_WITHIN:
            target = self._target
            if target is not None and target.is_attached and target.screen in stack:
                return False
        if self._chosen_in is not None and not self._chosen(stack):
            return False
        if self._at_work or getattr(self._app.screen, "judging", False):
            return False
        return all(opening.ready(self._app.screen) for opening in self._openings)

    def _chosen(self, stack: list[Screen[Any]]) -> bool:
        """Whether what was chosen in the palette has begun: the palette says so to the application first."""
        if self._chosen_in in stack:
            return time.monotonic() - self._chosen_at > DEALT_WITHIN  # nothing was chosen by that Enter
        self._app.call_later(self._begun)
        return False

    async def _begun(self) -> None:
        self._chosen_in = None
        await self.deliver()

    async def _pass(self, event: Pressed) -> None:
        focused = self._app.focused
        into_a_line = focused is not None and (
            not isinstance(event, events.Key) or focused.check_consume_key(event.key, event.character)
        )
        self._target = focused or self._app.screen
        if isinstance(self._app.screen, CommandPalette) and _name(event) == "enter":
            self._chosen_in, self._chosen_at = self._app.screen, time.monotonic()
        await self._app.pass_on(event)
        if not into_a_line:
            self._passed += 1
            self._passed_at = time.monotonic()
            if not self._follow(again=True):
                self._passed_at = None

    def _follow(self, *, again: bool) -> bool:
        return self._target is not None and self._target.post_message(self.Dealt(self._passed, again))
