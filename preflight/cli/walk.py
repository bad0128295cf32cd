"""`preflight walk`: the checklist of one flight on the screen."""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.cli.files import NAMED

if TYPE_CHECKING:
    from preflight.tui.app import Opened, WalkApp


@click.command(name="walk")
@click.argument("flight", type=NAMED, metavar="FLIGHT|RECORD")
@click.option("--watch", is_flag=True, help="Only look at the record that is being written; no key, no lock.")
@click.option(
    "--logs",
    type=NAMED,
    metavar="DIR",
    help="Where records go; logs/ beside FLIGHT.",
)
@click.option("--mirror", type=NAMED, metavar="DIR", help="A second copy, best on another device.")
@click.option(
    "--keys", type=NAMED, metavar="DIR", help="Where private keys lie. [default: this user's data folder]"
)
@click.option("--drill", is_flag=True, help="Practice: every entry and screen says DRILL.")
def command(
    flight: Path, *, watch: bool, logs: Path | None, mirror: Path | None, keys: Path | None, drill: bool
) -> int:
    """Walk a flight's checklist on the screen.

    An unfinished record of the flight is offered first. Quitting loses nothing: what is entered is on disk.

    With a record's folder instead of a flight file: step through its entries and see the screen as it stood
    after each. It only reads.
    """
    if flight.is_dir() or flight.name == "record.jsonl":
        if watch:
            raise click.UsageError("To watch, give the flight file: preflight walk --watch FLIGHT")
        if drill or logs is not None or mirror is not None or keys is not None:
            raise click.UsageError("A record is only looked at: no option goes with it.")
        return _replay(flight)
    if watch:
        return _run(lambda app: _look(flight, logs, app), f"Opening {flight.name}")
    _refuse_demo(flight.absolute().parent)
    return run_walk(flight, logs=logs, mirror=mirror, drill=drill, keys=keys)


def _refuse_demo(folder: Path) -> None:
    """The demo's flight is flown with the demo's own keys and payload, and always as a drill."""
    from preflight.errors import PreflightError
    from preflight.practice.written import is_demo

    if is_demo(folder):
        raise PreflightError(
            f"{folder} is the demo's folder, and its payload is simulated: go on with it by "
            f"{shlex.join(['preflight', 'demo', '--dir', str(folder)])}"
        )


def run_walk(
    flight: Path,
    *,
    logs: Path | None = None,
    mirror: Path | None = None,
    drill: bool = False,
    keys: Path | None = None,
    record: Path | None = None,
) -> int:
    """Open the screen on one flight file; its exit code. Raises PreflightError for what can't be opened.

    `record` is the folder of the unfinished record to point at first.
    """

    def opener(app: WalkApp) -> Opened:
        from preflight.clock import SystemClock
        from preflight.tui import openers
        from preflight.tui.session import Session
        from preflight.walk.opening import Sources

        session = Session(
            Sources.beside(flight),
            folder=flight.absolute().parent,
            logs=logs if logs is not None else flight.parent / "logs",
            clock=SystemClock(),
            keys=keys,
            mirror=mirror,
            drill=drill,
        )
        return openers.walk(session, app, record=record)

    return _run(opener, f"Opening {flight.name}")


def _look(flight: Path, logs: Path | None, app: WalkApp) -> Opened:
    from preflight.clock import SystemClock
    from preflight.errors import RecordError
    from preflight.tui import openers
    from preflight.tui.found_records import newest
    from preflight.tui.looking import Looking
    from preflight.walk.opening import Sources

    folder = logs if logs is not None else flight.parent / "logs"
    record = newest(folder, Sources.beside(flight))
    if record is None:
        raise RecordError(
            f"{folder}: no record of this flight to look at; begin one with: preflight walk {flight}"
        )
    return openers.walk(Looking(record, folder=flight.absolute().parent, clock=SystemClock()), app)


def _replay(record: Path) -> int:
    folder = record if record.is_dir() else record.parent
    if not (folder / "record.jsonl").is_file():
        from preflight.errors import PreflightError

        own = folder / "flight.toml"
        here = f" ({own})" if own.is_file() else ""
        raise PreflightError(
            f"{folder} holds no record: give a flight file{here}, or a record's folder of logs/"
        )

    def opener(app: WalkApp) -> Opened:
        from preflight.tui import openers

        return openers.replay(folder, app)

    return _run(opener, f"Reading and verifying {folder.absolute().name}")


def _run(opener: Callable[[WalkApp], Opened], what: str) -> int:
    _need_terminal()
    from preflight.tui.app import WalkApp
    from preflight.tui.remembered import Memory, default_path

    # With these set the screen would keep their size when its window becomes another.
    for variable in ("COLUMNS", "LINES"):
        os.environ.pop(variable, None)
    memory = Memory(default_path())
    app = WalkApp(opener, what, memory=memory)
    app.ended = ended = threading.Event()
    try:
        code = app.run()
    finally:
        ended.set()
        app.shut()
        memory.settle()
    if (error := app.fault or app.refused) is not None:
        raise error
    return code if isinstance(code, int) else 0


def _need_terminal() -> None:
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        from preflight.errors import PreflightError

        raise PreflightError(
            "the screen needs a terminal; without one: preflight check FLIGHT, or preflight demo --auto"
        )


def open_here(folder: Path) -> int:
    """Open the walk for the flight file in `folder`, choose among several, or offer the demo."""
    flights = flight_files(folder)
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        click.echo(_listed(folder, flights))
        return 0
    _refuse_demo(folder)
    if len(flights) == 1:
        from preflight.config.problems import BadFile

        with contextlib.suppress(BadFile):  # what is wrong stands under the file's name below
            return run_walk(flights[0])
    from preflight.clock import SystemClock
    from preflight.tui.opening import Opened, OpeningApp
    from preflight.tui.remembered import Memory, default_path

    memory = Memory(default_path())
    app = OpeningApp(folder, flights, clock=SystemClock(), memory=memory)
    chosen = app.run()
    memory.settle()
    if app.fault is not None:
        raise app.fault
    if chosen is None:
        return 0
    if isinstance(chosen, Opened):
        if chosen.flight is None:
            assert chosen.record is not None
            return _run_record(chosen.record)
        return run_walk(chosen.flight, record=chosen.record)
    from preflight.cli.demo import command as demo

    result = demo.main(args=[], standalone_mode=False)
    return result if isinstance(result, int) else 0


def _run_record(record: Path) -> int:
    """Open the screen on a record with the files that it keeps, where its flight file is not there."""
    record = record.absolute()

    def opener(app: WalkApp) -> Opened:
        from preflight.clock import SystemClock
        from preflight.record.folder import read
        from preflight.tui import openers
        from preflight.tui.session import Session
        from preflight.walk.opening import Sources

        sources = Sources.kept(read(record))
        session = Session(sources, folder=record.parent.parent, logs=record.parent, clock=SystemClock())
        return openers.walk(session, app, record=record)

    return _run(opener, f"Opening {record.name}")


def flight_files(folder: Path) -> list[Path]:
    """TOML files here that are flight files by their [flight] table, broken ones included."""
    found = []
    for path in sorted(folder.glob("*.toml")):
        try:
            head = path.read_bytes()[: 1 << 20]
        except OSError:
            continue
        if re.search(rb"^(?:\xef\xbb\xbf)?\s*\[\[?\s*flight\b", head, re.MULTILINE):
            found.append(path)
    return found


def _listed(folder: Path, flights: list[Path]) -> str:
    if not flights:
        return (
            f"No flight file in {folder}. To start one: preflight new DIR. To see the whole job: "
            "preflight demo. All commands: preflight --help"
        )
    return "\n".join(["Flight files here:", *(f"  preflight walk {path.name}" for path in flights)])
