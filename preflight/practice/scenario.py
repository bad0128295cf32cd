"""The demo's folder: an invented flight with everything it needs, real files all of them.

Crew, flight, numbers and passphrases are made up; nothing in the folder is secret.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from preflight.config.shipped import shipped_file
from preflight.errors import PreflightError
from preflight.practice.faults import SAMPLE_FIELDS
from preflight.practice.payload import Ground
from preflight.practice.simulate import EXCHANGES, LEAVE

if TYPE_CHECKING:
    from preflight.config.flight import Exchange, Leave, SampleField

FOLDER = "preflight-demo"
MARK = "DEMO.txt"
FIRST_LINE = "This folder was written by `preflight demo`. Everything in it is invented."
PASSPHRASE = "demo"  # noqa: S105 - shown to everyone: it guards nothing
LAPTOP = "laptop"
RATE, BAUD = 5.0, 38400
GROUND = Ground()
VOLTMETER = {"battery.open_voltage": 8.29}
"""What the invented crew reads off and types for a check, by reading name in that name's unit."""
CHECKLIST = "latex-flight.toml"
CARD_SIZE = 128 * 1024 * 1024
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


def prepare(folder: Path, now: datetime) -> Demo:
    """Make the demo folder, or take up one that is there: only its times are set anew.

    `now` is any aware time. Raises PreflightError for a folder that holds something else, or where it can't
    be written.
    """
    demo = Demo(folder, reused=_is_demo(folder))
    release = _round_up(now.astimezone(UTC) + LEAD)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _write(folder / MARK, _note())
        demo.logs.mkdir(exist_ok=True)
        _keys(demo)
        _unless_there(folder / CHECKLIST, shipped_file(CHECKLIST).read_text("utf-8"))
        _dated(demo.flight_file, r"^release = .*$", f"release = {_utc(release)}", _flight)
        _dated(folder / "winds.csv", r"^# valid_at = .*$", f"# valid_at = {_utc(release)}", _winds)
        if not demo.card.exists():
            _card(demo.card, now)
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


def _write(path: Path, text: str) -> None:
    path.write_text(text, "utf-8", newline="\n")


def _unless_there(path: Path, text: str) -> None:
    if not path.exists():
        _write(path, text)


def _dated(path: Path, line: str, now: str, make: Callable[[str], str]) -> None:
    """A file with a line that is set at every start; whatever else a user changed in it stays."""
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError:
        _write(path, make(now))
        return
    _write(path, re.sub(line, now, text, count=1, flags=re.MULTILINE))


def _keys(demo: Demo) -> None:
    from preflight.record.keys import make_key
    from preflight.record.roster import INSTRUMENT, Person, Roster

    files = [demo.keys / name for name in (*(member.id for member in CREW), LAPTOP)]
    if demo.roster.exists() and all(path.exists() for path in files):
        return
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
    _write(demo.roster, Roster([*people, laptop]).to_text())


def _card(path: Path, now: datetime) -> None:
    from preflight.practice.card_image import make_card

    old = "".join(f"{n},{992.6 - n / 50:.1f},{9.0 - n / 90:.1f}\r\n" for n in range(1, 901)).encode()
    make_card(
        path,
        size=CARD_SIZE,
        label="PETREL",
        serial=secrets.randbits(32),
        files={"LOG001.TXT": old[:6000], "LOG002.TXT": old},
        written=(now - timedelta(days=9)).replace(tzinfo=None),
    )


def _note() -> str:
    people = "\n".join(f"  {m.id:<6} {m.name:<12} {', '.join(m.roles)}" for m in CREW)
    return f"""{FIRST_LINE}

Run `preflight demo` again where you ran it first: it goes on with this folder, so you may change its files
and see what comes of it. The planned release is set anew each time. For a fresh start delete the folder.

The crew, each with the passphrase "{PASSPHRASE}" (nothing here is secret):
{people}

flight.toml        the flight file: everything declared about the flight
{CHECKLIST}  the checklist
allowed_signers    the roster: whose signature counts, and for what
keys/              the crew's keys and the laptop's own
card.img           the logger's card, a real FAT32 image
winds.csv          the wind table
payload/           the simulated payload's serial lines, while it runs
logs/              the records, one folder each; they are drills and say so
"""


def _winds(dated: str) -> str:
    return f"""{dated}
height [m],direction [deg],speed [m/s]
200,190,2
1500,200,4
3000,205,6
5500,215,9
9000,220,13
12000,225,14
16000,230,7
20000,240,3
26000,70,3
32000,55,5
"""


def _flight(dated: str) -> str:
    fields = "\n".join(_field(field) for field in SAMPLE_FIELDS)
    exchanges = "\n".join(_exchange("exchange", exchange) for exchange in EXCHANGES)
    leave = "\n".join(_exchange("leave", step) for step in LEAVE)
    return f"""# An invented flight for practice. Its ports are the simulated payload's, its card is an image.
[flight]
name = "Petrel 2"
{dated}
power_up = "45 min"
checklist = "{CHECKLIST}"

[site]
latitude = {GROUND.latitude}
longitude = {GROUND.longitude}
elevation = "{GROUND.elevation:g} m"
timezone = "Pacific/Auckland"
qnh = "1018 hPa"
temperature = "{GROUND.temperature:g} degC"

[balloon]
mass = "800 g"
burst_diameter = "7.0 m"
gas = "helium"
neck_lift = "2.00 kg"
drag_coefficient = 0.33

[payload]
suspension_break = "180 N"
suspension_length = "9 m"
[[payload.package]]
name = "instrument pack"
mass = "0.86 kg"
smallest_face = "220 cm^2"
[[payload.package]]
name = "beacon"
mass = "0.19 kg"
smallest_face = "60 cm^2"

[parachute]
mass = "90 g"
area = "1.1 m^2"
drag_coefficient = 0.75

[sample]
rate = "{RATE:g} Hz"
format = "delimited"
length = "64 B"
{fields}

[link]
baud = {BAUD}
framing = "8N1"
buffer = "512 B"
stall = "500 ms"

[[port]]
use = "tap"
at = "payload/tap"
level = "3.3 V"
[[port]]
use = "logger"
at = "payload/logger"
level = "3.3 V"

[logger]
formats = ["FAT16", "FAT32"]
{exchanges}
{leave}

[card]
volume = "card.img"

[battery]
chemistry = "li-ion"
series = 2
capacity = "3400 mA*h"
state = "charged"
cell_temperature = "-10 degC"
resistance = "60 mohm"
rail = "5 V"
dropout = "0.3 V"
regulator = {{ efficiency = 0.88 }}
[[battery.load]]
name = "flight computer"
current = "95 mA"
[[battery.load]]
name = "logger"
current = "60 mA"
[[battery.load]]
name = "heater"
current = "180 mA"
duty = 0.7

[beacon]
interval = "60 s"
[beacon.battery]
chemistry = "li-fes2"
series = 4
capacity = "3000 mA*h"
state = "fresh"
cell_temperature = "-20 degC"
resistance = "180 mohm"
rail = "3.0 V"
dropout = "0.2 V"
[[beacon.battery.load]]
name = "receiver and sender"
current = "110 mA"

[wind]
table = "winds.csv"

[cylinder]
water_volume = "50 L"
pressure = "200 bar"
temperature = "12 degC"

[airspace]
rules = ["cfr-101.toml", "icao-annex-2.toml"]
operator = "the practice crew"
telephone = "none, this is practice"
transponder = "none"
antenna_length = "0 m"

[recovery]
search = "4 h"
landing_elevation = "180 m"
[[recovery.keep_out]]
name = "reservoir"
latitude = -43.72
longitude = 171.55
radius = "3 km"
"""


def _field(field: SampleField) -> str:
    parts = [f'name = "{field.name}"']
    if field.unit:
        parts.append(f'unit = "{field.unit}"')
    if field.role is not None:
        parts.append(f'role = "{field.role}"')
    parts += [
        f"{key} = {value:g}"
        for key, value in (("at_least", field.at_least), ("at_most", field.at_most))
        if value is not None
    ]
    return "[[sample.field]]\n" + "\n".join(parts)


def _exchange(table: str, step: Exchange | Leave) -> str:
    assert isinstance(step.send, str)
    sent = step.send.replace("\r", "\\r")
    lines = [f"[[logger.{table}]]", f'send = "{sent}"']
    if step.expect is not None:
        lines.append(f"expect = '{step.expect}'")
    return "\n".join([*lines, f'within = "{step.within:g} s"'])
