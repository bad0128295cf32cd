"""`preflight lint`: checks flight files and checklists, advises on checklists, prints their schemas."""

from __future__ import annotations

import json
from pathlib import Path

import click

from preflight.clean import clean


@click.command(name="lint")
@click.argument("files", nargs=-1, metavar="FILE...", type=click.Path(path_type=Path))
@click.option("--schema", type=click.Choice(["flight", "checklist"]), help="Print a file's JSON Schema.")
def command(files: tuple[Path, ...], schema: str | None) -> int:
    """Check flight files and checklists; advise on checklists.

    Every problem is one line: file, line, key, what is wrong, what to do. Exit code 2 if there is one, 0
    otherwise; advice changes nothing.
    """
    if schema is not None:
        return _print_schema(schema, files)
    if not files:
        raise click.UsageError("Name at least one flight file or checklist, or ask for a --schema.")
    return 2 if sum(_lint(path) for path in files) else 0


def _print_schema(schema: str, files: tuple[Path, ...]) -> int:
    from preflight.config.schema import json_schema

    if files:
        raise click.UsageError("--schema prints a schema and checks no file: leave one of the two out.")
    click.echo(json.dumps(json_schema("flight" if schema == "flight" else "checklist"), indent=2))
    return 0


def _lint(path: Path) -> int:
    """Check one file and say what was found; how many problems there are."""
    from preflight.config.flight import Flight
    from preflight.config.lint import lint

    result = lint(path)
    for problem in result.problems:
        click.echo(str(problem), err=True)
    for note in result.advice:
        click.echo(f"{note} (advice)")
    if result.file is not None:
        if isinstance(result.file, Flight):
            told = f'flight file "{clean(result.file.flight.name)}"'
        else:
            head = result.file.checklist
            phases, steps = len(result.file.phase), len(result.file.steps())
            told = f'checklist "{clean(head.title)}" revision {clean(head.revision)}: '
            told += f"{phases} phase{'s' * (phases != 1)}, {steps} step{'s' * (steps != 1)}"
        click.echo(f"{clean(str(path), limit=300)}: {told}, no problems")
    return len(result.problems)
