"""clock: this laptop's clock against the time that the samples carry from the positioning receiver."""

from __future__ import annotations

import math
from collections.abc import Sequence

from preflight.checks.base import Context, Run
from preflight.checks.fixes import fix_missing
from preflight.checks.judgement import Judgement
from preflight.checks.judging import clock_offset, times_of
from preflight.checks.tap import LEADS, PUT_BACK, capture, nothing_decoded
from preflight.checks.times import Offset, span, why_apart
from preflight.config.flight import Flight
from preflight.decode.samples import Sample
from preflight.names import UNITS
from preflight.readings import Reading

OFFSET = "clock.offset"
APART = 2.0
"""Seconds by which the laptop's clock may be off: entries are compared with each other and with notes by the
minute, a second is lost between receiver and samples. Common practice, no source."""
SECONDS = 4.0
"""Seconds of samples that are listened to: a clock of whole seconds has then ticked a few times."""
REHEARSED = 2.0
"""The same, where a simulated payload tells fractions of seconds."""
LEAST_SAMPLES = 5
_READS = ("port", "link.baud", "sample.format", "sample.field", "power")


def _tells_time(flight: Flight) -> bool:
    return flight.sample is not None and any(field.role == "time" for field in flight.sample.field)


class ClockCheck:
    """Measures what is to be added to this laptop's clock; entries and signatures are stamped by it.

    Where the samples carry no time of day, the offset against another clock may be typed.
    """

    name = "clock"
    title = "Laptop's clock against the receiver's"
    needs = ("port.tap", "sample")
    asks = (OFFSET,)
    """Readings that a person may type before this check runs."""
    leads = LEADS
    put_back = PUT_BACK

    def asks_first(self, flight: Flight) -> tuple[str, ...]:
        """Nothing where the samples tell the time; where they then don't, the offset may be typed."""
        return () if _tells_time(flight) else self.asks

    def run(self, context: Context) -> Run:
        judgement = Judgement(self.name, _READS, context)
        typed = context.typed.get(OFFSET)
        if typed is not None:
            _judge(context, judgement, Offset(typed, 0.0), "another clock")
            return judgement.finding()
        layout = context.flight.sample
        assert layout is not None
        if not _tells_time(context.flight):
            judgement.gaps.append(
                f"the samples have no field with the role time: compare with another clock and type "
                f"{OFFSET}, the seconds to add to this laptop's clock"
            )
            return judgement.finding()
        seconds = min(SECONDS, REHEARSED) if context.rehearsal else SECONDS
        wanted = max(LEAST_SAMPLES, math.ceil(seconds * layout.rate))
        heard = yield from judgement.attempt(capture(context, wanted))
        if heard is None:
            return judgement.finding()
        judgement.evidence += heard.evidence()
        if heard.lost is not None:
            judgement.faults.append(heard.lost)
        elif not heard.samples and heard.stopped:
            judgement.gaps.append("stopped before a sample had come")
        elif not heard.samples:
            judgement.faults.append(nothing_decoded(context, heard))
        else:
            offset = clock_offset(context.flight, heard)
            if offset is None:
                judgement.gaps.append(_no_time(context, heard.samples))
            elif (missing := fix_missing(layout.field, heard.samples)) is not None:
                judgement.gaps.append(
                    f"{missing}, so its time may be its own and not that of the satellites. Wait for a fix"
                )
            else:
                _judge(context, judgement, offset, "the receiver's time")
        return judgement.finding()


def _no_time(context: Context, samples: Sequence[Sample]) -> str:
    found = times_of(context.flight, samples)
    what = "no time that can be read" if found is None else f"no time of day: {found[0]} counts from a start"
    return (
        f"the samples carry {what}. Compare with another clock and type {OFFSET}, the seconds to add to this "
        "laptop's clock"
    )


def _judge(context: Context, judgement: Judgement, offset: Offset, of: str) -> None:
    from preflight.figures.limits import limit_for

    at_least, at_most = limit_for(context.flight, OFFSET, (-APART, APART))
    reading = Reading(
        name=OFFSET,
        value=offset.value,
        unit=UNITS[OFFSET],
        low=round(offset.value - offset.uncertainty, 3),
        high=round(offset.value + offset.uncertainty, 3),
        at_least=at_least,
        at_most=at_most,
    )
    judgement.readings.append(reading)
    within = f" (within {offset.uncertainty:.2g} s)" if offset.uncertainty else ""
    direction = "behind" if offset.value > 0 else "ahead of"
    told = f"This laptop's clock is {span(offset.value)}{within} {direction} {of}"
    if abs(offset.value) <= offset.uncertainty:
        told = f"This laptop's clock agrees with {of} within {abs(offset.value) + offset.uncertainty:.2g} s"
    if reading.within is False:
        why = why_apart(offset)
        remedy = f": {why}" if why else ". Compare both with a third clock and set the one that is off"
        judgement.faults.append(
            f"{told}{remedy}; then run this again, as every entry is stamped by this laptop's"
        )
    else:
        judgement.remarks.append(told)


check = ClockCheck()
