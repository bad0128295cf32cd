"""`preflight verify`: is a record as it was signed, and whom does saying so trust?"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from preflight.clean import clean
from preflight.cli.files import NAMED
from preflight.cli.working import working
from preflight.errors import RecordError

if TYPE_CHECKING:
    from preflight.report.copies import Copies
    from preflight.walk.proof import Proof

    Results = dict[Path, Proof | str]

EXITS = {"sealed": 0, "anchored": 0, "bad": 1, "unsealed": 3}
BAD_INPUT = 2
WORST_FIRST = (BAD_INPUT, 1, 3, 0)


@click.command(name="verify", short_help="Verify records.")
@click.argument("records", nargs=-1, required=True, type=NAMED, metavar="RECORD...")
@click.option(
    "--roster",
    type=NAMED,
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
    the worst of 2, 1, 3, 0. Copies of one record that contradict each other are bad. A text file among the
    folders that is clearly no record, such as a README, is told and passed over.
    """
    from preflight.cli.passed_over import clearly_no_record
    from preflight.record.seal import parse_code
    from preflight.walk.proof import roster_from

    if code is not None:
        if len(records) > 1:
            raise click.UsageError("--code is of one record; give one RECORD")
        code = parse_code(code)
    believed = None if roster is None else roster_from(roster)
    results: Results = {}
    passed = [path for path in records if len(records) > 1 and clearly_no_record(path)]
    for path in records:
        try:
            if path in passed:
                _complain(f"{_named(path)} is a text file and no record: passed over")
                continue
            with working(f"Proving {clean(path.name, limit=60)}"):
                results[path] = _look_at(path, believed, code)
        except RecordError as error:
            why = f"{clean(str(error))}{_records_below(path)}"
            results[path] = why
            _complain(why)
    if not results:
        _complain("nothing was verified: name the folder of a record")
    copies = _copies(results)
    if as_json:
        _print_json(records, results, copies, passed)
    else:
        _print(results, copies)
    codes = [BAD_INPUT if isinstance(r, str) else EXITS[r.found.state] for r in results.values()]
    codes += [EXITS["bad"] for one in copies if one.contradict]
    ctx.exit(next((code for code in WORST_FIRST if code in codes), BAD_INPUT))


def _complain(sentence: str) -> None:
    click.echo(f"preflight: {sentence}", err=True)


def _records_below(path: Path) -> str:
    """What to do instead with a folder that holds records and is none."""
    from preflight.record.scan import RECORD

    if not os.access(path, os.R_OK | os.X_OK) or not any(path.glob(f"*/{RECORD}")):
        return ""
    return f"; for all records below it: preflight audit {_named(path)}"


def _named(path: Path) -> str:
    return clean(str(path), limit=300)


def _copies(results: Results) -> tuple[Copies, ...]:
    from preflight.report.copies import Given, copies_of

    places = {_folder_of(path): path for path in reversed(results)}  # one folder named twice is no copy
    return copies_of(
        Given(
            folder=_named(path),
            record=proof.found.record,
            state=proof.found.state,
            first_bad=proof.found.first_bad,
            hashes=proof.found.hashes,
        )
        for path, proof in results.items()
        if not isinstance(proof, str) and places[_folder_of(path)] == path
    )


def _print(results: Results, copies: Sequence[Copies]) -> None:
    from preflight.report.copies import copy_lines

    blocks = [_text(path, proof) for path, proof in results.items() if not isinstance(proof, str)]
    if copies:
        blocks.append("\n".join(copy_lines(copies)))
    if blocks:
        click.echo("\n\n".join(blocks))


def _look_at(path: Path, roster: Any, code: str | None) -> Proof:
    from preflight.walk.proof import prove

    return prove(_folder_of(path), roster=roster, code=code)


def _folder_of(path: Path) -> Path:
    from preflight.record.scan import RECORD

    return Path(os.path.realpath(path.parent if path.name == RECORD else path))


def _scrubbed(proof: Proof) -> str | None:
    """Why the attempt was given up; None if it was not, or that can't be believed."""
    scrub = None if proof.audit is None or proof.audit.state is None else proof.audit.state.scrubbed
    return None if scrub is None else clean(scrub.data.reason)


def _released(proof: Proof) -> str:
    """When the balloon left on a go verdict; "" if it did not: a release off go is among the notes."""
    release = None if proof.audit is None or proof.audit.state is None else proof.audit.state.released
    if release is None or not release.data.with_go:
        return ""
    return f"released with go at {clean(release.data.released)}"


def _text(path: Path, proof: Proof) -> str:
    from preflight.walk.proof import TRUSTED

    found, scrubbed = proof.found, _scrubbed(proof)

    state = found.state if found.first_bad is None else f"{found.state} at line {found.first_bad}"
    state += ", FORK" if found.fork else ""
    lines = [f"{'DRILL ' if found.drill else ''}{found.record}: {state}, in {_named(path)}"]
    if found.why:
        lines.append(f"  {found.why}")
    if scrubbed is not None:
        lines.append(f"  SCRUBBED: {scrubbed}")
    if found.verdict is not None:
        lines.append(f"  verdict {found.verdict}")
    elif any("NOT JUDGED" in note for note in found.warnings):
        lines.append("  verdict not judged: see the note below")
    if released := _released(proof):
        lines.append(f"  {released}")
    if found.signers:
        lines.append(f"  {TRUSTED[found.trust]}")
    for person in found.signers:
        lines.append(f"  {person.name} ({person.id}; {', '.join(person.roles)})  {person.fingerprint}")
        lines.append(f"    {'; '.join(clean(meaning) for meaning in person.meanings)}")
    lines += [f"  note: {warning}" for warning in found.warnings]
    return "\n".join(lines)


def _print_json(
    records: Sequence[Path], results: Results, copies: Sequence[Copies], passed: Sequence[Path]
) -> None:
    import msgspec

    shown = [_object(path, result) for path, result in results.items()]
    several = {
        "records": shown,
        "copies": [one.to_json() for one in copies],
        "passed_over": [_named(path) for path in passed],
    }
    click.echo(msgspec.json.encode(shown[0] if len(records) == 1 else several))


def _object(path: Path, result: Proof | str) -> dict[str, Any]:
    if isinstance(result, str):
        empty = dict.fromkeys(("state", "trust", "first_bad", "verdict", "drill", "fork", "scrubbed"))
        unread = {"signers": [], "why": result, "warnings": [], "folder": _named(path)}
        return {"record": _named(path), **empty, **unread}
    found = result.found
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
        "scrubbed": _scrubbed(result),
        "warnings": list(found.warnings),
        "folder": _named(path),
    }
