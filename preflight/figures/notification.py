"""The notification sheet: what the authority asks for, filled from the flight file and the figures.

A sheet to read out or to copy. What was computed is marked as an estimate, what is not known as missing.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from preflight.clean import clean
from preflight.config.airspace import Fill, Item, RuleSet
from preflight.config.flight import Flight
from preflight.figures.airspace import STANDING, AirspaceFacts, ClauseFact, airspace_facts
from preflight.figures.compute import FlightFigures
from preflight.figures.notice_windows import (
    MISSED,
    NoticeTime,
    PositionTime,
    Times,
    clock_text,
    notice_times,
    position_times,
    zone_of,
)
from preflight.figures.notification_items import Filled, Filler, Standing
from preflight.figures.printed import mark

WIDTH = 80
NOT_MET = "follow from a clause which is not met by the figures known here"
USUAL: tuple[tuple[Fill, str], ...] = (
    ("direction-of-ascent", "Expected direction of ascent"),
    ("drift", "Forecast trajectory"),
    ("burst", "Burst"),
    ("impact", "Forecast time and place of impact"),
)
"""Told in such a call whether or not a text asks for it. Common practice, no source."""
Section = tuple[str, tuple[str, ...]]
"""A heading and the sentences below it."""
BY_HAND: Filled = ("", "missing", "fill it in by hand")


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetItem:
    """One thing asked for: its value in words and where that comes from.

    A missing one has no value, and `remedy` says where to put it. `asked_by` are the passages that ask for
    it, those not read at source marked.
    """

    title: str
    value: str
    standing: Standing
    asked_by: tuple[str, ...]
    remedy: str = ""

    @property
    def text(self) -> str:
        """The value with its mark: "[estimate]", "[measured]", or a line to write on."""
        if self.standing == "missing":
            return "__________ [missing]"
        return self.value if self.standing == "declared" else f"{self.value} [{self.standing}]"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotificationSheet:
    """All that is needed for the call to the authority."""

    flight: str
    made: datetime
    release: datetime
    zone: tzinfo
    authorities: tuple[str, ...]
    items: tuple[SheetItem, ...]
    notices: tuple[NoticeTime, ...]
    positions: tuple[PositionTime, ...]
    facts: AirspaceFacts
    notes: tuple[str, ...]
    standing: str = STANDING

    @property
    def missing(self) -> tuple[SheetItem, ...]:
        """The items that nobody has filled in yet."""
        return tuple(item for item in self.items if item.standing == "missing")

    def before(self) -> tuple[Section, ...]:
        """What stands above the items: whom to tell, and when."""
        return _filled(("Whom to tell", self.authorities), ("When", self._times()[0]))

    def after(self) -> tuple[Section, ...]:
        """What stands below the items: what is missing, clauses, differences, notes."""
        missing = tuple(f"{item.title}: {item.remedy}" for item in self.missing)
        return _filled(
            (f"Missing: {len(missing)} of {len(self.items)}", missing),
            *fact_sections(self.facts),
            (f"Times that {NOT_MET}", self._times()[1]),
            ("Notes", self.notes),
        )

    def _times(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        when = [(each.binds, each.text(self.zone, self.made)) for each in self.notices]
        when += [(each.binds, each.text(self.zone)) for each in self.positions]
        bound = tuple(text for known, text in when if known is not False)
        return bound, tuple(text for known, text in when if known is False)


def notification_sheet(
    flight: Flight, figures: FlightFigures, rules: Sequence[RuleSet], now: datetime
) -> NotificationSheet:
    """The sheet of one flight by the rule sets it names; `now` is UTC and tells which windows have passed."""
    zone = zone_of(flight)
    facts = airspace_facts(flight, rules, figures)
    times = Times.of(flight, figures.expected)
    filler = Filler(flight, figures, facts, times, zone)
    return NotificationSheet(
        flight=clean(flight.flight.name, limit=80),
        made=now,
        release=times.release,
        zone=zone,
        authorities=tuple(dict.fromkeys(clean(each.rules.authority) for each in rules)),
        items=tuple(_items(rules, filler)),
        notices=notice_times(rules, facts, times, now, zone),
        positions=position_times(rules, facts, times),
        facts=facts,
        notes=tuple(clean(f"{each.rules.short}: {each.rules.note}", limit=1500) for each in rules),
    )


def _items(rules: Sequence[RuleSet], filler: Filler) -> list[SheetItem]:
    """What any of the rule sets asks for; what several ask for stands once."""
    asked: dict[str, list[Item]] = {}
    for rule_set in rules:
        for item in rule_set.item:
            asked.setdefault(item.fill or f"{rule_set.rules.short} {item.id}", []).append(item)
    sheet = [_item(items, filler) for items in asked.values()]
    for fill, title in USUAL:
        if fill not in asked:
            value, standing, remedy = filler.fill(fill)
            sheet.append(SheetItem(title=title, value=value, standing=standing, asked_by=(), remedy=remedy))
    return sheet


def _item(items: Sequence[Item], filler: Filler) -> SheetItem:
    fill = items[0].fill
    value, standing, remedy = BY_HAND if fill is None else filler.fill(fill)
    return SheetItem(
        title=clean(items[0].title),
        value=clean(value, limit=600),
        standing=standing,
        asked_by=tuple(f"{item.citation}{mark(item.confidence)}" for item in items),
        remedy=remedy,
    )


def sheet_text(sheet: NotificationSheet, width: int = WIDTH) -> str:
    """The sheet as plain text, to read out or to copy."""

    def wrapped(text: str, indent: str = "") -> list[str]:
        further = " " * (len(indent) + 2 if indent else 0)
        return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=further) or [""]

    def sections(parts: Iterable[Section]) -> list[str]:
        lines: list[str] = []
        for title, texts in parts:
            lines += ["", *wrapped(title.upper())]
            for text in texts:
                lines += wrapped(text, "! " if MISSED in text else "  ")
        return lines

    lines = [
        *wrapped(f"NOTIFICATION SHEET: {sheet.flight}"),
        *wrapped(f"Planned release {clock_text(sheet.release, sheet.zone)}"),
        *wrapped(f"Made {clock_text(sheet.made, sheet.zone)}"),
        *wrapped(sheet.standing),
        *sections(sheet.before()),
        "",
        "WHAT IS ASKED FOR",
    ]
    for n, item in enumerate(sheet.items, 1):
        lines += wrapped(f"{n}. {item.title}: {item.text}", "  ")
        if item.asked_by:
            lines += wrapped(f"({', '.join(item.asked_by)})", "       ")
    return "\n".join([*lines, *sections(sheet.after()), "", *wrapped(sheet.standing)]) + "\n"


def _filled(*sections: Section) -> tuple[Section, ...]:
    return tuple(section for section in sections if section[1])


def fact_sections(facts: AirspaceFacts) -> tuple[Section, ...]:
    """Every clause in words under headings: with figures, without one; where texts differ; all others."""
    tested: list[str] = []
    plain: list[str] = []
    elsewhere: list[str] = []
    for fact in facts.clauses:
        text = clause_text(fact)
        if fact.clause.test is not None:
            tested.append(text)
        else:
            (elsewhere if fact.binds is False else plain).append(text)
    differ = [f"{each.about}: {'; '.join(each.passages)}" for each in facts.differences]
    return (
        ("Figures beside the texts", tuple(tested)),
        ("No figure: for the crew and the authority to judge", tuple(plain)),
        ("Where the texts differ", tuple(differ)),
        (f"Clauses that {NOT_MET}", tuple(elsewhere)),
    )


def clause_text(fact: ClauseFact) -> str:
    """One clause in words, with the flight's figures beside its thresholds."""
    clause = fact.clause
    text = f"{clause.citation}{mark(clause.confidence)}: {clause.words}"
    if clause.test is not None:
        text += f" Here: {'; '.join(each.text for each in fact.compared)}. {fact.state.capitalize()}."
    if fact.binds is None:
        text += " (Whether the clause it follows from is met is not known.)"
    return text
