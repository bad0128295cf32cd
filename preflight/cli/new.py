"""`preflight new`: a flight file, checklist and roster to start from."""

from __future__ import annotations

import contextlib
from pathlib import Path

import click

from preflight.clean import clean
from preflight.cli.files import NAMED
from preflight.errors import PreflightError

FLIGHT, CHECKLIST, ROSTER = "flight.toml", "checklist.toml", "allowed_signers"

ROSTER_TEXT = """\
# The roster: one line for each person of the crew and one for the laptop itself.
# It is an OpenSSH allowed_signers file. Add people with
#
#     preflight crew add
#
# which makes a key under the person's own passphrase and writes the line here.
"""


@click.command(name="new")
@click.argument("folder", metavar="DIR", type=NAMED)
@click.option(
    "--from",
    "record",
    metavar="RECORD",
    type=NAMED,
    help="Copy flight file, checklist and roster from a record's folder.",
)
def command(folder: Path, record: Path | None) -> int:
    """Write a flight file, a wind table, a checklist and a roster into DIR.

    Nothing that is there already is overwritten.
    """
    files, notes = _from_record(record) if record is not None else _to_start_from()
    _write(folder, files)
    for name in files:
        click.echo(f"wrote {clean(str(folder / name), limit=300)}")
    for note in notes:
        click.echo(note)
    click.echo(f"Then: preflight lint {clean(str(folder / FLIGHT), limit=300)}")
    return 0


def _to_start_from() -> tuple[dict[str, bytes], list[str]]:
    from preflight.config.load import load_flight
    from preflight.config.shipped import shipped_file
    from preflight.config.source import read_bytes

    flight = shipped_file(FLIGHT)
    declared = load_flight(flight)
    checklist = declared.flight.checklist
    assert declared.wind is not None
    winds = declared.wind.table
    files = {
        FLIGHT: read_bytes(flight),
        checklist: read_bytes(shipped_file(checklist)),
        winds: read_bytes(shipped_file(winds)),
        ROSTER: ROSTER_TEXT.encode(),
    }
    return files, [
        f"Every number in {FLIGHT} and {winds} is an invented example: put your own in their place.",
        f"[airspace] in {FLIGHT} names no State's own rules: add yours, and who calls the authority.",
    ]


def _from_record(record: Path) -> tuple[dict[str, bytes], list[str]]:
    from preflight.config.load import parse_checklist, parse_flight
    from preflight.config.source import read_bytes

    data = {name: read_bytes(record / name) for name in (FLIGHT, CHECKLIST, ROSTER)}
    flight = parse_flight(data[FLIGHT], str(record / FLIGHT))
    parse_checklist(data[CHECKLIST], str(record / CHECKLIST))
    notes = [f"Set flight.release in {FLIGHT}, and go through what has changed since that flight."]
    if flight.wind is not None:
        name = clean(flight.wind.table, limit=80)
        notes.append(f"A record holds no wind table: put a new {name} beside {FLIGHT}.")
    # The flight file goes on naming its checklist as it did.
    checklist = flight.flight.checklist
    if checklist.casefold() in (FLIGHT, ROSTER):
        where = clean(str(record / FLIGHT), limit=300)
        raise PreflightError(f"{where} calls its checklist {checklist}; give it a name of its own")
    return {FLIGHT: data[FLIGHT], checklist: data[CHECKLIST], ROSTER: data[ROSTER]}, notes


def _write(folder: Path, files: dict[str, bytes]) -> None:
    shown = clean(str(folder), limit=300)
    for name in files:
        if (folder / name).exists() or (folder / name).is_symlink():
            there = clean(str(folder / name), limit=300)
            raise PreflightError(f"{there} is there already; nothing was written, name another folder")
    written: list[Path] = []
    try:
        for name, data in files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            with (folder / name).open("xb") as file:
                written.append(folder / name)
                file.write(data)
    except (OSError, ValueError) as error:
        for path in written:  # half a checklist can be a checklist with fewer steps
            with contextlib.suppress(OSError):
                path.unlink()
        why = getattr(error, "strerror", None) or str(error)
        raise PreflightError(f"{shown}: can't write there ({why}); name another folder") from error
