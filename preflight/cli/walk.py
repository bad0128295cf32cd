"""`preflight walk`: the checklist of one flight on the screen."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.clean import clean

if TYPE_CHECKING:
    from preflight.tui.app import WalkApp
    from preflight.tui.looking import Looking
    from preflight.tui.remembered import Memory
    from preflight.tui.session import Session


@click.command(name="walk")
@click.argument("flight", type=click.Path(path_type=Path), metavar="FLIGHT|RECORD")
@click.option("--watch", is_flag=True, help="Only look at the record that is being written; no key, no lock.")
@click.option(
    "--logs",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where records go; logs/ beside FLIGHT.",
)
@click.option(
    "--mirror", type=click.Path(path_type=Path), metavar="DIR", help="A second copy, best on another device."
)
@click.option("--drill", is_flag=True, help="Practice: every entry and screen says DRILL.")
def command(flight: Path, watch: bool, logs: Path | None, mirror: Path | None, drill: bool) -> int:
    """Walk a flight's checklist on the screen.

    An unfinished record of the flight is offered first. Quitting loses nothing: what is entered is on disk.

    With a record's folder instead of a flight file: step through its entries and see the screen as it stood
    after each. It only reads.
    """
    if flight.is_dir() or flight.name == "record.jsonl":
        if watch or drill or logs is not None or mirror is not None:
            raise click.UsageError("A record is only looked at: no option goes with it.")
        return _replay(flight)
    if watch:
        return _run(_looking(flight, logs))
    return run_walk(flight, logs=logs, mirror=mirror, drill=drill)


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
    _need_terminal()
    with _first_words(flight):
        session = _opened(flight, logs, mirror, drill, keys)
    return _run(session, record)


def _opened(flight: Path, logs: Path | None, mirror: Path | None, drill: bool, keys: Path | None) -> Session:
    import preflight.tui.app  # noqa: F401 - the screen's own modules, while the words below stand
    from preflight.clock import SystemClock
    from preflight.tui.session import Session
    from preflight.walk.opening import Sources

    return Session(
        Sources.beside(flight),
        folder=flight.absolute().parent,
        logs=logs if logs is not None else flight.parent / "logs",
        clock=SystemClock(),
        keys=keys,
        mirror=mirror,
        drill=drill,
    )


@contextlib.contextmanager
def _first_words(flight: Path) -> Iterator[None]:
    """Say at once what is being opened: the screens and the units take a good part of a second to load."""
    name = clean(flight.name, limit=24)
    click.echo(f"preflight: opening {name} …", nl=False)
    try:
        yield
    finally:
        click.echo(f"\r{' ' * (21 + 2 * len(name))}\r", nl=False)  # a character may be two cells wide


def _looking(flight: Path, logs: Path | None) -> Looking:
    _need_terminal()
    from preflight.clock import SystemClock
    from preflight.errors import RecordError
    from preflight.tui.found_records import newest
    from preflight.tui.looking import Looking
    from preflight.walk.opening import Sources

    folder = logs if logs is not None else flight.parent / "logs"
    record = newest(folder, Sources.beside(flight))
    if record is None:
        raise RecordError(
            f"{folder}: no record of this flight to look at; begin one with: preflight walk {flight}"
        )
    return Looking(record, folder=flight.absolute().parent, clock=SystemClock())


def _replay(record: Path) -> int:
    folder = record if record.is_dir() else record.parent
    if not (folder / "record.jsonl").is_file():
        from preflight.errors import PreflightError

        raise PreflightError(f"{folder} holds no record: give a flight file, or a record's folder of logs/")
    _need_terminal()
    from preflight.tui.remembered import Memory, default_path
    from preflight.tui.replay.screen import ReplayApp

    memory = Memory(default_path())
    app = ReplayApp(folder, memory=memory)
    return _show(app, app.replaying, memory)


def _run(session: Session | Looking, record: Path | None = None) -> int:
    from preflight.tui.app import WalkApp
    from preflight.tui.remembered import Memory, default_path

    memory = Memory(default_path())
    return _show(WalkApp(session, memory=memory, record=record), session, memory)


def _show(app: WalkApp, session: Session | Looking, memory: Memory) -> int:
    # With these set the screen would keep their size when its window becomes another.
    for name in ("COLUMNS", "LINES"):
        os.environ.pop(name, None)
    app.ended = ended = threading.Event()
    try:
        code = app.run()
    finally:
        ended.set()
        session.shut()
        memory.settle()
    if app.fault is not None:
        raise app.fault
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
    from preflight.tui.nearby import flight_here

    if len(flights) == 1 and not flight_here(flights[0]).problems:
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
    from preflight.clock import SystemClock
    from preflight.record.folder import read
    from preflight.tui.session import Session
    from preflight.walk.opening import Sources

    record = record.absolute()
    session = Session(
        Sources.kept(read(record)), folder=record.parent.parent, logs=record.parent, clock=SystemClock()
    )
    return _run(session, record)


def flight_files(folder: Path) -> list[Path]:
    """TOML files here that are flight files by their [flight] table, broken ones included."""
    found = []
    for path in sorted(folder.glob("*.toml")):
        try:
            head = path.read_bytes()[: 1 << 20]
        except OSError:
            continue
        if any(line.strip() == b"[flight]" or line.startswith(b"[flight]") for line in head.splitlines()):
            found.append(path)
    return found


def _listed(folder: Path, flights: list[Path]) -> str:
    if not flights:
        return (
            f"No flight file in {folder}. To start one: preflight new DIR. To see the whole job: "
            "preflight demo. All commands: preflight --help"
        )
    return "\n".join(["Flight files here:", *(f"  preflight walk {path.name}" for path in flights)])
