"""`preflight verify`: is a record as it was signed, and whom does saying so trust?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from preflight.clean import clean
from preflight.errors import RecordError
from preflight.record.verify import Verification

EXITS = {"sealed": 0, "anchored": 0, "bad": 1, "unsealed": 3}
BAD_INPUT = 2
WORST_FIRST = (BAD_INPUT, 1, 3, 0)

TRUSTED = {
    "folder": "names are as this folder claims: compare the fingerprints, or give --roster",
    "roster": "names are those of the roster given",
    "code": "names are as the folder claimed when the seal code was read out",
}


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
    from preflight.record.roster import MAX_ROSTER, Roster
    from preflight.record.seal import parse_code

    if code is not None:
        if len(records) > 1:
            raise click.UsageError("--code is of one record; give one RECORD")
        code = parse_code(code)
    believed = None
    if roster is not None:
        from preflight.record.disk import read_file

        shown = clean(str(roster))
        believed = Roster.parse(read_file(roster.resolve(), shown, MAX_ROSTER), shown)
    results: list[Verification | str] = []
    for path in records:
        try:
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
    import msgspec

    from preflight.record.links import check_link, find_forks
    from preflight.record.scan import RECORD
    from preflight.record.verify import verify
    from preflight.walk.audit import recompute
    from preflight.walk.opening import CONTINUES

    folder = (path.parent if path.name == RECORD else path).resolve()
    found = verify(folder, roster=roster, code=code)
    if found.state == "bad":
        return found
    link = check_link(folder)
    if link.state == "broken":
        return msgspec.structs.replace(found, state="bad", why=link.text)
    if link.state != "absent" or link.previous is None or link.previous.why not in CONTINUES:
        audit = recompute(folder, found.entries)
        if audit.first_bad is not None:
            return msgspec.structs.replace(found, state="bad", first_bad=audit.first_bad, why=audit.why)
        found = msgspec.structs.replace(found, verdict=audit.verdict)
    else:
        link = msgspec.structs.replace(link, text=f"{link.text}: outcomes and verdict were not recomputed")
    notes = [link.text] if link.text else []
    for fork in find_forks(folder.parent):
        if folder.name in fork.records:
            notes.append(f"a fork: {', '.join(fork.records)} all follow {fork.previous}")
    return msgspec.structs.replace(found, warnings=(*found.warnings, *notes))


def _text(found: Verification) -> str:
    state = found.state if found.first_bad is None else f"{found.state} at line {found.first_bad}"
    lines = [f"{'DRILL ' if found.drill else ''}{found.record}: {state}"]
    if found.why:
        lines.append(f"  {found.why}")
    if found.verdict is not None:
        lines.append(f"  verdict {found.verdict}")
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
        empty = dict.fromkeys(("state", "trust", "first_bad", "verdict", "drill"))
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
        "warnings": list(found.warnings),
    }
