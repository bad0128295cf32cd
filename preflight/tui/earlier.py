"""The earlier attempt that a walk follows, read once, and what somebody could take over from it now."""

from __future__ import annotations

from functools import partial

from preflight.errors import PreflightError, Refused
from preflight.tui.trial import possible
from preflight.walk.acts import Walk
from preflight.walk.carry import Attempt, Offer, carry


class Earlier:
    """Called on the writer's thread alone."""

    def __init__(self) -> None:
        self._attempt: Attempt | None = None
        self._nothing_for = ""

    def offers(self, walk: Walk) -> tuple[Offer, ...]:
        """Steps that were go and use the same values today. Raises for an attempt that gives none."""
        opened = walk.ledger.opened
        previous = opened.data.previous if opened is not None else None
        if previous is None or previous.why != "new-flight":
            raise Refused("This record follows no earlier attempt: nothing can be taken over.")
        if self._attempt is None or self._attempt.rec != previous.rec:
            self._attempt = Attempt(walk.recorder.folder.parent / previous.rec)
        return self._attempt.offers(walk.ledger)

    def takeable(self, walk: Walk | None) -> tuple[str, ...]:
        """The steps of these that somebody on the roster could take over now."""
        if walk is None or walk.recorder.closed or self._nothing_for == walk.rec:
            return ()
        try:
            found = self.offers(walk)
        except PreflightError:
            self._nothing_for = walk.rec  # which changes no more: its files are not read every second
            return ()
        return tuple(offer.step for offer in found if possible(walk, partial(_taken, offer)))


def _taken(offer: Offer, walk: Walk, person: str) -> object:
    return carry(walk, offer, person)
