"""`preflight lint`: checks flight files, checklists and airspace rules, advises, prints their schemas."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from preflight.clean import clean
from preflight.cli.files import NAMED

if TYPE_CHECKING:
    from preflight.config.airspace import RuleSet
    from preflight.config.checklist import Checklist
    from preflight.config.flight import Flight
    from preflight.config.schema import FileKind


@click.command(name="lint")
@click.argument("files", nargs=-1, metavar="FILE...", type=NAMED)
@click.option(
    "--schema", type=click.Choice(["flight", "checklist", "airspace"]), help="Print a file's JSON Schema."
)
def command(files: tuple[Path, ...], schema: str | None) -> int:
    """Check flight files, checklists and airspace rule sets; advise on checklists.

    Every problem is one line: file, line, key, what is wrong, what to do. Exit code 2 if there is one, 0
    otherwise; advice changes nothing.
    """
    if schema is not None:
        return _print_schema(schema, files)
    if not files:
        raise click.UsageError("Name at least one file, or ask for a --schema.")
    return 2 if sum(_lint(path) for path in files) else 0


def _print_schema(schema: str, files: tuple[Path, ...]) -> int:
    from preflight.config.schema import json_schema

    if files:
        raise click.UsageError("--schema prints a schema and checks no file: leave one of the two out.")
    click.echo(json.dumps(json_schema(cast("FileKind", schema)), indent=2))
    return 0


def _lint(path: Path) -> int:
    """Check one file and say what was found; how many problems there are."""
    from preflight.config.lint import lint

    result = lint(path)
    problems = [str(problem) for problem in result.problems]
    problems = problems or [*_of_winds(path, result.file), *_of_roster(path, result.file)]
    for problem in problems:
        click.echo(problem, err=True)
    for note in result.advice:
        click.echo(f"{note} (advice)")
    if result.file is not None and not problems:
        told = _told(result.file)
        if result.parts:
            told += f" (with {', '.join(clean(part, limit=80) for part in result.parts[:-1])})"
        click.echo(f"{clean(str(path), limit=300)}: {told}, no problems")
    return len(problems)


def _of_winds(path: Path, file: Flight | Checklist | RuleSet | None) -> list[str]:
    """What is wrong in the wind table that a flight file names: `figures` and a walk would refuse it."""
    from preflight.config.flight import Flight

    if not isinstance(file, Flight) or file.wind is None:
        return []
    from preflight.config.source import read_bytes
    from preflight.figures import winds

    table = path.parent / file.wind.table
    try:
        winds.read(read_bytes(table), name=str(table))
    except winds.WindTableError as error:
        return str(error).splitlines()
    return []


def _of_roster(path: Path, file: Flight | Checklist | RuleSet | None) -> list[str]:
    """What a walk would refuse of the roster beside a flight file, once there are people on it."""
    from preflight.config.flight import Flight

    if not isinstance(file, Flight):
        return []
    from preflight.record.folder import ROSTER

    beside = path.parent / ROSTER
    if not beside.is_file():
        return []
    from preflight.config.load import load_checklist
    from preflight.config.problems import Problem
    from preflight.errors import PreflightError
    from preflight.record.disk import read_file
    from preflight.record.roster import MAX_ROSTER, Roster
    from preflight.walk import manning

    shown = str(beside)
    try:
        roster = Roster.parse(read_file(beside, shown, MAX_ROSTER), shown)
        missing = manning.unmanned(load_checklist(path.parent / file.flight.checklist), roster)
    except PreflightError as error:
        return [clean(str(error), limit=1000)]
    if not missing or not roster.people:
        return []
    message = f"nobody on this roster has the role {clean(manning.told(missing), limit=600)}"
    how = f"add somebody: {clean(manning.remedy(missing), limit=200)} --roster {clean(shown, limit=300)}"
    return [str(Problem(file=shown, line=None, key="", message=message, remedy=how))]


def _told(file: Flight | Checklist | RuleSet) -> str:
    from preflight.config.checklist import Checklist
    from preflight.config.flight import Flight

    if isinstance(file, Flight):
        return f'flight file "{clean(file.flight.name)}"'
    if isinstance(file, Checklist):
        phases, steps = len(file.phase), len(file.steps())
        told = f'checklist "{clean(file.checklist.title)}" revision {clean(file.checklist.revision)}: '
        return told + f"{phases} phase{'s' * (phases != 1)}, {steps} step{'s' * (steps != 1)}"
    cited = (*file.clause, *file.notice, *file.position, *file.item)
    second = sum(part.confidence != "read at source" for part in cited)
    return (
        f'airspace rules "{clean(file.rules.title)}": {len(cited)} passages, {second} of them not read at '
        f"source, oldest text {file.oldest}"
    )
