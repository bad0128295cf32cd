"""What the demo's people read off, weigh, type and are told: all of it made up."""

from __future__ import annotations

import contextlib

from preflight.config.checklist import Checklist, Measure, Step
from preflight.config.flight import Flight
from preflight.config.quantities import BadQuantity, convert, difference, from_si, kind_of_unit
from preflight.names import UNITS

TYPED = {"battery.open_voltage": 8.29, "position.ceiling": 50.0}
"""What is read off and typed for a check, by reading name in that name's unit."""

MEASURED: dict[str, tuple[float, str]] = {
    "ground wind": (2.4, "m/s"),
    "gust": (3.9, "m/s"),
    "forecast gust": (5.5, "m/s"),
    "resistance to earth": (0.8, "ohm"),
    "climb rate": (4.3, "m/s"),
    "highest altitude": (29540.0, "m"),
}
"""What is read off, by the checklist's quantity; other quantities come out as declared."""

OFF_DECLARED: dict[str, float] = {"balloon.neck_lift": 0.97}
"""Where what is measured differs from what the flight file declares: the share of it that is found."""

ANSWERS: dict[str, str] = {
    "authority": "the area's duty unit (simulated)",
    "reference": "PRACTICE-0417",
    "conditions": "none (simulated)",
    "who answered": "the duty officer (simulated)",
}
"""What the invented authority says; an answer to any other question is a time."""

NOT_IN_PRACTICE: dict[str, str] = {
    "card-write": "practice: the card is an image file, which is not written to",
    "card-capacity": "practice: the card is an image file, which is not written to",
    "contact-lost": "practice: contact is not lost",
}
"""Checks and steps that can't be done here, and the reason why they don't apply, which the crew signs."""

TIMES: dict[str, str] = {
    "told at": "now",
    "valid from": "now",
    "valid until": "three hours after the planned release",
}


def read_off(measure: Measure, flight: Flight) -> list[float]:
    """As many readings as the step wants, close together around one value; [] where none was invented."""
    value = _value(measure, flight)
    if value is None:
        return []
    apart = 0.005 * abs(value)
    if measure.spread is not None:
        apart = min(apart, difference(measure.spread, measure.unit) / 4)
    middle = (measure.repeat - 1) / 2
    return [round(value + apart * (n - middle) / max(middle, 1), 6) for n in range(measure.repeat)]


def _value(measure: Measure, flight: Flight) -> float | None:
    known = MEASURED.get(measure.quantity)
    if known is not None:
        with contextlib.suppress(BadQuantity):
            return convert(*known, measure.unit)
    declared = _declared(measure, flight)
    if declared is not None:
        return declared * OFF_DECLARED.get(measure.sets or "", 1.0)
    bounds = [bound for bound in (measure.at_least, measure.at_most) if bound is not None]
    return sum(bounds) / len(bounds) if bounds else None


def _declared(measure: Measure, flight: Flight) -> float | None:
    """The flight file's own value of what the step sets, in the step's unit."""
    if measure.sets is None:
        return None
    path, _, position = measure.sets.partition("[")
    here: object = flight
    for part in path.split("."):
        here = getattr(here, part, None)
    if position:
        index, _, rest = position.partition("].")
        here = getattr(here[int(index) - 1], rest, None)  # type: ignore[index]
    kind = kind_of_unit(measure.unit)
    if not isinstance(here, (int, float)) or kind is None:
        return None
    return from_si(float(here), kind, measure.unit)


def what_to_type(checklist: Checklist, flight: Flight) -> list[tuple[str, str]]:
    """Each step at which something has to be typed, by its id, and what; in the checklist's order."""
    steps = [
        (step, _told(step, flight, decided=phase.gate is not None))
        for phase in checklist.phase
        for step in phase.step
        if step.unless(flight) is None
    ]
    return [(step.id, told) for step, told in steps if told]


def _told(step: Step, flight: Flight, *, decided: bool) -> str:
    """`decided`: the step lies before a gate, so that an authority's answer is granted or refused."""
    if step.check in NOT_IN_PRACTICE or step.id in NOT_IN_PRACTICE:
        reason = NOT_IN_PRACTICE.get(step.id) or NOT_IN_PRACTICE[step.check or ""]
        return f'x (does not apply), with the reason "{reason}"'
    if step.check is not None:
        asked = _asked(step.check)
        typed = [f"{name} {TYPED[name]:g} {UNITS[name]}" for name in asked if name in TYPED]
        if typed and len(typed) < len(asked):
            typed.append("nothing else: the rest is read from the samples")
        return ", ".join(typed)
    if step.measure is not None:
        values = read_off(step.measure, flight)
        return f"{', '.join(f'{value:g}' for value in values)} {step.measure.unit}" if values else ""
    if step.defer is not None:
        answers = {**TIMES, **ANSWERS}
        typed = [f"{question}: {answers.get(question, 'anything')}" for question in step.defer.ask]
        return "; ".join([*typed, "the answer: granted"] if decided else typed)
    if step.say:
        return "in your words what the response asks for, as you would see it"
    return ""


def _asked(check: str) -> list[str]:
    from preflight.checks import table

    return list(getattr(table.get(check), "asks", ()))
