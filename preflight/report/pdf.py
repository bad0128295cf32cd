"""A report as a PDF: the same content as the HTML, on A4 or US Letter, fit for a black and white printer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from preflight.report.evidence import shown_once
from preflight.report.glossary import GLOSSARY, STATES
from preflight.report.html import page_words
from preflight.report.model import (
    CAUTIONS,
    EntryLine,
    Event,
    Found,
    PhaseView,
    RecordView,
    Report,
    Signed,
    StepView,
    Struck,
    WaiverView,
)
from preflight.report.pdf_page import Cell, Page, Para
from preflight.report.pdf_shapes import chart_start, draw_chart, draw_qr
from preflight.report.pdf_text import face_for
from preflight.report.words import Stamp, band_of, judged_words, limits_of, margin_of, value_of, word_of

QR = 30.0
"""Millimetres of a QR code's side: scanned from paper at arm's length."""

STEP_SHARES = (23, 15, 38, 24)
STEP_HEAD = ("Step", "Outcome", "Reading, limit, margin", "Who, when, meaning")
WAIVER_SHARES = (14, 28, 28, 30)
WAIVER_HEAD = ("Step", "Why it was accepted", "Bound and expiry", "Who")
ENTRY_SHARES = (6, 23, 44, 27)
ENTRY_HEAD = ("Line", "When", "What", "Who and meaning")


def to_pdf(report: Report, *, paper: str = "a4") -> bytes:
    """The report as the bytes of a PDF; `paper` is "a4" or "letter"."""
    title = f"{report.identity.flight}, record {report.record.id}"
    foot = f"{title}. Local rules and the competent person decide."
    page = Page(paper=paper, face=face_for(report), words=page_words(report), foot=foot)
    page.set_title(title)
    page.set_creator(report.tool)
    page.set_creation_date(datetime.fromisoformat(report.made.iso))
    _first(page, report)
    _belief(page, report)
    _about(page, report)
    _gates(page, report)
    _unusual(page, report)
    page.heading(2, "What runs out first", keep=14.0 if report.chart is None else chart_start(report.chart))
    if report.chart is None:
        page.write_out([Para("Nothing that can run out was declared, or it could not be computed.", "body")])
    else:
        draw_chart(page, report.chart)
    _steps(page, report)
    _evidence(page, report)
    _entries(page, report)
    page.heading(2, "What the words mean")
    page.grid((1, 5), (), ([[Para(word, "b")], [Para(means)]] for word, means in GLOSSARY))
    made = f"Report made {_when(report.made)} by {report.tool} from the folder of the record. "
    last = [Para(caution, "bold", "caution") for caution in CAUTIONS]
    last.append(Para(made + "The record itself, not this report, is what was signed.", "small"))
    page.heading(2, "Cautions", keep=page.high(last))
    page.write_out(last)
    return page.finished()


def _when(stamp: Stamp) -> str:
    return f"{stamp.utc} ({stamp.local})" if stamp.local else stamp.utc


def _sig(signed: Signed, what: str = "") -> list[Para]:
    """A signature as it must be shown: name, time, meaning."""
    lead = f"{what}: " if what else ""
    return [
        Para(f"{lead}{signed.name} ({signed.id})", "b"),
        Para(_when(signed.when), "small"),
        Para(f'"{signed.meaning}"; {signed.auth}; line {signed.line}', "small"),
    ]


def _struck(struck: Struck | None) -> list[Para]:
    if struck is None:
        return []
    return [Para(f"STRUCK: {struck.reason}", "b"), *_sig(struck.by, "struck by")]


def _mark(word: str) -> Para:
    return Para(word_of(word), "mark", word)


def _first(page: Page, report: Report) -> None:
    headline = report.headline
    page.heading(1, report.identity.flight)
    about = f"Pre-flight record {report.record.id}: what was checked, by whom, and what came of it."
    page.write_out([Para(about, "body")])
    page.set_y(page.get_y() + 2)
    for loud in report.loud:
        page.boxed([Para(loud.word, "loud", "alert"), Para(loud.text, "body")])
    inside = []
    if headline.verdict:
        inside.append(Para(headline.verdict.upper(), "big", headline.verdict))
    inside.append(Para(headline.text, "body"))
    inside += [Para(f"- {reason}", "body") for reason in headline.reasons]
    if headline.ending:
        inside.append(Para(headline.ending, "bold"))
    if headline.as_of is not None:
        inside.append(Para(f"As of the last entry shown here, {_when(headline.as_of)}.", "small"))
    page.boxed(inside, thick=False)


def _belief(page: Page, report: Report) -> None:
    page.heading(2, "Can this be believed?")
    for record in report.records:
        page.write_out([Para(f"Record {record.id}", "bold"), *_state(record)])
        if record.seal_code:
            page.room(QR + 2)
            y = page.get_y()
            draw_qr(page, record.seal_code, page.l_margin, y, QR)
            page.set_y(y + 5)
            note = "Compare it with the code read out or written down before release: if it is the same, "
            note += "this record was not rewritten since."
            paragraphs = [Para("Seal code", "body"), Para(record.seal_code, "code"), Para(note, "small")]
            page.write_out(paragraphs, indent=QR + 3)
            page.set_y(max(page.get_y(), y + QR) + 2)
    page.write_out([Para(f"Whom this trusts: {report.trusted}.", "bold")])
    page.set_y(page.get_y() + 1)
    if report.signers:
        page.grid(
            (3, 2, 2.4, 5, 6),
            ("Printed name", "Id", "Roles", "Key fingerprint", "What the signatures mean"),
            (
                [
                    [Para(person.name, "b")],
                    [Para(person.id)],
                    [Para(person.roles)],
                    [Para(person.fingerprint, "mono")],
                    [Para("; ".join(person.meanings), "small")],
                ]
                for person in report.signers
            ),
        )
    for one in report.followers:
        released = f"; {one.released}" if one.released else ""
        text = f"{one.id} {one.why}: {one.state}{released}. It has a report of its own."
        page.bullets([text])


def _state(record: RecordView) -> list[Para]:
    shape = {"bad": "bad", "unsealed": "hold"}.get(record.state, "go")
    lines = [Para(record.state.upper(), "mark", shape), Para(STATES[record.state], "body")]
    if record.first_bad is not None:
        lines.append(Para(f"First bad line: {record.first_bad}.", "bold"))
    if record.why:
        lines.append(Para(record.why, "bold"))
    if record.sealers:
        lines.append(Para(f'Sealed by {", ".join(record.sealers)} ("sealed the record").', "body"))
    if record.goes_on:
        lines.append(Para(record.goes_on, "body"))
    return [*lines, *(Para(f"Note: {warning}", "body") for warning in record.warnings)]


def _about(page: Page, report: Report) -> None:
    identity = report.identity
    page.heading(2, "What this is about")
    revision = f", revision {identity.revision}" if identity.revision else ""
    rows = [("Flight", identity.flight), ("Checklist", identity.checklist + revision)]
    if identity.site:
        rows.append(("Site", f"{identity.site}; clock of the site: {identity.zone}"))
    if identity.planned is not None:
        rows.append(("Planned release", _when(identity.planned)))
    for record in report.records:
        rows.append(("Record", record.id))
        if record.opened is not None and record.last is not None:
            span = f"{_when(record.opened)} to {_when(record.last)}, {record.shown} entries"
            rows.append(("Opened, last entry", span))
        rows.append(("Made with", record.tool))
        for label, digest in (
            ("flight file", record.flight_hash),
            ("checklist", record.checklist_hash),
            ("roster", record.roster_hash),
            ("record.jsonl", record.lines_hash),
        ):
            rows.append((f"SHA-256 of {label}", digest))
    filled = [(key, value) for key, value in rows if value]
    page.grid((1, 3.4), (), ([[Para(key, "b")], [Para(value)]] for key, value in filled))


def _gates(page: Page, report: Report) -> None:
    page.heading(2, "Gates and release")
    if not report.gates:
        page.write_out([Para("No verdict could be worked out.", "body")])
    for gate in report.gates:
        page.heading(3, f"{gate.gate.capitalize()} gate")
        page.write_out([_mark(gate.verdict), Para(gate.as_of, "small")])
        page.bullets(gate.reasons)
        _events(page, "Poll", gate.polls, "No station was polled.")
        _events(page, "Authorised", gate.authorised, "Not authorised.")
    if report.release is not None:
        _events(page, "Release", [report.release], "")


def _events(page: Page, title: str, events: Sequence[Event], nothing: str) -> None:
    rows = [[_event(event), _sig(event.by)] for event in events]
    _table(page, title, (5, 5), ("What", "Signature"), rows, nothing=nothing)


def _table(
    page: Page,
    title: str,
    shares: Sequence[float],
    head: Sequence[str],
    rows: Sequence[Sequence[Cell]],
    *,
    nothing: str,
) -> None:
    """A table under its title; in words where there is nothing."""
    page.heading(3, title, keep=page.grid_start(shares, head, rows[0]) if rows else 14.0)
    if rows:
        page.grid(shares, head, rows)
    else:
        page.write_out([Para(nothing, "body")])


def _event(event: Event) -> Cell:
    style = "s" if event.struck else ""
    after = [Para(line, "small") for line in event.after]
    return [Para(event.text, style), *after, *_struck(event.struck)]


def _steps(page: Page, report: Report) -> None:
    phases = [(phase, [row for step in phase.steps for row in _step(step)]) for phase in report.phases]
    first = page.grid_start(STEP_SHARES, STEP_HEAD, phases[0][1][0]) if phases else 0.0
    page.heading(2, "Steps", keep=first + 10)
    if not phases:
        page.write_out([Para("No step can be shown.", "body")])
    for phase, rows in phases:
        _phase(page, phase, rows)


def _phase(page: Page, phase: PhaseView, rows: Sequence[Sequence[Cell]]) -> None:
    gate = f" (counts for the {phase.gate} gate)" if phase.gate else ""
    page.heading(3, phase.title + gate, keep=page.grid_start(STEP_SHARES, STEP_HEAD, rows[0]))
    if phase.passed and phase.started is not None:
        page.write_out([Para(f"Begun out of order, {phase.passed}", "bold"), *_sig(phase.started)])
    page.grid(STEP_SHARES, STEP_HEAD, rows)
    if phase.completed is None:
        said = "Never called complete." if phase.concerns else "Nothing in it applies to this flight."
        page.write_out([Para(said, "body")])
    else:
        page.write_out(_sig(phase.completed, "called complete"))


def _step(step: StepView) -> Iterator[list[Cell]]:
    outcome = [_mark(step.outcome)]
    if step.reason:
        outcome.append(Para(step.reason))
    if step.expires is not None:
        outcome.append(Para(f"until {_when(step.expires)}", "small"))
    if not step.findings:
        yield [_asked(step), outcome, [], [Para("not done")]]
    for index, found in enumerate(step.findings):
        asked = _asked(step) if index == 0 else [Para(f"{step.id}, again", "small")]
        if found.again:
            asked.append(Para(f"Done again because {found.again}", "small"))
        came: list[Para] = []
        if found.standing != "counts":
            came += [Para(found.outcome, "s"), Para(found.standing.upper(), "b")]
        if found.standing == "counts" or (found is step.findings[-1]):
            came += outcome
        yield [asked, came, _read(found), _signatures(found)]


def _asked(step: StepView) -> list[Para]:
    lines = [Para(step.challenge, "b")]
    if step.response:
        lines.append(Para(f"expected: {step.response}"))
    if step.limits:
        lines.append(Para(f"limit: {step.limits}"))
    lines.append(Para(f"{step.id}; {step.asks}", "small"))
    if step.caution:
        lines.append(Para(f"CAUTION: {step.caution}", "b", "caution"))
    return lines


def _read(found: Found) -> list[Para]:
    struck = "s" if found.struck else ""
    lines = [Para(found.how, "small")]
    for reading in found.readings:
        band, limits, margin = band_of(reading), limits_of(reading), margin_of(reading)
        source = "" if band or limits or margin else f" ({reading.source})"
        lines.append(Para(f"{reading.name} {value_of(reading)}{source}", struck or "b"))
        if limits:
            judged = f": {judged_words(reading)}" if judged_words(reading) else ""
            lines.append(Para(f"limit {limits}{judged}"))
        if not source:
            told = (band, f"margin {margin}" if margin else "", reading.source)
            lines.append(Para("; ".join(part for part in told if part), "small"))
    if found.values:
        lines.append(Para(f"each time: {', '.join(found.values)}", "small"))
    if found.said:
        lines.append(Para(found.said, struck))
    lines += [Para(f"{question}: {answer}", struck) for question, answer in found.answers]
    lines += [Para(f"- {remark}") for remark in found.remarks]
    return lines + [Para(f"evidence: {e.name}, {e.size} bytes, shown below", "small") for e in found.evidence]


def _signatures(found: Found) -> list[Para]:
    lines = _sig(found.by)
    if found.signature is not None:
        lines += _sig(found.signature, "signed")
    if found.witness is not None:
        lines += _sig(found.witness, f"witness ({found.witnessed})")
    return lines + _struck(found.struck)


def _unusual(page: Page, report: Report) -> None:
    rows = [_waiver(waiver) for waiver in report.waivers]
    keep = page.grid_start(WAIVER_SHARES, WAIVER_HEAD, rows[0]) if rows else 14.0
    page.heading(2, "What was out of the ordinary", keep=keep + 10)
    _table(page, "Waivers", WAIVER_SHARES, WAIVER_HEAD, rows, nothing="No no-go was waived.")
    _events(page, "Holds", report.holds, "No hold was called.")
    _events(page, "Corrections", report.corrections, "No entry was corrected.")
    _events(page, "Interruptions, handovers and clock changes", report.interruptions, "None were recorded.")
    _events(page, "Changes of plan", report.replans, "The plan was not changed.")
    _events(page, "Power cycles", report.power_cycles, "None were recorded.")
    page.heading(3, "Out of date at the end")
    if report.stale:
        page.bullets(report.stale)
    else:
        page.write_out([Para("No step was stale.", "body")])


def _waiver(waiver: WaiverView) -> list[Cell]:
    return [
        [Para(waiver.step)],
        [Para(waiver.reason, "s" if waiver.struck else "")],
        [Para(waiver.bound), Para(f"until {_when(waiver.expires)}", "small"), Para(waiver.standing, "b")],
        [*_sig(waiver.by), *_struck(waiver.struck)],
    ]


def _evidence(page: Page, report: Report) -> None:
    shown = shown_once(report)
    for index, (item, of) in enumerate(shown):
        what = [
            Para(f"{'; '.join(of)}; {item.size} bytes, {item.form}", "small"),
            Para(f"SHA-256 {item.sha256}", "mono"),
        ]
        cut = [Para("[more is kept in evidence/]", "mono")] if item.cut else []
        lines = [*(Para(line, "mono") for line in item.lines), *cut]
        keep = page.high(what) + page.box_high(lines)
        if index == 0:
            page.heading(2, "Evidence, its first bytes", keep=keep + 10)
        page.heading(3, item.name, keep=keep)
        page.write_out(what)
        page.boxed(lines, thick=False)


def _entries(page: Page, report: Report) -> None:
    rows = [_entry(line) for line in report.entries]
    keep = page.grid_start(ENTRY_SHARES, ENTRY_HEAD, rows[0]) if rows else 0.0
    page.heading(2, "Every entry, in order", keep=keep)
    page.grid(ENTRY_SHARES, ENTRY_HEAD, rows)


def _entry(line: EntryLine) -> list[Cell]:
    return [
        [Para(str(line.by.line), "small")],
        [Para(_when(line.by.when), "small")],
        [
            Para(f"{line.kind}: {line.text}", "s" if line.struck else "small"),
            *([Para("STRUCK", "b")] if line.struck else []),
        ],
        [Para(f'{line.by.name} ({line.by.id}): "{line.by.meaning}"', "small")],
    ]
