"""`preflight verify`: is a record as it was signed, and whom does saying so trust?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from preflight.clean import clean
from preflight.cli.working import working
from preflight.errors import RecordError
from preflight.record.verify import Verification

EXITS = {"sealed": 0, "anchored": 0, "bad": 1, "unsealed": 3}
BAD_INPUT = 2
WORST_FIRST = (BAD_INPUT, 1, 3, 0)


@click.command(name="verify", short_help="Verify records.")
@click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORD...")
@click.option(
    "--roster",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="An allowed_signers file got elsewhere: then names are believed.",
)
@click.option(
    "--code", metavar="CODE", help="The seal code got elsewhere: then nobody can have rewritten it."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_context
def command(
    ctx: click.Context, records: tuple[Path, ...], roster: Path | None, code: str | None, as_json: bool
) -> None:
    """Verify records, each a folder of logs/.

    Exits 0 if all are sealed or anchored, 1 if one is bad, 3 if one is unsealed, 2 for bad input; of several
    the worst of 2, 1, 3, 0.
    """
    from preflight.record.seal import parse_code
    from preflight.walk.proof import roster_from

    if code is not None:
        if len(records) > 1:
            raise click.UsageError("--code is of one record; give one RECORD")
        code = parse_code(code)
    believed = None if roster is None else roster_from(roster)
    results: list[Verification | str] = []
    for path in records:
        try:
            with working(f"Proving {clean(path.name, limit=60)}"):
                results.append(_look_at(path, believed, code))
        except RecordError as error:
            results.append(clean(str(error)))
            click.echo(f"preflight: {clean(str(error))}", err=True)
    if as_json:
        _print_json(records, results)
    elif verified := [_text(r) for r in results if isinstance(r, Verification)]:
        click.echo("\n\n".join(verified))
    codes = [EXITS[r.state] if isinstance(r, Verification) else BAD_INPUT for r in results]
    ctx.exit(next(code for code in WORST_FIRST if code in codes))


def _look_at(path: Path, roster: Any, code: str | None) -> Verification:
    from preflight.record.scan import RECORD
    from preflight.walk.proof import prove

    folder = path.parent if path.name == RECORD else path
    return prove(folder.resolve(), roster=roster, code=code).found


def _text(found: Verification) -> str:
    from preflight.walk.proof import TRUSTED

    state = found.state if found.first_bad is None else f"{found.state} at line {found.first_bad}"
    state += ", FORK" if found.fork else ""
    lines = [f"{'DRILL ' if found.drill else ''}{found.record}: {state}"]
    if found.why:
        lines.append(f"  {found.why}")
    if found.verdict is not None:
        lines.append(f"  verdict {found.verdict}")
    elif any("NOT JUDGED" in note for note in found.warnings):
        lines.append("  verdict not judged: see the note below")
    if found.signers:
        lines.append(f"  {TRUSTED[found.trust]}")
    for person in found.signers:
        lines.append(f"  {person.name} ({person.id}; {', '.join(person.roles)})  {person.fingerprint}")
        lines.append(f"    {'; '.join(clean(meaning) for meaning in person.meanings)}")
    lines += [f"  note: {warning}" for warning in found.warnings]
    return "\n".join(lines)


def _print_json(paths: Sequence[Path], results: Sequence[Verification | str]) -> None:
    import msgspec

    shown = [_object(path, found) for path, found in zip(paths, results, strict=True)]
    click.echo(msgspec.json.encode(shown[0] if len(shown) == 1 else {"records": shown}))


def _object(path: Path, found: Verification | str) -> dict[str, Any]:
    if isinstance(found, str):
        empty = dict.fromkeys(("state", "trust", "first_bad", "verdict", "drill", "fork"))
        return {"record": clean(str(path)), **empty, "signers": [], "why": found, "warnings": []}
    return {
        "record": found.record,
        "state": found.state,
        "trust": found.trust,
        "signers": [
            {
                "id": person.id,
                "name": person.name,
                "fingerprint": person.fingerprint,
                "roles": list(person.roles),
                "meanings": list(person.meanings),
            }
            for person in found.signers
        ],
        "first_bad": found.first_bad,
        "why": found.why,
        "verdict": found.verdict,
        "drill": found.drill,
        "fork": found.fork,
        "warnings": list(found.warnings),
    }
