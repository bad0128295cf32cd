"""What is wrong with a run of samples as a whole: counters, clocks, placeholders, values that stand still."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence

from preflight.clean import clean
from preflight.config.flight import SampleField, Site
from preflight.decode.samples import Sample, Value

# Values that programs write for "none" and a sensor in order does not repeat. Common practice, no source.
PLACEHOLDERS = frozenset(
    sign * value for sign in (1, -1) for value in (999.0, 999.9, 9999.0, 9999.9, 99999.0)
) | {65535.0, 32767.0, -32768.0, 4294967295.0}
# What a common kind of digital thermometer gives before it has measured, and off its lead. From memory.
TEMPERATURE_PLACEHOLDERS = frozenset((85.0, -127.0))
_NEVER_ZERO = frozenset(("pressure", "temperature", "latitude", "longitude", "altitude", "battery"))
_WRAPS = (2.0**8, 2.0**16, 2.0**32, 1e2, 1e3, 1e4, 1e5, 1e6)
_STANDING_STILL = 2.5  # seconds after which a clock of whole seconds must have moved


def run_faults(
    fields: Sequence[SampleField], samples: Sequence[Sample], seconds: float, site: Site
) -> tuple[list[str], list[str]]:
    """(faults, remarks) about the run of `samples` that took `seconds`, as sentences that name the field."""
    faults: list[str] = []
    remarks: list[str] = []
    if len(samples) < 3:
        return faults, remarks
    for field in fields:
        values = [sample.values.get(field.name) for sample in samples]
        name = clean(field.name)
        if field.role == "counter":
            faults += counter_faults(name, values)
            continue
        first = values[0]
        if first is None or any(value != first for value in values):
            continue
        if field.role == "time":
            if seconds >= _STANDING_STILL:
                faults.append(f"{name} stands still at {first}: the flight computer's clock does not run")
        elif isinstance(first, float):
            told = f"{name} is {first:g} in every one of {len(values)} samples"
            if _is_placeholder(field, first, site):
                faults.append(f"{told}: a placeholder, not a value. Check the sensor and its wiring")
            elif field.role in _NEVER_ZERO and not any(field.name in sample.faulty for sample in samples):
                remarks.append(f"{told}: see that it moves when it should")
    return faults, remarks


def counter_faults(name: str, values: Sequence[Value]) -> list[str]:
    """What is wrong with a counter: standing still, gaps, repeats, steps back. A wrap to zero is none."""
    numbers = [value for value in values if isinstance(value, float)]
    steps = [after - before for before, after in itertools.pairwise(numbers)]
    if not steps:
        return []
    if all(step == 0 for step in steps):
        return [f"{name} stands still at {numbers[0]:.10g}"]
    usual = Counter(step for step in steps if step > 0).most_common(1)
    step = usual[0][0] if usual else 1.0
    faults = []
    repeats = sum(found == 0 for found in steps)
    if repeats:
        faults.append(f"{name}: {repeats} sample{'s' * (repeats > 1)} sent twice")
    missing, where = 0, ""
    for before, after in itertools.pairwise(numbers):
        found = after - before
        # Half a step more is still the next one: some counters count milliseconds.
        if 0 <= found < 1.5 * step:
            continue
        if found < 0 and not wraps(before, after, step):
            faults.append(
                f"{name} went from {before:.10g} back to {after:.10g}: did the flight computer restart?"
            )
        elif found > 0:
            missing += max(1, round(found / step) - 1)
            where = where or f"first between {before:.10g} and {after:.10g}"
    if missing:
        faults.append(f"{name}: {missing} sample{'s' * (missing > 1)} missing, {where}")
    return faults


def wraps(before: float, after: float, step: float) -> bool:
    """Whether a counter that goes up by `step` went over its end between these two."""
    return any(before + step - wrap == after for wrap in _WRAPS)


def _is_placeholder(field: SampleField, value: float, site: Site) -> bool:
    if value == 0:
        return field.role in _NEVER_ZERO
    if field.role == "temperature" and value in TEMPERATURE_PLACEHOLDERS:
        return True
    if value not in PLACEHOLDERS or (field.role is None and not field.unit):
        return False
    return not (field.role == "pressure" and _true_pressure(field, value, site))


def _true_pressure(field: SampleField, value: float, site: Site) -> bool:
    """Whether the air at the site may well have just this pressure: 999 hPa is a common day's."""
    from preflight.figures.atmosphere import pressure_at

    factor = {"Pa": 1.0, "hPa": 1e2, "mbar": 1e2, "kPa": 1e3}.get(field.unit)
    if factor is None:
        return False
    expected = pressure_at(101325.0 if site.qnh is None else site.qnh, site.elevation)
    # With the day's pressure declared it is known well; without, weather moves it by a few per cent.
    return abs(value * factor / expected - 1) <= (0.005 if site.qnh is not None else 0.03)
