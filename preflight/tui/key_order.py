"""Keys in the order they are pressed, each to the screen that the hand meant.

A dialogue takes a moment to open, and so does the first screen. Whoever types on at once, or over a slow
link, means the dialogue: so keys wait while one is opening, and while an act is at work that was submitted in
one.
"""

from __future__ import annotations

import math
import time
from collections import deque
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from textual import events
from textual.message import Message
from textual.screen import Screen

from preflight.tui.handed_on import Chosen, HandedOn
from preflight.tui.unheard import Tell, Unheard

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp

PATIENCE = 1.0
"""Seconds for which a key that must always work waits behind a dialogue that is opening."""
LOOK_AGAIN = 0.01
ALWAYS = frozenset({"f2", "ctrl+q", "ctrl+c"})
"""Hold and quit: never kept for long."""

Pressed = events.Key | events.Paste


@runtime_checkable
class Busy(Protocol):
    """A screen for which keys wait now and then.

    `at_work` is true while an act is done that was submitted there: its end decides where the next key goes.
    `judging` is true while an answer is looked at before the hand goes on to the next.
    """

    at_work: bool
    judging: bool


@runtime_checkable
class Leaves(Protocol):
    """A screen that asks whether to quit, so that the key which quits does nothing more there."""

    quits: bool


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
        self._unheard = Unheard()
        self._last = HandedOn()
        self._chosen = Chosen()
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
        self._unheard.refused(tell)
        dropped = 0
        while self._kept and _name(self._kept[0]) not in ALWAYS:
            self._kept.popleft()
            dropped += 1
        if self._kept:
            self._unheard.over()  # what follows a hold is for its dialogue
        self._unheard.drop(dropped)

    # -- keys -------------------------------------------------------------------------------------

    async def came(self, event: Pressed) -> None:
        """A key or a pasted text has come from the terminal."""
        key = _name(event)
        if key in ALWAYS:
            self._unheard.over()
        elif self._unheard.takes(event.time):
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
        if message.key != self._last.number or not self._app.screen_stack:
            return
        if message.again and self._last.follow(self.Dealt(message.key, again=False)):
            return
        self._last.dealt()
        await self.deliver()

    def _look_again(self) -> None:
        if not self._looking:
            self._looking = True
            self._app.set_timer(LOOK_AGAIN, self.deliver)

    @property
    def _at_work(self) -> bool:
        screen = self._app.screen
        return isinstance(screen, Busy) and screen.at_work

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
        if self._last.waits(stack) or (self._chosen.waits and not self._has_begun(stack)):
            return False
        screen = self._app.screen
        if isinstance(screen, Busy) and (screen.at_work or screen.judging):
            return False
        return all(opening.ready(screen) for opening in self._openings)

    def _has_begun(self, stack: list[Screen[Any]]) -> bool:
        """Whether what was chosen in the palette has: the palette says so to the application first."""
        if self._chosen.stands(stack):
            return self._chosen.nothing
        self._app.call_later(self._begun)
        return False

    async def _begun(self) -> None:
        self._chosen.begun()
        await self.deliver()

    async def _pass(self, event: Pressed) -> None:
        focused, screen = self._app.focused, self._app.screen
        into_a_line = focused is not None and (
            not isinstance(event, events.Key) or focused.check_consume_key(event.key, event.character)
        )
        if _name(event) == "enter":
            self._chosen.by_enter(screen)
        await self._app.pass_on(event)
        if not into_a_line:
            self._last.to(focused or screen)
            if not self._last.follow(self.Dealt(self._last.number, again=True)):
                self._last.dealt()
