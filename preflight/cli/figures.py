"""`preflight figures`: the computed figures of a flight and what runs out first."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.cli.files import NAMED

if TYPE_CHECKING:
    from preflight.config.flight import Flight
    from preflight.figures.compute import FlightFigures
    from preflight.figures.run_out import Axis
    from preflight.readings import Reading

WIDTH = 80


@click.command()
@click.argument("flight", type=NAMED)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def command(flight: Path, as_json: bool) -> int:
    """Compute the figures of the flight file FLIGHT and what runs out first.

    Nothing is measured: what the flight file declares counts. Ends with 0 for go, 1 for no-go, 2 for bad
    input.
    """
    from preflight.clock import SystemClock
    from preflight.config.load import load_flight
    from preflight.errors import PreflightError
    from preflight.figures.compute import compute

    loaded = load_flight(flight)
    figures = compute(loaded, folder=flight.resolve().parent, now=SystemClock().now().at)
    if figures.faults:
        raise PreflightError("\n".join(figures.faults))
    if as_json:
        click.echo(json.dumps(as_object(loaded, figures), allow_nan=False))
    else:
        click.echo("\n".join(as_lines(loaded, figures)))
    return 0 if figures.go else 1


def as_object(flight: Flight, figures: FlightFigures) -> dict[str, object]:
    """What `--json` prints. Times of `run_out` and of the axes are in seconds from power-up."""
    from dataclasses import asdict

    return {
        "flight": flight.flight.name,
        "outcome": "go" if figures.go else "no-go",
        "figures": [reading.to_json() for reading in figures.figures],
        "run_out": [item.to_json() for item in figures.run_out],
        "governing": None if figures.governing is None else figures.governing.resource,
        "axis": asdict(figures.axis),
        "expected": asdict(figures.expected),
        "inputs": [reading.to_json() for reading in figures.inputs],
        "no_go": dict(figures.no_go),
        "mends": dict(figures.mends),
        "landing": None if figures.landing is None else asdict(figures.landing),
        "remarks": list(figures.remarks),
    }


def as_lines(flight: Flight, figures: FlightFigures) -> list[str]:
    """What people read, at most 80 columns wide: what decides stands last, where a terminal ends."""
    from preflight.clean import clean

    judged = [reading for reading in figures.figures if _is_judged(reading, figures)]
    others = [reading for reading in figures.figures if not _is_judged(reading, figures)]
    known = {reading.name for reading in figures.figures}
    others = [reading for reading in figures.inputs if reading.name not in known] + others
    lines = [clean(flight.flight.name), "", _heading("WITHOUT A LIMIT")]
    lines += [_row(reading, bad=False) for reading in others]
    lines += ["", _heading("AGAINST LIMITS")]
    lines += [_row(reading, bad=_is_bad(reading, figures)) for reading in judged]
    lines += ["", *_run_out_lines(figures)]
    if figures.mends:
        lines += ["", "WHAT WOULD MEND IT"]
        for name, text in figures.mends.items():
            lines += _wrapped(f"{name}: {text}", "  ")
    if figures.remarks:
        lines += ["", "REMARKS"]
        for remark in figures.remarks:
            lines += _wrapped(remark, "  ")
    lines.append("")
    for sentence in figures.no_go.values():
        lines += _wrapped(sentence, "! ")
    bad = sum(_is_bad(reading, figures) for reading in judged)
    lines.append(
        f"GO: {len(judged)} figures inside their limits"
        if figures.go
        else f"NO-GO: {bad} of {len(judged)} figures outside their limits"
    )
    return lines


def _is_judged(reading: Reading, figures: FlightFigures) -> bool:
    limited = reading.at_least is not None or reading.at_most is not None
    return limited or reading.name in figures.no_go


def _is_bad(reading: Reading, figures: FlightFigures) -> bool:
    return reading.within is False or reading.name in figures.no_go


def _heading(title: str) -> str:
    return f"{title:<29} {'value':>10} {'range':>14} {'limit':>8} {'margin':>6} from"


def _row(reading: Reading, *, bad: bool) -> str:
    from preflight.figures import shown

    return (
        f"{'!' if bad else ' '} {reading.name:<28}{shown.value_text(reading):>10} "
        f"{shown.range_text(reading):>14} {shown.limit_text(reading):>8} "
        f"{shown.margin_cell(reading.margin):>6} {'NO-GO' if bad else reading.source}"
    )


def _run_out_lines(figures: FlightFigures) -> list[str]:
    from preflight.figures import shown

    lines = [f"{'RUNS OUT, FIRST TO LAST':<24}{'after':>10} {'needed':>10} {'margin':>7}"]
    for item in figures.run_out:
        marks = " GOVERNS" if item is figures.governing else ""
        if item.at_least is not None and item.margin is not None and item.margin < item.at_least:
            marks += " NO-GO"
        lines.append(
            f"  {item.resource:<22}{shown.lasts_text(item.after):>10} {shown.needs_text(item.need):>10} "
            f"{shown.margin_cell(item.margin):>7}  {item.at_phase}{marks}"
        )
    if not figures.run_out:
        lines.append("  nothing that is declared")
    lines += [
        f"  Longest flight:  {_axis_text(figures.axis)}",
        f"  As declared:     {_axis_text(figures.expected)}",
    ]
    return lines


def _axis_text(axis: Axis) -> str:
    from preflight.figures.shown import clock_text

    return (
        f"release {clock_text(axis.release)}, burst {clock_text(axis.burst)}, "
        f"landing {clock_text(axis.landing)}, search ends {clock_text(axis.end_of_search)}"
    )


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=" " * (len(indent) + 2))
