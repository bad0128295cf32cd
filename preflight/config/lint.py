"""One file looked at in full: its problems, what it names that is not there, and advice."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from preflight.config import problems
from preflight.config.advice import advise
from preflight.config.checklist import Checklist
from preflight.config.flight import Flight
from preflight.config.found import Found
from preflight.config.load import parse_checklist, parse_flight, recognise
from preflight.config.problems import BadFile, Problem
from preflight.config.source import decode_text, parse_toml, read_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Linted:
    """What was found: `file` is the typed file, None where it has problems; `advice` is no fault."""

    file: Flight | Checklist | None
    problems: tuple[Problem, ...] = ()
    advice: tuple[Problem, ...] = ()


def lint(path: Path) -> Linted:
    """Everything that can be said about the flight file or checklist at `path`; raises nothing for it."""
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
            checklist = parse_checklist(data, where)
            notes = Found(found.raw, where, text)
            for place, message, remedy in advise(checklist):
                notes.add(place, message, remedy)
            return Linted(file=checklist, advice=tuple(notes.problems))
    except BadFile as bad:
        return Linted(file=None, problems=bad.problems)
    found.add((), "is neither a flight file nor a checklist", "begin it with [flight] or [checklist]")
    return Linted(file=None, problems=tuple(found.problems))


def _named_files(found: Found, flight: Flight, folder: Path) -> None:
    """Note files that a flight file names and that can't be read."""
    named: list[tuple[problems.Path, str]] = [(("flight", "checklist"), flight.flight.checklist)]
    if flight.wind is not None:
        named.append((("wind", "table"), flight.wind.table))
    for place, name in named:
        try:
            read_bytes(folder / name)
        except BadFile as bad:
            first = bad.problems[0]
            found.add(place, f"{problems.quoted(name)}: {first.message}", first.remedy)
