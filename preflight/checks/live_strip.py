"""Numbers kept for a strip: all of a run in few points, without losing the one that matters."""

from __future__ import annotations

import math
from collections.abc import Iterable

from preflight.live import MOST_POINTS, Fold


class Strip:
    """Numbers as they come; once there are more than `room`, each point stands for twice as many.

    `fold` says which of them a point shows: the least or the most. NaN gives way to any number.
    """

    def __init__(self, fold: Fold, room: int = MOST_POINTS) -> None:
        self.fold: Fold = fold
        self._room = max(2, room)
        self._points: list[float] = []
        self._each = 1
        self._begun: list[float] = []
        self._posts: list[tuple[int, str]] = []
        self.count = 0

    def add(self, value: float) -> None:
        """One more number."""
        self.count += 1
        self._begun.append(value)
        if len(self._begun) < self._each:
            return
        self._points.append(folded(self._begun, self.fold))
        self._begun.clear()
        if len(self._points) >= self._room:
            pairs = zip(self._points[::2], self._points[1::2], strict=False)
            last = self._points[-1:] if len(self._points) % 2 else []
            self._points = [folded(pair, self.fold) for pair in pairs] + last
            self._each *= 2

    def post(self, word: str) -> None:
        """Something changed here, in a word."""
        self._posts.append((self.count, word))

    @property
    def points(self) -> tuple[float, ...]:
        """The points, the newest last, the one that is not full yet among them."""
        begun = (folded(self._begun, self.fold),) if self._begun else ()
        return (*self._points, *begun)

    @property
    def posts(self) -> tuple[tuple[int, str], ...]:
        """Where something changed, as indices into the points."""
        return tuple((at // self._each, word) for at, word in self._posts)


def folded(values: Iterable[float], fold: Fold) -> float:
    """The least or the most of the numbers that are numbers; NaN where there is none."""
    there = [value for value in values if not math.isnan(value)]
    if not there:
        return math.nan
    return min(there) if fold == "least" else max(there)
