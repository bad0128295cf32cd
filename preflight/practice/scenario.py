"""The demo's folder: an invented flight with everything it needs, real files all of them.

Crew, flight, numbers and passphrases are made up; nothing in the folder is secret.
"""

from __future__ import annotations

import re
import secrets
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from preflight.config.load import flattened_checklist
from preflight.config.shipped import shipped_file
from preflight.errors import PreflightError
from preflight.practice.card_image import PARTITION_START, SECTOR
from preflight.practice.scenario_files import CHECKLIST, flight_text, winds_text
from preflight.practice.written import FIRST_LINE, NOTE, Written

FOLDER = "preflight-demo"
MARK = NOTE
PASSPHRASE = "demo"  # noqa: S105 - shown to everyone: it guards nothing
LAPTOP = "laptop"
CARD_SIZE = 128 * 1024 * 1024
LABEL = "PETREL"
LEAD = timedelta(hours=3)
"""From the start of the demo to the planned release."""

_ROUNDS = 4  # of the passphrase's stretching: few, as these passphrases guard nothing


@dataclass(frozen=True)
class Member:
    """One of the invented crew."""

    id: str
    name: str
    roles: tuple[str, ...]


CREW = (
    Member("mika", "Mika Tern", ("director",)),
    Member("sol", "Sol Dunlin", ("payload",)),
    Member("noor", "Noor Plover", ("tracking",)),
    Member("jo", "Jo Egret", ("safety",)),
)


@dataclass(frozen=True)
class Demo:
    """A demo folder that is ready; `reused` says whether it was one before."""

    folder: Path
    reused: bool

    @property
    def flight_file(self) -> Path:
        return self.folder / "flight.toml"

    @property
    def roster(self) -> Path:
        return self.folder / "allowed_signers"

    @property
    def keys(self) -> Path:
        return self.folder / "keys"

    @property
    def logs(self) -> Path:
        return self.folder / "logs"

    @property
    def card(self) -> Path:
        return self.folder / "card.img"

    @property
    def payload(self) -> Path:
        """Where the simulated payload keeps its lines while it runs."""
        return self.folder / "payload"

    def card_to_reader(self, logs: Mapping[str, bytes]) -> None:
        """The logger's files appear on the card image; one that a user put in its place is left alone."""
        volume = PARTITION_START * SECTOR
        with self.card.open("rb") as image:
            image.seek(volume)
            boot = image.read(SECTOR)
        label = boot[71:82].decode("latin-1").rstrip()
        if label != LABEL or self.card.stat().st_size != CARD_SIZE:
            return
        _card(self.card, datetime.now(UTC), int.from_bytes(boot[67:71], "little"), logs)


def prepare(folder: Path, now: datetime) -> Demo:
    """Make the demo folder, or take up one that is there: only its times are set anew.

    `now` is any aware time. Raises PreflightError for a folder that holds something else, or where it can't
    be written.
    """
    demo = Demo(folder, reused=_is_demo(folder))
    release = _round_up(now.astimezone(UTC) + LEAD)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        written = Written(folder)
        _dated(written, demo.flight_file.name, r"^release = .*$", f"release = {_utc(release)}", flight_text)
        _dated(written, "winds.csv", r"^# valid_at = .*$", f"# valid_at = {_utc(release)}", winds_text)
        written.renew(CHECKLIST, shipped_file(CHECKLIST).read_text("utf-8"))
        if written.is_ours(CHECKLIST, (folder / CHECKLIST).read_text("utf-8")):
            # A record keeps it put together with the files that it takes in.
            written.remember(CHECKLIST, flattened_checklist(folder / CHECKLIST).decode())
        written.renew(MARK, _note(_utc(release)))
        demo.logs.mkdir(exist_ok=True)
        _keys(demo, written)
        if not demo.card.exists():
            _card(demo.card, now, secrets.randbits(32), {})
    except OSError as error:
        where = error.filename or folder
        raise PreflightError(
            f"{where}: {error.strerror or error}; choose another folder with --dir"
        ) from error
    return demo


def _is_demo(folder: Path) -> bool:
    if not folder.exists():
        return False
    try:
        if (folder / MARK).is_file():
            first = (folder / MARK).read_text("utf-8", "replace").splitlines()[:1]
            if first == [FIRST_LINE]:
                return True
        if folder.is_dir() and not any(folder.iterdir()):
            return False
    except OSError as error:
        raise PreflightError(f"{folder}: {error.strerror or error}; choose another with --dir") from error
    raise PreflightError(
        f"{folder} is there and was not written by the demo: it is left alone. Choose another with --dir"
    )


def _round_up(at: datetime) -> datetime:
    """To the next five minutes: a release is planned, not computed."""
    past = timedelta(minutes=at.minute % 5, seconds=at.second, microseconds=at.microsecond)
    return at - past + timedelta(minutes=5)


def _utc(at: datetime) -> str:
    return f"{at:%Y-%m-%dT%H:%M:%SZ}"


def _dated(written: Written, name: str, line: str, now: str, make: Callable[[str], str]) -> None:
    """A file with a line that is set at every start; whatever else a user changed in it stays."""

    def set_anew(text: str) -> str:
        dated = re.sub(line, now, text, count=1, flags=re.MULTILINE)
        if dated == make(now):  # written by the demo before it remembered what it wrote
            written.remember(name, text)
            written.remember(name, dated)
        return dated

    written.renew(name, make(now), set_anew)


def _keys(demo: Demo, written: Written) -> None:
    from preflight.record.keys import make_key
    from preflight.record.roster import INSTRUMENT, Person, Roster

    files = [demo.keys / name for name in (*(member.id for member in CREW), LAPTOP)]
    if demo.roster.exists() and all(path.exists() for path in files):
        return
    if demo.roster.exists() and not written.is_ours(demo.roster.name, demo.roster.read_text("utf-8")):
        raise PreflightError(
            f"{demo.roster} was changed and a key in {demo.keys} is gone, so that neither fits the other: "
            "put the key back, or take both away, then they are made anew"
        )
    for path in files:
        path.unlink(missing_ok=True)
    people = [
        Person(
            id=member.id,
            name=member.name,
            roles=member.roles,
            key=make_key(demo.keys, member.id, PASSPHRASE, rounds=_ROUNDS),
        )
        for member in CREW
    ]
    laptop = Person(
        id=LAPTOP, name="Field laptop", roles=(INSTRUMENT,), key=make_key(demo.keys, LAPTOP, None)
    )
    written.write(demo.roster.name, Roster([*people, laptop]).to_text())


def _card(path: Path, now: datetime, serial: int, logs: Mapping[str, bytes]) -> None:
    from preflight.practice.card_image import make_card

    old = "".join(f"{n},{992.6 - n / 50:.1f},{9.0 - n / 90:.1f}\r\n" for n in range(1, 901)).encode()
    make_card(
        path,
        size=CARD_SIZE,
        label=LABEL,
        serial=serial,
        files={"LOG001.TXT": old[:6000], "LOG002.TXT": old, **logs},
        written=(now - timedelta(days=9)).replace(tzinfo=None),
    )


def _note(release: str) -> str:
    from preflight.config.load import parse_checklist, parse_flight
    from preflight.practice.invented import what_to_type

    people = "\n".join(
        f'  {number}  {m.name:<12} {m.id:<6} {", ".join(m.roles):<10} passphrase "{PASSPHRASE}"'
        for number, m in enumerate(CREW, 1)
    )
    flight = parse_flight(flight_text(f"release = {release}").encode(), "flight.toml")
    checklist = parse_checklist(flattened_checklist(shipped_file(CHECKLIST)), CHECKLIST)
    typed = "\n".join(
        line
        for step, what in what_to_type(checklist, flight)
        for line in textwrap.wrap(f"  {step:<22} {what}", 108, subsequent_indent=" " * 25)
    )
    return f"""{FIRST_LINE}

Run `preflight demo` again where you ran it first: it goes on with this folder, so you may change its files
and see what comes of it: a file that you changed is kept as you left it, but for the planned release, which
is set anew each time. For a fresh start delete the folder.

The crew, all of them invented, as are their keys and passphrases (nothing here is secret):
{people}
The laptop signs what its instruments find with a key of its own, without a passphrase.

What to type, as there is no scale, voltmeter, wind gauge or authority here. Every other step takes no value:
Enter runs its check, or your number and Enter confirm it.
{typed}
"x" says that a step does not apply: what would write to the card is not run, as the card is an image file.

To practise a fault, plant it: `preflight demo --fault silent`; `preflight demo --help` lists them all.

flight.toml        the flight file: everything declared about the flight
{CHECKLIST}  the checklist
allowed_signers    the roster: whose signature counts, and for what
keys/              the crew's keys and the laptop's own
card.img           the logger's card, a real FAT32 image
winds.csv          the wind table
payload/           the simulated payload's serial lines and what is heard of its beacon, while it runs
logs/              the records, one folder each; they are drills and say so
.written.json      what the demo itself wrote, so that it writes nothing else over
"""
