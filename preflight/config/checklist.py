"""The checklist: phases and steps, typed. What each key means for the outcome is decided in `walk`."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from preflight.config.flight import Flight
from preflight.config.keys import flight_keys
from preflight.config.quantities import Duration

Id = Annotated[str, Meta(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$", description="lower case, digits, hyphens")]
Text = Annotated[str, Meta(min_length=1, max_length=400)]
Prose = Annotated[str, Meta(max_length=2000)]


class _File(Struct, frozen=True, forbid_unknown_fields=True):
    """Shared rules of every table in a file: named keys only, none unknown."""


class Measure(_File, frozen=True, kw_only=True):
    """A quantity a person measures and types, in `unit`.

    `sets` is the flight-file key it replaces; `repeat` readings must lie within `spread` (a quantity in the
    same dimension) of each other and their mean counts. `at_least` and `at_most` are numbers in `unit`.
    """

    quantity: Text
    unit: Annotated[str, Meta(max_length=16)]
    sets: str | None = None
    repeat: Annotated[int, Meta(ge=1, le=9)] = 1
    spread: str | None = None
    at_least: float | None = None
    at_most: float | None = None


class Defer(_File, frozen=True, kw_only=True):
    """A question only an authority answers: the crew records who answered what.

    `valid from` and `valid until` bound the answer; see `asks_time` for what else is asked as a time.
    """

    authority: Text
    ask: Annotated[tuple[Text, ...], Meta(min_length=1)]


WINDOW = ("valid from", "valid until")
"""Questions to an authority whose answers are times, which bound its answer."""


def asks_time(question: str) -> bool:
    """Whether a question to an authority is one for a time, by its wording: "told at", "when it closes"."""
    words = question.lower().split()
    ends = words[-1] in ("at", "until", "since", "time") if words else False
    return " ".join(words) in WINDOW or ends or words[:1] in (["when"], ["time"])


class Step(_File, frozen=True, kw_only=True):
    """One thing to do: a challenge and its expected response.

    At most one of `check`, `measure` and `defer`; none means that a person confirms. `needs` names
    flight-file sections without which the step is not applicable, `without` those of which one must be
    missing (the step stands in for one that needs them), `applies_if` the words that choices in the flight
    file must have ({ "balloon.gas" = "hydrogen" }). `reads` names values (flight-file keys,
    readings, or "power") whose change makes the step stale. `carry` lets a go be taken over from the record
    of an earlier attempt. `say` has who confirms type what was seen, where the response asks for something
    that only they can name.
    """

    id: Id
    challenge: Text
    response: Prose = ""
    check: Annotated[str, Meta(min_length=1, max_length=64)] | None = None
    measure: Measure | None = None
    defer: Defer | None = None
    why: Prose = ""
    caution: Prose = ""
    required: bool = True
    signed_by: tuple[Id, ...] = ()
    witness: bool = False
    witness_by: tuple[Id, ...] = ()
    waive_by: tuple[Id, ...] = ()
    after: tuple[Id, ...] = ()
    valid_for: Annotated[Duration, Meta(gt=0)] | None = None
    reads: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    applies_if: dict[str, str] = {}
    carry: bool = False
    say: bool = False

    @property
    def kind(self) -> Literal["check", "measure", "defer", "confirm"]:
        """How the step gets its finding."""
        if self.check is not None:
            return "check"
        if self.measure is not None:
            return "measure"
        return "defer" if self.defer is not None else "confirm"

    def unless(self, flight: Flight) -> str | None:
        """Why the step does not apply to a flight by what its file declares; None where it does."""
        absent = next((name for name in self.needs if not flight.has(name)), None)
        if absent is not None:
            return f"the flight file has no {_written(absent)}"
        if self.without and all(flight.has(name) for name in self.without):
            return f"the flight file has {', '.join(map(_written, self.without))}: another step looks at this"
        for key, wanted in self.applies_if.items():
            word = flight.word(key)
            if word != wanted:
                return f"{key} is {word or 'not declared'}, this is for {wanted}"
        return None


def _written(name: str) -> str:
    """A section as it stands in the file, or a key by its name."""
    return name if name in flight_keys() else f"[{name}]"


class Phase(_File, frozen=True, kw_only=True):
    """Steps done at one place and time. Absent `gate`: counts for no verdict."""

    id: Id
    title: Text
    gate: Literal["fill", "release"] | None = None
    mode: Literal["read-do", "do-confirm"] = "read-do"
    step: Annotated[tuple[Step, ...], Meta(min_length=1)]


class Head(_File, frozen=True, kw_only=True):
    """[checklist]: `stations` are roles polled at each gate, `roles` others that sign but are not polled.

    A `part` is there to be inserted into others: it owes no gate.
    """

    title: Text
    revision: Annotated[str, Meta(min_length=1, max_length=16)]
    stations: Annotated[tuple[Id, ...], Meta(min_length=1)]
    release_by: Annotated[tuple[Id, ...], Meta(min_length=1)]
    seal_by: Annotated[tuple[Id, ...], Meta(min_length=1)]
    roles: tuple[Id, ...] = ()
    part: bool = False


class Checklist(_File, frozen=True, kw_only=True):
    """A checklist file; step ids are unique over the whole file."""

    checklist: Head
    phase: Annotated[tuple[Phase, ...], Meta(min_length=1)]

    def steps(self) -> tuple[Step, ...]:
        """All steps in order."""
        return tuple(step for phase in self.phase for step in phase.step)
