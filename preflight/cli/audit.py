"""`preflight audit`: every record below a folder, verified, and what they say together."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.clean import clean
from preflight.cli.files import NAMED, write_output
from preflight.errors import PreflightError

if TYPE_CHECKING:
    from preflight.report.across import Summary
    from preflight.report.across_sums import Across, Quantity

MOST = 20
"""Steps and flights of a quantity that the text shows; --json and --csv hold all."""

TRUSTED = {
    "folder": "names are as these folders claim: give --roster, or compare the fingerprints of verify",
    "roster": "names are those of the roster given from outside these folders",
}


@click.command(name="audit", short_help="Verify every record below a folder, and compare them.")
@click.argument("folder", metavar="DIR", type=NAMED)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
@click.option("--csv", "csv_file", metavar="FILE", type=NAMED, help="Write a CSV too.")
@click.option(
    "--roster",
    metavar="FILE",
    type=NAMED,
    help="An allowed_signers file got elsewhere: then names are believed.",
)
def command(folder: Path, as_json: bool, csv_file: Path | None, roster: Path | None) -> int:
    """Verify every record below DIR; show who waived what, which steps fail most, how quantities moved.

    Exits 0 if all are sealed, 1 if one is bad, 3 if one is unsealed, 2 for bad input; of several the worst
    of 2, 1, 3, 0. A bad record is left out of what the others say together. Of copies of one record one is
    counted; copies that contradict each other are bad.
    """
    from preflight.report.across import look_below, lost_one, worst
    from preflight.report.across_sums import across, to_csv, to_json

    shown = clean(str(folder), limit=300)
    if not folder.is_dir():
        raise PreflightError(f"{shown} is not a folder; name the one that holds records")
    below = look_below(folder)
    if not below.records and not below.lost:
        raise PreflightError(f"{shown} holds no record; name a folder above records, such as logs")
    records = _summed(below.records, roster)
    sums = across(shown, [*records, *(lost_one(*lost) for lost in below.lost)], below.links)
    if csv_file is not None:
        write_output(csv_file, to_csv(sums).encode())
    if as_json:
        click.echo(json.dumps(to_json(sums), allow_nan=False, indent=2))
    else:
        click.echo("\n".join(_text(sums)))
    states = [one.state for one in sums.records]
    return worst([*states, *("bad" for copies in sums.copies if copies.contradict)])


def _summed(folders: Sequence[Path], roster: Path | None) -> list[Summary]:
    from preflight.report.across import summaries_of
    from preflight.walk.proof import roster_from

    believed = None if roster is None else roster_from(roster)
    meter = sys.stderr.isatty()
    records = []
    for index, record in enumerate(summaries_of(folders, believed), 1):
        if meter:
            click.echo(f"\r{index} of {len(folders)} records", err=True, nl=False)
        records.append(record)
    if meter:
        click.echo("", err=True)
    return records


def _text(sums: Across) -> list[str]:
    from preflight.report.copies import copy_lines
    from preflight.report.words import count

    lines: list[str] = []
    for one in sums.records:
        lines.append(_record(one))
        lines += [f"  note: {warning}" for warning in one.warnings]
    for previous, names in sums.forks:
        lines.append(f"FORK: {', '.join(names)} all follow {previous}")
    lines += copy_lines(sums.copies)
    lines += [f"not looked into, as it is a link: {link}" for link in sums.links]
    if sums.left_out:
        folders = ", ".join(one.folder for one in sums.left_out)
        lines.append(f"left out of what follows, as they can't be believed: {folders}")
    lines += [TRUSTED[trust] for trust in dict.fromkeys(one.trust for one in sums.records)]
    lines += ["", "Waivers:"]
    for waiver in sums.waivers:
        drill = "DRILL " if waiver.drill else ""
        struck = "" if waiver.counts else " (struck)"
        lines.append(
            f"  {drill}{waiver.at[:16]}Z {waiver.flight}: {waiver.name} ({waiver.id}) waived {waiver.step}"
            f"{struck}: {waiver.reason}; {waiver.bound}; until {waiver.expires[:16]}Z"
        )
    if not sums.waivers:
        lines.append("  none")
    failing = [step for step in sums.steps if step.no_go]
    lines += ["", "Steps that were no-go, most often first:"]
    for step in failing[:MOST]:
        drill = "DRILL " if step.drill else ""
        lines.append(
            f"  {drill}{step.step}: {step.no_go} of {count(step.findings, 'finding')} in "
            f"{count(step.records, 'record')}, waived {count(step.waived, 'time')} ({step.checklist})"
        )
    if len(failing) > MOST:
        lines.append(f"  and {len(failing) - MOST} more; --json has them all")
    if not failing:
        lines.append("  none")
    lines += ["", "Measured quantities from flight to flight (drills left out):"]
    for quantity in sums.quantities:
        lines += _quantity(quantity)
    if not sums.quantities:
        lines.append("  none")
    return lines


def _record(one: Summary) -> str:
    where = "" if one.first_bad is None else f" at line {one.first_bad}"
    parts = [f"{'DRILL ' if one.drill else ''}{one.record}: {one.state}{where}", f"in {one.folder}"]
    if one.flight:
        parts.append(one.flight)
    if one.scrubbed:
        parts.append(f"SCRUBBED: {one.scrubbed}")
    if one.verdict is not None:
        parts.append(f"verdict {one.verdict}")
    if one.with_go is not None:
        parts.append("released with go" if one.with_go else "RELEASED WITHOUT GO")
    if one.why:
        parts.append(one.why)
    return ", ".join(parts)


def _quantity(quantity: Quantity) -> list[str]:
    from preflight.report.words import with_unit

    lines = [f"  {quantity.name}"]
    hidden = len(quantity.points) - MOST
    if hidden > 0:
        lines.append(f"    the last {MOST} of {len(quantity.points)}; --json has them all")
    for point in quantity.points[-MOST:]:
        value = with_unit(point.value, quantity.unit, point.at_least, point.at_most)
        moved = ""
        if point.change is not None:
            sign = "+" if point.change >= 0 else "-"
            moved = f" ({sign}{with_unit(abs(point.change), quantity.unit)})"
        lines.append(f"    {point.at[:16]}Z {point.flight}: {value}{moved}")
    return lines
