"""The key that was handed on last, and whether what it does has begun: until then the keys behind it wait."""

from __future__ import annotations

import time
from typing import Any

from textual.command import CommandPalette
from textual.message import Message
from textual.screen import Screen
from textual.widget import Widget

DEALT_WITHIN = 0.5
"""Seconds after which a key counts as dealt with, whatever became of it."""

Stack = list[Screen[Any]]


class HandedOn:
    """A key on its way. `number` tells it from those before."""

    def __init__(self) -> None:
        self.number = 0
        self._at: float | None = None
        self._target: Widget | None = None

    def to(self, target: Widget) -> None:
        """A key was handed to this."""
        self.number += 1
        self._at, self._target = time.monotonic(), target

    def follow(self, message: Message) -> bool:
        """Send a message after it along the same way; false where nothing takes it any more."""
        return self._target is not None and self._target.post_message(message)

    def dealt(self) -> None:
        """It has done what it does."""
        self._at = None

    def waits(self, stack: Stack) -> bool:
        """Whether it is still to be dealt with by a screen that stands."""
        if self._at is None or time.monotonic() - self._at >= DEALT_WITHIN:
            return False
        return self._target is not None and self._target.is_attached and self._target.screen in stack


class Chosen:
    """What an Enter has chosen in the palette: it begins once the palette is gone, and says so first."""

    def __init__(self) -> None:
        self._palette: Screen[Any] | None = None
        self._at = 0.0

    def by_enter(self, screen: Screen[Any]) -> None:
        """Enter was handed to this screen."""
        if isinstance(screen, CommandPalette):
            self._palette, self._at = screen, time.monotonic()

    def begun(self) -> None:
        """It has begun."""
        self._palette = None

    @property
    def waits(self) -> bool:
        """Whether there is anything to wait for."""
        return self._palette is not None

    def stands(self, stack: Stack) -> bool:
        """Whether the palette is still there."""
        return self._palette in stack

    @property
    def nothing(self) -> bool:
        """Whether nothing was chosen by that Enter, where the palette still stands."""
        return time.monotonic() - self._at > DEALT_WITHIN
