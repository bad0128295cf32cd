"""The printed checklist as a PDF, on A4 or US Letter."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from preflight import __version__
from preflight.report.model import CAUTIONS
from preflight.report.paper import RULES, Paper, PaperPhase, PaperStep
from preflight.report.pdf_page import Cell, Page, Para
from preflight.report.pdf_shapes import chart_start, draw_chart
from preflight.report.pdf_text import face_for
from preflight.report.words import band_of, judged_words, limits_of, margin_of, value_of

BLANK = Para(" ", "body")
CREW_ROWS = 6
OTHER_ROWS = 5
"""Empty lines for people, and for holds, waivers and the rest."""
SHORT = 6
"""Characters of a label that stands beside its blank, not above it: "mean"."""
STEP_SHARES = (7, 41, 32, 9, 11)
STEP_HEAD = ("Done", "Step", "Limit and value read", "Initials", "UTC")


def paper_pdf(paper: Paper, *, size: str = "a4") -> bytes:
    """The list as the bytes of a PDF; `size` is "a4" or "letter"."""
    foot = f"{paper.title}, revision {paper.revision}, SHA-256 {paper.sha256[:12]}. "
    foot += "Local rules and the competent person decide."
    page = Page(paper=size, face=face_for(paper), words=(), foot=foot)
    page.set_title(f"{paper.title}, revision {paper.revision}")
    page.set_creator(f"preflight {__version__}")
    page.set_creation_date(datetime.fromisoformat(paper.made.iso))
    _head(page, paper)
    for phase in paper.phases:
        _phase(page, paper, phase)
    page.heading(2, "Holds, waivers, power cycles, struck lines")
    page.grid(
        (9, 46, 25, 20),
        ("UTC", "What, and why", "Name", "Lifted, expires (UTC)"),
        ([[BLANK, BLANK], [], [], []] for _ in range(OTHER_ROWS)),
    )
    _figures(page, paper)
    return page.finished()


def _head(page: Page, paper: Paper) -> None:
    page.heading(1, f"{paper.title}, revision {paper.revision}")
    about = f"Printed checklist from {paper.source}, SHA-256 {paper.sha256}, printed {paper.made.utc}."
    page.write_out([Para(about, "small")])
    if paper.flight:
        assert paper.planned is not None
        local = f" ({paper.planned.local})" if paper.planned.local else ""
        planned = f"Flight {paper.flight}, planned release {paper.planned.utc}{local}."
        page.write_out([Para(planned, "bold")])
    else:
        page.write_out([Para("Flight: ____________________  planned release (UTC): ______________", "body")])
    page.set_y(page.get_y() + 1.5)
    page.boxed([Para(caution, "b", "caution") for caution in CAUTIONS])
    page.write_out([Para(rule, "body") for rule in RULES])
    page.set_y(page.get_y() + 1.5)
    page.grid(
        (35, 12, 28, 25),
        ("Printed name", "Initials", "Roles", "Signature"),
        ([[BLANK], [], [], []] for _ in range(CREW_ROWS)),
    )


def _phase(page: Page, paper: Paper, phase: PaperPhase) -> None:
    gate = f", counts for the {phase.gate} gate" if phase.gate else ""
    rows = [_step(step) for step in phase.steps]
    page.heading(2, phase.title, keep=4 + page.grid_start(STEP_SHARES, STEP_HEAD, rows[0]))
    page.write_out([Para(f"{phase.mode.capitalize()}{gate}.", "small")])
    page.grid(STEP_SHARES, STEP_HEAD, rows)
    page.write_out([Para("Phase complete.  Name: ______________________  UTC: __________", "body", "box")])
    if phase.gate_after:
        _gate(page, paper, phase.gate_after)


def _step(step: PaperStep) -> list[Cell]:
    asked: list[Para] = []
    if step.caution:
        asked.append(Para(f"CAUTION: {step.caution}", "b", "caution"))
    asked.append(Para(step.challenge, "bold"))
    if step.response:
        asked.append(Para(f"expected: {step.response}"))
    if step.why:
        asked.append(Para(step.why, "small"))
    asked.append(Para(f"{step.id}; {step.asks}", "small"))
    value = [Para(step.limits, "b")] if step.limits else []
    if step.unless:
        value.append(Para(step.unless, "small"))
    value += _blanks(step)
    initials = [BLANK, Para("witness:", "small"), BLANK] if step.witness else [BLANK]
    return [[Para(step.number, "mark", "box")], asked, value, initials, [BLANK]]


def _blanks(step: PaperStep) -> Iterator[Para]:
    for blank in step.blanks:
        short = len(blank.label) <= SHORT and not blank.limits
        if blank.label and not short:
            yield Para(f"{blank.label}:", "small")
        if blank.limits:
            yield Para(blank.limits, "b")
        lead = f"{blank.label}: " if short and blank.label else ""
        yield Para(f"{lead}________________ {blank.unit}".rstrip(), "write")


def _gate(page: Page, paper: Paper, gate: str) -> None:
    # The poll and the line to sign below it belong on one page.
    page.room(32 + 8 * len(paper.stations))
    page.heading(3, f"{gate.capitalize()} gate: poll every station, there is no answer by default")
    page.grid(
        (24, 12, 14, 32, 18),
        ("Station", "Go", "No-go", "Printed name and initials", "UTC"),
        (
            [[Para(station, "b")], [Para("", "mark", "box")], [Para("", "mark", "box")], [BLANK], []]
            for station in paper.stations
        ),
    )
    allowed = f"Authorised by {paper.release_by}, only if every station answered go and nothing is no-go, "
    page.write_out(
        [
            Para(f"{allowed}open or held:", "body"),
            BLANK,
            Para("Name: ________________________  Signature: ____________________  UTC: __________", "body"),
        ]
    )
    if gate == "release":
        page.set_y(page.get_y() + 2)
        page.write_out(
            [
                Para("Released with go, UTC: __________", "body", "box"),
                Para("RELEASED WITHOUT GO, UTC: __________  what happened:", "bold", "box"),
            ]
        )


def _figures(page: Page, paper: Paper) -> None:
    if not paper.figures:
        return
    page.heading(2, f"Computed figures of {paper.flight}")
    page.grid(
        (32, 22, 20, 26, 12),
        ("Figure", "Value", "May lie", "Limit", "Margin"),
        (
            [
                [Para(figure.name)],
                [Para(value_of(figure), "b")],
                [Para(band_of(figure), "small")],
                [Para(": ".join(part for part in (limits_of(figure), judged_words(figure)) if part))],
                [Para(margin_of(figure))],
            ]
            for figure in paper.figures
        ),
    )
    page.bullets(paper.remarks)
    if paper.chart is not None:
        page.heading(3, "What runs out first", keep=chart_start(paper.chart))
        draw_chart(page, paper.chart)
