"""The limits in force for a step that a person measures: the checklist's own, or those of the figures."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from preflight.config.checklist import Measure, Step
from preflight.config.quantities import convert
from preflight.walk.ledger import Ledger

if TYPE_CHECKING:
    from preflight.figures.compute import FlightFigures

Limits = tuple[float | None, float | None]

FROM_FIGURES: dict[str, tuple[str, str]] = {
    "balloon.neck_lift": ("flight.neck_lift_low", "flight.neck_lift_high"),
}
"""What a measurement sets, and the figures that are its lower and upper limit."""


def limits_for(ledger: Ledger, step: Step) -> Limits:
    """(at_least, at_most) of a measured step in its own unit, None where there is no such limit.

    A limit that the checklist gives counts; a side that it leaves out comes from the figures of the values
    in force, where figures give one.
    """
    from preflight.figures.compute import compute  # the first screen does not wait for it

    return limits_from(lambda: compute(ledger.values.flight, ledger.values.measured), step)


def limits_from(figures: Callable[[], FlightFigures], step: Step) -> Limits:
    """As `limits_for`; `figures` is asked only where the checklist leaves a side out."""
    measure = step.measure
    if measure is None:
        return None, None
    names = FROM_FIGURES.get(measure.sets or "")
    if names is None or (measure.at_least is not None and measure.at_most is not None):
        return measure.at_least, measure.at_most
    known = figures()
    return (
        _side(measure.at_least, known, names[0], measure),
        _side(measure.at_most, known, names[1], measure),
    )


def _side(own: float | None, figures: FlightFigures, name: str, measure: Measure) -> float | None:
    figure = figures.figure(name)
    if own is not None or figure is None or not isinstance(figure.value, (int, float)):
        return own
    return convert(float(figure.value), figure.unit, measure.unit)
