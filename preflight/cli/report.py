"""`preflight report`: a record, a checklist or a flight's notification sheet, as HTML, PDF, CSV or text."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.clean import clean
from preflight.cli.files import NAMED, write_output
from preflight.cli.working import working
from preflight.errors import PreflightError

if TYPE_CHECKING:
    from preflight.report.model import Report

FORMS = (".html", ".pdf", ".csv", ".txt")
PAPERS = ("a4", "letter")


@click.command(name="report", short_help="Write a record, a checklist or a notification sheet to a file.")
@click.argument("target", metavar="RECORD|CHECKLIST|FLIGHT", type=NAMED)
@click.option(
    "-o",
    "--output",
    required=True,
    metavar="FILE",
    type=NAMED,
    help="What to write; its ending, .html, .pdf, .csv or .txt, says which.",
)
@click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Paper of a PDF.")
@click.option(
    "--flight",
    metavar="FLIGHT",
    type=NAMED,
    help="With a checklist: the flight file whose figures are printed too.",
)
@click.option(
    "--roster",
    metavar="FILE",
    type=NAMED,
    help="With a record: an allowed_signers file got elsewhere.",
)
@click.option("--code", metavar="CODE", help="With a record: the seal code got elsewhere.")
def command(
    *, target: Path, output: Path, paper: str, flight: Path | None, roster: Path | None, code: str | None
) -> int:
    """Write what a record says, a checklist to print, or a flight's notification sheet.

    RECORD is a record's folder: the report covers it and the records it goes on from. CHECKLIST is a
    checklist file: the printed list, for when the laptop is dead. FLIGHT is a flight file with [airspace]:
    what the authority asks for, to read out or to copy.

    Exits 0; 1 if the record is bad (the report is written all the same and says so), 2 for bad input.
    """
    form = output.suffix.lower()
    if form not in FORMS:
        shown = clean(output.name, limit=80)
        raise click.UsageError(f"{shown}: end the file's name in .html, .pdf, .csv or .txt.")
    _refuse_record(output)
    if target.is_dir() or target.name == "record.jsonl":
        if flight is not None:
            raise click.UsageError("--flight goes with a checklist; a record holds its own flight file.")
        if form == ".txt":
            raise click.UsageError("A record is written as .html, .pdf or .csv; .txt is for a flight file.")
        return _record(target, output, paper, roster, code)
    if roster is not None or code is not None:
        raise click.UsageError("--roster and --code go with a record, which is a folder.")
    if form == ".csv":
        raise click.UsageError("A file is printed as .html or .pdf; .csv is for records.")
    if _is_flight(target):
        if flight is not None:
            raise click.UsageError("--flight goes with a checklist; this is a flight file itself.")
        return _notice(target, output, paper)
    if form == ".txt":
        raise click.UsageError("A checklist is printed as .html or .pdf; .txt is for a flight file.")
    return _paper(target, output, paper, flight)


def _is_flight(target: Path) -> bool:
    from preflight.config.flight import Flight
    from preflight.config.load import recognise
    from preflight.config.source import decode_text, parse_toml, read_bytes

    where = str(target)
    return recognise(parse_toml(decode_text(read_bytes(target), where), where)) is Flight


def _notice(target: Path, output: Path, paper: str) -> int:
    from preflight.clock import SystemClock
    from preflight.report.notice import notice_page, sheet_of

    sheet = sheet_of(target, clock=SystemClock())
    page = notice_page(sheet)
    form = output.suffix.lower()
    if form == ".txt":
        from preflight.figures.notification import sheet_text

        data = sheet_text(sheet).encode()
    elif form == ".pdf":
        from preflight.report.notice_pdf import notice_pdf

        data = notice_pdf(page, size=paper)
    else:
        from preflight.report.notice_html import notice_html

        data = notice_html(page).encode()
    _refuse_source(output, target)
    write_output(output, data)
    for missed in page.missed:
        click.echo(missed, err=True)
    shown = clean(str(output), limit=300)
    click.echo(
        f"wrote {shown}: notification sheet, {len(sheet.missing)} of {len(sheet.items)} items missing. "
        f"{sheet.standing}"
    )
    return 0


def _record(target: Path, output: Path, paper: str, roster: Path | None, code: str | None) -> int:
    from preflight.clock import SystemClock
    from preflight.report.gather import gather
    from preflight.walk.proof import roster_from

    folder = target if target.is_dir() else target.parent
    believed = None if roster is None else roster_from(roster)
    with working("Reading and proving the record"):
        report = gather(folder, clock=SystemClock(), roster=believed, code=code)
    with working("Laying out the report"):
        data = _laid_out(report, output.suffix.lower(), paper)
    write_output(output, data)
    for loud in report.loud:
        click.echo(f"{loud.word}: {loud.text}", err=True)
    verdict = f", verdict {report.headline.verdict}" if report.headline.verdict else ""
    trusted = report.trusted.replace("the fingerprints below", "the fingerprints in it")
    click.echo(f"wrote {clean(str(output), limit=300)}: {report.record.state}{verdict}; {trusted}")
    return 1 if any(record.state == "bad" for record in report.records) else 0


def _laid_out(report: Report, form: str, paper: str) -> bytes:
    if form == ".html":
        from preflight.report.html import to_html

        return to_html(report).encode()
    if form == ".pdf":
        from preflight.report.pdf import to_pdf

        return to_pdf(report, paper=paper)
    from preflight.report.table import to_csv

    return to_csv(report).encode()


def _paper(target: Path, output: Path, paper: str, flight: Path | None) -> int:
    from preflight.checks.by_hand import by_hand
    from preflight.clock import SystemClock
    from preflight.report.paper import paper_of

    listed = paper_of(target, clock=SystemClock(), reads_of=by_hand, flight=flight)
    if output.suffix.lower() == ".pdf":
        from preflight.report.paper_pdf import paper_pdf

        data = paper_pdf(listed, size=paper)
    else:
        from preflight.report.paper_html import paper_html

        data = paper_html(listed).encode()
    _refuse_source(output, target, flight)
    write_output(output, data)
    click.echo(f"wrote {clean(str(output), limit=300)}: {listed.title}, revision {listed.revision}")
    return 0


def _refuse_source(output: Path, *read: Path | None) -> None:
    if os.path.realpath(output) in {os.path.realpath(path) for path in read if path is not None}:
        raise PreflightError(f"{clean(str(output), limit=300)} is the file to read from: name another")


def _refuse_record(output: Path) -> None:
    """A record's folder is left as it is: the one reported, the one it goes on from, and any other."""
    from preflight.record.scan import RECORD

    if any(os.path.lexists(folder / RECORD) for folder in Path(os.path.realpath(output)).parents):
        shown = clean(str(output), limit=300)
        raise PreflightError(f"{shown} lies in a record's own folder, which is left as it is: name another")
