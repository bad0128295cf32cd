"""A report as CSV (RFC 4180, UTF-8 with its mark): one row for each thing, for a spreadsheet or a script.

A cell that a spreadsheet would run as a formula, because it begins with `=`, `+`, `-`, `@` (or the wide form
of one), a tab or a line end, gets an apostrophe before it. Plain numbers such as -3.5 stay as they are.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

from preflight.readings import Reading, decimal_text
from preflight.report.model import CAUTIONS, Event, Found, PhaseView, Report, Signed, StepView

COLUMNS = (
    "row",
    "record",
    "line",
    "time_utc",
    "time_local",
    "phase",
    "step",
    "challenge",
    "expected",
    "outcome",
    "counts",
    "reading",
    "value",
    "unit",
    "low",
    "high",
    "at_least",
    "at_most",
    "margin",
    "within",
    "source",
    "text",
    "name",
    "id",
    "meaning",
    "auth",
    "verification",
    "marks",
)
"""`row` says what a row is; `verification` and `marks` (DRILL, BAD RECORD ...) stand in every row."""

_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")
_RUN_BY_SPREADSHEETS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")

Row = dict[str, str]


def to_csv(report: Report) -> str:
    """The report as CSV text; write it as UTF-8."""
    every = {
        "verification": report.record.state,
        "marks": " ".join(f"[{word}]" for word in dict.fromkeys(loud.word for loud in report.loud)),
    }
    return csv_text(COLUMNS, ({**row, **every} for row in _rows(report)))


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, str]]) -> str:
    """Rows under their heading, every cell made harmless."""
    out = io.StringIO()
    out.write("\ufeff")
    writer = csv.writer(out)
    writer.writerow(columns)
    writer.writerows([harmless(row.get(column, "")) for column in columns] for row in rows)
    return out.getvalue()


def harmless(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    if cell.lstrip(" ").startswith(_RUN_BY_SPREADSHEETS) and not _NUMBER.fullmatch(cell):
        return f"'{cell}"
    return cell


def plain(value: float | None) -> str:
    """A number in full, "" where there is none."""
    return "" if value is None else decimal_text(float(value))


def _rows(report: Report) -> Iterator[Row]:
    yield from _head(report)
    for gate in report.gates:
        text = "; ".join((gate.as_of, *gate.reasons))
        yield {"row": "gate", "step": gate.gate, "outcome": gate.verdict, "text": text}
        yield from _events("poll", gate.polls)
        yield from _events("authorise", gate.authorised)
    if report.release is not None:
        yield from _events("release", [report.release])
    for phase in report.phases:
        for step in phase.steps:
            yield from _step(phase, step)
        if phase.completed is not None:
            text = f"{phase.title} called complete"
            yield {"row": "phase", "phase": phase.title, "text": text, **_signed(phase.completed)}
    for waiver in report.waivers:
        text = f"{waiver.reason}; bound: {waiver.bound}; until {waiver.expires.iso}"
        yield {
            "row": "waiver",
            "step": waiver.step,
            "counts": waiver.standing,
            "text": text,
            **_signed(waiver.by),
        }
    for kind, events in (
        ("hold", report.holds),
        ("correction", report.corrections),
        ("interruption", report.interruptions),
        ("replan", report.replans),
        ("power", report.power_cycles),
    ):
        yield from _events(kind, events)
    if report.chart is not None:
        for bar in report.chart.bars:
            lead = "least margin: " if bar.governing else ""
            text = f"{lead}{bar.text}"
            yield {"row": "run-out", "reading": bar.resource, "text": text}
    yield from ({"row": "caution", "text": caution} for caution in CAUTIONS)


def _head(report: Report) -> Iterator[Row]:
    headline, identity = report.headline, report.identity
    for loud in report.loud:
        yield {"row": "mark", "outcome": loud.word, "text": loud.text}
    yield {
        "row": "verdict",
        "record": report.record.id,
        "step": headline.gate,
        "outcome": headline.verdict,
        "text": "; ".join(part for part in (headline.text, *headline.reasons, headline.ending) if part),
    }
    for record in report.records:
        bad = "" if record.first_bad is None else str(record.first_bad)
        text = "; ".join((record.why, *record.warnings)).strip("; ")
        yield {"row": "record", "record": record.id, "line": bad, "outcome": record.state, "text": text}
        if record.seal_code:
            yield {"row": "seal code", "record": record.id, "value": record.seal_code}
        for label, digest in (
            ("flight file", record.flight_hash),
            ("checklist", record.checklist_hash),
            ("roster", record.roster_hash),
            ("record.jsonl", record.lines_hash),
        ):
            yield {"row": "sha-256", "record": record.id, "reading": label, "value": digest}
    yield {"row": "trust", "outcome": report.trust, "text": report.trusted}
    for person in report.signers:
        text = f"{person.roles}; {person.fingerprint}"
        meanings = "; ".join(person.meanings)
        yield {"row": "signer", "text": text, "name": person.name, "id": person.id, "meaning": meanings}
    for follower in report.followers:
        text = f"{follower.why}; {follower.released}".strip("; ")
        yield {"row": "follower", "record": follower.id, "outcome": follower.state, "text": text}
    yield {"row": "flight", "text": identity.flight}
    yield {"row": "checklist", "text": f"{identity.checklist}, revision {identity.revision}"}
    if identity.planned is not None:
        planned = identity.planned
        yield {"row": "planned release", "time_utc": planned.iso, "time_local": planned.local}
    made = report.made
    yield {"row": "report", "time_utc": made.iso, "time_local": made.local, "text": report.tool}


def _signed(signed: Signed) -> Row:
    return {
        "record": signed.record,
        "line": str(signed.line),
        "time_utc": signed.when.iso,
        "time_local": signed.when.local,
        "name": signed.name,
        "id": signed.id,
        "meaning": signed.meaning,
        "auth": signed.auth,
    }


def _events(kind: str, events: Iterable[Event]) -> Iterator[Row]:
    for event in events:
        text = "; ".join((event.text, *event.after))
        counts = "yes" if event.struck is None else f"struck: {event.struck.reason}"
        yield {"row": kind, "text": text, "counts": counts, **_signed(event.by)}


def _step(phase: PhaseView, step: StepView) -> Iterator[Row]:
    shared = {
        "phase": phase.title,
        "step": step.id,
        "challenge": step.challenge,
        "expected": "; ".join(part for part in (step.response, step.limits) if part),
    }
    yield {"row": "step", **shared, "outcome": step.outcome, "text": step.reason}
    for found in step.findings:
        counts = "yes" if found.standing == "counts" else found.standing
        if found.struck is not None:
            counts = f"struck: {found.struck.reason}"
        base = {**shared, "outcome": found.outcome, "counts": counts, **_signed(found.by)}
        yield {"row": "finding", **base, "text": _said(found)}
        for reading in found.readings:
            yield {"row": "reading", **base, **_reading(reading)}
        if found.signature is not None:
            yield {"row": "signature", **shared, "counts": counts, **_signed(found.signature)}
        if found.witness is not None:
            text = found.witnessed
            yield {"row": "witness", **shared, "counts": counts, "text": text, **_signed(found.witness)}
        for item in found.evidence:
            text = f"{item.name}, {item.size} bytes"
            yield {"row": "evidence", **shared, "value": item.sha256, "text": text}


def _said(found: Found) -> str:
    again = f"done again because {found.again}" if found.again else ""
    answers = (f"{question}: {answer}" for question, answer in found.answers)
    read = f"each time: {', '.join(found.values)}" if found.values else ""
    parts = (found.how, again, read, found.said, *answers, *found.remarks)
    return "; ".join(part for part in parts if part)


def _reading(reading: Reading) -> Row:
    value = reading.value
    return {
        "reading": reading.name,
        "value": value if isinstance(value, str) else plain(value),
        "unit": reading.unit,
        "low": plain(reading.low),
        "high": plain(reading.high),
        "at_least": plain(reading.at_least),
        "at_most": plain(reading.at_most),
        "margin": plain(reading.margin),
        "within": {True: "yes", False: "no", None: ""}[reading.within],
        "source": reading.source,
    }
