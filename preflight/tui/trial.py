"""Acts tried before anybody is asked for anything, so that what is impossible now is refused at once."""

from __future__ import annotations

import contextlib

import msgspec

from preflight.errors import PreflightError
from preflight.readings import FindingOutcome
from preflight.record import kinds
from preflight.record.entry import Auth
from preflight.tui.forms.form import NOBODY, Trial
from preflight.tui.view import unlocking
from preflight.walk import rules
from preflight.walk.acts import Walk
from preflight.walk.ledger import Act
from preflight.walk.rehearsal import Rehearsal
from preflight.walk.who import NotTheirRole


class Tried(Walk):
    """A walk whose acts are judged, for whoever is named, and neither signed, written nor folded."""

    def __init__(self, walk: Walk) -> None:
        super().__init__(walk.ledger, walk.recorder, walk.keyring, walk.clock)
        self._walk = walk

    @property
    def rec(self) -> str:
        return self._walk.rec

    @property
    def head(self) -> str:
        return self._walk.head

    def enter(self, kind: str, data: msgspec.Struct, person: str, *, passphrase: str | None = None) -> Act:
        auth: Auth = "selected" if passphrase is None else "passphrase"
        rules.allow(self.ledger, rules.Ask(kind, data, person, auth, self.now(), self.rec))
        return self.ledger.acts[-1]


def check_refusal(walk: Walk, step_id: str, outcome: FindingOutcome) -> str | None:
    """Why a check's finding of that outcome could not be entered now, None if it could."""
    data = kinds.CheckData(
        step=step_id,
        check=walk.ledger.book.steps[step_id].check or "",
        outcome=outcome,
        readings=(),
        remarks=(),
        evidence=(),
        reads=(),
        seconds="0",
    )
    try:
        signer = walk.keyring.instrument()
        rules.allow(walk.ledger, rules.Ask("check", data, signer.id, "instrument", walk.now(), walk.rec))
    except PreflightError as error:
        return str(error)
    return None


def possible(walk: Walk, trial: Trial) -> bool:
    """Whether somebody on the roster could do an act now, their key unlocked or not."""
    tried = Tried(walk)
    for person in walk.ledger.book.roster.people:
        with contextlib.suppress(PreflightError):
            trial(tried, person.id)
            return True
    return False


def refusal(walk: Walk, trial: Trial, instead: str = "") -> str | None:
    """Why nobody here could do an act now, and what to do `instead`; None if somebody could.

    An act that only lacks the key of somebody who could do it names them.
    """
    roster, unlocked = walk.ledger.book.roster, walk.keyring.unlocked
    if walk.recorder.closed and walk.state().next.kind != "none":
        if not unlocked:
            return NOBODY
        walk = Rehearsal(walk, unlocked[0])  # the act would begin the record that follows
    tried = Tried(walk)
    able, refused = [], []
    for person in roster.people:
        try:
            trial(tried, person.id)
        except PreflightError as error:
            refused.append(error)
        else:
            able.append(person)
    if any(person.id in unlocked for person in able):
        return None
    if able:
        named, key = unlocking(roster, unlocked, able)
        return f"It takes an unlocked key of {named}: {key} unlocks."
    if not refused:
        return NOBODY
    # Who lacks the role hears of that; the others hear of what stands against the act itself.
    reason = min(refused, key=lambda error: isinstance(error, NotTheirRole))
    return f"{reason} {instead}".rstrip()
