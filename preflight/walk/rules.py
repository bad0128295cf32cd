"""Who may do what now: one rule for each kind of entry, used before an entry is made and again by the audit.

A rule says nothing where the act is allowed and raises `Refused` with a sentence where it is not. No rule
looks at more of the state than it needs, so that an audit of ten thousand entries stays quick.
"""

from __future__ import annotations

from preflight.errors import Refused
from preflight.record.kinds import INSTRUMENT_KINDS, PASSPHRASE_KINDS
from preflight.walk import rules_count, rules_steps
from preflight.walk.ledger import Ledger
from preflight.walk.rules_count import passed_by, release_facts
from preflight.walk.rules_steps import spread_of
from preflight.walk.who import Ask, may_sign, may_witness, roles_of

__all__ = [
    "MEANINGS",
    "Ask",
    "allow",
    "may_sign",
    "may_witness",
    "passed_by",
    "release_facts",
    "roles_of",
    "spread_of",
]

MEANINGS: dict[str, str] = {
    "open": "I open this record with these files",
    "check": "found by the instrument",
    "measure": "I measured this",
    "confirm": "I did this and saw the response",
    "defer": "I asked the authority and this is its answer",
    "sign": "I performed this and accept the finding",
    "witness": "I witnessed this",
    "waive": "I accept this no-go within the bound given",
    "hold": "I call a hold",
    "lift": "I lift the hold",
    "phase": "I call this phase",
    "power": "the payload's power was cycled",
    "replan": "I change the plan",
    "resume": "the record goes on after an interruption",
    "poll": "my station answers",
    "authorise": "I authorise passing this gate",
    "release": "the balloon has left",
    "scrub": "I give up the attempt for today",
    "carry": "I take this over from the record before",
    "correct": "the entry named no longer counts",
    "clock": "the laptop's clock was compared",
    "recover": "set a torn line aside",
    "paper": "I did this on the printed list",
    "close": "I close this record",
}
"""What a signature on an entry of each kind means, as shown wherever the signature is shown."""

AFTER_SCRUB = frozenset(
    {"close", "correct", "hold", "lift", "clock", "recover", "resume", "power", "release"}
)


def allow(ledger: Ledger, ask: Ask) -> None:
    """Raise `Refused` unless this act may be done now by this signer."""
    _signer(ledger, ask)
    if ask.kind == "open":
        _opens(ledger, ask)
        return
    if ledger.closed is not None:
        raise Refused("The record is closed: nothing can be added to it. Go on in a following record.")
    # A balloon that leaves all the same is entered, and tracked and recovered like any other.
    given_up = ledger.scrubbed is not None and ledger.released is None
    if given_up and ask.kind not in AFTER_SCRUB:
        raise Refused("The attempt was scrubbed: only closing the record is left.")
    rule = _RULES.get(ask.kind)
    if rule is not None:
        rule(ledger, ask)


def _opens(ledger: Ledger, ask: Ask) -> None:
    previous = ask.data.previous
    if previous is not None and previous.why == "after-release" and ledger.closed is None:
        raise Refused(
            f"{previous.rec} was not closed: the record of what comes after the release decision follows a "
            "closed one."
        )


def _signer(ledger: Ledger, ask: Ask) -> None:
    is_instrument = ledger.book.roster.find(ask.signer).is_instrument
    if is_instrument != (ask.auth == "instrument"):
        raise Refused("The instrument's key signs for the instrument alone, a person's key for that person.")
    if is_instrument and ask.kind not in INSTRUMENT_KINDS:
        raise Refused(f"The instrument can't sign a {ask.kind}: a person must.")
    if ask.kind == "check" and not is_instrument:
        raise Refused("A check's finding is signed by the instrument that made it.")
    if ask.kind in PASSPHRASE_KINDS and ask.auth != "passphrase":
        raise Refused("The passphrase is asked for again for this.")


_RULES = {**rules_steps.RULES, **rules_count.RULES}
