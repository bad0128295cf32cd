"""One file looked at in full: its problems, what it names that is not there, and advice."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from preflight.config import compose, problems
from preflight.config.advice import advise
from preflight.config.airspace import RuleSet
from preflight.config.checklist import Checklist
from preflight.config.flight import Flight
from preflight.config.found import Found
from preflight.config.load import find_airspace, parse_airspace, parse_flight, recognise
from preflight.config.problems import BadFile, Problem
from preflight.config.source import decode_text, parse_toml, read_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Linted:
    """What was found: `file` is the typed file, None where it has problems; `advice` is no fault.

    `parts` are the names of the files that a checklist was put together from, its own last.
    """

    file: Flight | Checklist | RuleSet | None
    problems: tuple[Problem, ...] = ()
    advice: tuple[Problem, ...] = ()
    parts: tuple[str, ...] = ()


def lint(path: Path) -> Linted:
    """Everything that can be said about the file at `path`; raises nothing for it."""
    where = str(path)
    try:
        data = read_bytes(path)
        text = decode_text(data, where)
        found = Found(parse_toml(text, where), where, text)
        kind = recognise(found.raw)
        if kind is Flight:
            flight = parse_flight(data, where)
            _named_files(found, flight, path.parent)
            return Linted(file=None if found.problems else flight, problems=tuple(found.problems))
        if kind is Checklist:
            return _checklist(path)
        if kind is RuleSet:
            return Linted(file=parse_airspace(data, where))
    except BadFile as bad:
        return Linted(file=None, problems=bad.problems)
    remedy = "begin it with [flight], [checklist] or [rules]"
    found.add((), "is neither a flight file, a checklist nor an airspace rule set", remedy)
    return Linted(file=None, problems=tuple(found.problems))


def _checklist(path: Path) -> Linted:
    whole = compose.compose(path)
    notes = whole.found()
    checklist = compose.typed(whole.found())
    for place, message, remedy in advise(checklist):
        notes.add(place, message, remedy)
    parts = tuple(whole.sources) if len(whole.sources) > 1 else ()
    return Linted(file=checklist, advice=tuple(notes.problems), parts=parts)


def _named_files(found: Found, flight: Flight, folder: Path) -> None:
    """Note files that a flight file names and that can't be read."""
    named: list[tuple[problems.Path, str, Path]] = [
        (("flight", "checklist"), flight.flight.checklist, folder / flight.flight.checklist)
    ]
    if flight.wind is not None:
        named.append((("wind", "table"), flight.wind.table, folder / flight.wind.table))
    for i, name in enumerate(flight.airspace.rules if flight.airspace is not None else ()):
        named.append((("airspace", "rules", i), name, find_airspace(name, folder)))
    for place, name, path in named:
        try:
            read_bytes(path)
        except BadFile as bad:
            first = bad.problems[0]
            found.add(place, f"{problems.quoted(name)}: {first.message}", first.remedy)
