"""An act tried before its record is there: whatever the rules refuse leaves no record behind."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from preflight.record import kinds
from preflight.record.entry import VERSION, ZEROS, Auth, Entry, clk_of, format_utc, shaped
from preflight.record.keys import Signer
from preflight.walk import rules
from preflight.walk.acts import Walk
from preflight.walk.ledger import Act

REHEARSED = "not-begun"
"""What the record that is not there yet is called meanwhile."""


class Rehearsal(Walk):
    """A walk that goes on from a closed record: acts are judged and folded, and nothing is written.

    `walk` is the one whose record is closed; it stays as it is. `person` would open the record that follows.
    """

    def __init__(self, walk: Walk, person: str) -> None:
        super().__init__(walk.ledger.copy(), walk.recorder, walk.keyring, walk.clock)
        previous = kinds.Previous(rec=walk.rec, head=walk.head, why="after-release")
        assert self.ledger.opened is not None
        data = msgspec.structs.replace(self.ledger.opened.data, previous=previous)
        self._seq = 0
        self._enter("open", data, self.keyring.signer(person), "selected")

    @property
    def rec(self) -> str:
        return REHEARSED

    @property
    def head(self) -> str:
        return ZEROS

    def _enter(
        self, kind: str, data: msgspec.Struct, signer: Signer, auth: Auth, evidence: Sequence[bytes] = ()
    ) -> Act:
        now = self.now()
        rules.allow(self.ledger, rules.Ask(kind, data, signer.id, auth, now, self.rec))
        self._seq += 1
        entry = Entry(
            v=VERSION,
            rec=self.rec,
            seq=self._seq,
            prev=ZEROS,
            kind=kind,
            at=format_utc(now.at),
            clk=clk_of(now),
            signer=signer.id,
            meaning=rules.MEANINGS[kind],
            auth=auth,
            data=shaped(kind, data),
        )
        return self.ledger.apply(entry)
