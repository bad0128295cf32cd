"""The times that samples carry: read, followed over midnight, and set against this laptop's clock."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from preflight.config.flight import SampleField
from preflight.config.quantities import convert
from preflight.decode.samples import Value

Kind = Literal["date", "day", "running"]

DAY = 86400.0
LATENCY = 1.0
"""Seconds that a receiver may take to send out a time it has solved for, at most. From memory: their
manuals promise the sentences within the second that follows."""
NUMBERED_DATES = (1e9, 4.2e9)
"""A number of seconds in this range counts from 1970 (2001 to 2103): no uptime is as long."""

_HOUR_NUMBER = 10000.0  # 01:00:00 written as a number; below it may as well be seconds since a start
_CLOCK = r"(\d{2}):?(\d{2}):?(\d{2})(\.\d{1,9})?"
_DAY_TIME = re.compile(_CLOCK + "Z?", re.ASCII)
_DATE_TIME = re.compile(r"(\d{4})-?(\d{2})-?(\d{2})[T ]" + _CLOCK + r"\s?(Z|UTC|[+-]\d{2}:?\d{2})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Times:
    """The times of a run of samples, in seconds; None where a sample has none that can be read.

    `kind` is "date" for seconds since 1970 UTC, "day" for time of day carried on over midnight (the first is
    0 to 86400), "running" for a clock that began at some moment of its own. `resolution` is the step between
    two times that can be told apart, `wrong` the first value that is no time.
    """

    kind: Kind
    seconds: tuple[float | None, ...]
    resolution: float
    wrong: Value = None


def read_times(field: SampleField, values: Sequence[Value]) -> Times | None:
    """The times in the values of a field with the role time; None where none can be read."""
    numbers = [value for value in values if isinstance(value, float)]
    if 2 * len(numbers) > len(values):
        return _of_numbers(field, values, numbers)
    return _of_texts(values)


def _of_texts(values: Sequence[Value]) -> Times | None:
    known: dict[str, tuple[Kind, float] | None] = {}
    wrong: Value = None
    kinds: list[Kind] = []
    seconds: list[float | None] = []
    digits = 0
    for value in values:
        found = None
        if isinstance(value, str):
            if value not in known:
                known[value] = _parsed(value)
            found = known[value]
            if found is None and wrong is None:
                wrong = value
            elif found is not None:
                digits = max(digits, len(value.partition(".")[2].rstrip("Z")))
        kinds += [found[0]] if found else []
        seconds.append(found[1] if found else None)
    if not kinds:
        return None
    kind: Kind = "date" if kinds.count("date") * 2 > len(kinds) else "day"
    if kind == "day":
        # Of a date only the time of day is kept, so that a run of both can be followed.
        seconds = _over_midnight([None if second is None else second % DAY for second in seconds])
    return Times(kind, tuple(seconds), _resolution(seconds, 10.0**-digits), wrong)


def _parsed(text: str) -> tuple[Kind, float] | None:
    text = text.strip()
    match = _DAY_TIME.fullmatch(text)
    if match is not None:
        day = _seconds_of_day(*match.groups())
        return None if day is None else ("day", day)
    match = _DATE_TIME.fullmatch(text)
    if match is None:
        return None
    year, month, day_of_month, *clock, zone = match.groups()
    day = _seconds_of_day(*clock)
    try:
        midnight = datetime(int(year), int(month), int(day_of_month), tzinfo=UTC).timestamp()
    except ValueError:
        return None
    if day is None:
        return None
    east = 0.0
    if zone and zone[0] in "+-":
        east = (int(zone[1:3]) * 3600 + int(zone[-2:]) * 60) * (-1 if zone[0] == "-" else 1)
    return "date", midnight + day - east


def _seconds_of_day(hours: str, minutes: str, seconds: str, fraction: str | None) -> float | None:
    if int(hours) > 23 or int(minutes) > 59 or int(seconds) > 60:  # 60 is a leap second
        return None
    return int(hours) * 3600.0 + int(minutes) * 60 + int(seconds) + float(fraction or 0)


def _of_numbers(field: SampleField, values: Sequence[Value], numbers: list[float]) -> Times | None:
    wrong = next((value for value in values if isinstance(value, str)), None)
    clocks = all(_clock_number(number) is not None for number in numbers)
    if not field.unit and clocks and max(numbers) >= _HOUR_NUMBER:
        # hhmmss without colons, as in NMEA; a running clock has a unit or does not look so for long.
        seconds = [_clock_number(value) if isinstance(value, float) else None for value in values]
        return Times("day", tuple(_over_midnight(seconds)), _resolution(seconds, 1e-3), wrong)
    factor = convert(1.0, field.unit, "s") if field.unit else 1.0
    running = [value * factor if isinstance(value, float) else None for value in values]
    kind: Kind = "running"
    if all(NUMBERED_DATES[0] <= number * factor <= NUMBERED_DATES[1] for number in numbers):
        kind = "date"
    return Times(kind, tuple(running), _resolution(running, 1e-3 * factor), wrong)


def _clock_number(number: float) -> float | None:
    if not 0 <= number < 240000:
        return None
    whole = int(number)
    hours, minutes, seconds = whole // 10000, whole // 100 % 100, whole % 100
    if minutes > 59 or seconds > 59:
        return None
    return hours * 3600.0 + minutes * 60 + seconds + (number - whole)


def _over_midnight(seconds: Sequence[float | None]) -> list[float | None]:
    """Times of day carried on past 86400: a step back by more than half a day is midnight, not a restart."""
    days, before, carried = 0, None, []
    for second in seconds:
        if second is not None:
            if before is not None:
                # One that steps ahead by more than half a day comes late: from the day before.
                days += (second - before < -DAY / 2) - (second - before > DAY / 2)
            before = second
        carried.append(None if second is None else second + days * DAY)
    return carried


def _resolution(seconds: Sequence[float | None], smallest: float) -> float:
    """The smallest step seen between two times that differ; at least that of the digits shown."""
    known = [second for second in seconds if second is not None]
    steps = [after - before for before, after in itertools.pairwise(known) if after > before]
    return max(smallest, min(steps)) if steps else max(smallest, 1.0)


@dataclass(frozen=True, slots=True)
class Offset:
    """How far the samples' clock is from this laptop's, in seconds: what is to be added to the laptop's.

    True is `value` within plus and minus `uncertainty`.
    """

    value: float
    uncertainty: float


def offset_from(
    times: Times,
    arrivals: Sequence[float],
    began: datetime,
    *,
    sending: float = 0.0,
    latency: float = LATENCY,
) -> Offset | None:
    """The samples' clock less the laptop's; None for a clock that tells no time of day.

    `arrivals` are when each sample was complete, in seconds from `began` (the laptop's UTC); `sending` is how
    long a sample takes on the line. A time that is shown stays true for `resolution` seconds and may have
    been up to `latency` seconds old when it was sent, so each sample gives bounds, and all together the
    narrowest.
    """
    if times.kind == "running":
        return None
    low, high = -float("inf"), float("inf")
    start = began.timestamp() if times.kind == "date" else began.timestamp() % DAY
    for second, arrival in zip(times.seconds, arrivals, strict=True):
        if second is None:
            continue
        sent = start + arrival - sending
        low = max(low, second - sent)
        high = min(high, second - sent + times.resolution)
    if low == -float("inf"):
        return None
    # Bounds that cross come of a jitter between samples: the truth is as uncertain as they are apart.
    low, high = min(low, high), max(low, high) + latency
    middle = (low + high) / 2
    if times.kind == "day":
        middle = (middle + DAY / 2) % DAY - DAY / 2
    return Offset(round(middle, 3), round((high - low) / 2, 3))


LEAP_SECONDS = 18.0
"""Seconds by which GPS time is ahead of UTC since 2017 (IERS Bulletin C 52; from memory)."""


def why_apart(offset: Offset) -> str:
    """What an offset looks like, with what to do; "" where it looks like nothing known."""
    value, near = offset.value, offset.uncertainty + 1.0
    if abs(abs(value) - LEAP_SECONDS) <= min(near, 2.5):
        return (
            "that is GPS time against UTC: the receiver has not heard of the leap seconds yet, "
            "leave it under open sky for a quarter of an hour"
        )
    quarter = round(value / 900)
    if quarter and abs(quarter) <= 56 and abs(value - quarter * 900) <= near:
        return "that is a time zone: one of the two runs on local time, records want UTC"
    return ""


def span(seconds: float) -> str:
    """A span of time in words people use: "1.5 s", "3 min 20 s", "11 h 59 min"."""
    seconds = abs(seconds)
    if seconds < 90:
        return f"{seconds:.3g} s"
    whole = timedelta(seconds=round(seconds))
    hours, minutes = divmod(int(whole.total_seconds()) // 60, 60)
    if not hours:
        return f"{minutes} min {int(whole.total_seconds()) % 60} s"
    return f"{hours} h {minutes} min" if hours < 48 else f"{hours / 24:.0f} days"
