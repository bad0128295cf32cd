"""Judging a run of samples, whether it came from the tap, a card's file or a capture."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from preflight.checks.columns import table_of
from preflight.checks.cross_checks import cross_checks
from preflight.checks.sample_faults import placeholder_fields, run_faults
from preflight.checks.tap import Capture
from preflight.checks.times import Offset, Times, offset_from, read_times, span, why_apart
from preflight.clean import clean
from preflight.config.flight import Flight
from preflight.decode.samples import Sample

CLOCK_APART = 30.0, 5.0
"""s that the samples' clock may be from this laptop's: a fault, a remark. Common practice, no source."""


def judge_samples(flight: Flight, samples: Sequence[Sample], seconds: float) -> tuple[list[str], list[str]]:
    """(faults, remarks) on samples that took `seconds`, as sentences for people that name the field.

    Judges what the decoder found wrong, ranges, counters, clocks, placeholders and values that stand still,
    and sets the samples against the site and the battery.
    """
    layout = flight.sample
    assert layout is not None
    faults = field_faults(samples)
    table = table_of(layout.field, samples)
    of_run, remarks = run_faults(layout.field, samples, seconds, flight.site, table=table)
    skip = placeholder_fields(layout.field, table, flight.site)
    crossed, noticed = cross_checks(flight, layout.field, table, skip=skip)
    return [*faults, *of_run, *crossed], [*remarks, *noticed]


def field_faults(samples: Sequence[Sample]) -> list[str]:
    """One sentence for each field that was wrong: the first case of it, and in how many samples."""
    count = len(samples)
    first: dict[str, str] = {}
    times: Counter[str] = Counter()
    for sample in samples:
        if sample.faults:
            for fault, field in zip(sample.faults, sample.faulty, strict=True):
                key = field or fault
                first.setdefault(key, fault)
                times[key] += 1
    return [f"{clean(fault)}, in {times[key]} of {count} samples" for key, fault in first.items()]


def times_of(flight: Flight, samples: Sequence[Sample]) -> tuple[str, Times] | None:
    """The name (cleaned) and the times of the field with the role time; None where there are none."""
    layout = flight.sample
    field = next((field for field in layout.field if field.role == "time"), None) if layout else None
    if field is None:
        return None
    times = read_times(field, [sample.values.get(field.name) for sample in samples])
    return None if times is None else (clean(field.name, limit=80), times)


def sending_time(flight: Flight, samples: Sequence[Sample]) -> float:
    """Seconds that the shortest of the samples takes on the line; 0 where its speed is not declared."""
    if flight.link is None or not samples:
        return 0.0
    # 8N1 is ten bits; a few bits more of another framing change nothing here.
    return min(sample.length for sample in samples) * 10 / flight.link.baud


def clock_offset(flight: Flight, heard: Capture) -> Offset | None:
    """The samples' clock less this laptop's; None where the samples tell no time of day."""
    found = times_of(flight, heard.samples)
    if found is None or heard.began is None:
        return None
    return offset_from(found[1], heard.times, heard.began, sending=sending_time(flight, heard.samples))


def clock_faults(flight: Flight, heard: Capture) -> tuple[list[str], list[str]]:
    """(faults, remarks) on samples whose clock is far from this laptop's."""
    offset = clock_offset(flight, heard)
    found = times_of(flight, heard.samples)
    if offset is None or found is None:
        return [], []
    apart = abs(offset.value) - offset.uncertainty
    if apart <= CLOCK_APART[1]:
        return [], []
    name = found[0]
    direction = "ahead of" if offset.value > 0 else "behind"
    why = why_apart(offset) or "see which of the two is wrong, and set it"
    sentence = f"{name} is {span(offset.value)} {direction} this laptop's clock: {why}"
    return ([sentence], []) if apart > CLOCK_APART[0] else ([], [sentence])
