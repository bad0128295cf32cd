"""Signatures as they must be shown, and which entries were struck: shared by everything that is gathered."""

from __future__ import annotations

from collections.abc import Iterable

from preflight.record.entry import Entry
from preflight.report.model import Signed, Struck
from preflight.report.telling import AUTH
from preflight.report.words import Clockface
from preflight.walk.ledger import Ref
from preflight.walk.proof import Proof


class Who:
    """Looks up printed names record by record, and who struck which entry."""

    def __init__(self, proofs: Iterable[Proof], entries: Iterable[Entry], clock: Clockface) -> None:
        self.clock = clock
        self._rosters = {proof.found.record: proof.found.roster for proof in proofs}
        self._struck = {
            Ref(entry.data.rec or entry.rec, entry.data.of): entry  # type: ignore[attr-defined]
            for entry in entries
            if entry.kind == "correct"
        }

    def name(self, rec: str, person: str) -> str:
        """The printed name that the record's roster gives; the id where it gives none."""
        roster = self._rosters.get(rec)
        return roster.find(person).name if roster is not None and person in roster else person

    def signed(self, entry: Entry) -> Signed:
        """The signature on an entry."""
        return Signed(
            name=self.name(entry.rec, entry.signer),
            id=entry.signer,
            when=self.clock.stamp(entry.at),
            meaning=entry.meaning,
            auth=AUTH[entry.auth],
            record=entry.rec,
            line=entry.seq,
        )

    def struck(self, entry: Entry) -> Struck | None:
        """Who struck an entry and why; None if it stands."""
        by = self._struck.get(Ref(entry.rec, entry.seq))
        return None if by is None else Struck(self.signed(by), by.data.reason)  # type: ignore[attr-defined]
