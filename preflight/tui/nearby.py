"""What lies around a walk before it starts: serial ports, cards, and records that can be gone on with.

Every function here may block, and is run on a thread of its own. Nothing here knows the screen library.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from preflight.checks.card import size_text
from preflight.clean import clean
from preflight.clock import Moment
from preflight.config.flight import Flight
from preflight.config.load import load_checklist, load_flight
from preflight.config.problems import BadFile
from preflight.devices.mounts import Mount, mounts
from preflight.devices.removable import Medium, medium_of
from preflight.devices.serial_line import PortInfo, list_ports
from preflight.devices.unmounted import Unmounted, unmounted
from preflight.errors import PreflightError
from preflight.tui import words
from preflight.tui.found_records import Unfinished, strays, unfinished
from preflight.walk.opening import Sources

SHOWN_PROBLEMS = 4
UNMOUNTED = "not mounted: let the system mount it"


@dataclass(frozen=True, slots=True)
class Item:
    """One line: what it is, what is known of it, and whether something that was declared is not there."""

    name: str
    about: str = ""
    missing: bool = False


@dataclass(frozen=True, slots=True)
class FoundFlight:
    """A flight file: the flight's title, what is to say of it, problems by line, records to go on with."""

    path: Path
    title: str
    about: str
    problems: tuple[str, ...] = ()
    records: tuple[Unfinished, ...] = ()
    name: str = ""


def ports_here(
    flight: Flight | None, folder: Path, found: Callable[[], tuple[PortInfo, ...]] = list_ports
) -> list[Item]:
    """The serial ports of this machine, with what the flight file uses them for, and those it misses.

    `folder` is where the flight file's relative paths start. DeviceError where the system lists no ports.
    """
    uses: dict[str, list[str]] = {}
    for port in flight.port if flight is not None else ():
        uses.setdefault(port.at, []).append(port.use)
    missing: list[Item] = []
    ours: list[Item] = []
    others: list[Item] = []
    for each in found():
        # A port may be declared by another of its names, such as one that stays the same from day to day.
        names = [at for at in uses if at == each.at or _same(folder / at, Path(each.at))]
        used = ", ".join(use for at in names for use in uses.pop(at))
        about = [used, *(f"as {clean(at, limit=200)}" for at in names if at != each.at), *_told(each)]
        (ours if names else others).append(Item(each.at, "  ".join(text for text in about if text)))
    for at, use in uses.items():
        name, used = clean(at, limit=200), ", ".join(use)
        if _is_url(at) or (folder / at).exists():
            ours.append(Item(name, used))
        else:
            missing.append(Item(name, f"{used}: not here", missing=True))
    return [*missing, *ours, *others]


def _same(one: Path, other: Path) -> bool:
    return one.exists() and one.resolve() == other.resolve()


def _told(port: PortInfo) -> list[str]:
    return [text for text in (port.description, port.hardware) if text not in ("", "n/a")][:1]


def _is_url(at: str) -> bool:
    return "://" in at and urlsplit(at).scheme != ""


def cards_here(
    flight: Flight | None,
    folder: Path,
    found: Callable[[], tuple[Mount, ...]] = mounts,
    ask: Callable[[Mount], Medium] = medium_of,
    left: Callable[[], tuple[Unmounted, ...]] = unmounted,
) -> list[Item]:
    """Volumes that can be taken out, and images that a program serves; the flight file's card first.

    Cards that are mounted nowhere come last, with how to go on.

    `folder` is where the flight file's relative paths start. DeviceError where it can't be known.
    """
    declared = flight.card.volume if flight is not None and flight.card is not None else None
    items = []
    for mount in found():
        medium = ask(mount)
        if medium.kind not in ("removable", "image"):
            continue
        about = [clean(medium.label, limit=40), size_text(medium.size) if medium.size else "", mount.kind]
        if mount.read_only:
            about.append("read-only")
        items.append(Item(clean(str(mount.point), limit=200), "  ".join(text for text in about if text)))
    for volume in left():
        label = clean(volume.label, limit=40)
        about = [label, size_text(volume.size) if volume.size else "", UNMOUNTED]
        items.append(Item(clean(str(volume.device), limit=200), "  ".join(text for text in about if text)))
    if declared is None:
        return items
    path = clean(str(folder / declared), limit=200)
    for item in items:
        if item.name == path:
            ours = Item(item.name, f"the flight file's card  {item.about}")
            return [ours, *(each for each in items if each is not item)]
    if (folder / declared).exists():
        return [Item(clean(declared, limit=200), "the flight file's card"), *items]
    return [Item(clean(declared, limit=200), "the flight file's card: not here", missing=True), *items]


def flight_here(path: Path) -> FoundFlight:
    """A flight file with its checklist, good or not; only one that is good has a `name`."""
    title, about = path.name, "has problems"
    try:
        flight = load_flight(path)
        at = flight.flight.release
        title = f"{flight.flight.name}  ({path.name})"
        about = f"release planned {at:%Y-%m-%d %H:%M %Z}".rstrip()
        load_checklist(path.parent / flight.flight.checklist)
    except BadFile as error:
        told = [_in_short(problem, path) for problem in error.problems[:SHOWN_PROBLEMS]]
        if len(error.problems) > SHOWN_PROBLEMS:
            told.append(f"and {len(error.problems) - SHOWN_PROBLEMS} more: preflight lint {path.name}")
        return FoundFlight(path, title, about, tuple(told))
    except PreflightError as error:
        return FoundFlight(path, title, about, (_in_short(error, path),))
    return FoundFlight(path, title, about, name=flight.flight.name)


def _in_short(told: object, path: Path) -> str:
    """The folder is at the head of the screen already."""
    return str(told).replace(f"{path.parent}/", "")


def records_here(path: Path, now: Moment) -> tuple[Unfinished, ...]:
    """Records beside a flight file that can be gone on with. Raises PreflightError for a bad file."""
    logs = path.parent / "logs"
    if not logs.is_dir():
        return ()
    return unfinished(logs, Sources.beside(path), now.boot)


def strays_here(folder: Path, flights: list[FoundFlight], now: Moment) -> tuple[tuple[str, Unfinished], ...]:
    """Records in `folder`/logs to go on with whose flight file is none of `flights`, or can't be read now."""
    logs = folder / "logs"
    return (
        strays(logs, frozenset(each.name for each in flights if each.name), now.boot) if logs.is_dir() else ()
    )


def record_words(record: Unfinished) -> tuple[str, str]:
    """What going on with a record is called, and what is known of it."""
    drill = ", DRILL" if record.drill else ""
    last = f"{record.last:%Y-%m-%d} {words.utc(record.last)}"
    entries = words.count(record.entries, "entry", "entries")
    if record.kind == "scrubbed":
        return (
            "Begin a new attempt after",
            f"scrubbed {last}{drill}; steps that can be taken over: {clean(record.next, limit=200)}",
        )
    if record.kind == "handover":
        return (
            "Take over from another laptop:",
            "the walk goes on in a record that follows it; the other laptop's is left as it is",
        )
    about = f"{entries}, last {last}, next: {clean(record.next, limit=60)}{drill}"
    if not record.same:
        who = "The demo wrote its files anew" if _written_anew(record) else "Files here were changed"
        about += f". {who} since: it goes on with the copies that it keeps"
    return "Go on with" if record.kind == "interrupted" else "Open the record that follows", about


def _written_anew(record: Unfinished) -> bool:
    """Whether it is the demo that wrote the files here anew, as it does at every start, and nobody else."""
    from preflight.practice.scenario_files import CHECKLIST
    from preflight.practice.written import by_the_demo_alone

    return record.drill and by_the_demo_alone(record.folder, CHECKLIST)
