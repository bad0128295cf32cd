"""A measurement as the record keeps it: the mean of the values counts, if they agree."""

from __future__ import annotations

from collections.abc import Sequence

from preflight.config.checklist import Step
from preflight.errors import Refused
from preflight.readings import Reading, decimal_text
from preflight.record import kinds
from preflight.walk import codec
from preflight.walk.ledger import quantity_text
from preflight.walk.rules_steps import spread_of

Limits = tuple[float | None, float | None]

_LIFT = (
    "payload",
    "parachute",
    "site",
    "balloon.mass",
    "balloon.gas",
    "balloon.purity",
    "balloon.drag_coefficient",
)
LIMITED_BY: dict[str, tuple[str, ...]] = {"balloon.neck_lift": _LIFT}
"""What a measurement sets, where its limits come from figures, and the values that those figures use."""


DIGITS = 9
"""Decimal places of a mean."""


def reads_of(step: Step) -> tuple[str, ...]:
    """The values that a measured step's outcome uses besides its own."""
    measure = step.measure
    if measure is None or (measure.at_least is not None and measure.at_most is not None):
        return ()
    return LIMITED_BY.get(measure.sets or "", ())


def measured(step: Step, values: Sequence[float], limits: Limits) -> kinds.MeasureData:
    """The measurement of a step as the record keeps it: the mean counts, if the values agree."""
    measure = step.measure
    if measure is None:
        raise Refused(f"Step {step.id} measures nothing.")
    if len(values) != measure.repeat:
        raise Refused(f"Step {step.id} takes {measure.repeat} values, {len(values)} were given.")
    mean = round(sum(values) / len(values), DIGITS)
    reading = _reading(step, (mean, min(values), max(values)), limits)
    outcome, remarks = weighed(step, reading)
    return kinds.MeasureData(
        step=step.id,
        outcome=outcome,
        values=tuple(decimal_text(float(value)) for value in values),
        reading=codec.to_data(reading),
        sets=measure.sets,
        set_to=None if measure.sets is None else quantity_text(mean, measure.unit),
        remarks=remarks,
        reads=reads_of(step),
    )


def paper_reading(step: Step, written: Reading, limits: Limits) -> Reading | None:
    """What must stand in the entry of a measured step from the printed list, if this was `written` down.

    None where no measurement gives it.
    """
    value, low, high = written.value, written.low, written.high
    rounding = 10.0**-DIGITS
    if not isinstance(value, (int, float)) or low is None or high is None:
        return None
    if not low - rounding <= value <= high + rounding:
        return None
    return _reading(step, (value, low, high), limits)


def _reading(step: Step, found: tuple[float, float, float], limits: Limits) -> Reading:
    """`found` is the mean, the least and the most; the checklist's own limits come before `limits`."""
    measure = step.measure
    assert measure is not None
    mean, low, high = found
    return Reading(
        name=measure.sets or measure.quantity,
        value=mean,
        unit=measure.unit,
        low=low,
        high=high,
        at_least=measure.at_least if measure.at_least is not None else limits[0],
        at_most=measure.at_most if measure.at_most is not None else limits[1],
    )


def weighed(step: Step, reading: Reading) -> tuple[kinds.Outcome, tuple[str, ...]]:
    """Open while the values lie too far apart, no-go outside the limits, otherwise go."""
    assert reading.low is not None
    assert reading.high is not None
    apart = reading.high - reading.low
    allowed = spread_of(step)
    if apart > allowed:
        return "open", (
            f"the values lie {apart:.4g} {reading.unit} apart, {allowed:g} at most: measure again",
        )
    return ("no-go" if reading.within is False else "go"), ()
