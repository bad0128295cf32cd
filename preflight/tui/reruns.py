"""Computed checks that run again by themselves: they touch no hardware."""

from __future__ import annotations

from preflight.walk.state import State

COMPUTED = frozenset({"link-margin", "battery-endurance", "flight-envelope"})


class Reruns:
    """Which of them is due; each once for the same reason."""

    def __init__(self) -> None:
        self._tried: set[tuple[str, int, str]] = set()

    def due(self, state: State) -> str | None:
        """A step whose computed check is to be done again and was not tried again for this reason yet.

        It is stale, or was go and is so no longer before anybody has signed it.
        """
        if state.closed is not None or state.scrubbed is not None:
            return None
        for step in state.steps.values():
            if step.step.check not in COMPUTED or step.finding is None:
                continue
            unsigned = step.outcome == "open" and step.waiting == "finding" and step.finding.outcome == "go"
            if step.outcome != "stale" and not unsigned:
                continue
            if state.released is not None and step.phase.gate is not None:
                continue  # what counted for the release can't be changed after it
            tried = (step.step.id, step.finding.act.order, step.reason)
            if tried not in self._tried:
                self._tried.add(tried)
                return step.step.id
        return None
