"""Who a signer is to the rules: an act that is asked for, and the roles that let somebody do it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from preflight.clock import Moment
from preflight.config.checklist import Step
from preflight.errors import Refused
from preflight.walk.book import Book
from preflight.walk.ledger import Act, FindingLog, Ledger


class NotTheirRole(Refused):
    """The act could be done by somebody else: this signer's roles don't let them."""


@dataclass(frozen=True, slots=True)
class Ask:
    """An act somebody wants to do: what the rules judge."""

    kind: str
    data: Any
    signer: str
    auth: str
    now: Moment
    rec: str


def roles_of(ledger: Ledger, person: str) -> frozenset[str]:
    """The roles the roster gives a person."""
    return frozenset(ledger.book.roster.find(person).roles)


def name_of(ledger: Ledger, person: str) -> str:
    """What the roster calls a person, for sentences; the id of somebody who is not on it."""
    roster = ledger.book.roster
    return roster.find(person).name if person in roster else person


def may_sign(ledger: Ledger, step: Step, person: str) -> bool:
    """Whether this person's roles let them perform the step; a step that names no role takes anyone."""
    return not step.signed_by or bool(roles_of(ledger, person) & set(step.signed_by))


def may_witness(ledger: Ledger, step: Step, finding: FindingLog, person: str) -> bool:
    """Whether this person can be the second one: not the performer, and of the roles asked for."""
    if person in (finding.performer, finding.act.signer):
        return False
    return not step.witness_by or bool(roles_of(ledger, person) & set(step.witness_by))


def may_correct(book: Book, act: Act, step: Step | None, person: str) -> bool:
    """Whether this person may take an entry out; `step` is the one that it is about, if any."""
    head, roles = book.checklist.checklist, set(book.roster.find(person).roles)
    if act.entry.kind == "release":
        return bool(roles & set(head.release_by))
    signs = step is not None and (not step.signed_by or bool(roles & set(step.signed_by)))
    director = bool(roles & {*head.seal_by, *head.release_by})
    return person == act.signer or director or (act.entry.kind == "check" and signs)


def one_of(ledger: Ledger, ask: Ask, roles: tuple[str, ...], what: str) -> None:
    """Refuse a signer who has none of these roles; `what` says what takes one."""
    if not roles_of(ledger, ask.signer) & set(roles):
        raise NotTheirRole(
            f"To {what} takes the role {' or '.join(roles)}; {name_of(ledger, ask.signer)} does not have it."
        )
