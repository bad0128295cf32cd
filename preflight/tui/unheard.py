"""Keys that are for nobody: what a hand types on with behind a refusal that it has not read yet."""

from __future__ import annotations

import math
from collections.abc import Callable

from textual import events

QUIET = 0.3
"""Seconds without a key after which a hand that typed on behind a refusal is taken to have stopped."""

Tell = Callable[[int], None]


class Unheard:
    """From a refusal on: every key that comes less than QUIET after it, or after another such key.

    What was pressed before it and comes later is among them, as its own time tells.
    """

    def __init__(self) -> None:
        self._until = -math.inf
        self._tell: Tell | None = None
        self._count = 0

    def refused(self, tell: Tell) -> None:
        """Something was refused just now; `tell` is called with how many keys are for nobody, at each."""
        # The clock that keys are stamped with is the library's own.
        self._until, self._tell, self._count = events.Event().time + QUIET, tell, 0

    def over(self) -> None:
        """What comes now is meant for something else."""
        self._until = -math.inf

    def takes(self, pressed: float) -> bool:
        """Whether a key of this time is for nobody; it is counted then."""
        if pressed >= self._until:
            return False
        self._until = max(self._until, pressed + QUIET)
        self.drop(1)
        return True

    def drop(self, keys: int) -> None:
        """Count keys that were kept for a dialogue that does not open."""
        self._count += keys
        if keys and self._tell is not None:
            self._tell(self._count)
