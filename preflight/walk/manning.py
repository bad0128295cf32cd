"""Roles that a checklist asks for and nobody on the roster has: told before a record begins, each once."""

from __future__ import annotations

from preflight.config.checklist import Checklist
from preflight.record.roster import Roster


def unmanned(checklist: Checklist, roster: Roster) -> dict[str, tuple[str, ...]]:
    """What a role that nobody has is wanted for, by the role, or by the roles of which one would do."""
    head = checklist.checklist
    wanted: dict[tuple[str, ...], list[str]] = {(station,): ["a station"] for station in head.stations}
    wanted.setdefault(head.release_by, []).append("releases")
    wanted.setdefault(head.seal_by, []).append("seals")
    steps: dict[tuple[str, ...], int] = {}
    for step in checklist.steps():
        if step.required and step.signed_by:
            steps[step.signed_by] = steps.get(step.signed_by, 0) + 1
    for roles, count in steps.items():
        wanted.setdefault(roles, []).append(f"{count} step{'s' * (count != 1)}")
    held = {role for person in roster.people for role in person.roles}
    return {" or ".join(roles): tuple(what) for roles, what in wanted.items() if not held & set(roles)}


def told(missing: dict[str, tuple[str, ...]]) -> str:
    """What nobody on the roster has, as a list: "tracking (a station, 8 steps)"."""
    return ", ".join(f"{roles} ({', '.join(what)})" for roles, what in missing.items())


def remedy(missing: dict[str, tuple[str, ...]]) -> str:
    """The command that adds somebody with the first of these roles."""
    return f"preflight crew add ID --name NAME --role {next(iter(missing)).split(' or ')[0]}"
