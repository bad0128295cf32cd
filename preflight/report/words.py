"""Numbers, quantities, spans and times as a report prints them: for people, never rounded across a limit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from preflight.figures.shown import duration_text
from preflight.readings import Reading, decimal_text, margin_text, rounded

_PRINTED_UNITS = {
    "mA*h": "mAh",
    "A*h": "Ah",
    "m^3": "m³",
    "m^2": "m²",
    "cm^2": "cm²",
    "g/cm^2": "g/cm²",
    "degC": "°C",
    "deg": "°",
}
_BYTES = ((1e9, "GB"), (1e6, "MB"), (1e3, "kB"))

_LONGEST = 1e15
"""Numbers from here on are written with an exponent: nobody counts their zeros."""

SHAPES: dict[str, str] = {
    "open": "○",
    "go": "●",
    "no-go": "■",
    "waived": "◆",
    "not-applicable": "–",
    "stale": "△",
    "hold": "‖",
}
"""A shape beside each word, so that a black and white print tells outcomes apart at a glance."""


def word_of(outcome: str) -> str:
    """An outcome, verdict or state as it is printed: "NO-GO", "NOT APPLICABLE"."""
    return "NOT APPLICABLE" if outcome == "not-applicable" else outcome.upper()


def number(value: float, *limits: float | None) -> str:
    """Four significant digits, more where fewer would move the value onto or across one of `limits`."""
    rounded = value
    for digits in (4, 6, 9, 17):
        rounded = float(f"{value:.{digits}g}")
        if all(limit is None or _side(rounded, limit) == _side(value, limit) for limit in limits):
            break
    return decimal_text(rounded) if abs(rounded) < _LONGEST else f"{rounded:g}"


def _side(value: float, limit: float) -> int:
    return (value > limit) - (value < limit)


def printed_unit(unit: str) -> str:
    """The unit as people write it: "mAh", "m³", "°C"."""
    return _PRINTED_UNITS.get(unit, unit)


def with_unit(value: float, unit: str, *limits: float | None) -> str:
    """A number with its unit; large byte counts in kB, MB or GB of 1000."""
    if unit == "B":
        for size, word in _BYTES:
            if abs(value) >= 10 * size:
                near = (None if limit is None else limit / size for limit in limits)
                return f"{number(value / size, *near)} {word}"
    return f"{number(value, *limits)} {printed_unit(unit)}".rstrip()


def value_of(reading: Reading) -> str:
    """A reading's value with its unit."""
    if reading.value is None:
        return "not known"
    if isinstance(reading.value, str):
        return reading.value
    told = duration_text(reading)
    return told or with_unit(reading.value, reading.unit, reading.at_least, reading.at_most)


def band_of(reading: Reading) -> str:
    """The range a value may lie in, "" where there is none. Two digits: a band is no better than that.

    Rounded outwards, so that no value lies beside its own range.
    """
    if reading.low is None or reading.high is None or reading.low == reading.high:
        return ""
    digits = 2 if reading.source == "computed" else 4
    ends = (rounded(reading.low, digits, up=False), rounded(reading.high, digits, up=True))
    return f"{' to '.join(map(decimal_text, ends))} {printed_unit(reading.unit)}".rstrip()


def limits_of(reading: Reading) -> str:
    """The limits of a reading in words, "" where there are none."""
    return limit_words(reading.at_least, reading.at_most, reading.unit)


def limit_words(at_least: float | None, at_most: float | None, unit: str) -> str:
    """Limits in words: "at least 1.4 kg, at most 1.9 kg"."""
    sides = (("at least", at_least), ("at most", at_most))
    return ", ".join(f"{word} {with_unit(limit, unit)}" for word, limit in sides if limit is not None)


def margin_of(reading: Reading) -> str:
    """The margin of a reading, "" where there is none; 1 is exactly enough."""
    return "" if reading.margin is None else margin_text(reading.margin, digits=4)


def judged_words(reading: Reading) -> str:
    """Whether a reading is inside its limits, in a word; "" where there is nothing to judge."""
    return {True: "within", False: "OUTSIDE", None: ""}[reading.within]


def utc_words(utc: str) -> str:
    """A time as a record keeps it, for people."""
    return f"{utc[:10]} {utc[11:19]} UTC"


def span(seconds: float) -> str:
    """A rough span: "45 s", "45 min", "3.5 h", "12 days"."""
    for size, unit, until in ((1, "s", 120), (60, "min", 7200), (3600, "h", 172_800)):
        if abs(seconds) < until:
            return f"{seconds / size:.{1 if unit == 'h' else 0}f} {unit}"
    return f"{seconds / 86400:.0f} days"


def count(n: int, one: str, many: str = "") -> str:
    """A count with its noun: "1 step", "3 steps"."""
    return f"{n} {one}" if n == 1 else f"{n} {many or one + 's'}"


@dataclass(frozen=True, slots=True)
class Stamp:
    """One moment: `iso` as RFC 3339 UTC, `utc` and `local` for people (the site's clock)."""

    iso: str
    utc: str
    local: str


class Clockface:
    """Prints moments in UTC and on the clock of the site."""

    def __init__(self, zone: str | None) -> None:
        """`zone` is an IANA time zone name; None, or one that this machine lacks, leaves local times out."""
        self.zone: ZoneInfo | None = None
        if zone is not None:
            try:
                self.zone = ZoneInfo(zone)
            except (OSError, ValueError, LookupError):
                self.zone = None

    def stamp(self, at: datetime | str) -> Stamp:
        """A moment, or the text of one as a record keeps it; a day that does not exist stays as written."""
        if isinstance(at, str):
            try:
                return self.stamp(datetime.fromisoformat(at))
            except ValueError:
                return Stamp(at, at, "")
        at = at.astimezone(UTC)
        iso = f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"
        return Stamp(iso, f"{at:%Y-%m-%d %H:%M:%S} UTC", self._local(at))

    def _local(self, at: datetime) -> str:
        if self.zone is None:
            return ""
        try:
            local = at.astimezone(self.zone)
        except OverflowError:
            return ""
        name = local.tzname() or ""
        return "" if name == "UTC" else f"{local:%Y-%m-%d %H:%M:%S} {name}"
