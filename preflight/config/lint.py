"""One file looked at in full: its problems, what it names that is not there, and advice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from preflight.config import compose, problems
from preflight.config.advice import advise
from preflight.config.airspace import RuleSet
from preflight.config.checklist import Checklist
from preflight.config.flight import Flight
from preflight.config.found import Found
from preflight.config.load import (
    FileType,
    find_airspace,
    load_airspace,
    load_checklist,
    parse_airspace,
    parse_flight,
    recognise,
)
from preflight.config.problems import BadFile, Problem
from preflight.config.source import decode_text, parse_toml, read_bytes

_OTHER: dict[FileType, tuple[str, str]] = {
    Checklist: ("is not a checklist", "name a file that begins with [checklist]"),
    RuleSet: ("is not an airspace rule set", "name a file that begins with [rules]"),
}


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
    """Note files that a flight file names and that can't be used."""
    checklist = flight.flight.checklist
    _note(found, ("flight", "checklist"), checklist, partial(_use, folder / checklist, Checklist))
    if flight.wind is not None:
        table = flight.wind.table
        _note(found, ("wind", "table"), table, partial(read_bytes, folder / table))
    for i, name in enumerate(flight.airspace.rules if flight.airspace is not None else ()):
        _note(found, ("airspace", "rules", i), name, partial(_use, find_airspace(name, folder), RuleSet))


def _use(path: Path, kind: FileType) -> None:
    """Raises `BadFile` for a file of another kind, and for one with problems of its own."""
    where = str(path)
    if recognise(parse_toml(decode_text(read_bytes(path), where), where)) is not kind:
        message, remedy = _OTHER[kind]
        raise BadFile((Problem(file=where, line=None, key="", message=message, remedy=remedy),))
    if kind is Checklist:
        load_checklist(path)
    else:
        load_airspace(path)


def _note(found: Found, place: problems.Path, name: str, use: Callable[[], object]) -> None:
    try:
        use()
    except BadFile as bad:
        first, count, shown = bad.problems[0], len(bad.problems), problems.quoted(name)
        if first.line is None and not first.key:
            found.add(place, f"{shown}: {first.message}", first.remedy)
            return
        has = "a problem" if count == 1 else f"{count} problems"
        found.add(place, f"{shown} has {has} of its own", "preflight lint with its name tells more")
