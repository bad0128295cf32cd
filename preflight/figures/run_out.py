"""What runs out, when, on the flight's own axis of time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Axis:
    """Moments of the flight in s from power-up."""

    release: float
    burst: float
    landing: float
    end_of_search: float
    power_up: float = 0.0

    def phase_at(self, seconds: float) -> str:
        """In words, the stretch of the axis that a moment falls into."""
        for end, words in (
            (self.release, "before release"),
            (self.burst, "in the ascent"),
            (self.landing, "in the descent"),
            (self.end_of_search, "in the search"),
        ):
            if seconds < end:
                return words
        return "after the search"


@dataclass(frozen=True, slots=True)
class RunOut:
    """The moment at which one resource ends.

    `after` and `need` are s from power-up, `margin` is after / need, `mend` what would lengthen it ("" where
    nothing needs to), `at_least` the margin's limit if it has one.
    """

    resource: str
    after: float
    at_phase: str
    margin: float | None
    need: float
    mend: str = ""
    at_least: float | None = None

    def to_json(self) -> dict[str, object]:
        """Contract shape; what is beyond it is added, nothing renamed."""
        return {
            "resource": self.resource,
            "after": self.after,
            "margin": self.margin,
            "need": self.need,
            "phase": self.at_phase,
            "mend": self.mend,
        }


def run_out(
    axis: Axis, resource: str, *, after: float, need: float, at_least: float | None = None, mend: str = ""
) -> RunOut:
    """A resource that ends `after` s and must last `need` s, both from power-up."""
    margin = after / need if need > 0 else None
    return RunOut(resource, after, axis.phase_at(after), margin, need, mend, at_least)


def ordered(items: Iterable[RunOut]) -> tuple[RunOut, ...]:
    """First to end first."""
    return tuple(sorted(items, key=lambda item: (item.after, item.resource)))


def governing(items: Iterable[RunOut]) -> RunOut | None:
    """The one with the least margin; the first to end among equals."""
    judged = [item for item in items if item.margin is not None]
    return min(judged, key=lambda item: (item.margin or 0.0, item.after), default=None)
