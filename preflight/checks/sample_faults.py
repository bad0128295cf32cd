"""What is wrong with a run of samples as a whole: counters, clocks, placeholders, values that stand still."""

from __future__ import annotations

import itertools
import operator
from collections import Counter
from collections.abc import Sequence

from preflight.checks.columns import Column, Table, numbers_of, table_of
from preflight.checks.times import read_times
from preflight.clean import clean
from preflight.config.flight import SampleField, Site
from preflight.decode.samples import Sample, Value

# Values that programs write for "none" and a sensor in order does not repeat. Common practice, no source.
PLACEHOLDERS = frozenset(
    sign * value for sign in (1, -1) for value in (999.0, 999.9, 9999.0, 9999.9, 99999.0)
) | {65535.0, 32767.0, -32768.0, 4294967295.0}
# What a common kind of digital thermometer gives before it has measured, and off its lead. From memory.
TEMPERATURE_PLACEHOLDERS = frozenset((85.0, -127.0))
_ZERO_NOW_AND_THEN = frozenset(("pressure", "latitude", "longitude", "battery"))
_NEVER_ZERO = frozenset(("pressure", "temperature", "latitude", "longitude", "altitude", "battery"))
_READ = 1000  # times read of a run that is in order
_LARGEST_COUNT = 2.0**53  # above it not every whole number is one of ours
_SMALLEST_STEP = 1e-6
_WRAPS = (2.0**8, 2.0**16, 2.0**32, 1e2, 1e3, 1e4, 1e5, 1e6)
_MISSED_AT_WRAP = 3
"""Samples that may be missing where a counter goes over its end and still be told from a restart."""
_STANDING_STILL = 2.5  # seconds after which a clock of whole seconds must have moved
_STEPS_AHEAD = 20.0
"""Usual steps, and 10 s at least, by which a clock that goes ahead at once was set. Common practice, no
source."""


def run_faults(
    fields: Sequence[SampleField],
    samples: Sequence[Sample],
    seconds: float,
    site: Site,
    *,
    table: Table | None = None,
) -> tuple[list[str], list[str]]:
    """(faults, remarks) about the run of `samples` that took `seconds`, as sentences that name the field.

    `table` are the samples' values where they are at hand already.
    """
    faults: list[str] = []
    remarks: list[str] = []
    if len(samples) < 3:
        return faults, remarks
    table = table_of(fields, samples) if table is None else table
    for field in fields:
        values = table[field.name]
        name = clean(field.name)
        if field.role == "counter":
            faults += counter_faults(name, values)
            continue
        faults += _now_and_then(field, name, values, site)
        if field.role == "time":
            wrong, noticed = time_faults(name, field, values)
            faults += wrong
            remarks += noticed
        first = values[0]
        if first is None or any(value != first for value in values):
            continue
        if field.role == "time":
            if seconds >= _STANDING_STILL:
                faults.append(f"{name} stands still at {first}: the flight computer's clock does not run")
        elif isinstance(first, float):
            told = f"{name} is {first:g} in every one of {len(values)} samples"
            if is_placeholder(field, first, site):
                faults.append(f"{told}: a placeholder, not a value. Check the sensor and its wiring")
            elif field.role in _NEVER_ZERO and not any(field.name in sample.faulty for sample in samples):
                remarks.append(f"{told}: see that it moves when it should")
    return faults, remarks


def counter_faults(name: str, values: Sequence[Value]) -> list[str]:
    """What is wrong with a counter: standing still, gaps, repeats, steps back. A wrap to zero is none."""
    numbers = numbers_of(values)
    for bound in (min(numbers, default=0.0), max(numbers, default=0.0)):
        if abs(bound) > _LARGEST_COUNT:
            return [f"{name}: {bound:.10g} is no count"]
    steps = list(map(operator.sub, numbers[1:], numbers))
    if not steps or (len(set(steps)) == 1 and steps[0] > 0):
        return []
    if all(step == 0 for step in steps):
        return [f"{name} stands still at {numbers[0]:.10g}"]
    usual = Counter(step for step in steps if step > 0).most_common(1)
    step = max(usual[0][0], _SMALLEST_STEP) if usual else 1.0
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
        lost = max(1, round(found / step) - 1) if found > 0 else _missed_at_wrap(before, after, step)
        if lost is None:
            faults.append(
                f"{name} went from {before:.10g} back to {after:.10g}: did the flight computer restart?"
            )
        elif lost:
            missing += lost
            where = where or f"first between {before:.10g} and {after:.10g}"
    if missing:
        faults.append(f"{name}: {missing} sample{'s' * (missing > 1)} missing, {where}")
    return faults


def wraps(before: float, after: float, step: float) -> bool:
    """Whether a counter that goes up by `step` went over its end between these two."""
    return _missed_at_wrap(before, after, step) is not None


def _missed_at_wrap(before: float, after: float, step: float) -> int | None:
    for missed in range(_MISSED_AT_WRAP + 1):
        if any(before + step * (missed + 1) - wrap == after for wrap in _WRAPS):
            return missed
    return None


def time_faults(name: str, field: SampleField, values: Sequence[Value]) -> tuple[list[str], list[str]]:
    """(faults, remarks) on a clock that goes back, or ahead at once; midnight is neither."""
    first, last = values[0], values[-1]
    texts = isinstance(first, str) and isinstance(last, str) and len(first) == len(last)
    if texts and set(map(type, values)) == {str} and read_times(field, [first, last]) is not None:
        values = _telling(values)  # type: ignore[arg-type]
    times = read_times(field, values)
    if times is None:
        return ([f"{name}: “{shown}” is no time" for shown in _texts(values)[:1]], [])
    faults = [f"{name}: “{clean(str(times.wrong), limit=80)}” is no time"] if times.wrong is not None else []
    known = [
        (second, value) for second, value in zip(times.seconds, values, strict=True) if second is not None
    ]
    steps = sorted(after[0] - before[0] for before, after in itertools.pairwise(known))
    usual = max(steps[len(steps) // 2], times.resolution) if steps else times.resolution
    remarks: list[str] = []
    for (before, written), (after, then) in itertools.pairwise(known):
        if after < before:
            faults.append(
                f"{name} went from {_value(written)} back to {_value(then)}: did the flight computer "
                "restart, or was its clock set?"
            )
            break
        if not remarks and after - before > max(10.0, _STEPS_AHEAD * usual):
            remarks.append(
                f"{name} went from {_value(written)} to {_value(then)} at once: a pause, or its clock was set"
            )
    return faults, remarks


def _telling(texts: Sequence[str]) -> Sequence[str]:
    """Of many times written alike, which sort as they follow each other, those that tell of the others."""
    if len(texts) <= _READ or len(set(map(len, texts))) != 1:
        return texts
    backs = list(itertools.compress(range(len(texts)), map(operator.gt, texts, texts[1:])))
    if len(backs) > _READ:
        return texts
    around = {number for back in backs for number in (back, back + 1)}
    kept = around | {len(texts) - 1} | set(range(0, len(texts), len(texts) // _READ + 1))
    return [texts[number] for number in sorted(kept)]


def _texts(values: Sequence[Value]) -> list[str]:
    return [clean(value, limit=80) for value in values if isinstance(value, str)]


def _value(value: Value) -> str:
    return f"{value:.10g}" if isinstance(value, float) else clean(str(value), limit=80)


def placeholder_fields(fields: Sequence[SampleField], table: Table, site: Site) -> frozenset[str]:
    """Names of the fields that hold the same placeholder in every sample."""
    found = set()
    for field in fields:
        values = table[field.name]
        first = values[0] if values else None
        if isinstance(first, float) and is_placeholder(field, first, site) and set(values) == {first}:
            found.add(field.name)
    return frozenset(found)


def _now_and_then(field: SampleField, name: str, values: Column, site: Site) -> list[str]:
    """A placeholder in some of the samples, far from what the others hold."""
    kinds = PLACEHOLDERS | TEMPERATURE_PLACEHOLDERS if field.role == "temperature" else PLACEHOLDERS
    if field.role in _ZERO_NOW_AND_THEN:
        kinds |= {0.0}
    if values.extent is not None:
        low, high = values.extent
        kinds = frozenset(kind for kind in kinds if low <= kind <= high)
        if not kinds:
            return []
    suspects = {kind for kind in kinds.intersection(values) if is_placeholder(field, kind, site)}
    if not suspects:
        return []
    others = [value for value in values if isinstance(value, float) and value not in suspects]
    if len(others) < 2:
        return []
    low, high = min(others), max(others)
    room = 5 * (high - low) + 0.005 * max(abs(low), abs(high))
    faults = []
    for suspect in sorted(suspects):
        if not low - room <= suspect <= high + room:
            count = values.count(suspect)
            faults.append(
                f"{name} is {suspect:g} in {count} of {len(values)} samples: a placeholder, not a value. "
                "Check the sensor and its wiring"
            )
    return faults


def is_placeholder(field: SampleField, value: float, site: Site) -> bool:
    """Whether a value, as far as it tells alone, stands for none."""
    if value == 0:
        return field.role in _NEVER_ZERO and not _truly_zero(field, site)
    if field.role == "temperature" and value in TEMPERATURE_PLACEHOLDERS:
        return True
    if value not in PLACEHOLDERS or (field.role is None and not field.unit):
        return False
    return not (field.role == "pressure" and _true_pressure(field, value, site))


def _truly_zero(field: SampleField, site: Site) -> bool:
    """Whether zero may well be true at the site: by the sea, on the equator, on a day of frost."""
    near = {
        "altitude": abs(site.elevation) <= 50,
        "latitude": abs(site.latitude) <= 0.05,
        "longitude": abs(site.longitude) <= 0.05,
        "temperature": site.temperature is not None and abs(site.temperature - 273.15) <= 5,
    }
    return near.get(field.role or "", False)


def _true_pressure(field: SampleField, value: float, site: Site) -> bool:
    """Whether the air at the site may well have just this pressure: 999 hPa is a common day's."""
    from preflight.figures.atmosphere import pressure_at

    factor = {"Pa": 1.0, "hPa": 1e2, "mbar": 1e2, "kPa": 1e3}.get(field.unit)
    if factor is None:
        return False
    expected = pressure_at(101325.0 if site.qnh is None else site.qnh, site.elevation)
    # With the day's pressure declared it is known well; without, weather moves it by a few per cent.
    return abs(value * factor / expected - 1) <= (0.005 if site.qnh is not None else 0.03)
