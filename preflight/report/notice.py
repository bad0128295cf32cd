"""The notification sheet of a flight file, to read out or to print."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from preflight.clock import Clock
from preflight.config.flight import Flight
from preflight.config.load import find_airspace, load_airspace, parse_flight
from preflight.config.source import read_bytes
from preflight.errors import PreflightError
from preflight.figures.compute import FlightFigures, compute
from preflight.figures.notice_windows import MISSED, clock_text
from preflight.figures.notification import NotificationSheet, Section, notification_sheet
from preflight.report.model import scrubbed


@dataclass(frozen=True, slots=True)
class NoticeItem:
    """One item: its number, what is asked for, the value with its mark, and the passages that ask for it."""

    number: str
    title: str
    value: str
    missing: bool
    asked_by: str


@dataclass(frozen=True, slots=True)
class NoticePage:
    """A notification sheet as printed; `missed` are the notices whose window has passed."""

    flight: str
    planned: str
    made: str
    made_iso: str
    standing: str
    missed: tuple[str, ...]
    before: tuple[Section, ...]
    items: tuple[NoticeItem, ...]
    after: tuple[Section, ...]


def sheet_of(flight: Path, *, clock: Clock) -> NotificationSheet:
    """The notification sheet of the flight file at `flight`.

    Raises `BadFile` for a file that can't be read as what it should be, PreflightError where the flight file
    names no rule sets.
    """
    declared = parse_flight(read_bytes(flight), str(flight))
    folder, now = flight.resolve().parent, clock.now().at
    return sheet_for(declared, compute(declared, folder=folder, now=now), folder=folder, now=now)


def sheet_for(flight: Flight, figures: FlightFigures, *, folder: Path, now: datetime) -> NotificationSheet:
    """The sheet of a flight with its figures; `folder` is the flight file's. Raises as `sheet_of`."""
    if flight.airspace is None:
        raise PreflightError(
            'The flight file names no airspace rules: add [airspace] with rules = ["cfr-101.toml"] or '
            "another set"
        )
    rules = [load_airspace(find_airspace(name, folder)) for name in flight.airspace.rules]
    return notification_sheet(flight, figures, rules, now)


def notice_page(sheet: NotificationSheet) -> NoticePage:
    """The sheet as texts."""
    before = sheet.before()
    return scrubbed(
        NoticePage(
            flight=sheet.flight,
            planned=clock_text(sheet.release, sheet.zone),
            made=clock_text(sheet.made, sheet.zone),
            made_iso=sheet.made.isoformat(),
            standing=sheet.standing,
            missed=tuple(text for _, texts in before for text in texts if MISSED in text),
            before=before,
            items=tuple(
                NoticeItem(
                    number=str(n),
                    title=item.title,
                    value=item.text,
                    missing=item.standing == "missing",
                    asked_by=", ".join(item.asked_by),
                )
                for n, item in enumerate(sheet.items, 1)
            ),
            after=sheet.after(),
        )
    )
