"""What a check is, what it is given, and how it is run."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Generator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol, runtime_checkable

import msgspec

from preflight.clock import Clock, SystemClock
from preflight.config.flight import Flight
from preflight.readings import Finding, Progress, Reading, decimal_text

Run = Generator[Progress, None, Finding]
"""A check at work: yields progress, returns its finding."""


def _never() -> bool:
    return False


@dataclass(frozen=True, kw_only=True)
class Context:
    """Everything a check may look at.

    `folder` is the flight file's: relative paths in the flight file start there. `measured` holds the
    latest readings of this walk by name (another card is told by "card.identity"); `typed` holds numbers a
    person typed for this run, by reading name and in that name's unit. `stopped` turns true when the crew
    stops the check: it then puts the line back and returns an open finding. In a `rehearsal` with a simulated
    payload nobody waits longer than declared: what is recorded takes its intervals and no more, and nothing
    that is listened to has to settle first.
    """

    flight: Flight
    folder: Path
    clock: Clock = field(default_factory=SystemClock)
    measured: Mapping[str, Reading] = field(default_factory=dict)
    typed: Mapping[str, float] = field(default_factory=dict)
    stopped: Callable[[], bool] = _never
    rehearsal: bool = False


@runtime_checkable
class Check(Protocol):
    """An instrument check.

    `name` is the key in checklists, `title` a few words for people, `needs` the flight-file sections
    without which it can't run (see `Flight.has`), `leads` which lead to move before it runs and `put_back`
    how the line is put back afterwards ("" where nothing is moved). A check that changes something, such as
    one that writes to the card, may have a true `on_request`: it then runs only where it is named. `asks`,
    where a check has it, names readings that a person may type before it runs; `asks_first(flight)` those
    that are asked for before its first run, where these are fewer: the others after a run without them.

    `run` never raises for what the world does: a lead that is unplugged is a no-go whose remark says what
    to do next; what it had no right or means to look at is an open finding that says what was not checked.
    """

    name: str
    title: str
    needs: tuple[str, ...]
    leads: str
    put_back: str

    def run(self, context: Context) -> Run: ...


def missing_sections(check: Check, flight: Flight) -> tuple[str, ...]:
    """The sections a check needs that the flight file does not have."""
    return tuple(section for section in check.needs if not flight.has(section))


def asked_for(check: Check, flight: Flight, before: Collection[str] | None) -> tuple[str, ...]:
    """The readings that a person may type before a check runs.

    `before` names those that its last run had a value for, None before its first: what a check reads by
    itself is asked for only once it was looked for in vain.
    """
    asks: tuple[str, ...] = tuple(getattr(check, "asks", ()))
    asks_first: Callable[[Flight], tuple[str, ...]] | None = getattr(check, "asks_first", None)
    first = asks if asks_first is None else asks_first(flight)
    if before is None:
        return first
    return tuple(name for name in asks if name in first or name not in before)


def _onwards(step: Progress, reached: float) -> tuple[Progress, float]:
    """Progress that never goes back within a run: what falls behind `reached` has no fraction to show."""
    assert step.fraction is not None
    if not step.fraction >= reached:  # NaN neither
        return msgspec.structs.replace(step, fraction=None), reached
    fraction = min(1.0, step.fraction)
    return msgspec.structs.replace(step, fraction=fraction), fraction


def run_check(
    check: Check, context: Context, progress: Callable[[Progress], None] = lambda _: None
) -> Finding:
    """Run a check to its end, handing every step of progress on; `seconds` of the finding is filled in.

    A fraction that goes back, or is no number, is taken away: a bar tells of a whole run, or nothing. What a
    person typed is named in a remark.
    """
    absent = missing_sections(check, context.flight)
    if absent:
        remark = f"Not checked: the flight file has no [{absent[0]}]"
        return Finding(check=check.name, outcome="open", remarks=(remark,))
    started = time.monotonic()
    run = check.run(context)
    reached = 0.0
    try:
        while True:
            step = next(run)
            if step.fraction is not None:
                step, reached = _onwards(step, reached)
            progress(step)
    except StopIteration as end:
        finding: Finding = end.value
    finally:
        run.close()
    return msgspec.structs.replace(
        finding,
        remarks=(*finding.remarks, *_read_off(finding, context)),
        seconds=round(time.monotonic() - started, 3),
    )


def _read_off(finding: Finding, context: Context) -> tuple[str, ...]:
    """Says which readings a person has typed: an instrument signs the finding, and did not read them."""
    told = [
        f"{reading.name} {decimal_text(reading.value)} {reading.unit}".rstrip()
        for reading in finding.readings
        if isinstance(reading.value, float) and context.typed.get(reading.name) == reading.value
    ]
    return (f"Read off and typed by a person: {', '.join(told)}",) if told else ()
