"""`preflight check`: run instrument checks without a screen."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.cli.files import NAMED

if TYPE_CHECKING:
    from preflight.checks.base import Check, Context
    from preflight.readings import Finding, Progress, Reading

EXIT_CODES = {"go": 0, "no-go": 1, "open": 3}
OPEN_MEANS = "open (needs a person)"


def _names(ctx: click.Context, option: click.Parameter, begun: str) -> list[str]:
    from preflight.checks import table

    return [name for name in table.names() if name.startswith(begun)]


@click.command()
@click.argument("flight", type=NAMED)
@click.option(
    "--only",
    multiple=True,
    metavar="NAME",
    shell_complete=_names,
    help="Run this check; may be given several times.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def command(flight: Path, only: tuple[str, ...], as_json: bool) -> int:
    """Run the instrument checks of the flight file FLIGHT.

    Without --only, every check whose sections are in the flight file, but for those that write to the card
    (card-write, card-capacity): these run by name. Ends with 0 for go, 1 for no-go, 2 for
    bad input, 3 if a person is needed.
    """
    from preflight.checks import table
    from preflight.checks.base import Context, missing_sections
    from preflight.config.load import load_flight

    for name in only:
        if name not in table.names():
            table.get(name)  # says what there is
    loaded = load_flight(flight)
    measured: dict[str, Reading] = {}
    context = Context(flight=loaded, folder=flight.resolve().parent, measured=measured)
    findings: list[Finding] = []
    for name in table.names():
        if only and name not in only:
            continue
        check = table.get(name)
        if not only and (missing_sections(check, loaded) or getattr(check, "on_request", False)):
            continue
        finding = _run(check, context, talk=not as_json)
        findings.append(finding)
        measured.update({r.name: r for r in finding.readings if r.value is not None})
        if not as_json:
            click.echo("\n".join(_told(finding)))
    outcome = _worst(findings)
    if as_json:
        click.echo(_as_json(loaded.flight.name, outcome, findings))
    else:
        click.echo(f"{_word(outcome)}: {_counted(findings)}")
    return EXIT_CODES[outcome]


def _run(check: Check, context: Context, *, talk: bool) -> Finding:
    """Run one check; an error that it should have put into its finding becomes an open one."""
    from preflight.checks.base import missing_sections, run_check
    from preflight.errors import PreflightError
    from preflight.readings import Finding

    moves = talk and not missing_sections(check, context.flight)
    if moves and check.leads:
        _ask(f"{check.name}: {check.leads}.")
    meter = _Meter(check.name) if talk else None
    try:
        return run_check(check, context, meter or (lambda _: None))
    except PreflightError as error:
        return Finding(check=check.name, outcome="open", remarks=(f"Not checked: {error}",))
    finally:
        # Also after a stop by the keyboard: the line must be put back whatever happened.
        if meter is not None:
            meter.clear()
        if moves and check.put_back:
            click.echo(f"{check.name}: {check.put_back}.", err=True)


def _ask(sentence: str) -> None:
    """Say what to do with a lead; wait for Enter where somebody is there to press it."""
    if sys.stdin.isatty() and sys.stderr.isatty():
        click.prompt(
            f"{sentence} Enter when done", default="", show_default=False, prompt_suffix=" ", err=True
        )
    else:
        click.echo(sentence, err=True)


class _Meter:
    """Progress on one line of stderr, only on a terminal."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._width = 0 if sys.stderr.isatty() else None

    def __call__(self, progress: Progress) -> None:
        if self._width is None:
            return
        from preflight.clean import clean

        share = "" if progress.fraction is None else f" {progress.fraction:.0%}"
        text = f"{self._name}: {clean(progress.text, limit=60)}{share}"
        click.echo(f"\r{text:<{self._width}}", err=True, nl=False)
        self._width = max(self._width, len(text))

    def clear(self) -> None:
        if self._width:
            click.echo(f"\r{'':<{self._width}}\r", err=True, nl=False)


def _worst(findings: Sequence[Finding]) -> str:
    outcomes = {finding.outcome for finding in findings}
    if "no-go" in outcomes:
        return "no-go"
    return "open" if "open" in outcomes or not outcomes else "go"


def _word(outcome: str) -> str:
    return OPEN_MEANS if outcome == "open" else outcome


def _counted(findings: Sequence[Finding]) -> str:
    if not findings:
        return "no check has its sections in this flight file"
    counts = {word: sum(f.outcome == word for f in findings) for word in EXIT_CODES}
    return ", ".join(f"{count} {word}" for word, count in counts.items() if count)


def _told(finding: Finding) -> list[str]:
    """A finding as lines of text: outcome, readings beside their limits, remarks."""
    from preflight.clean import clean
    from preflight.cli.told import reading_text

    lines = [f"{finding.check}: {_word(finding.outcome)}"]
    width = max((len(reading.name) for reading in finding.readings), default=0)
    lines += [f"  {reading_text(reading, width)}" for reading in finding.readings]
    lines += [f"  - {clean(remark, limit=1000)}" for remark in finding.remarks]
    return lines


def _as_json(name: str, outcome: str, findings: Sequence[Finding]) -> str:
    body = {
        "flight": name,
        "outcome": outcome,
        "checks": [
            {
                "check": finding.check,
                "outcome": finding.outcome,
                "readings": [reading.to_json() for reading in finding.readings],
                "remarks": list(finding.remarks),
                "seconds": finding.seconds,
            }
            for finding in findings
        ],
    }
    return json.dumps(body, allow_nan=False, indent=2)
