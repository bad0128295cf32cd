"""The printed checklist: boxes, limits, room for value, initials and time; for when the laptop is dead."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from preflight.clock import Clock
from preflight.config.checklist import Checklist, Phase, Step
from preflight.config.flight import Flight
from preflight.config.load import flattened_checklist, parse_checklist, parse_flight
from preflight.config.source import read_bytes
from preflight.figures.compute import FlightFigures, compute
from preflight.readings import ByHand, Reading
from preflight.report.chart import chart_of
from preflight.report.gather_steps import asks_of
from preflight.report.model import Chart, scrubbed
from preflight.report.words import Clockface, Stamp, limit_words, limits_of, printed_unit, value_of
from preflight.walk.limits import limits_from

MODES = {"read-do": "read a step, then do it", "do-confirm": "do the steps, then confirm each"}
RULES = (
    "Write every value you read, not a tick: initials and UTC time beside it. A value outside its limit is "
    "a no-go, and a no-go stops the count. A value that nobody can take is no go either.",
    "A step done here is entered afterwards as a paper step, at the time written here, and counts only "
    "with a second person's signature.",
)


ReadsOf = Callable[[str, Flight | None, FlightFigures | None, Path], Sequence[ByHand]]
"""The readings of a check by its name; the path is the folder that the flight file's own paths start from."""


@dataclass(frozen=True, slots=True)
class Blank:
    """A place to write one reading or answer: what it is, its limits in words, its unit."""

    label: str = ""
    limits: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True)
class PaperStep:
    """One line of the printed list. `unless` says why it does not apply, "" where it does."""

    number: str
    id: str
    challenge: str
    response: str
    asks: str
    limits: str
    caution: str
    why: str
    required: bool
    witness: bool
    unless: str
    blanks: tuple[Blank, ...]


@dataclass(frozen=True, slots=True)
class PaperPhase:
    """One phase; `gate_after` is the gate whose poll comes after it, "" for none."""

    title: str
    mode: str
    gate: str
    steps: tuple[PaperStep, ...]
    gate_after: str


@dataclass(frozen=True, slots=True)
class Paper:
    """A printed checklist, and the computed figures where a flight file was given."""

    title: str
    revision: str
    source: str
    sha256: str
    stations: tuple[str, ...]
    release_by: str
    phases: tuple[PaperPhase, ...]
    flight: str
    planned: Stamp | None
    figures: tuple[Reading, ...]
    remarks: tuple[str, ...]
    chart: Chart | None
    made: Stamp


def paper_of(checklist: Path, *, clock: Clock, reads_of: ReadsOf, flight: Path | None = None) -> Paper:
    """The printed list of the checklist file, with the flight file's figures and limits if one is named.

    Raises `BadFile` for a file that can't be read as what it should be.
    """
    data = flattened_checklist(checklist)
    known = parse_checklist(data, str(checklist))
    declared = figures = None
    folder = (checklist if flight is None else flight).resolve().parent
    if flight is not None:
        declared = parse_flight(read_bytes(flight), str(flight))
        figures = compute(declared, folder=folder, now=clock.now().at)

    def blanks(step: Step) -> tuple[Blank, ...]:
        idle = step.check is None or (declared is not None and step.unless(declared) is not None)
        return _blanks(step, () if idle else reads_of(step.check or "", declared, figures, folder))

    face = Clockface(declared.site.timezone if declared is not None else None)
    head = known.checklist
    return scrubbed(
        Paper(
            title=head.title,
            revision=head.revision,
            source=checklist.name,
            sha256=hashlib.sha256(data).hexdigest(),
            stations=head.stations,
            release_by=" or ".join(head.release_by),
            phases=_phases(known, declared, figures, blanks),
            flight="" if declared is None else declared.flight.name,
            planned=None if declared is None else face.stamp(declared.flight.release),
            figures=() if figures is None else figures.figures,
            remarks=() if figures is None else _remarks(figures),
            chart=None if figures is None or declared is None else _chart(figures, declared, face),
            made=face.stamp(clock.now().at),
        )
    )


def _chart(figures: FlightFigures, flight: Flight, face: Clockface) -> Chart | None:
    return chart_of(figures, flight, face, "Computed from the flight file alone: nothing was measured yet.")


def _remarks(figures: FlightFigures) -> tuple[str, ...]:
    sentences = [f"NO-GO {name}: {text}" for name, text in figures.no_go.items()]
    sentences += [f"{name}: {text}" for name, text in figures.mends.items()]
    return (*sentences, *(str(remark) for remark in figures.remarks), *figures.faults)


def _phases(
    checklist: Checklist,
    flight: Flight | None,
    figures: FlightFigures | None,
    blanks: Callable[[Step], tuple[Blank, ...]],
) -> tuple[PaperPhase, ...]:
    phases = checklist.phase
    return tuple(
        PaperPhase(
            title=phase.title,
            mode=MODES[phase.mode],
            gate=phase.gate or "",
            steps=tuple(
                _step(f"{index}.{place}", step, flight, figures, blanks(step))
                for place, step in enumerate(phase.step, 1)
            ),
            gate_after=_gate_after(phase, phases[index:]),
        )
        for index, phase in enumerate(phases, 1)
    )


def _gate_after(phase: Phase, later: Sequence[Phase]) -> str:
    if phase.gate is None or any(other.gate == phase.gate for other in later):
        return ""
    return phase.gate


def _step(
    number: str,
    step: Step,
    flight: Flight | None,
    figures: FlightFigures | None,
    blanks: tuple[Blank, ...],
) -> PaperStep:
    unless = None if flight is None else step.unless(flight)
    return PaperStep(
        number=number,
        id=step.id,
        challenge=step.challenge,
        response=step.response,
        asks=asks_of(step),
        limits=_limits(step, figures),
        caution=step.caution,
        why=step.why,
        required=step.required,
        witness=step.witness,
        unless="" if unless is None else f"not applicable: {unless}",
        blanks=blanks,
    )


def _blanks(step: Step, reads: Sequence[ByHand]) -> tuple[Blank, ...]:
    """A place for each reading that the step takes, for each answer it asks for, or one for the response."""
    if reads:
        return tuple(_blank(read) for read in reads)
    if step.defer is not None:
        return tuple(Blank(question) for question in step.defer.ask)
    if step.measure is None:
        return (Blank(),)
    unit = printed_unit(step.measure.unit)
    if step.measure.repeat == 1:
        return (Blank(unit=unit),)
    times = (str(time) for time in range(1, step.measure.repeat + 1))
    return tuple(Blank(time, unit=unit) for time in (*times, "mean"))


def _blank(read: ByHand) -> Blank:
    reading = read.reading
    label = read.what if reading.value is None else f"{read.what}, {reading.source} {value_of(reading)}"
    limits = ", ".join(part for part in (read.wanted, limits_of(reading)) if part)
    # Nobody reads a card's size to the byte.
    large = reading.unit == "B" and reading.name.startswith("card.")
    return Blank(label, limits, "MB or GB" if large else printed_unit(reading.unit))


def _limits(step: Step, figures: FlightFigures | None) -> str:
    measure = step.measure
    if measure is None:
        return ""
    at_least, at_most = measure.at_least, measure.at_most
    if figures is not None:
        at_least, at_most = limits_from(lambda: figures, step)
    return limit_words(at_least, at_most, measure.unit)
