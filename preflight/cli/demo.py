"""`preflight demo`: the whole job on a simulated payload and a real card image."""

from __future__ import annotations

import contextlib
import shlex
import shutil
import signal
import sys
import textwrap
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from preflight.cli.files import NAMED

if TYPE_CHECKING:
    from preflight.practice.crew import Done
    from preflight.practice.scenario import Demo
    from preflight.record.keys import Keyring
    from preflight.walk.acts import Walk

INTERRUPTED = 130


class _Listing(click.Command):
    """Lists the faults under its help."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        from preflight.practice.faults import FAULTS

        with formatter.section("Faults that can be planted, with the value each takes where none is given"):
            formatter.write_dl(
                [
                    (
                        fault.name + (f"={fault.default}" if fault.takes else ""),
                        fault.text + _takes(fault.takes),
                    )
                    for fault in FAULTS.values()
                ]
            )


def _takes(what: str) -> str:
    return f" ({what})" if what else ""


def _names(ctx: click.Context, option: click.Parameter, begun: str) -> list[str]:
    from preflight.practice.faults import FAULTS

    return [name for name in FAULTS if name.startswith(begun)]


@click.command(name="demo", cls=_Listing)
@click.option("--auto", is_flag=True, help="Walk by itself and print each step; so without a terminal.")
@click.option(
    "--dir",
    "folder",
    type=NAMED,
    metavar="DIR",
    help="The demo's folder; preflight-demo here unless given.",
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME[=VALUE]",
    shell_complete=_names,
    help="Plant a fault in the simulated payload, as often as wanted; the names are listed below.",
)
def command(auto: bool, folder: Path | None, faults: tuple[str, ...]) -> int:
    """The whole job on a simulated payload and a real card image.

    Makes a folder with an invented flight, starts a simulated payload on pseudo-terminals and opens the
    screen on it. With --auto, or without a terminal, a simulated crew walks the checklist and leaves a sealed
    record and the one that follows it after release; a planted fault that is no-go has it hold the count at
    the step that finds it, one that may be none (frozen, for one) is a remark there. Every record is a drill.
    """
    from preflight.clock import SystemClock
    from preflight.practice.faults import fault_values
    from preflight.practice.scenario import FOLDER, prepare
    from preflight.practice.written import alone

    planted = fault_values(faults)
    place = folder if folder is not None else Path(FOLDER)
    with alone(place):
        return _run(prepare(place, SystemClock().now().at), planted, auto)


def _run(demo: Demo, planted: dict[str, str], auto: bool) -> int:
    from preflight.errors import DeviceError
    from preflight.practice.hands import hands_on
    from preflight.practice.scenario_files import BAUD, BEACON_EVERY, GROUND, RATE
    from preflight.practice.simulate import SimulatedPayload

    _introduce(demo, planted)
    payload = SimulatedPayload(
        demo.payload, faults=planted, rate=RATE, baud=BAUD, ground=GROUND, beacon=BEACON_EVERY
    )
    try:
        payload.start()
    except DeviceError as error:
        flight = shlex.quote(str(demo.flight_file))
        raise DeviceError(
            f"{error}. What needs no payload can still be tried: preflight figures {flight}, or "
            f"preflight check {flight} --only card-space"
        ) from error
    with payload, hands_on(payload, lambda: demo.card_to_reader(payload.card_files())):
        if auto or not (sys.stdin.isatty() and sys.stdout.isatty()):
            return _walk_alone(demo)
        return _open_screen(demo)


def _introduce(demo: Demo, planted: Mapping[str, str]) -> None:
    from preflight.practice.faults import FAULTS
    from preflight.practice.scenario import CREW, MARK, PASSPHRASE

    state = "taken up as it was, its release planned anew" if demo.reused else "made"
    people = ", ".join(f"{member.name} ({', '.join(member.roles)})" for member in CREW)
    _say("DRILL: an invented flight with a simulated payload. Nothing here is advice for a real one.")
    _say(f"Folder {demo.folder}: {state}. Delete it for a fresh start.")
    _say(f"Crew: {people}.")
    _say(f'Everyone\'s passphrase is "{PASSPHRASE}": nothing in this folder is secret.')
    _say(f"What to type at which step is in {demo.folder / MARK}.")
    for name, value in planted.items():
        what = f" ({value} {FAULTS[name].takes})" if value else ""
        _say(f"Planted fault: {FAULTS[name].text}{what}.")


def _say(text: str) -> None:
    """A line for people: on a terminal no word of it is broken."""
    if sys.stdout.isatty():
        columns = shutil.get_terminal_size().columns
        text = textwrap.fill(text, columns, break_long_words=False, break_on_hyphens=False)
    click.echo(text)


# -- the screen -------------------------------------------------------------------------------------


def _open_screen(demo: Demo) -> int:
    from preflight.cli.walk import run_walk

    click.prompt("Enter opens the screen", default="", show_default=False, prompt_suffix=" ")
    before = set(demo.logs.iterdir())
    run_walk(demo.flight_file, logs=demo.logs, drill=True, keys=demo.keys)
    made = sorted(set(demo.logs.iterdir()) - before)
    click.echo("To go on with the demo:")
    click.echo(f"  {_shell(_program(), 'demo', '--dir', demo.folder)}")
    if made:
        click.echo("Verify what was recorded:")
        click.echo(f"  {_shell(_program(), 'verify', *made)}")
    return 0


# -- by itself --------------------------------------------------------------------------------------


def _walk_alone(demo: Demo) -> int:
    from preflight.clock import SystemClock
    from preflight.practice.scenario import CREW
    from preflight.walk.opening import Sources, begin, follow

    clock = SystemClock()
    sources = Sources.beside(demo.flight_file)
    keyring = _unlocked(demo, sources)
    opener = CREW[0].id
    codes: dict[Path, str] = {}
    with _stop_asked() as stopped:
        walk = begin(demo.logs, sources, keyring=keyring, person=opener, clock=clock, drill=True)
        if not _to_seal(walk, demo, stopped, codes):
            return INTERRUPTED
        if walk.ledger.book.gates:
            first = walk.recorder.folder
            click.echo("\nThe record is sealed at the release decision; what follows goes into the next one.")
            walk = follow(first, why="after-release", keyring=keyring, person=opener, clock=clock)
            if not _to_seal(walk, demo, stopped, codes):
                return INTERRUPTED
    _tell_records(codes, demo)
    return 0


def _unlocked(demo: Demo, sources: object) -> Keyring:
    """The keyring with everyone of the invented crew who is still on the roster."""
    from preflight.practice.scenario import CREW, PASSPHRASE
    from preflight.record.keys import Keyring
    from preflight.record.roster import Roster

    keyring = Keyring(demo.keys, Roster.parse(demo.roster.read_bytes(), str(demo.roster)))
    for member in CREW:
        if member.id in keyring.roster:
            keyring.unlock(member.id, PASSPHRASE)
    return keyring


def _to_seal(walk: Walk, demo: Demo, stopped: Callable[[], bool], codes: dict[Path, str]) -> bool:
    """Walk until this record is sealed; False if a stop was asked for before."""
    from preflight.practice.crew import SimulatedCrew, Stopped
    from preflight.practice.invented import TYPED
    from preflight.practice.scenario import CREW, PASSPHRASE

    folder = walk.recorder.folder
    crew = SimulatedCrew(
        walk,
        folder=demo.folder,
        passphrases=dict.fromkeys((member.id for member in CREW), PASSPHRASE),
        typed=TYPED,
        stopped=stopped,
    )
    click.echo(f"\nRecord {folder}")
    phase = ""
    with walk.recorder:
        try:
            for done in crew.run():
                if done.phase and done.phase != phase:
                    phase = done.phase
                    click.echo(f"\n{phase}")
                click.echo("\n".join(_told(done)))
        except Stopped:
            _tell_unsealed(folder)
            raise
        if walk.ledger.closed is None:
            _tell_unsealed(folder)
            click.echo("preflight: stopped", err=True)
            return False
        codes[folder] = walk.recorder.seal_code()
    return True


@contextlib.contextmanager
def _stop_asked() -> Iterator[Callable[[], bool]]:
    """Ctrl-C asks the crew to stop between two acts, so that a check puts its line back; a second ends."""
    asked = threading.Event()

    def ask(number: int, frame: FrameType | None) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked.is_set
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


# -- what is printed --------------------------------------------------------------------------------


def _told(done: Done) -> list[str]:
    """One thing done, as lines of text: outcome, readings beside their limits, who signed."""
    from preflight.clean import clean
    from preflight.cli.told import reading_text

    by = f"signed {done.signed}" if done.signed else ""
    if done.witnessed:
        by += f", witnessed {done.witnessed}"
    if not done.step:
        return [f"  {done.outcome:<6} {done.text}  [{by}]"]
    lines = [f"  {done.outcome:<6} {done.what}: {clean(done.text, limit=400)}"]
    details = [f"again: {clean(done.again, limit=400)}"] if done.again else []
    details += [f"first: {clean(done.leads, limit=400)}"] if done.leads else []
    details += [reading_text(reading) for reading in done.readings]
    details += [f"- {clean(remark, limit=1000)}" for remark in done.remarks]
    details += [f"“{clean(done.found, limit=400)}”"] if done.found else []
    details += [f"because: {clean(done.why, limit=400)}"] if done.why else []
    return lines + [f"         {detail}" for detail in [*details, by] if detail]


def _tell_records(codes: dict[Path, str], demo: Demo) -> None:
    from preflight.practice.scenario import CREW
    from preflight.record.sshsig import seal_namespace

    sealer = CREW[0].id
    click.echo("\nThe records, each a folder with everything an auditor needs:")
    for folder, code in codes.items():
        click.echo(f"  {folder}  seal code {code}")
    for folder, code in codes.items():
        click.echo(f"\nTo verify {folder.name}:")
        click.echo(f"  {_shell(_program(), 'verify', folder)}")
        click.echo(f"  {_shell(_program(), 'verify', folder, '--roster', demo.roster)}")
        click.echo(f"  {_shell(_program(), 'verify', folder, '--code', code)}")
        keygen = _shell(
            *("ssh-keygen", "-Y", "verify", "-f", folder / "allowed_signers", "-I", sealer),
            *("-n", seal_namespace(True), "-s", folder / "seals" / f"{sealer}.sig"),
        )
        click.echo(f"  {keygen} < {_shell(folder / 'record.jsonl')}")


def _tell_unsealed(folder: Path) -> None:
    click.echo("\nThe record stands as far as it goes, unsealed:")
    click.echo(f"  {_shell(_program(), 'verify', folder)}")


def _program() -> str:
    """How the tool was called: its name where that would find it, else the path that was typed."""
    called = Path(sys.argv[0])
    return "preflight" if shutil.which("preflight") or called.name != "preflight" else str(called)


def _shell(*words: str | Path) -> str:
    return shlex.join(str(word) for word in words)
