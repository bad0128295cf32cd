"""What the screens show at one moment: made off the event loop, then only read."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from preflight.clean import clean
from preflight.config.checklist import Step
from preflight.config.flight import Flight
from preflight.readings import Reading
from preflight.record.roster import Person, Roster
from preflight.tui import words
from preflight.walk.book import Book
from preflight.walk.ledger import Act
from preflight.walk.limits import Limits
from preflight.walk.state import State, StepState

if TYPE_CHECKING:
    from preflight.figures.compute import FlightFigures
    from preflight.tui.replay.session import Shown


def place_of_record(record: Path, home: Path) -> str:
    """A record's folder, from `home` (the flight file's folder) on where it lies inside it."""
    record, home = record.absolute(), home.absolute()
    return str(record.relative_to(home) if record.is_relative_to(home) else record)


@dataclass(frozen=True, slots=True)
class RecordStatus:
    """The record as it stands on disk. `failed` and `mirror_behind` are sentences, None while all is well.

    `place` is its folder as it is shown, `mirror` the folder of its second copy, "" where none is kept.
    `left` is true where nobody writes it any more although it is not sealed.
    """

    rec: str
    folder: str
    place: str
    entries: int
    on_disk: datetime
    failed: str | None = None
    mirror_behind: str | None = None
    mirror: str = ""
    left: bool = False


def never(_: datetime) -> bool:
    """No release is with go: nothing was authorised that it could rest on."""
    return False


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Everything that screens render. `record` is None before a record is begun.

    `replay` is where in a record one stands that is stepped through again. `seals` are the people whose seals
    a closed record has, `code` is its seal code, "" where it was not worked out. `with_go` says whether a
    release at a moment would be entered as one with go. `takeable` are the steps that somebody could take
    over from an earlier attempt now.
    """

    state: State
    book: Book
    flight: Flight
    measured: Mapping[str, Reading]
    acts: tuple[Act, ...]
    unlocked: tuple[str, ...]
    checklist_hash: str
    zone: ZoneInfo
    record: RecordStatus | None = None
    looking: bool = False
    sealed: bool = False
    seals: tuple[str, ...] = ()
    code: str = ""
    replay: Shown | None = None
    with_go: Callable[[datetime], bool] = never
    takeable: tuple[str, ...] = ()

    @property
    def drill(self) -> bool:
        return self.book.drill

    @property
    def title(self) -> str:
        return self.flight.flight.name

    @property
    def given_up(self) -> bool:
        """Whether the attempt was scrubbed, and the balloon did not leave all the same."""
        return self.state.scrubbed is not None and self.state.released is None

    @property
    def past(self) -> bool:
        """Whether what is shown can only be looked at: the walk is over, or it is stepped through again."""
        return self.replay is not None or self.given_up or self.state.next.kind == "none"

    @property
    def seals_due(self) -> tuple[str, ...]:
        """Who was to seal the closed record and has not yet."""
        closed = self.state.closed
        return () if closed is None else tuple(n for n in closed.data.sealers if n not in self.seals)

    def step(self, step_id: str) -> StepState:
        """The state of one step."""
        return self.state.steps[step_id]

    def waived(self, gate: str) -> tuple[str, ...]:
        """The waived steps that a gate goes with, each with who accepts it and why."""
        steps = [self.step(each.id) for phase in self.book.counted(gate) for each in phase.step]
        return tuple(
            f"{step.step.id} by {self.person(step.waiver.signer)}: {step.waiver.data.reason}"
            for step in steps
            if step.outcome == "waived" and step.waiver is not None
        )

    def person(self, person_id: str) -> str:
        """The printed name of someone on the roster."""
        return self.book.roster.find(person_id).name if person_id in self.book.roster else person_id


@dataclass(frozen=True, slots=True, eq=False)
class Extra:
    """What is computed beside the view, as it takes longer: figures, and limits of measured steps."""

    figures: FlightFigures | None = None
    limits: Mapping[str, Limits] | None = None

    def limits_of(self, step: Step) -> Limits:
        """The limits in force of a measured step, in its unit."""
        return (self.limits or {}).get(step.id, (None, None))


def numbers(roster: Roster, unlocked: tuple[str, ...]) -> dict[int, Person]:
    """Who answers to which number key, from 1 to 9.

    The place on the roster where nine suffice; on a longer roster the order in which keys were unlocked.
    """
    people = roster.people
    if len(people) > 9:
        people = tuple(roster.find(name) for name in unlocked[:9])
    return dict(enumerate(people, start=1))


def number_of(roster: Roster, unlocked: tuple[str, ...], person_id: str) -> int | None:
    """The number key of a person, None if they have none."""
    return next((n for n, person in numbers(roster, unlocked).items() if person.id == person_id), None)


def unlocking(roster: Roster, unlocked: tuple[str, ...], people: Sequence[Person]) -> tuple[str, str]:
    """People whose keys are locked, each with their number, and what unlocks one: a number key, or u."""
    number = {person.id: n for n, person in numbers(roster, unlocked).items()}
    said = [f"{each.name} ({number[each.id]})" if each.id in number else each.name for each in people]
    named = clean(words.listed(said), limit=200)
    if not all(each.id in number for each in people):
        return named, "u"
    return named, str(number[people[0].id]) if len(people) == 1 else "their number"
